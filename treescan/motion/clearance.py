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
    r = motion.rotation
    for i in range(3):
        turned = r[step, i, 0] * a + r[step, i, 1] * b + r[step, i, 2] * c
        out[i] = motion.centre[step, i] + turned


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
def _nearest_pose(motion: Motion, part: int, solids: Solids) -> tuple[float, int]:
    """Lower bound of the distance to a part over the whole path [m], and where it is near."""
    least, at, longest = np.inf, 0, 0.0
    for step in range(len(motion.time)):
        c = motion.centre[step]
        gap = box_distance(c[0], c[1], c[2], part, solids.box)
        if gap < least:
            least, at = gap, step
        if step:
            b = motion.centre[step - 1]
            way = (c[0] - b[0]) ** 2 + (c[1] - b[1]) ** 2 + (c[2] - b[2]) ** 2
            longest = max(longest, way)
    return least - 0.5 * np.sqrt(longest) - motion.reach, at


@njit(cache=True)
def _ball_ways(motion: Motion) -> tuple[Floats, Floats]:
    """Places (j, k, 3) of every ball and how far it has come by then (j, k). [m]"""
    balls, times = len(motion.radius), len(motion.time)
    place, way = np.empty((balls, times, 3)), np.zeros((balls, times))
    for row in range(balls):
        for step in range(times):
            _ball(motion, step, row, place[row, step])
            if step:
                a, b = place[row, step - 1], place[row, step]
                squared = (a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2 + (a[2] - b[2]) ** 2
                way[row, step] = way[row, step - 1] + np.sqrt(squared)
    return place, way


@njit(cache=True)
def _first_guess(
    place: Floats, radius: Floats, step: int, part: int, solids: Solids, best: Floats
) -> None:
    """Improve ``best`` (distance, step and share of it, x, y, z) by all balls at one time."""
    for row in range(len(radius)):
        x, y, z = place[row, step, 0], place[row, step, 1], place[row, step, 2]
        if box_distance(x, y, z, part, solids.box) - radius[row] < best[0]:
            gap = part_distance(x, y, z, part, solids) - radius[row]
            if gap < best[0]:
                best[0], best[1], best[2], best[3], best[4] = gap, step, x, y, z


@njit(cache=True)
def _one_ball(
    place: Floats, way: Floats, radius: float, part: int, solids: Solids, best: Floats
) -> None:
    """Improve ``best`` (distance, step and share of it, x, y, z) by a ball on its way.

    From each gap the ball is moved on as far as it cannot come nearer than the best.
    """
    step, exact = 0, np.nan
    while step < len(way) - 1:
        x, y, z = place[step, 0], place[step, 1], place[step, 2]
        away = exact
        if np.isnan(exact):
            away = box_distance(x, y, z, part, solids.box)
            if away - radius - best[0] < way[step + 1] - way[step]:
                away = part_distance(x, y, z, part, solids)
        later = step
        while later < len(way) - 1 and way[later + 1] - way[step] <= away - radius - best[0]:
            later += 1
        if later > step:
            step, exact = later, np.nan
            continue
        end = step + 1
        exact = part_distance(place[end, 0], place[end, 1], place[end, 2], part, solids)
        gap, share = _along_chord(
            place[step], place[end], (away, exact), part, solids, best[0] + radius
        )
        if gap - radius < best[0]:
            best[0], best[1] = gap - radius, step + share
            for i in range(3):
                best[2 + i] = place[step, i] + share * (place[end, i] - place[step, i])
        step = end


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
    place, way = _ball_ways(motion)
    least, near = np.empty(len(solids.kind)), np.empty(len(solids.kind), dtype=np.int64)
    for part in range(len(least)):
        least[part], near[part] = _nearest_pose(motion, part, solids)
    for part in np.argsort(least):  # the nearest first: most others need no look then
        best = found[solids.owner[part]]
        if least[part] < best[0]:
            _first_guess(place, motion.radius, near[part], part, solids, best)
            for row in range(len(way)):
                _one_ball(place[row], way[row], motion.radius[row], part, solids, best)
    last = len(motion.time) - 1
    for best in found:
        if np.isfinite(best[1]):
            step = min(int(best[1]), max(last - 1, 0))
            span = motion.time[min(step + 1, last)] - motion.time[step]
            best[1] = motion.time[step] + (best[1] - step) * span
    return found
