"""Ways without a line: limbs dropped, thrown or let fall, tops and logs felled on a hinge."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.motion.fall import BOUNCE_M, free_fall, hinge_fall
from treescan.motion.landing import landing_zone
from treescan.motion.types import Path
from treescan.planning.candidates import CutRules
from treescan.planning.options import Option, judged_gaps, room_m, strikes
from treescan.pointcloud.cloud import Ground
from treescan.site.model import Site
from treescan.site.obstacles import Obstacles, Zone
from treescan.units import Band
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

THROWN_KG = 25.0
THROW_SPEED_M_S = 1.5
"""A climber pushes pieces up to this mass off with about this speed: common practice, no
source."""

UPRIGHT_DEG = 50.0
"""A piece that stands within this of plumb is tipped on a hinge, others just sag and drop."""

BREAK_DEG = 55.0
BELOW_LEVEL_DEG = 10.0
"""The face aims this far below level, so that a limb does not part early: common practice."""


@dataclass(frozen=True)
class Field:
    """What falls are judged against."""

    ground: Ground
    obstacles: Obstacles
    site: Site
    rules: CutRules


def is_log(piece: Piece, order: int, rules: CutRules) -> bool:
    """Whether a piece is stem wood rather than limb or top."""
    return order == 0 and piece.top_diameter_m >= 0.8 * rules.top_diameter_m


def upright_deg(piece: Piece) -> float:
    """Angle of the piece's axis from straight up. [degrees]"""
    return float(np.degrees(np.arccos(np.clip(piece.axis[2], -1.0, 1.0))))


def fall_options(piece: Piece, order: int, field: Field) -> list[Option]:
    """All ways of letting one piece fall, judged; none when the site has no drop zone."""
    if not field.obstacles.drop_zones:
        return []
    found = []
    for path, azimuth, below in _paths(piece, field):
        found.append(_judged(piece, order, field, path, (azimuth, below)))
    return found


def _paths(piece: Piece, field: Field) -> Iterator[tuple[Path, float | None, float | None]]:
    """Ways of falling worth a look, with the hinge's aim where there is one."""
    if upright_deg(piece) > UPRIGHT_DEG:
        yield free_fall(piece, field.ground, bounce_m=_bounce_m(piece)), None, None
        if piece.mass_kg.high <= THROWN_KG:
            for azimuth in aims_m(piece.cut_m, field.obstacles.drop_zones)[:2]:
                yield (
                    free_fall(
                        piece,
                        field.ground,
                        release_speed_m_s=THROW_SPEED_M_S,
                        break_angle_deg=0.0,
                        push_azimuth_deg=azimuth,
                        bounce_m=_bounce_m(piece),
                    ),
                    None,
                    None,
                )
        return
    for azimuth in aims_m(piece.cut_m, field.obstacles.drop_zones):
        try:
            path = hinge_fall(
                piece,
                field.ground,
                hinge_azimuth_deg=azimuth,
                break_angle_deg=BREAK_DEG,
                bounce_m=_bounce_m(piece),
            )
        except InvalidInputError:
            continue
        yield path, azimuth, BELOW_LEVEL_DEG


def aims_m(cut_m: Floats, zones: Sequence[Zone]) -> list[float]:
    """Azimuths from a cut toward zones, the nearest zone first, then aside. [degrees]"""
    result: list[float] = []
    for zone in sorted(zones, key=lambda z: float(np.linalg.norm(z.centre_m[:2] - cut_m[:2]))):
        away = zone.centre_m[:2] - cut_m[:2]
        centre = float(np.degrees(np.arctan2(away[0], away[1]))) % 360.0
        spread = (0.0, 30.0, -30.0) if np.linalg.norm(away) > 2.0 else (0.0, 90.0, 180.0, 270.0)
        result += [(centre + turn) % 360.0 for turn in spread]
    return result[:9]


def _bounce_m(piece: Piece) -> float:
    """Brush lies where it lands; heavier wood may bounce and roll: our choice, no source. [m]"""
    return float(np.interp(piece.mass_kg.high, [30.0, 120.0], [0.3, BOUNCE_M]))


def _judged(
    piece: Piece, order: int, field: Field, path: Path, aim: tuple[float | None, float | None]
) -> Option:
    site = field.site
    gaps = judged_gaps(piece, path, field.obstacles, site.conditions.wind_m_s)
    zone, limit_j, kept = landing_zone(path, piece, field.obstacles, "drop")
    broken = strikes(gaps)
    excess = 0.0
    if not zone:
        broken.append("would land outside every drop zone")
    elif path.impact_energy_j > limit_j:
        excess = path.impact_energy_j / limit_j
        broken.append(
            f"would strike {zone} with {path.impact_energy_j / 1e3:.1f} kJ;"
            f" {limit_j / 1e3:.1f} kJ is allowed"
        )
    elif not kept:
        broken.append(f"could land or roll out of {zone}")
    if piece.mass_kg.high > site.limits.max_piece_kg:
        excess = max(excess, piece.mass_kg.high / site.limits.max_piece_kg)
        broken.append(
            f"may weigh {piece.mass_kg.high:.0f} kg; {site.limits.max_piece_kg:.0f} kg is allowed"
        )
    log = is_log(piece, order, field.rules)
    low, high = site.minutes.dropped_log if log else site.minutes.dropped_limb
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
        warnings=tuple(path.notes),
        broken=tuple(broken),
        room_m=room_m(gaps),
        excess=excess,
    )
