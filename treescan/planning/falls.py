"""Ways without a line: limbs dropped, thrown or let fall, tops and logs felled on a hinge."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import product

import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial.transform import Rotation

from treescan.errors import InvalidInputError
from treescan.motion.fall import BOUNCE_M, free_fall, hinge_fall
from treescan.motion.landing import footprint_polygon
from treescan.motion.types import Path
from treescan.planning.candidates import CutRules
from treescan.planning.leaning import Lean, lean_of, own_way_deg
from treescan.planning.options import (
    CREDIBLE,
    Option,
    judged_gaps,
    passing,
    standing_distance_m,
)
from treescan.planning.turning import after_turning, fold_up, rotated, shifted
from treescan.pointcloud.cloud import Ground
from treescan.site.model import Site, Target
from treescan.site.obstacles import SURFACE_ENERGY_J, Obstacles, Zone
from treescan.units import G_M_S2, Band
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

THROWS = ((25.0, 1.5), (6.0, 3.0))
"""A climber pushes pieces up to the first mass off with about this speed, and throws light
ones: common practice, no source. [kg], [m/s]"""

HELD_KG = 5.0
"""Brush up to this mass is held by hand while it is cut: common practice, no source."""

ARM_M = 1.0
"""A climber moves held brush this far before throwing it: about an arm's length. [m]"""

UPRIGHT_DEG = 50.0
"""A piece that stands within this of plumb is tipped on a hinge, others just sag and drop."""

BREAK_DEG = 55.0
BELOW_LEVEL_DEG = 10.0
"""On wood that leans more than ``PLUMB_DEG`` the face aims this far below level, so that a limb
does not part early: common practice, no source."""

PLUMB_DEG = 20.0


ENOUGH_ROOM_M = 0.5
"""A fall that keeps every limit with this much room to spare ends the search. [m]"""

LOW_TARGET_M = 1.0
SPILL_SHARE = 0.1
FOOT = "foot of the stem"
FOOT_RADIUS_M = 3.5
FOOT_WARNING = (
    "comes down at the foot of the stem, outside the marked zones: keep people out, lay brush"
)
"""Stem logs may come down beside their own stump where no target is: common practice."""


@dataclass(frozen=True)
class Field:
    """What ways are judged against; ``foot_m`` (3,) is the foot of the stem."""

    ground: Ground
    obstacles: Obstacles
    site: Site
    rules: CutRules
    foot_m: Floats
    _set_downs: dict[float, tuple[shapely.Geometry, ...]] = field(default_factory=dict)

    @cached_property
    def drops(self) -> dict[str, shapely.Polygon]:
        """Drop zones by name."""
        return {z.name: shapely.Polygon(z.corners_m) for z in self.obstacles.drop_zones}

    @cached_property
    def grounds(self) -> dict[str, shapely.Polygon]:
        """Landings first, then drop zones: where lowered pieces may be set down."""
        return {z.name: shapely.Polygon(z.corners_m) for z in self.obstacles.landings} | self.drops

    @cached_property
    def low_targets(self) -> tuple[tuple[str, shapely.Geometry], ...]:
        """Plan shapes of the targets that stand on or near the ground."""
        return tuple((t.name, plan_shape(t)) for t in self.site.target if t.base_m < LOW_TARGET_M)

    def set_downs(self, reach_m: float) -> tuple[shapely.Geometry, ...]:
        """Parts of the zones where a lowered piece of that reach may be set down. [m]

        Away from the zone's edge and from every target where the zone is wide enough.
        """
        if reach_m not in self._set_downs:
            self._set_downs[reach_m] = tuple(
                self._inside(shape, reach_m) for shape in self.grounds.values()
            )
        return self._set_downs[reach_m]

    def _inside(self, shape: shapely.Polygon, reach_m: float) -> shapely.Geometry:
        keep = [s.buffer(reach_m + 0.8) for _, s in self.low_targets]
        clear = shape.difference(shapely.union_all(keep)) if keep else shape
        for inner in (clear.buffer(-reach_m), clear.buffer(-0.3), shape.buffer(-0.5)):
            if not inner.is_empty:
                return inner
        return shape

    def comes_to_lie(
        self, path: Path, zones: Sequence[str], before_m: Floats
    ) -> tuple[str, str, str]:
        """Judge where a piece ends: (fault or "", zone, warning or "").

        The centre of mass must come to rest inside a zone; what may reach over its edge must
        not reach a target.  ``before_m`` (n,) are the distances of the standing piece: what
        touches a target as it stands (twigs on a roof) lies against it whatever is done.
        """
        print_ = footprint_polygon(path)
        names = self.obstacles.names
        touching = {name for name, m in zip(names, before_m, strict=True) if m <= 0.0}
        for name, shape in self.low_targets:
            if name not in touching and print_.intersects(shape):
                return f"could land or roll against the {name}{_how_deep(print_, shape)}", "", ""
        end = shapely.Point(path.landing_m[:2])
        for name in zones:
            shape = self.grounds[name]
            if shape.covers(end):
                out = 1.0 - shape.intersection(print_).area / max(print_.area, 1e-9)
                told = f"up to {out * 100:.0f} % of where it may lie is outside {name}"
                return "", name, told if out > SPILL_SHARE else ""
        return self._outside(end, zones), "", ""

    def _outside(self, end: shapely.Point, zones: Sequence[str]) -> str:
        """Say how far outside the nearest zone a piece comes to lie."""
        away = {name: float(self.grounds[name].distance(end)) for name in zones}
        if not away:
            return "would come to lie outside every zone: none is marked"
        name = min(away, key=away.__getitem__)
        return f"would come to lie {max(away[name], 0.1):.1f} m outside {name}, the nearest zone"


def _how_deep(lying: shapely.Geometry, target: shapely.Geometry) -> str:
    """How far the ground that a piece may lie on reaches over a target, as part of a sentence."""
    over = shapely.get_coordinates(lying.intersection(target))
    depth = shapely.distance(shapely.points(over), target.boundary)
    deep = float(depth.max()) if len(depth) else 0.0
    return f", {deep:.1f} m over its edge" if deep >= 0.05 else ""


def plan_shape(target: Target) -> shapely.Geometry:
    """Plan shape of a target."""
    if target.footprint_m is not None:
        return shapely.Polygon(target.footprint_m)
    return shapely.LineString(target.path_m).buffer(target.width_m / 2, cap_style="flat")


def is_log(piece: Piece, order: int, rules: CutRules) -> bool:
    """Whether a piece is stem wood rather than limb or top."""
    return order == 0 and piece.top_diameter_m >= 0.8 * rules.top_diameter_m


def upright_deg(piece: Piece) -> float:
    """Angle of the piece's axis from straight up. [degrees]"""
    return float(np.degrees(np.arccos(np.clip(piece.axis[2], -1.0, 1.0))))


def fall_options(
    piece: Piece, order: int, field: Field, sure: Callable[[Option], Option] | None = None
) -> list[Option]:
    """All ways of letting one piece fall, judged; never none.

    ``sure`` gives an option that keeps every limit its chance of a breach.
    """
    found = []
    before = standing_distance_m(piece, field.obstacles)
    for path, azimuth, below in _paths(piece, field):
        option = _judged((piece, order, before), field, path, (azimuth, below))
        option = sure(option) if sure is not None else option
        found.append(option)
        if option.kept and option.room_m > ENOUGH_ROOM_M and option.chance <= CREDIBLE:
            break
    if not found:
        found.append(
            _judged((piece, order, before), field, _plain_drop(piece, field), (None, None))
        )
    return found


def _plain_drop(piece: Piece, field: Field) -> Path:
    """Straight drop of a piece that no model takes (no extent, no inertia)."""
    x, y, z = piece.centre_m
    height = max(float(z - field.ground.height(x, y)), 0.05)
    lasts = float(np.sqrt(2.0 * height / G_M_S2))
    time = np.append(np.arange(0.0, lasts, 0.025), lasts)
    centre = np.repeat(piece.centre_m[None], len(time), axis=0)
    centre[:, 2] -= 0.5 * G_M_S2 * time**2
    reach = float(piece.outline_radius_m.max()) if len(piece.outline_radius_m) else 0.5
    return Path(
        time_s=time,
        centre_m=centre,
        rotation=np.repeat(np.eye(3)[None], len(time), axis=0),
        tension_n=np.zeros(len(time)),
        kind="free fall",
        landing_m=centre[-1],
        landing_radius_m=reach + piece.length_m,
        impact_energy_j=piece.mass_kg.high * G_M_S2 * height,
        lowest_m=0.0,
        notes=("its way is a plain drop: the piece has no measured extent",),
    )


def _paths(piece: Piece, field: Field) -> Iterator[tuple[Path, float | None, float | None]]:
    """Ways of falling worth a look, with the hinge's aim where there is one."""
    if upright_deg(piece) > UPRIGHT_DEG:
        yield free_fall(piece, field.ground, bounce_m=_bounce_m(piece)), None, None
        yield from _pushed(piece, field)
        yield from _held(piece, field)
        return
    below = BELOW_LEVEL_DEG if upright_deg(piece) > PLUMB_DEG else 0.0
    for azimuth in _hinge_aims(piece, field):
        try:
            path = hinge_fall(
                piece,
                field.ground,
                hinge_azimuth_deg=azimuth,
                below_level_deg=below,
                break_angle_deg=BREAK_DEG,
                bounce_m=_bounce_m(piece),
            )
        except InvalidInputError:
            continue
        yield path, azimuth, below
    yield from _pushed(piece, field)
    yield from _held(piece, field)


def _hinge_aims(piece: Piece, field: Field) -> list[float]:
    """Its own way first where a piece leans, then aims toward the zones. [degrees]"""
    aims = aims_m(piece.cut_m, field.obstacles.drop_zones)
    own = own_way_deg(piece)
    return aims if own is None else [own, *aims]


def _pushed(piece: Piece, field: Field) -> Iterator[tuple[Path, float | None, float | None]]:
    """Light pieces pushed or thrown off by the climber toward a zone."""
    for most_kg, speed in THROWS:
        if piece.mass_kg.high > most_kg:
            continue
        for azimuth in aims_m(piece.cut_m, field.obstacles.drop_zones)[:5]:
            path = free_fall(
                piece,
                field.ground,
                release_speed_m_s=speed,
                break_angle_deg=0.0,
                push_azimuth_deg=azimuth,
                bounce_m=_bounce_m(piece),
            )
            yield path, None, None


def _held(piece: Piece, field: Field) -> Iterator[tuple[Path, float | None, float | None]]:
    """Brush that a climber holds while cutting it, folds up and throws toward a zone."""
    if piece.mass_kg.high > HELD_KG:
        return
    turn = fold_up(piece) or (np.array([0.0, 0.0, 1.0]), 0.05)
    pose = rotated(piece, Rotation.from_rotvec(turn[0] * turn[1]).as_matrix())
    aims = aims_m(piece.cut_m, field.obstacles.drop_zones)[:5]
    for speed, azimuth in product((THROWS[1][1], THROWS[0][1]), aims):
        way = np.radians(azimuth)
        carried = ARM_M * np.array([np.sin(way), np.cos(way), 0.0])
        after = free_fall(
            shifted(pose, carried),
            field.ground,
            release_speed_m_s=speed,
            break_angle_deg=0.0,
            push_azimuth_deg=azimuth,
            bounce_m=_bounce_m(piece),
        )
        note = "held while it is cut, folded up and thrown by hand"
        yield after_turning(piece, turn, after, 0.0, note, carried_m=carried), None, None


def aims_m(cut_m: Floats, zones: Sequence[Zone]) -> list[float]:
    """Azimuths from a cut toward zones, the nearest zone first, then aside. [degrees]

    ``cut_m`` is (2,) or longer.  All around where there is no zone.
    """
    if not zones:
        return [0.0, 90.0, 180.0, 270.0]
    result: list[float] = []
    for zone in sorted(zones, key=lambda z: float(np.linalg.norm(z.centre_m[:2] - cut_m[:2]))):
        away = zone.centre_m[:2] - cut_m[:2]
        centre = float(np.degrees(np.arctan2(away[0], away[1]))) % 360.0
        spread = (
            (0.0, 30.0, -30.0, 60.0, -60.0)
            if np.linalg.norm(away) > 2.0
            else (0.0, 90.0, 180.0, 270.0)
        )
        result += [(centre + turn) % 360.0 for turn in spread]
    return result[:12]


def _bounce_m(piece: Piece) -> float:
    """Brush lies where it lands; heavier wood may bounce and roll: our choice, no source. [m]"""
    return float(np.interp(piece.mass_kg.high, [30.0, 120.0], [0.3, BOUNCE_M]))


def _at_foot(path: Path, field: Field) -> bool:
    """Whether a stem log lies beside its own stump, clear of targets."""
    away = float(np.linalg.norm(path.landing_m[:2] - field.foot_m[:2]))
    clear = not any(footprint_polygon(path).intersects(s) for _, s in field.low_targets)
    return away <= FOOT_RADIUS_M and clear


def zone_energy_j(field: Field, name: str) -> float:
    """Impact energy that a zone takes; the foot of the stem is taken as bare soil. [J]"""
    for zone in field.obstacles.drop_zones:
        if zone.name == name:
            return zone.max_energy_j
    return SURFACE_ENERGY_J["bare soil"] if name == FOOT else 0.0


def cut_minutes(piece: Piece, site: Site, usual_min: tuple[float, float]) -> tuple[float, float]:
    """Minutes of a cut, low and high: more where the bar does not reach through. [min]"""
    if piece.butt_diameter_m <= 2.0 * site.climber.saw_bar_m:
        return usual_min
    more = site.minutes.wide_cut
    return usual_min[0] + more[0], usual_min[1] + more[1]


def _judged(
    what: tuple[Piece, int, Floats],
    field: Field,
    path: Path,
    aim: tuple[float | None, float | None],
) -> Option:
    piece, order, before = what
    site = field.site
    gaps = judged_gaps(piece, path, field.obstacles, site.conditions.wind_m_s)
    fault, zone, spill = field.comes_to_lie(path, tuple(field.drops), before)
    log = is_log(piece, order, field.rules)
    if fault and not zone and log and _at_foot(path, field):
        fault, zone, spill = "", FOOT, FOOT_WARNING
    limit_j = zone_energy_j(field, zone)
    passed = passing(gaps, before, field.obstacles.is_conductor)
    broken = list(passed.broken)
    excess = 0.0
    if fault:
        broken.append(fault)
    elif path.impact_energy_j > limit_j:
        excess = path.impact_energy_j / limit_j
        broken.append(
            f"would strike {zone} with {path.impact_energy_j / 1e3:.1f} kJ;"
            f" {limit_j / 1e3:.1f} kJ is allowed"
        )
    lean = lean_of(piece, aim[0], site) if aim[0] is not None else Lean()
    broken += lean.broken
    if piece.mass_kg.high > site.limits.max_piece_kg:
        excess = max(excess, piece.mass_kg.high / site.limits.max_piece_kg)
        broken.append(
            f"may weigh {piece.mass_kg.high:.0f} kg; {site.limits.max_piece_kg:.0f} kg is allowed"
        )
    low, high = cut_minutes(
        piece, site, site.minutes.dropped_log if log else site.minutes.dropped_limb
    )
    return Option(
        piece=piece,
        method="free fall" if aim[0] is None else "hinge fall",
        path=path,
        landing=zone,
        clearances=gaps,
        minutes=Band(low, 0.5 * (low + high), high),
        people=2,
        hinge_azimuth_deg=aim[0],
        hinge_below_level_deg=aim[1],
        warnings=(*_told(path, lean), *passed.warnings, *((spill,) if spill else ())),
        broken=tuple(broken),
        share=path.impact_energy_j / limit_j if limit_j > 0.0 else 0.0,
        room_m=passed.room_m,
        excess=excess,
    )


def _told(path: Path, lean: Lean) -> tuple[str, ...]:
    """Notes of the path and of the lean; one voice where both ask for a pull."""
    if not lean.warnings and not lean.broken:
        return path.notes
    return (*(n for n in path.notes if not n.startswith("must be pulled")), *lean.warnings)
