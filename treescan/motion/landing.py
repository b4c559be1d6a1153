"""How a piece comes to lie after its first touch of the ground, and which zone holds it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from numba import njit

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
    return Resting(
        *_tipped(
            np.ascontiguousarray(centre_m),
            np.ascontiguousarray(rotation),
            np.ascontiguousarray(heading, dtype=np.float64),
            (rigid.offset_m, rigid.radius_m),
            grid,
        )
    )


@njit(cache=True)
def _tipped(
    centre_m: Floats, rotation: Floats, heading: Floats, outline: tuple[Floats, Floats], grid: Grid
) -> tuple[Floats, Floats, Floats]:
    """Centres (k, 3), rotations (k, 3, 3) down to rest, and the first contact (3,)."""
    offset, radius = outline
    most = 3 * _TIP_STEPS + 1
    centres, turns = np.empty((most, 3)), np.empty((most, 3, 3))
    gap, ball = lowest_ball(centre_m, rotation, offset, radius, grid)
    centres[0], turns[0] = centre_m, rotation
    centres[0, 2] -= gap
    contact = centres[0] + rotation @ offset[ball]
    contact[2] -= radius[ball]
    count = 1
    for _ in range(3):
        centre, turn = centres[count - 1], turns[count - 1]
        pivot = centre + turn @ offset[ball]
        lean = centre - pivot
        if lean[2] <= 0.0:
            break
        axis = _tipping_axis(lean, heading)
        before = count
        step = turn_about(axis, TIP_STEP_RAD)
        for _ in range(_TIP_STEPS):
            centres[count] = pivot + step @ (centres[count - 1] - pivot)
            turns[count] = step @ turns[count - 1]
            gap, ball = lowest_ball(centres[count], turns[count], offset, radius, grid)
            touching = centres[count] + turns[count] @ offset[ball] - pivot
            count += 1
            if gap <= 0.0 and np.sqrt((touching**2).sum()) > 0.05:
                centres[count - 1, 2] -= gap
                break
            if centres[count - 1, 2] <= pivot[2]:
                break
        if count == before:
            break
    return centres[:count].copy(), turns[:count].copy(), contact


@njit(cache=True)
def _tipping_axis(lean: Floats, heading: Floats) -> Floats:
    """Level unit axis about which a piece leaning so goes over; ``heading`` when it stands."""
    side = lean
    if np.hypot(lean[0], lean[1]) <= 0.05 * max(abs(lean[2]), 0.1):
        side = heading
    size = np.hypot(side[0], side[1])
    if size < 1e-9:
        return np.array([0.0, 1.0, 0.0])
    return np.array([-side[1] / size, side[0] / size, 0.0])


@njit(cache=True)
def turn_about(axis: Floats, angle: float) -> Floats:
    """Rotation matrix about a unit axis (Rodrigues), (3, 3)."""
    x, y, z = axis[0], axis[1], axis[2]
    c, s = np.cos(angle), np.sin(angle)
    v = 1.0 - c
    r = np.empty((3, 3))
    r[0, 0], r[0, 1], r[0, 2] = c + x * x * v, x * y * v - z * s, x * z * v + y * s
    r[1, 0], r[1, 1], r[1, 2] = x * y * v + z * s, c + y * y * v, y * z * v - x * s
    r[2, 0], r[2, 1], r[2, 2] = x * z * v - y * s, y * z * v + x * s, c + z * z * v
    return r


def lying_outline(
    rigid: RigidPiece, centre_m: Floats, rotation: Floats, allowance_m: float
) -> Floats:
    """Plan outline of a lying piece with an allowance around it, shape (k, 2). [m]"""
    balls = centre_m + rigid.offset_m @ rotation.T
    return outline_of_discs(balls[:, :2], rigid.radius_m + allowance_m)


_CIRCLE = np.column_stack(
    [np.cos(np.arange(16) * np.pi / 8.0), np.sin(np.arange(16) * np.pi / 8.0)]
) / np.cos(np.pi / 16.0)
"""Corners of a 16-gon around the unit circle, shape (16, 2)."""


def outline_of_discs(centre_m: Floats, radius_m: Floats) -> Floats:
    """Convex outline, shape (k, 2), that covers discs (j, 2) of radii (j,). [m]"""
    points = (centre_m[:, None] + radius_m[:, None, None] * _CIRCLE).reshape(-1, 2)
    hull = shapely.convex_hull(shapely.multipoints(points))
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
