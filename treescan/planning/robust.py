"""How sure a way and a plan are: chance that a limit or margin is passed, from simulated cases.

The cases of a way (hinge early or late, aim off, fibres that hold, another stretch, run or mass)
are simulated in full and held against every target, the ground where it may come to lie and the
ground's energy limit.  Between them the answers go in straight lines, so that thousands of draws
of all causes together cost nothing more.  Each draw changes the weight of the piece, the
diameters that carry it, the friction at the block, the run let out and the way of the piece
together; the limits stay what they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from treescan.errors import InvalidInputError
from treescan.motion.body import rigid_piece
from treescan.motion.cases import Cases, cases_of
from treescan.motion.clearance import near_passes_m
from treescan.motion.climber import safe_side
from treescan.motion.landing import footprint_polygon, lying_outline
from treescan.motion.on_line import SET_DOWN_M
from treescan.motion.response import drawn, response
from treescan.motion.types import Path
from treescan.planning.draws import DRAWS, Draws
from treescan.planning.falls import FOOT, FOOT_RADIUS_M, Field, zone_energy_j
from treescan.planning.hangs import aside_first
from treescan.planning.line_watch import line_passes, line_too_near, line_warnings
from treescan.planning.options import (
    NEARER_M,
    Option,
    standing_distance_m,
    wind_allowance_m,
)
from treescan.planning.trial import Trial
from treescan.planning.turning import after_turning, pose_after
from treescan.planning.types import Step
from treescan.rigging.types import LoadResult
from treescan.units import Band
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

Z_95 = 1.645
DIAMETER_SD = 0.05
DRIFT_SD_SHARE = 0.5
"""The allowance for wind is taken as two standard deviations of the drift toward a target."""

BOUNCE_SD_SHARE = 0.5
"""The allowance for bounce and roll is taken as two standard deviations of it."""

BY_HAND_KG = 20.0
"""Lighter pieces are held and guided by hand, and may pass where the climber is: our choice."""

FAR_M = 50.0

FARTHER_M = 3.0
"""Passes farther than the greatest margin and this are not told apart. [m]"""

FLOPS_ASIDE = 0.25
"""How often a piece that lands on an end flops to the side of what it must not lie against
instead of the way it was going: our choice, no source."""


def tried(
    option: Option | Step, field: Field, draws: Draws, cases: Cases | None = None
) -> Trial | None:
    """Try the cases of one way; None when its path does not say how it was made.

    Parameters
    ----------
    option : Option or Step
    field : Field
    draws : Draws
    cases : Cases, optional
        When they are known already.
    """
    piece, path = option.piece, option.path
    if cases is None:
        if path.recipe is None:
            return None
        try:
            cases = way_cases(piece, path, field)
        except InvalidInputError:
            return None
    judge = _Judge.of(option, field)
    likely = judge.figures(path)
    others = [judge.figures(other) for other in cases.others]
    answer = response(likely, others, cases.causes)
    rng = np.random.default_rng([draws.seed, piece.butt_node])
    figures = drawn(answer, rng, DRAWS, {"mass": draws.heavy})
    passes, lying, flopped, inside, energy_j = judge.parted(figures)
    passes = passes - judge.drift_m * DRIFT_SD_SHARE * np.abs(rng.standard_normal((DRAWS, 1)))
    bounce = judge.bounce_m * BOUNCE_SD_SHARE * np.abs(rng.standard_normal((DRAWS, 1)))
    aside = rng.random((DRAWS, 1)) < FLOPS_ASIDE
    mass = draw(piece.mass_kg, draws.heavy) / max(piece.mass_kg.high, 1e-9)
    broken = (passes < judge.wanted).any(axis=1)
    broken |= (np.where(aside, flopped, lying) < bounce).any(axis=1)
    broken |= (inside < 0.0) | (energy_j * mass > judge.limit_j)
    low = np.quantile(passes, 0.05, axis=0) if passes.size else np.zeros(0)
    return Trial(
        breach=broken,
        spread_m=np.maximum(likely[: len(low)] - low, 0.0),
        worst=judge.worst(likely, others, cases.labels),
        centre_m=path.centre_m,
    )


def with_chance(option: Option, field: Field, draws: Draws) -> Option:
    """Option with its chance of a breach; unchanged where a limit is broken already.

    A way that goes through the climber's space whatever side he works from, or whose line comes
    too near a conductor, is refused here.
    """
    if not option.kept:
        return option
    passes = line_passes(option, field)
    refused = (*_through_climber(option), *line_too_near(passes))
    if refused:
        return replace(option, broken=refused)
    option = replace(option, warnings=(*option.warnings, *line_warnings(option, passes)))
    trial = tried(option, field, draws)
    chance = chance_of_breach(option, trial, field, draws)
    if trial is None:
        return replace(option, chance=chance)
    gaps = trial.spread_over(option.clearances)
    wanted = _wanted(option, standing_distance_m(option.piece, field.obstacles), field)
    room = min(
        (g.distance_m - g.spread_m - w for g, w in zip(gaps, wanted, strict=True)), default=np.inf
    )
    return replace(option, chance=chance, clearances=gaps, room_m=float(room), trial=trial)


def _through_climber(option: Option) -> tuple[str, ...]:
    """Say so when a piece too heavy to be guided by hand passes through the climber's space."""
    if option.piece.mass_kg.high < BY_HAND_KG:
        return ()
    side = safe_side(option.piece, option.path)
    if not side.refused or side.crowded:
        return ()
    return ("would come through the climber's space whatever side of the cut he works from",)


def way_cases(piece: Piece, path: Path, field: Field) -> Cases:
    """Cases of a path by its recipe, a turn by hand before it or a pull aside included.

    Raises
    ------
    InvalidInputError
        If the path does not say how it was made.
    """
    name, how = path.recipe or ("", {})
    if name == "after_turning":
        turn = (how["axis"], how["angle_rad"])
        pose = pose_after(piece, turn, how["carried_m"])
        found = way_cases(pose, replace(path, recipe=how["then"]), field)
        again = [
            after_turning(piece, turn, other, how["pull_n"], "", carried_m=how["carried_m"])
            for other in found.others
        ]
    elif name == "aside_first":
        found = way_cases(piece, replace(path, recipe=how["then"]), field)
        again = [aside_first(other, how["anchor_m"], how["slope"]) for other in found.others]
    else:
        return cases_of(piece, path, field.ground)
    return replace(found, likely=path, others=tuple(again))


@dataclass(frozen=True)
class _Judge:
    """What the figures of one way are held against.

    Figures are the distances to all targets, the room between the lying piece and each low
    target, the same wherever it may flop, the room inside the zones, and the energy on the
    ground.
    """

    piece: Piece
    field: Field
    wanted: Floats
    drift_m: float
    low: tuple[tuple[str, shapely.Geometry], ...]
    zones: tuple[shapely.Polygon, ...]
    at_foot: bool
    limit_j: float
    bounce_m: float
    most_m: float

    @staticmethod
    def of(option: Option | Step, field: Field) -> _Judge:
        before = standing_distance_m(option.piece, field.obstacles)
        falls = option.method in {"free fall", "hinge fall"}
        names = field.obstacles.names
        touching = {name for name, m in zip(names, before, strict=True) if m <= 0.0}
        zones = field.drops if falls else field.grounds
        return _Judge(
            piece=option.piece,
            field=field,
            wanted=_wanted(option, before, field),
            drift_m=wind_allowance_m(option.piece, option.path, field.site.conditions.wind_m_s),
            low=tuple(t for t in field.low_targets if t[0] not in touching),
            zones=tuple(zones.values()),
            at_foot=option.landing == FOOT,
            limit_j=zone_energy_j(field, option.landing) if falls else np.inf,
            bounce_m=_bounce_m(option.path),
            most_m=float(field.obstacles.margin_m.max(initial=0.0)) + FARTHER_M,
        )

    def figures(self, path: Path) -> Floats:
        """Figures of one path, shape (targets + 2 low targets + 2,)."""
        gaps = near_passes_m(self.piece, path, self.field.obstacles, self.most_m)
        end = shapely.Point(path.landing_m[:2])
        lying = shapely.Polygon(
            lying_outline(rigid_piece(self.piece), path.centre_m[-1], path.rotation[-1], 0.0)
        )
        anywhere = footprint_polygon(path)
        rooms = [_room_beside(lying, end, shape) for _, shape in self.low]
        rooms += [self.bounce_m + _room_beside(anywhere, end, shape) for _, shape in self.low]
        inside = max((_depth_inside(end, zone) for zone in self.zones), default=-FAR_M)
        if self.at_foot:
            away = np.linalg.norm(path.landing_m[:2] - self.field.foot_m[:2])
            inside = max(inside, FOOT_RADIUS_M - float(away))
        return np.array([*gaps, *rooms, inside, path.impact_energy_j])

    def parted(self, figures: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Distances, rooms lying and flopped, room inside the zones and energy of draws (n, k)."""
        a, b = len(self.wanted), len(self.low)
        return (
            figures[:, :a],
            figures[:, a : a + b],
            figures[:, a + b : a + 2 * b],
            figures[:, -2],
            figures[:, -1],
        )

    def worst(self, likely: Floats, others: Sequence[Floats], labels: Sequence[str]) -> str:
        """Say what the worst case does that the likely path does not."""
        want = np.concatenate([self.wanted, np.zeros(2 * len(self.low) + 1)])
        found: tuple[float, str] = (0.0, "")
        for label, figures in zip(labels, others, strict=True):
            room = figures[:-1] - want
            room[likely[:-1] < want] = np.inf
            row = int(np.argmin(room))
            if room[row] < found[0]:
                found = (float(room[row]), self._told(label, row, float(figures[row])))
        return found[1]

    def _told(self, label: str, row: int, value: float) -> str:
        names = self.field.obstacles.names
        if row < len(names):
            if value < 0.0:
                return f"if the {subject(label)}, it may strike the {names[row]}"
            return f"if the {subject(label)}, it may pass the {names[row]} at {value:.1f} m"
        row -= len(names)
        if row < 2 * len(self.low):
            name = self.low[row % len(self.low)][0]
            return f"if the {subject(label)}, it may come to lie against the {name}"
        return f"if the {subject(label)}, it may come to lie outside every zone"


def subject(label: str) -> str:
    """Case label as the rest of a sentence that starts with "if the"."""
    first, _, rest = label.partition(" ")
    known = {"hinge", "line", "piece", "fibres", "faces"}
    return (
        label
        if first in known
        else f"piece {first} {rest}".replace("piece pushed", "piece is pushed")
    )


def _bounce_m(path: Path) -> float:
    """Allowance for bounce and roll that a path was made with. [m]"""
    recipe = path.recipe
    while recipe is not None and "then" in recipe[1]:
        recipe = recipe[1]["then"]
    return SET_DOWN_M if recipe is None else float(recipe[1].get("bounce_m", SET_DOWN_M))


def _wanted(option: Option | Step, before: Floats, field: Field) -> Floats:
    """Distance that the way must keep from each target, as the planner judges it. [m]"""
    wanted = field.obstacles.margin_m
    drift = wind_allowance_m(option.piece, option.path, field.site.conditions.wind_m_s)
    near = (before - option.path.sway_m - drift < wanted) & ~field.obstacles.is_conductor
    result: Floats = np.where(near, np.minimum(wanted, before - NEARER_M), wanted)
    return result


def _room_beside(lying: shapely.Polygon, end: shapely.Point, target: shapely.Geometry) -> float:
    """Room between a lying piece and a target; negative, and how deep, where they meet. [m]"""
    apart = float(lying.distance(target))
    if apart > 0.0:
        return apart
    reach = float(shapely.hausdorff_distance(end, lying.exterior))
    return min(float(end.distance(target)) - reach, -0.01)


def _depth_inside(point: shapely.Point, zone: shapely.Polygon) -> float:
    """Distance from the edge of a zone, positive inside. [m]"""
    away = float(zone.exterior.distance(point))
    return away if zone.covers(point) else -away


def chance_of_breach(way: Option | Step, trial: Trial | None, field: Field, draws: Draws) -> float:
    """Share of draws in which a step passes a load limit, a margin or a limit of the ground.

    Weights are log-normal through the band's 5, 50 and 95 % values.  Loads follow the stated
    tension band with the same draw of weight and a part of their own for run and friction;
    section strength goes with the cube of the diameter.  Without a trial the allowance of the
    clearances stands for the cases of the way.
    """
    piece = way.piece
    mass = draw(piece.mass_kg, draws.heavy)
    rng = np.random.default_rng([draws.seed, piece.butt_node, 1])
    breach = mass > field.site.limits.max_piece_kg
    breach |= _overloaded(way.load, draws.heavy, rng)
    breach |= _by_allowance(way, field, rng) if trial is None else trial.breach
    return float(breach.mean())


def _overloaded(load: LoadResult | None, heavy: Floats, rng: np.random.Generator) -> Bools:
    """Draws in which an item of the gear or a section of the tree is loaded past its limit."""
    breach = np.zeros(len(heavy), dtype=bool)
    if load is None:
        return breach
    own = 0.6 * heavy + 0.8 * rng.standard_normal(len(heavy))
    tension = draw(load.lead_tension_n, own) / max(load.lead_tension_n.high, 1e-9)
    thinner = np.clip(1.0 + DIAMETER_SD * rng.standard_normal(len(heavy)), 0.6, 1.4) ** 3
    for item, share in load.utilisation.items():
        if item == "line length":
            breach |= share > 1.0
            continue
        strength = thinner if ("section" in item or item == "root plate") else 1.0
        breach |= share * tension / strength > 1.0
    return breach


def _by_allowance(way: Option | Step, field: Field, rng: np.random.Generator) -> Bools:
    """Draws in which a path without cases passes a margin that it was judged to keep."""
    before = standing_distance_m(way.piece, field.obstacles)
    wanted = _wanted(way, before, field)
    aside = DRIFT_SD_SHARE * np.abs(rng.standard_normal(DRAWS))
    breach = np.zeros(DRAWS, dtype=bool)
    for gap, want in zip(way.clearances, wanted, strict=True):
        breach |= gap.distance_m - gap.spread_m * aside < want
    return breach


def draw(band: Band, normal: Floats) -> Floats:
    """Values of a band for standard normal draws, log-normal on each side of the middle.

    ``normal`` is (n,), and so the result, in the unit of the band.
    """
    low, likely, high = (max(v, 1e-9) for v in (band.low, band.likely, band.high))
    up, down = np.log(high / likely) / Z_95, np.log(likely / low) / Z_95
    result: Floats = likely * np.exp(np.where(normal > 0, up, down) * normal)
    return result
