"""Ways on the line: hung from an anchor above, or caught on a block below the cut."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import shapely
import shapely.ops

from treescan.errors import InvalidInputError
from treescan.motion.on_line import swing_steps
from treescan.motion.swing import lowered
from treescan.motion.types import Path
from treescan.planning.falls import HELD_KG, aims_m, cut_minutes, is_log, upright_deg
from treescan.planning.job import Job
from treescan.planning.letting_run import MOST_OVER, run_longer
from treescan.planning.line_in_service import line_in_service
from treescan.planning.options import PASSES, Option, judged_gaps, passing, standing_distance_m
from treescan.planning.sent import sent_ways
from treescan.planning.sent_load import SentCase, sent_load
from treescan.planning.sliding import slid_ways
from treescan.planning.spar_block import block_below, caught_case, caught_path, is_caught
from treescan.planning.ties import hung_cases
from treescan.planning.turned import turned_cases, with_turn
from treescan.rigging.cases import Rider, solve_many
from treescan.rigging.proposals import Redirect, propose_redirects
from treescan.rigging.spar import SparModel
from treescan.rigging.types import LoadResult
from treescan.units import G_M_S2, Band
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

MOST_A_TIE = 2
ENOUGH_KEPT = 2
EASY_SHARE = 0.6
"""A piece that hangs with less than this share of a limit is not tried on a stretched line."""

MOST_TURNED = 4
ASIDE_SHARE = 0.4
"""Part of the lowering in which a piece is pulled aside before it is let down."""

STEEPEST_TAG_SLOPE = 0.7
"""A tag line never holds a piece further aside than this share of the line's height: our
choice, no source."""

PRETENSION_SHARE = 0.7
"""The line is pulled tight to this share of the likely weight before the cut: common practice."""

TOUCHES_M = 0.3

SENT_EXTRA_MIN = 2.0
"""Hauling the carriage back takes this much longer than a lowering: common practice. [min]"""


def hang_options(
    job: Job, piece: Piece, order: int, asked: str | int | None = None
) -> list[Option]:
    """All ways of taking one piece on the line that are worth a look, judged.

    ``asked`` names one anchor (id or node) to look at alone.
    """
    cases = hung_cases(job, piece, asked)
    block = block_below(job, piece) if upright_deg(piece) < 45.0 else None
    if block is not None and asked in (None, block.anchor_id, block.node):
        cases.append(caught_case(job, piece, block))
    if not cases:
        return []  # no anchor above it, and none below: nothing for any line
    spar = job.spar_beside(piece.butt_node)
    rider = job.rider(spar.standing)
    results = [r for r in solve_many(cases, spar, rider) if not r.failed]
    found: list[Option] = []
    for result in _by_promise(job, results):
        kept = sum(o.kept for o in found)
        if kept >= ENOUGH_KEPT:
            break
        longer = run_longer(result, spar, rider)
        ways = [] if longer is None else _judged(job, order, longer)
        most = 1.0 if kept else MOST_OVER  # what cannot be helped is followed once, to refuse it
        if not any(o.kept for o in ways) and (result.share <= most or not found):
            ways += _eased_ways(job, order, result, spar, rider)
        found += ways
    if asked is None and not any(o.kept for o in found):
        found += _turned_options(job, piece, order)
    if piece.mass_kg.high <= HELD_KG:
        return found
    if not any(o.kept and o.share < EASY_SHARE for o in found):
        found += [
            _option(job, order, way.result, way.path, (0.0, None))
            for way in sent_ways(job, piece, spar, asked)
        ]
    return found


def _eased_ways(
    job: Job, order: int, result: LoadResult, spar: SparModel, rider: Rider | None
) -> list[Option]:
    """Ways of one lift, over a redirect where that takes an overload off a section."""
    eased = _eased(result, spar, rider)
    if eased is None:
        return _judged(job, order, result)
    return [
        replace(o, redirects=(f"R{eased.node}",), warnings=(*o.warnings, eased.reason))
        for o in _judged(job, order, eased.result)
    ]


def _eased(result: LoadResult, spar: SparModel, rider: Rider | None) -> Redirect | None:
    """A redirect that brings an overloaded section within its limit, or None."""
    if not 1.0 < result.share <= MOST_OVER or "section" not in result.governs:
        return None
    if is_caught(result.case):
        return None
    proposals = propose_redirects(result.case, spar, rider)
    return next((p for p in proposals if p.result.share <= 1.0), None)


def _turned_options(job: Job, piece: Piece, order: int) -> list[Option]:
    """Limbs folded up or aside on the hinge before they part."""
    turned = turned_cases(job, piece)
    if not turned:
        return []
    spar = job.spar_beside(piece.butt_node)
    results = solve_many([t.case for t in turned], spar, job.rider(spar.standing))
    rated = sorted(
        (_promise(job, r), i) for i, r in enumerate(results) if not r.failed and r.share <= 1.0
    )
    found: list[Option] = []
    for _, i in rated[:MOST_TURNED]:
        way, result = turned[i], results[i]
        goal, aside = landing_goal(job, way.case.anchor.position_m, _lying_reach_m(piece))
        after = _hung_path(job, result, goal)
        if after is None:
            continue
        path = with_turn(piece, way, after)
        option = _option(job, order, result, path, (aside, way.azimuth_deg))
        option = replace(
            option,
            piece=piece,
            tie_m=way.tie.points_m,
            hinge_below_level_deg=way.below_level_deg,
        )
        found.append(passed_again(job, option))
        if found[-1].kept:
            break
    return found


def passed_again(job: Job, option: Option) -> Option:
    """Judge the way of the piece as it grows, its turn on the hinge included."""
    obstacles = job.field.obstacles
    gaps = judged_gaps(option.piece, option.path, obstacles, job.inputs.site.conditions.wind_m_s)
    before = standing_distance_m(option.piece, obstacles)
    passed = passing(gaps, before, obstacles.is_conductor)
    kept = [b for b in option.broken if not b.startswith(PASSES)]
    return replace(
        option,
        clearances=gaps,
        broken=(*passed.broken, *kept),
        warnings=(*option.warnings, *passed.warnings),
        room_m=passed.room_m,
    )


def _by_promise(job: Job, results: list[LoadResult]) -> list[LoadResult]:
    """The results worth simulating, most promising first, no more than two a kind of tie.

    Promise falls with the load, with the swing and with the room that is missing around the
    plumb line under the anchor.
    """
    rated = sorted(
        ((_promise(job, result), number) for number, result in enumerate(results)),
    )
    chosen: list[LoadResult] = []
    count: dict[str, int] = {}
    for _, number in rated:
        result = results[number]
        kind = "below" if is_caught(result.case) else result.case.tie
        if count.get(kind, 0) < MOST_A_TIE:
            count[kind] = count.get(kind, 0) + 1
            chosen.append(result)
    return chosen


def _promise(job: Job, result: LoadResult) -> float:
    case = result.case
    value = max(result.share, 0.5) + 3.0 * max(result.share - 1.0, 0.0)
    value += 0.5 * (1.0 - np.cos(case.swing_rad)) + 0.5 * (case.drop_m > 0.0)
    obstacles = job.field.obstacles
    if not len(obstacles):
        return value
    piece = case.piece
    reach = np.linalg.norm(piece.outline_m - piece.centre_m, axis=1).max()
    wide = 0.9 * reach if case.tie == "two-leg" else 0.35 * reach
    low, high = job.field.foot_m[2] + 0.5, case.anchor.position_m[2] - 1.0
    line = np.repeat(case.anchor.position_m[None], 4, axis=0)
    line[:, 2] = np.linspace(low, max(high, low), 4)
    lack = obstacles.margin_m - obstacles.nearest(line, wide)[0]
    return float(value + np.maximum(lack, 0.0).sum())


def landing_goal(job: Job, anchor_m: Floats, reach_m: float) -> tuple[Floats | None, float]:
    """Where a hanging piece is guided down, and how far aside of plumb that is. [m]

    Landings and drop zones both take lowered pieces.  None where it is let straight down
    (plumb under the anchor lies well inside one of them).

    ``anchor_m`` is (3,), the place (2,) in plan; ``reach_m`` is how far the lying
    piece reaches from there.
    """
    point = shapely.Point(anchor_m[:2])
    best: tuple[float, shapely.Point] | None = None
    for inner in job.field.set_downs(round(min(reach_m, 3.0), 1)):
        near = shapely.ops.nearest_points(inner, point)[0]
        away = near.distance(point)
        if best is None or away < best[0]:
            best = (away, near)
    if best is None or best[0] < 1e-6:
        return None, 0.0
    return np.array([best[1].x, best[1].y]), float(best[0])


def aside_first(path: Path, anchor_m: Floats, slope: float) -> Path:
    """Way of a hanging piece that people pull aside while it is high, then let down.

    The path comes back unchanged where the line is too short for the pull at that height.

    ``anchor_m`` (3,) holds the line; ``slope`` is the greatest way aside over the height of the
    anchor above the piece.
    """
    steps = swing_steps(path.time_s)
    if steps is None or not np.isfinite(path.contact_time_s):
        return path
    first = steps + 1
    last = int(np.searchsorted(path.time_s, path.contact_time_s + 1e-9))
    if last - first < 3:
        return path
    start, end = path.centre_m[first - 1], path.centre_m[last - 1]
    aside = float(np.linalg.norm(end[:2] - start[:2]))
    hang = float(anchor_m[2] - start[2])
    if aside < 0.3 or hang <= 0.0 or aside > slope * hang:
        return path
    share = np.arange(1, last - first + 1) / (last - first)
    centre = path.centre_m.copy()
    over = np.minimum(share / ASIDE_SHARE, 1.0)[:, None]
    down = np.maximum((share - ASIDE_SHARE) / (1.0 - ASIDE_SHARE), 0.0)
    centre[first:last, :2] = start[:2] + over * (end[:2] - start[:2])
    centre[first:last, 2] = start[2] + down * (end[2] - start[2])
    how = {"anchor_m": anchor_m, "slope": slope, "then": path.recipe}
    return replace(path, centre_m=centre, recipe=("aside_first", how))


def _lying_reach_m(piece: Piece) -> float:
    """How far a lying piece reaches from its centre of mass, twigs included. [m]"""
    away = np.linalg.norm(piece.outline_m - piece.centre_m, axis=1)
    return float(np.maximum(0.7 * away, piece.outline_radius_m).max())


def tag_slope(job: Job, piece: Piece) -> float:
    """How far aside of plumb people hold a piece, over the line's height.

    The pull at the ground is W x over the height of the line (handbook 6.4, F6); each free
    person gives the hand force of the site file.
    """
    people = max(job.inputs.site.crew.ground - 1, 1)
    weight = G_M_S2 * piece.mass_kg.high
    return min(people * job.inputs.site.gear.hand_force_n / weight, STEEPEST_TAG_SLOPE)


def _judged(job: Job, order: int, result: LoadResult) -> list[Option]:
    case = result.case
    goal, aside = landing_goal(job, case.anchor.position_m, _lying_reach_m(case.piece))
    if is_caught(case):
        found = []
        for azimuth in _catch_aims(job, case.piece):
            path = caught_path(job, result, azimuth, goal)
            if path is not None:
                found.append(_option(job, order, result, path, (aside, azimuth)))
        return found
    found = [
        _option(job, order, slid.result, slid.path, (aside, None))
        for slid in slid_ways(job, result, goal)
    ]
    path = None if found else _hung_path(job, result, goal)
    return found if path is None else [_option(job, order, result, path, (aside, None))]


def _hung_path(job: Job, result: LoadResult, goal: Floats | None) -> Path | None:
    """Way of a piece cut free on a taut line; None when it cannot be followed."""
    case = result.case
    try:
        path = lowered(
            case.piece,
            case.tie_m,
            case.anchor.position_m,
            job.inputs.ground,
            pretension_n=PRETENSION_SHARE * G_M_S2 * case.piece.mass_kg.likely,
            lower_to=goal,
            hold_swing=job.inputs.site.gear.tag_line,
            **line_in_service(result),
        )
    except InvalidInputError:
        return None
    return aside_first(path, case.anchor.position_m, tag_slope(job, case.piece))


def _catch_aims(job: Job, piece: Piece) -> list[float]:
    """Azimuths to tip a caught piece: toward the nearest landing, and away from what is near."""
    aims = aims_m(piece.cut_m, job.field.obstacles.landings or job.field.obstacles.drop_zones)[:1]
    point = shapely.Point(piece.cut_m[:2])
    near = [shapely.ops.nearest_points(s, point)[0] for _, s in job.field.low_targets]
    if near:
        worst = min(near, key=point.distance)
        away = np.degrees(np.arctan2(point.x - worst.x, point.y - worst.y)) % 360.0
        aims.append(float(away))
    return aims or [0.0]


def _option(
    job: Job,
    order: int,
    result: LoadResult,
    path: Path,
    way: tuple[float, float | None],
) -> Option:
    site, case, piece = job.inputs.site, result.case, result.case.piece
    aside, azimuth = way
    gaps = judged_gaps(piece, path, job.field.obstacles, site.conditions.wind_m_s)
    before = standing_distance_m(piece, job.field.obstacles)
    passed = passing(gaps, before, job.field.obstacles.is_conductor)
    broken, excess = [*passed.broken, *load_limits(result)], result.share
    warnings = [*path.notes, *passed.warnings, *result.warnings]
    fault, zone, spill = job.field.comes_to_lie(path, tuple(job.field.grounds), before)
    height = float(case.anchor.position_m[2] - path.landing_m[2])
    if aside > tag_slope(job, piece) * height:
        broken.append(f"hangs {aside:.1f} m outside the landing, more than a tag line holds")
    elif fault:
        broken.append(fault)
    elif spill:
        warnings.append(spill)
    if path.lowest_m < -TOUCHES_M and not isinstance(case, SentCase):
        warnings.append(
            f"its end touches the ground before it hangs ({-path.lowest_m:.1f} m too long)"
        )
    if piece.mass_kg.high > site.limits.max_piece_kg:
        excess = max(excess, piece.mass_kg.high / site.limits.max_piece_kg)
        broken.append(
            f"may weigh {piece.mass_kg.high:.0f} kg; {site.limits.max_piece_kg:.0f} kg is allowed"
        )
    sent = isinstance(case, SentCase)
    if sent and path.lowest_m < -TOUCHES_M:
        broken.append(f"would drag {-path.lowest_m:.1f} m into the ground on its way down the line")
    log = is_log(piece, order, job.rules)
    low, high = cut_minutes(
        piece, site, site.minutes.lowered_log if log else site.minutes.lowered_limb
    )
    extra = {"butt": 0.0, "tip": 0.5, "two-leg": 1.5}[case.tie] + (0.5 if aside > 0.5 else 0.0)
    extra += SENT_EXTRA_MIN if sent else 0.0
    return Option(
        piece=piece,
        method="speed line" if sent else "lower",
        path=path,
        landing=zone,
        clearances=gaps,
        minutes=Band(low + extra, 0.5 * (low + high) + extra, high + extra),
        people=1 + min(site.crew.ground, 3 if piece.mass_kg.high > 150.0 or aside > 0.5 else 2),
        tie=case.tie,
        tie_m=case.tie_m,
        anchor=case.anchor,
        load=result,
        hinge_azimuth_deg=azimuth,
        hinge_below_level_deg=None if azimuth is None else 0.0,
        warnings=tuple(warnings),
        broken=tuple(broken),
        share=result.share,
        room_m=passed.room_m,
        excess=excess,
    )


def load_limits(result: LoadResult) -> list[str]:
    """Sentences for every item loaded over its limit."""
    anchor = result.case.anchor.anchor_id
    return [
        f"{item} at {share * 100:.0f} % of its limit (anchor {anchor})"
        for item, share in sorted(result.utilisation.items(), key=lambda kv: -kv[1])
        if share > 1.0
    ]


def reloaded(option: Option, spar: SparModel, rider: Rider | None) -> Option:
    """Answer an option's load again on what still stands; its limits are judged anew."""
    if option.load is None:
        return option
    case = option.load.case
    if isinstance(case, SentCase):
        result = sent_load(case, spar, rider)
    else:
        result = solve_many([case], spar, rider)[0]
    if result.failed:
        return replace(option, broken=(*option.broken, result.failed))
    others = [b for b in option.broken if "of its limit" not in b]
    return replace(
        option,
        load=result,
        share=result.share,
        excess=max(result.share, 0.0),
        broken=tuple(others + load_limits(result)),
    )
