"""How a piece comes to lie after its first touch of the ground, and which zone holds it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial.transform import Rotation

from treescan.motion.body import Grid, RigidPiece, lowest_ball
from treescan.motion.types import Path
from treescan.site.obstacles import Obstacles, Zone
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

FLAT_WITHIN_DEG = 30.0
"""A landing is called flat when the axis is within this of level [handbook-type rule of 10.1]."""

TIP_STEP_RAD = 0.05
_TIP_STEPS = 64


@dataclass(frozen=True)
class Resting:
    """A piece come to rest.

    ``centre_m`` (k, 3) and ``rotation`` (k, 3, 3) lead from the touch to rest;
    ``contact_m`` (3,) is where it first touched.
    """

    centre_m: Floats
    rotation: Floats
    contact_m: Floats


def lay_down(
    rigid: RigidPiece, centre_m: Floats, rotation: Floats, heading: Floats, grid: Grid
) -> Resting:
    """Tip a piece about its lowest part until it lies.

    Parameters
    ----------
    rigid : RigidPiece
    centre_m, rotation : ndarray
        Pose at the first touch, (3,) and (3, 3).
    heading : ndarray, shape (3,)
        Which way it tips when it stands on end (its velocity).
    grid : Grid

    Notes
    -----
    No slide and no bounce: those are in the allowance around the footprint.
    """
    centre, turn = centre_m.copy(), rotation.copy()
    gap, ball = lowest_ball(centre, turn, rigid.offset_m, rigid.radius_m, grid)
    centre[2] -= gap
    contact = centre + turn @ rigid.offset_m[ball]
    contact[2] -= rigid.radius_m[ball]
    centres, turns = [centre.copy()], [turn.copy()]
    for _ in range(3):
        pivot = centre + turn @ rigid.offset_m[ball]
        lean = centre - pivot
        side = lean[:2] if np.hypot(*lean[:2]) > 0.05 * max(abs(lean[2]), 0.1) else heading[:2]
        size = float(np.hypot(*side))
        if lean[2] <= 0.0:
            break
        if size < 1e-9:
            side, size = np.array([1.0, 0.0]), 1.0
        axis = np.array([-side[1], side[0], 0.0]) / size
        ball, poses = _tip(rigid, pivot, (centre, turn), axis, grid)
        if not poses:
            break
        centres += [pose[0] for pose in poses]
        turns += [pose[1] for pose in poses]
        centre, turn = poses[-1]
    return Resting(np.array(centres), np.array(turns), contact)


def _tip(
    rigid: RigidPiece, pivot: Floats, pose: tuple[Floats, Floats], axis: Floats, grid: Grid
) -> tuple[int, list[tuple[Floats, Floats]]]:
    """Poses while turning about ``pivot`` until another ball touches; and that ball."""
    centre, turn = pose
    step = Rotation.from_rotvec(TIP_STEP_RAD * axis).as_matrix()
    poses: list[tuple[Floats, Floats]] = []
    ball = 0
    for _ in range(_TIP_STEPS):
        centre = pivot + step @ (centre - pivot)
        turn = step @ turn
        gap, ball = lowest_ball(centre, turn, rigid.offset_m, rigid.radius_m, grid)
        poses.append((centre.copy(), turn.copy()))
        touching = centre + turn @ rigid.offset_m[ball]
        if gap <= 0.0 and np.linalg.norm(touching - pivot) > 0.05:
            poses[-1][0][2] -= min(gap, 0.0)
            break
        if centre[2] <= pivot[2]:
            break
    return ball, poses


def lying_outline(
    rigid: RigidPiece, centre_m: Floats, rotation: Floats, allowance_m: float
) -> Floats:
    """Plan outline of a lying piece with an allowance around it, shape (k, 2). [m]"""
    balls = centre_m + rigid.offset_m @ rotation.T
    discs = shapely.buffer(shapely.points(balls[:, :2]), rigid.radius_m + allowance_m, quad_segs=4)
    hull = shapely.union_all(discs).convex_hull
    return np.asarray(hull.exterior.coords, dtype=np.float64)[:-1]


def landing_zone(
    path: Path, piece: Piece, obstacles: Obstacles, allowed: str = "drop"
) -> tuple[str, float, bool]:
    """Zone that holds the landing of a piece.

    Parameters
    ----------
    path : Path
    piece : Piece
    obstacles : Obstacles
    allowed : {"drop", "landing"}
        Free-falling pieces need a drop zone, lowered ones a landing.

    Returns
    -------
    name : str
        The zone that holds the whole footprint, else the one that holds most of it, else "".
    limit_j : float
        Impact energy that zone takes (0 without a zone). [J]
    kept : bool
        The whole footprint is inside and the energy is within the limit.
    """
    zones = obstacles.drop_zones if allowed == "drop" else obstacles.landings
    footprint = footprint_polygon(path)
    best: tuple[float, Zone] | None = None
    for zone in zones:
        share = shapely.Polygon(zone.corners_m).intersection(footprint).area
        share /= max(footprint.area, 1e-9)
        if best is None or share > best[0] + 1e-9:
            best = (share, zone)
    if best is None or best[0] <= 0.0:
        return "", 0.0, False
    share, zone = best
    inside = share > 0.999
    return zone.name, zone.max_energy_j, inside and path.impact_energy_j <= zone.max_energy_j


def footprint_polygon(path: Path) -> shapely.Polygon:
    """Ground that the landing may cover, as a polygon (the disc when no outline is kept)."""
    if path.footprint_m is not None and len(path.footprint_m) >= 3:
        return shapely.Polygon(path.footprint_m)
    disc = shapely.Point(path.landing_m[:2]).buffer(max(path.landing_radius_m, 1e-3))
    assert isinstance(disc, shapely.Polygon)
    return disc
