"""The climber beside a cut: safe side of the stem, and the way out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.motion.body import rigid_piece
from treescan.motion.clearance import closest_approach, motion_of
from treescan.motion.types import Path
from treescan.site.distances import WIRE, Solids
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
    crowded : bool
        The piece's own twigs fill every side before the cut.
    retreat_deg : tuple of float
        Ways back at 45 degrees from straight behind the fall, for topping from the ground or
        a platform.
    warnings : tuple of str
    """

    azimuth_deg: float
    distance_m: float
    refused: bool
    crowded: bool
    retreat_deg: tuple[float, float]
    warnings: tuple[str, ...]


def bodies_at(cut_m: Floats, azimuth_deg: Floats, stem_radius_m: float) -> Solids:
    """A climber's body beside the stem at ``cut_m`` (3,), one owner a side ``azimuth_deg`` (n,)."""
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
    refused, crowded = not bool(safe.any()), not bool((before > 0.0).any())
    warnings = _warnings(refused, crowded, float(near[best]), int(safe.sum()))
    return SafeSide(
        azimuth_deg=float(azimuth[best]),
        distance_m=float(near[best]),
        refused=refused,
        crowded=crowded,
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


def _warnings(refused: bool, crowded: bool, near: float, sides: int) -> tuple[str, ...]:
    if crowded:
        return ("its twigs fill every side of the cut: clear them first, or cut from a lift",)
    if refused:
        return (
            f"the piece comes through the climber's space ({near:.1f} m): cut it otherwise, "
            "smaller, or from a lift",
        )
    if sides <= SECTORS // 4:
        return ("few sides of the stem are safe: agree on the stance before the cut",)
    return ()
