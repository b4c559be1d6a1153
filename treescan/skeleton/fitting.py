"""Diameters: points are laid along their limb's axis and circles fitted window by window."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.skeleton.circles import fit_circles
from treescan.skeleton.limbs import LimbAxes
from treescan.skeleton.outline import frames
from treescan.skeleton.shells import disagreement_m, fit_shells, wall_tol_m

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

POINTS_A_WINDOW = 240
THICK_IN_TOL, LEAST_COVERAGE = 4.0, 0.25
"""Walls are looked at one by one where the radius is so many tolerances and so much of the round
was seen."""
THIN_M = 0.03
"""Where the radius cannot be more than this few circles are tried. [m]"""


@dataclass(frozen=True)
class Fits:
    """Circle fits at the nodes of limb axes; all arrays have shape (n,).

    ``radius_m`` is 0 where nothing could be fitted.  ``shift_m`` (n, 3) leads from the node to
    the fitted centre.  Where walls were ``parted`` the radius, its sd and ``rms_m`` are those of
    circles with a centre each, and all else is of the one circle through all; ``apart_m`` is how
    far their centres stand apart (root mean square along an axis) beyond what noise and an uneven
    round do, 0 elsewhere.
    """

    radius_m: Floats
    radius_sd_m: Floats
    rms_m: Floats
    coverage: Floats
    inliers: Floats
    contrast: Floats
    scatter_m: Floats
    points: Ints
    shift_m: Floats
    apart_m: Floats
    parted: Bools


@njit(cache=True)
def _project(points: Floats, guess: Ints, position: Floats, limb_first: Ints, limb: Ints) -> Any:
    """Nearest place on the limb's axis: returns ``(along in nodes, offset)``."""
    n = len(points)
    along = np.zeros(n)
    offset = np.zeros((n, 3))
    for i in range(n):
        low, high = limb_first[limb[i]], limb_first[limb[i] + 1]
        best = 1e30
        a0 = max(low, guess[i] - 4)
        a1 = min(high - 2, guess[i] + 4)
        for a in range(a0, a1 + 1):
            ex = position[a + 1, 0] - position[a, 0]
            ey = position[a + 1, 1] - position[a, 1]
            ez = position[a + 1, 2] - position[a, 2]
            px = points[i, 0] - position[a, 0]
            py = points[i, 1] - position[a, 1]
            pz = points[i, 2] - position[a, 2]
            t = (px * ex + py * ey + pz * ez) / max(ex * ex + ey * ey + ez * ez, 1e-12)
            lo = -5.0 if a == low else 0.0
            hi = 5.0 if a == high - 2 else 1.0
            t = min(max(t, lo), hi)
            dx, dy, dz = px - t * ex, py - t * ey, pz - t * ez
            far = dx * dx + dy * dy + dz * dz
            if far < best:
                best = far
                along[i] = a + t
                offset[i, 0], offset[i, 1], offset[i, 2] = dx, dy, dz
    return along, offset


def fit_nodes(
    axes: LimbAxes,
    points: Floats,
    limb: Ints,
    guess_node: Ints,
    limits_m: tuple[Floats, Floats],
    tol_m: Floats,
    most_trials: int = 160,
    part_walls: bool = True,
) -> Fits:
    """Fit a circle at every node from the points of its limb in a window along the axis.

    Parameters
    ----------
    points : ndarray, shape (p, 3)
    limb, guess_node : ndarray, shape (p,)
        The limb of each point and a node of it nearby.
    limits_m : tuple of two ndarray, shape (n,)
        Least and greatest radius allowed at each node. [m]
    tol_m : ndarray, shape (n,)
        Tolerance of a point at each node. [m]
    most_trials : int
        Circles tried at each node; fewer where the limb is thin.
    part_walls : bool
        Tell walls apart that stations put beside each other.
    """
    n = len(axes.position_m)
    along, offset = _project(points, guess_node, axes.position_m, axes.first, limb)
    order = np.argsort(along, kind="stable")
    along, offset = along[order], offset[order]
    length = axes.along_m()
    limb_of = axes.limb_of_node
    step = np.full(n, 0.1)
    step[1:] = np.where(limb_of[1:] == limb_of[:-1], np.diff(length), step[1:])
    step[axes.first[:-1]] = step[np.minimum(axes.first[:-1] + 1, n - 1)]
    half = np.clip(0.6 * limits_m[1], 0.09, 0.2) / np.maximum(step, 0.02)
    at = np.arange(n, dtype=np.float64)
    low = np.maximum(at - half, axes.first[:-1][limb_of] - 0.5)
    high = np.minimum(at + half, axes.first[1:][limb_of] - 0.5)
    start, stop = np.searchsorted(along, low), np.searchsorted(along, high)
    trials = np.where(limits_m[1] < THIN_M, 40, most_trials)
    window = np.stack([start, stop, trials]).astype(np.int64)
    u_axis, v_axis = frames(axes.directions())
    home = np.clip(np.rint(along).astype(np.int64), 0, n - 1)
    u, v = _across(offset, home, u_axis, v_axis)
    found = fit_circles(u, v, window, tol_m, np.column_stack(limits_m), POINTS_A_WINDOW)
    shift = found[:, :1] * u_axis + found[:, 1:2] * v_axis
    walls = found[:, 2].copy(), found[:, 4].copy(), found[:, 3].copy(), np.zeros(n)
    parted = np.zeros(n, dtype=bool)
    if part_walls:
        parted = _part_walls(axes, u, v, window, found, points[order], walls)
    radius, sd, rms, apart = walls
    return Fits(
        radius_m=radius,
        radius_sd_m=sd,
        rms_m=rms,
        coverage=found[:, 5],
        inliers=found[:, 6],
        contrast=found[:, 7],
        scatter_m=found[:, 8],
        points=(stop - start).astype(np.int64),
        shift_m=shift,
        apart_m=apart,
        parted=parted,
    )


def _part_walls(
    axes: LimbAxes,
    u: Floats,
    v: Floats,
    window: Ints,
    found: Floats,
    points: Floats,
    walls: tuple[Floats, ...],
) -> Bools:
    """Put radius, its sd, misfit and how far walls stand apart into ``walls``, four of (n,). [m]

    ``found`` (n, 9) are the circles through all points.  Returns where that was done, (n,).
    """
    radius = found[:, 2]
    parted = np.zeros(len(radius), dtype=bool)
    tol = wall_tol_m(points, window[:2], radius)
    if tol is None:
        return parted
    wide = np.flatnonzero((radius > THICK_IN_TOL * tol) & (found[:, 5] >= LEAST_COVERAGE))
    first = np.searchsorted(axes.limb_of_node[wide], np.arange(len(axes.first)))
    part = fit_shells(u, v, window[:2, wide], found[wide, :3], first, tol, POINTS_A_WINDOW)
    split = part[:, 0] > 0
    part[:, 3] = disagreement_m(part[:, 3], part[:, 0], tol)
    for into, value in zip(walls, part[split].T, strict=True):
        into[wide[split]] = value
    parted[wide[split]] = True
    return parted


def _across(offset: Floats, home: Ints, u_axis: Floats, v_axis: Floats) -> tuple[Floats, Floats]:
    u = np.einsum("ij,ij->i", offset, u_axis[home])
    v = np.einsum("ij,ij->i", offset, v_axis[home])
    return u, v


def move_axes(axes: LimbAxes, fits: Fits) -> LimbAxes:
    """Shift axes to the fitted centres, trusting good fits, and smooth along each limb."""
    good = (fits.radius_m > 0) & (fits.coverage > 0.2) & (fits.inliers >= 8)
    size = np.linalg.norm(fits.shift_m, axis=1)
    good &= size < np.maximum(1.5 * fits.radius_m, 0.03)
    weight = np.where(good, fits.coverage, 0.02)
    shift = np.where(good[:, None], fits.shift_m, 0.0)
    moved = _smooth_shift(axes.position_m, shift, weight, axes.first)
    return replace(axes, position_m=moved)


@njit(cache=True)
def _smooth_shift(position: Floats, shift: Floats, weight: Floats, first: Ints) -> Any:
    """Weighted running mean of five of the moved nodes about the chord, limb by limb."""
    result = position.copy()
    kernel = np.array([0.25, 0.7, 1.0, 0.7, 0.25])
    for limb in range(len(first) - 1):
        low, high = first[limb], first[limb + 1]
        for i in range(low, high):
            if limb > 0 and i == low:
                continue
            total = 0.0
            move = np.zeros(3)
            for k in range(-2, 3):
                j = i + k
                if j < low or j >= high:
                    continue
                w = kernel[k + 2] * weight[j]
                total += w
                for a in range(3):
                    move[a] += w * shift[j, a]
            for a in range(3):
                result[i, a] += move[a] / total
    return result
