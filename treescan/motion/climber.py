"""The climber beside a cut: safe side of the stem, way out, and movement of the spar."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.mechanics.hinge import piece_push_factor, push_back_peak
from treescan.mechanics.spar import tip_stiffness_n_m
from treescan.motion.body import rigid_piece
from treescan.motion.clearance import closest_approach, motion_of
from treescan.motion.types import Path
from treescan.site.distances import WIRE, Solids
from treescan.units import G_M_S2
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

BODY_RADIUS_M = 0.25
"""A climber with saw is taken as an upright capsule of this radius: our choice. [m]"""

BODY_BELOW_M, BODY_ABOVE_M = 1.5, 0.4
"""From the feet below the cut to the head above it: our choice. [m]"""

STANDS_OFF_M = 0.45
"""Middle of the body from the bark. [m]"""

NEARER_M = 0.1
"""A piece that comes nearer than it was before the cut by this much is refused. [m]"""

FAR_OFF_M = 2.0
"""Passes farther from the body than this are not told apart. [m]"""

SECTORS = 16


@dataclass(frozen=True)
class SafeSide:
    """Where to work from.

    Attributes
    ----------
    azimuth_deg : float
        From the stem to the climber, clockwise from +y. [degrees]
    distance_m : float
        Closest approach of the piece to the body there once it moves; negative: it passes
        through. [m]
    refused : bool
        No side keeps the piece from coming nearer to the climber than it was.
    safe_deg : tuple of float
        All azimuths tried (every 22.5 degrees) that are safe.
    retreat_deg : tuple of float
        Ways back at 45 degrees from straight behind the fall, for topping from the ground or
        a platform.
    warnings : tuple of str
    """

    azimuth_deg: float
    distance_m: float
    refused: bool
    safe_deg: tuple[float, ...]
    retreat_deg: tuple[float, float]
    warnings: tuple[str, ...]


def bodies_at(cut_m: Floats, azimuth_deg: Floats, stem_radius_m: float) -> Solids:
    """A climber's body beside the stem at the cut, one owner for each side tried (n,)."""
    out = stem_radius_m + STANDS_OFF_M
    turn, count = np.radians(azimuth_deg), len(azimuth_deg)
    feet = cut_m + np.column_stack(
        [out * np.sin(turn), out * np.cos(turn), np.full(count, -BODY_BELOW_M)]
    )
    head = feet + np.array([0.0, 0.0, BODY_BELOW_M + BODY_ABOVE_M])
    rows = np.arange(count)
    return Solids(
        owners=count,
        kind=np.full(count, WIRE),
        owner=rows,
        first=2 * rows,
        last=2 * rows + 2,
        vertices=np.ascontiguousarray(np.stack([feet, head], axis=1).reshape(-1, 3)),
        bottom=feet[:, 2].copy(),
        top=head[:, 2].copy(),
        half_width=np.full(count, BODY_RADIUS_M),
        box=np.column_stack([feet - BODY_RADIUS_M, head + BODY_RADIUS_M]),
    )


def safe_side(
    piece: Piece, path: Path, *, stem_radius_m: float | None = None, until_s: float = 8.0
) -> SafeSide:
    """Side of the stem from which the climber makes a cut.

    Parameters
    ----------
    piece : Piece
    path : Path
    stem_radius_m : float, optional
        Where the climber works; half the butt diameter by default. [m]
    until_s : float
        The climber stays for so long; what is lowered later is clear by then. [s]

    Notes
    -----
    For each of sixteen sides the whole swept outline is held against an upright capsule.
    A side that the piece fills before the cut is not one to stand on; elsewhere it may not
    come nearer than it was.
    """
    rigid = rigid_piece(piece)
    motion = motion_of(rigid, path)
    early = motion.time <= until_s
    moving = motion._replace(
        time=motion.time[early], centre=motion.centre[early], rotation=motion.rotation[early]
    )
    still = motion._replace(
        time=motion.time[:1], centre=motion.centre[:1], rotation=motion.rotation[:1]
    )
    radius = 0.5 * piece.butt_diameter_m if stem_radius_m is None else stem_radius_m
    azimuth = np.arange(SECTORS) * 360.0 / SECTORS
    bodies = bodies_at(np.asarray(piece.cut_m, dtype=np.float64), azimuth, radius)
    near = closest_approach(moving, bodies, FAR_OFF_M)[:, 0]
    before = closest_approach(still, bodies, FAR_OFF_M)[:, 0]
    safe = (before > 0.0) & (near > np.minimum(before, 0.3) - NEARER_M)
    away = _away_from(piece, path, until_s)
    behind = np.cos(np.radians(azimuth - away))
    best = int(np.argmax(np.where(safe, near + 0.2 * behind, near - 100.0)))
    refused = not bool(safe.any())
    warnings = _warnings(piece, refused, float(near[best]), int(safe.sum()))
    return SafeSide(
        azimuth_deg=float(azimuth[best]),
        distance_m=float(near[best]),
        refused=refused,
        safe_deg=tuple(float(a) for a in azimuth[safe]),
        retreat_deg=((away + 45.0) % 360.0, (away - 45.0) % 360.0),
        warnings=warnings,
    )


def _away_from(piece: Piece, path: Path, until_s: float) -> float:
    """Azimuth opposite to where the piece goes. [degrees]"""
    row = int(np.searchsorted(path.time_s, until_s, side="right")) - 1
    gone = path.centre_m[max(row, 0)] - piece.centre_m
    if np.hypot(gone[0], gone[1]) < 0.1:
        gone = piece.centre_m - piece.cut_m
    return float(np.degrees(np.arctan2(-gone[0], -gone[1]))) % 360.0


def _warnings(piece: Piece, refused: bool, near: float, sides: int) -> tuple[str, ...]:
    if refused:
        return (
            f"the piece comes through the climber's space ({near:.1f} m): cut it otherwise, "
            "smaller, or from a lift",
        )
    if sides <= SECTORS // 4:
        return ("few sides of the stem are safe: agree on the stance before the cut",)
    return ()


@dataclass(frozen=True)
class SparMovement:
    """Movement of the spar's top, where the climber is, when a top leaves it.

    ``still_m`` is the deflection under the peak push held still, ``moving_m`` at most twice
    that (a step load), ``pull_m`` under the pull of a hinge that still holds at the break.
    """

    still_m: float
    moving_m: float
    pull_m: float
    warnings: tuple[str, ...]


def spar_movement(
    piece: Piece,
    *,
    spar_height_m: float,
    spar_diameter_m: float,
    moe_pa: float,
    break_angle_deg: float,
) -> SparMovement:
    """Movement of a spar when a top is felled from it on a hinge (handbook 9.2, 9.3).

    Parameters
    ----------
    piece : Piece
        The top.
    spar_height_m, spar_diameter_m : float
        Cut above ground; mean diameter of the spar inside bark. [m]
    moe_pa : float
        Green modulus of elasticity, low side. [Pa]
    break_angle_deg : float
        Turn at which the hinge parts; beyond 48.19 degrees a hinge that holds pulls the spar
        forward. [degrees]

    Notes
    -----
    A uniform cantilever pushed at its top; the push of the piece is that of a frictionless
    hinge without air drag (J5 to J9).
    """
    rigid = rigid_piece(piece)
    arm = float(np.linalg.norm(rigid.centre_m - piece.cut_m))
    axis = np.asarray(piece.axis, dtype=np.float64)
    side = np.cross(axis, [1.0, 0.0, 0.0] if abs(axis[0]) < 0.9 else [0.0, 1.0, 0.0])
    side = rigid.axes.T @ (side / np.linalg.norm(side))
    about = float((np.asarray(rigid.body.moments) * side**2).sum()) + rigid.body.mass * arm**2
    kappa = min(rigid.body.mass * arm**2 / about, 1.0)
    weight = rigid.body.mass * G_M_S2
    stiffness = float(tip_stiffness_n_m(moe_pa, spar_diameter_m, spar_height_m))
    break_rad = float(np.radians(break_angle_deg))
    peak_at, peak = push_back_peak(kappa)
    push = float(peak) if break_rad >= peak_at else float(piece_push_factor(break_rad, kappa))
    pull = max(-float(piece_push_factor(break_rad, kappa)), 0.0)
    still = push * weight / stiffness
    notes = []
    if pull > 0.2:
        notes.append(
            f"a hinge that holds to {break_angle_deg:.0f} degrees pulls the spar forward with "
            f"{pull * weight:.0f} N and lets it whip back"
        )
    if 2.0 * still > 0.3:
        notes.append(f"the spar's top may move {2.0 * still:.1f} m: take the top smaller")
    return SparMovement(still, 2.0 * still, pull * weight / stiffness, tuple(notes))
