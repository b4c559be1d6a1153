"""Ways on the line: hung from an anchor above, or caught on a block below the cut."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import shapely
import shapely.ops

from treescan.motion.landing import landing_zone
from treescan.motion.swing import lowered
from treescan.motion.types import Path
from treescan.planning.falls import aims_m, is_log, upright_deg
from treescan.planning.job import Job
from treescan.planning.options import Option, judged_gaps, room_m, strikes
from treescan.planning.spar_block import block_below, caught_case, caught_path
from treescan.planning.ties import hung_cases
from treescan.rigging.cases import solve_many
from treescan.rigging.spar import SparModel
from treescan.rigging.types import LoadCase, LoadResult
from treescan.units import Band
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

MOST_SIMULATED = 4
TAG_LINE_SLOPE = 0.3
"""A tag line holds a piece aside by up to this share of the line's height: common practice."""

TOUCHES_M = 0.3
STIFFEST_PER_KG = 500.0
"""Line stiffness over mass beyond which the stretch no longer matters to the way. [N/m/kg]"""


def hang_options(job: Job, piece: Piece, order: int) -> list[Option]:
    """All ways of taking one piece on the line that are worth a look, judged."""
    cases = hung_cases(job, piece)
    block = block_below(job, piece) if upright_deg(piece) < 45.0 else None
    if block is not None:
        cases.append(caught_case(job, piece, block))
    if not cases:
        return []
    results = [r for r in solve_many(cases, job.spar) if not r.failed]
    found = []
    for result in _worth_simulating(results):
        found += _judged(job, order, result)
    return found


def _worth_simulating(results: list[LoadResult]) -> list[LoadResult]:
    """The lightest-loaded results, at most two an anchor; the block below always."""
    chosen: list[LoadResult] = []
    count: dict[int, int] = {}
    for result in sorted(results, key=lambda r: r.share):
        node = result.case.anchor.node
        below = result.case.drop_m > 0.0
        if below or (count.get(node, 0) < 2 and len(chosen) < MOST_SIMULATED):
            chosen.append(result)
            count[node] = count.get(node, 0) + 1
    return chosen


def landing_goal(job: Job, anchor_m: Floats, reach_m: float) -> tuple[Floats | None, float]:
    """Where a hanging piece is guided down, and how far aside of plumb that is. [m]

    None where it is let straight down (plumb under the anchor lies well inside a landing).
    """
    point = shapely.Point(anchor_m[:2])
    best: tuple[float, shapely.Point] | None = None
    for zone in job.field.obstacles.landings:
        shape = shapely.Polygon(zone.corners_m)
        inner = shape.buffer(-min(reach_m, 3.0))
        inner = shape.buffer(-0.5) if inner.is_empty else inner
        inner = shape if inner.is_empty else inner
        near = shapely.ops.nearest_points(inner, point)[0]
        away = near.distance(point)
        if best is None or away < best[0]:
            best = (away, near)
    if best is None or best[0] < 1e-6:
        return None, 0.0
    return np.array([best[1].x, best[1].y]), float(best[0])


def _judged(job: Job, order: int, result: LoadResult) -> list[Option]:
    case = result.case
    reach = float(np.linalg.norm(case.piece.outline_m - case.piece.centre_m, axis=1).max())
    goal, aside = landing_goal(job, case.anchor.position_m, 0.7 * reach)
    if case.drop_m > 0.0:
        found = []
        for azimuth in aims_m(case.piece.cut_m, job.field.obstacles.landings)[:3]:
            path = caught_path(job, case, azimuth, goal)
            if path is not None:
                found.append(_option(job, order, result, path, (aside, azimuth)))
        return found
    stiff = case.gear.line.modulus_n / max(result.line_needed_m, 5.0)
    stiff = min(stiff, STIFFEST_PER_KG * case.piece.mass_kg.high)
    for softer in (1.0, 0.1):
        try:
            path = lowered(
                case.piece,
                case.tie_m,
                case.anchor.position_m,
                job.inputs.ground,
                rope_stiffness_n_m=stiff * softer,
                lower_to=goal,
                hold_swing=job.inputs.site.gear.tag_line,
            )
        except ValueError:
            continue
        if np.isfinite(path.centre_m).all():
            return [_option(job, order, result, path, (aside, None))]
    return []


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
    broken, warnings, excess = strikes(gaps), [*path.notes, *result.warnings], result.share
    broken += load_limits(result)
    zone, _, kept = landing_zone(path, piece, job.field.obstacles, "landing")
    height = float(case.anchor.position_m[2] - path.landing_m[2])
    if not job.field.obstacles.landings:
        broken.append("no landing is marked where it could be set down")
    elif aside > TAG_LINE_SLOPE * height:
        broken.append(f"hangs {aside:.1f} m outside the landing, more than a tag line holds")
    elif not kept:
        warnings.append(f"part of it may lie outside {zone or 'the landing'}")
    if path.lowest_m < -TOUCHES_M:
        warnings.append(
            f"its end touches the ground before it hangs ({-path.lowest_m:.1f} m too long)"
        )
    if piece.mass_kg.high > site.limits.max_piece_kg:
        excess = max(excess, piece.mass_kg.high / site.limits.max_piece_kg)
        broken.append(
            f"may weigh {piece.mass_kg.high:.0f} kg; {site.limits.max_piece_kg:.0f} kg is allowed"
        )
    log = is_log(piece, order, job.rules)
    low, high = site.minutes.lowered_log if log else site.minutes.lowered_limb
    extra = {"butt": 0.0, "tip": 0.5, "two-leg": 1.5}[case.tie] + (0.5 if aside > 0.5 else 0.0)
    return Option(
        piece=piece,
        method="lower",
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
        room_m=room_m(gaps),
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


def reloaded(option: Option, spar: SparModel) -> Option:
    """Answer an option's load again on what still stands; its limits are judged anew."""
    if option.load is None:
        return option
    result = solve_many([option.load.case], spar)[0]
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


def case_of(option: Option) -> LoadCase | None:
    """Load case of a lowered option."""
    return option.load.case if option.load is not None else None
