"""How a piece comes to lie after its first touch of the ground, and what ground it may cover."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from numba import njit

from treescan.motion.body import Grid, RigidPiece, lowest_ball
from treescan.motion.types import Path

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
        Pose at the first touch, (3,) [m] and (3, 3).
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
def _ball_from(turn: Floats, offset: Floats, out: Floats) -> None:
    """Turned offset of a ball from the centre of mass, into ``out`` (3,)."""
    for i in range(3):
        out[i] = turn[i, 0] * offset[0] + turn[i, 1] * offset[1] + turn[i, 2] * offset[2]


@njit(cache=True)
def _turn_on(
    step: Floats, pivot: Floats, pose: tuple[Floats, Floats], new: tuple[Floats, Floats]
) -> None:
    """Pose after a turn ``step`` (3, 3) about ``pivot``, into ``new``."""
    for i in range(3):
        new[0][i] = pivot[i]
        for m in range(3):
            new[0][i] += step[i, m] * (pose[0][m] - pivot[m])
            new[1][i, m] = (
                step[i, 0] * pose[1][0, m] + step[i, 1] * pose[1][1, m] + step[i, 2] * pose[1][2, m]
            )


@njit(cache=True)
def _tipped(
    centre_m: Floats, rotation: Floats, heading: Floats, outline: tuple[Floats, Floats], grid: Grid
) -> tuple[Floats, Floats, Floats]:
    """Centres (k, 3), rotations (k, 3, 3) down to rest, and the first contact (3,)."""
    offset, radius = outline
    most = 3 * _TIP_STEPS + 1
    centres, turns = np.empty((most, 3)), np.empty((most, 3, 3))
    arm, contact, pivot, lean = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    gap, ball = lowest_ball(centre_m, rotation, offset, radius, grid)
    centres[0], turns[0] = centre_m, rotation
    centres[0, 2] -= gap
    count, left, step = 1, 0, np.empty((3, 3))
    for number in range(most - 1):
        if left == 0:
            _ball_from(turns[count - 1], offset[ball], arm)
            for i in range(3):
                pivot[i], lean[i] = centres[count - 1, i] + arm[i], -arm[i]
            if number == 0:
                contact[:] = pivot
                contact[2] -= radius[ball]
            if lean[2] <= 0.0:
                break
            x, y = _tipping_axis(lean, heading)
            _level_turn(x, y, TIP_STEP_RAD, step)
            left = _TIP_STEPS
        _turn_on(
            step, pivot, (centres[count - 1], turns[count - 1]), (centres[count], turns[count])
        )
        gap, ball = lowest_ball(centres[count], turns[count], offset, radius, grid)
        _ball_from(turns[count], offset[ball], arm)
        apart = 0.0
        for i in range(3):
            apart += (centres[count, i] + arm[i] - pivot[i]) ** 2
        count += 1
        left -= 1
        if gap <= 0.0 and apart > 0.0025:
            centres[count - 1, 2] -= gap
            left = 0
        elif centres[count - 1, 2] <= pivot[2]:
            left = 0
    return centres[:count].copy(), turns[:count].copy(), contact


@njit(cache=True)
def _tipping_axis(lean: Floats, heading: Floats) -> tuple[float, float]:
    """Level unit axis (x, y) about which a piece leaning so goes over; ``heading`` if upright."""
    x, y = lean[0], lean[1]
    if np.sqrt(x * x + y * y) <= 0.05 * max(abs(lean[2]), 0.1):
        x, y = heading[0], heading[1]
    size = np.sqrt(x * x + y * y)
    if size < 1e-9:
        return 0.0, 1.0
    return -y / size, x / size


@njit(cache=True)
def _level_turn(x: float, y: float, angle: float, r: Floats) -> None:
    """Rotation matrix about the level unit axis (x, y, 0), into ``r`` (3, 3) (Rodrigues)."""
    c, s = np.cos(angle), np.sin(angle)
    v = 1.0 - c
    r[0, 0], r[0, 1], r[0, 2] = c + x * x * v, x * y * v, y * s
    r[1, 0], r[1, 1], r[1, 2] = x * y * v, c + y * y * v, -x * s
    r[2, 0], r[2, 1], r[2, 2] = -y * s, x * s, c


def lying_outline(
    rigid: RigidPiece, centre_m: Floats, rotation: Floats, allowance_m: float
) -> Floats:
    """Plan outline of a lying piece with an allowance around it, shape (k, 2). [m]

    ``centre_m`` (3,) and ``rotation`` (3, 3) are its pose.
    """
    balls = centre_m + rigid.offset_m @ rotation.T
    return outline_of_discs(balls[:, :2], rigid.radius_m + allowance_m)


_CIRCLE = np.column_stack(
    [np.cos(np.arange(16) * np.pi / 8.0), np.sin(np.arange(16) * np.pi / 8.0)]
) / np.cos(np.pi / 16.0)
"""Corners of a 16-gon around the unit circle, shape (16, 2)."""


def outline_of_discs(centre_m: Floats, radius_m: Floats) -> Floats:
    """Convex outline, shape (k, 2), that covers discs. [m]

    ``centre_m`` (j, 2) and ``radius_m`` (j,) of the discs.
    """
    points = (centre_m[:, None] + radius_m[:, None, None] * _CIRCLE).reshape(-1, 2)
    hull = shapely.convex_hull(shapely.linestrings(points))
    return np.asarray(hull.exterior.coords, dtype=np.float64)[:-1]


def footprint_polygon(path: Path) -> shapely.Polygon:
    """Ground that the landing may cover, as a polygon (the disc when no outline is kept)."""
    if path.footprint_m is not None and len(path.footprint_m) >= 3:
        return shapely.Polygon(path.footprint_m)
    disc = shapely.Point(path.landing_m[:2]).buffer(max(path.landing_radius_m, 1e-3))
    assert isinstance(disc, shapely.Polygon)
    return disc
