"""Closest approach of a moving piece to targets, conductors, the standing tree and people.

A piece is the balls of its outline.  Between two recorded poses each ball is taken along its
chord and the interval is halved until the answer is exact to 5 mm: a distance changes by no
more than the way travelled.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.motion.body import RigidPiece, rigid_piece
from treescan.motion.types import Clearance, Path
from treescan.site.distances import Solids, box_distance, part_distance
from treescan.site.obstacles import Obstacles
from treescan.units import G_M_S2
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

EXACT_M = 0.005
AIR_DENSITY_KG_M3 = 1.2
DRAG_COEFFICIENT = 0.4
"""Of a leafy crown part on its side view: 0.25 to 0.5 in light wind, less when it bends, for a
bare one a third of that; a solid log 0.5 to 1.2 [order of published crown drag, from memory]."""


class Motion(NamedTuple):
    """A path as compiled loops take it: (k,), (k, 3), (k, 3, 3) and balls (j, 3), (j,)."""

    time: Floats
    centre: Floats
    rotation: Floats
    offset: Floats
    radius: Floats
    reach: float


def motion_of(rigid: RigidPiece, path: Path) -> Motion:
    """Arrays of a moving outline; poses on a straight way without turning are left out."""
    keep = _bends(path.centre_m, path.rotation)
    return Motion(
        np.ascontiguousarray(path.time_s[keep], dtype=np.float64),
        np.ascontiguousarray(path.centre_m[keep], dtype=np.float64),
        np.ascontiguousarray(path.rotation[keep], dtype=np.float64),
        rigid.offset_m,
        rigid.radius_m,
        rigid.reach_m,
    )


@njit(cache=True)
def _bends(centre: Floats, rotation: Floats) -> npt.NDArray[np.bool_]:
    """Poses that are not midway between two of the same attitude, evenly apart, shape (k,)."""
    keep = np.ones(len(centre), dtype=np.bool_)
    for step in range(1, len(centre) - 1):
        same = True
        for i in range(3):
            if abs(centre[step - 1, i] - 2.0 * centre[step, i] + centre[step + 1, i]) > 1e-6:
                same = False
            for j in range(3):
                before, now, after = (
                    rotation[step - 1, i, j], rotation[step, i, j], rotation[step + 1, i, j],
                )  # fmt: skip
                if abs(before - now) > 1e-9 or abs(after - now) > 1e-9:
                    same = False
        keep[step] = not same
    return keep


def clearances(
    piece: Piece,
    path: Path,
    obstacles: Obstacles,
    *,
    wind_m_s: float = 0.0,
) -> tuple[Clearance, ...]:
    """Closest approach to every target and conductor, in the order of the site file.

    Parameters
    ----------
    piece : Piece
    path : Path
    obstacles : Obstacles
    wind_m_s : float
        Wind that may drift the piece (:func:`wind_drift_m`). [m/s]

    Returns
    -------
    tuple of Clearance
        ``spread_m`` adds the path's own sway and the drift in the wind.
    """
    if not len(obstacles):
        return ()
    rigid = rigid_piece(piece)
    found = closest_approach(motion_of(rigid, path), obstacles.solids, np.inf)
    spread = path.sway_m + wind_drift_m(rigid, path, wind_m_s)
    return tuple(
        Clearance(
            target=name,
            distance_m=float(found[row, 0]),
            margin_m=float(obstacles.margin_m[row]),
            time_s=float(found[row, 1]),
            point_m=(float(found[row, 2]), float(found[row, 3]), float(found[row, 4])),
            spread_m=spread,
        )
        for row, name in enumerate(obstacles.names)
    )


def near_passes_m(piece: Piece, path: Path, obstacles: Obstacles, most_m: float) -> Floats:
    """Closest approach to each target and conductor, at most ``most_m``, shape (n,). [m]"""
    if not len(obstacles):
        return np.zeros(0)
    motion = motion_of(rigid_piece(piece), path)
    result: Floats = closest_approach(motion, obstacles.solids, most_m)[:, 0]
    return result


def wind_drift_m(rigid: RigidPiece, path: Path, wind_m_s: float) -> float:
    """Allowance for drift in the wind, in any direction. [m]

    A falling piece drifts by half a t² with a = rho Cd A v² / (2 m); a hanging one leans by
    a over g times the height it hangs and is lowered through.  A is the side view of its
    outline (:func:`side_view_m2`).
    """
    if wind_m_s <= 0.0:
        return 0.0
    area = side_view_m2(rigid)
    push = 0.5 * AIR_DENSITY_KG_M3 * DRAG_COEFFICIENT * area * wind_m_s**2 / rigid.body.mass
    if path.kind in {"lower", "speed line"}:
        line = float(path.centre_m[:, 2].max() - path.centre_m[:, 2].min()) + rigid.reach_m
        return float(min(push / G_M_S2, 1.0) * line)
    falling = np.sqrt(2.0 * max(float(path.centre_m[0, 2] - path.centre_m[-1, 2]), 0.0) / G_M_S2)
    lasts = float(path.contact_time_s) if np.isfinite(path.contact_time_s) else path.time_s[-1]
    return 0.5 * push * float(min(lasts, falling + 0.5)) ** 2


def side_view_m2(rigid: RigidPiece) -> float:
    """Area that the outline covers seen from the side, the larger of two views. [m²]

    Counted on a raster of 80 to 300 cells across, so that overlapping balls count once.
    """
    kept = rigid.__dict__.get("_side_view")
    if kept is None:
        kept = max(_covered_m2(rigid.offset_m[:, [axis, 2]], rigid.radius_m) for axis in (0, 1))
        rigid.__dict__["_side_view"] = kept
    return float(kept)


@njit(cache=True)
def _covered_m2(centre: Floats, radius: Floats) -> float:
    """Area of the union of discs (j, 2), (j,). [m²]"""
    low0, low1, high0, high1, thinnest = np.inf, np.inf, -np.inf, -np.inf, np.inf
    for row in range(len(radius)):
        low0, high0 = (
            min(low0, centre[row, 0] - radius[row]),
            max(high0, centre[row, 0] + radius[row]),
        )
        low1, high1 = (
            min(low1, centre[row, 1] - radius[row]),
            max(high1, centre[row, 1] + radius[row]),
        )
        thinnest = min(thinnest, radius[row])
    widest = max(high0 - low0, high1 - low1)
    cell = max(min(widest / 80.0, 0.25 * thinnest), widest / 300.0)
    count = 0
    for i in range(int((high0 - low0) / cell) + 1):
        x = low0 + (i + 0.5) * cell
        for j in range(int((high1 - low1) / cell) + 1):
            y = low1 + (j + 0.5) * cell
            for row in range(len(radius)):
                if (x - centre[row, 0]) ** 2 + (y - centre[row, 1]) ** 2 <= radius[row] ** 2:
                    count += 1
                    break
    return count * cell * cell


@njit(cache=True)
def _ball(motion: Motion, step: int, row: int, out: Floats) -> None:
    a, b, c = motion.offset[row, 0], motion.offset[row, 1], motion.offset[row, 2]
    r = motion.rotation[step]
    for i in range(3):
        out[i] = motion.centre[step, i] + r[i, 0] * a + r[i, 1] * b + r[i, 2] * c


@njit(cache=True)
def _along_chord(
    start: Floats, end: Floats, known: tuple[float, float], part: int, solids: Solids, best: float
) -> tuple[float, float]:
    """Least distance to a part on a chord, and the share of the chord where it is.

    ``known`` are the distances at both ends; only values under ``best`` matter.
    """
    length = np.sqrt((end[0] - start[0]) ** 2 + (end[1] - start[1]) ** 2 + (end[2] - start[2]) ** 2)
    where = 0.0 if known[0] <= known[1] else 1.0
    least = min(known[0], known[1])
    stack = np.empty((64, 4))
    stack[0, 0], stack[0, 1], stack[0, 2], stack[0, 3] = 0.0, 1.0, known[0], known[1]
    depth = 1
    while depth > 0:
        depth -= 1
        low, high, at_low, at_high = (
            stack[depth, 0], stack[depth, 1], stack[depth, 2], stack[depth, 3],
        )  # fmt: skip
        bound = 0.5 * (at_low + at_high - (high - low) * length)
        if bound >= min(least, best) - EXACT_M or depth > 60:
            continue
        middle = 0.5 * (low + high)
        x = start[0] + middle * (end[0] - start[0])
        y = start[1] + middle * (end[1] - start[1])
        z = start[2] + middle * (end[2] - start[2])
        gap = part_distance(x, y, z, part, solids)
        if gap < least:
            least, where = gap, middle
        stack[depth, 0], stack[depth, 1], stack[depth, 2], stack[depth, 3] = (
            low, middle, at_low, gap,
        )  # fmt: skip
        depth += 1
        stack[depth, 0], stack[depth, 1], stack[depth, 2], stack[depth, 3] = (
            middle, high, gap, at_high,
        )  # fmt: skip
        depth += 1
    return least, where


@njit(cache=True)
def _bounds(motion: Motion, part: int, solids: Solids) -> tuple[Floats, Floats, int]:
    """Lower bounds of the distance over each interval, ways travelled, and the best interval."""
    count = len(motion.time)
    bound = np.empty(count)
    for step in range(count):
        c = motion.centre[step]
        bound[step] = box_distance(c[0], c[1], c[2], solids.box[part]) - motion.reach
    lows = np.empty(max(count - 1, 1))
    if count == 1:
        lows[0] = bound[0]
        return lows, bound, 0
    for step in range(count - 1):
        a, b = motion.centre[step], motion.centre[step + 1]
        way = np.sqrt((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2 + (a[2] - b[2]) ** 2)
        lows[step] = min(bound[step], bound[step + 1]) - 0.5 * way
    return lows, bound, int(np.argmin(lows))


@njit(cache=True)
def _interval(
    motion: Motion, step: int, part: int, solids: Solids, found: Floats, work: Floats
) -> None:
    """Improve ``found`` (distance, time, x, y, z) by the balls of one interval."""
    start, end = work[0], work[1]
    later = min(step + 1, len(motion.time) - 1)
    for row in range(len(motion.radius)):
        _ball(motion, step, row, start)
        _ball(motion, later, row, end)
        radius = motion.radius[row]
        near = min(
            box_distance(start[0], start[1], start[2], solids.box[part]),
            box_distance(end[0], end[1], end[2], solids.box[part]),
        )
        way = np.sqrt(
            (end[0] - start[0]) ** 2 + (end[1] - start[1]) ** 2 + (end[2] - start[2]) ** 2
        )
        if near - 0.5 * way - radius >= found[0]:
            continue
        known = (
            part_distance(start[0], start[1], start[2], part, solids),
            part_distance(end[0], end[1], end[2], part, solids),
        )
        gap, share = _along_chord(start, end, known, part, solids, found[0] + radius)
        if gap - radius < found[0]:
            found[0] = gap - radius
            found[1] = motion.time[step] + share * (motion.time[later] - motion.time[step])
            for i in range(3):
                found[2 + i] = start[i] + share * (end[i] - start[i])


@njit(cache=True)
def closest_approach(motion: Motion, solids: Solids, most_m: float = np.inf) -> Floats:
    """Closest approach of a moving outline to each owner.

    Nothing farther than ``most_m`` is looked at, which stands for it then: fast where only
    near passes matter. [m]

    Returns
    -------
    ndarray, shape (owners, 5)
        Distance (negative inside), time, and the centre of the nearest ball then.
    """
    found = np.full((solids.owners, 5), np.inf)
    found[:, 0] = most_m
    work = np.empty((2, 3))
    for part in range(len(solids.kind)):
        who = solids.owner[part]
        lows, _, first = _bounds(motion, part, solids)
        if lows[first] >= found[who, 0]:
            continue
        _interval(motion, first, part, solids, found[who], work)
        for step in range(len(lows)):
            if step != first and lows[step] < found[who, 0]:
                _interval(motion, step, part, solids, found[who], work)
    return found
