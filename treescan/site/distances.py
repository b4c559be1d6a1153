"""Exact distances of points and moving balls to prisms and wires, in compiled loops."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

POLYGON, BAND, WIRE = 0, 1, 2


class Solids(NamedTuple):
    """Flat arrays of all parts of all owners (targets and conductors).

    ``kind``, ``owner``, ``first``, ``last``, ``bottom``, ``top``, ``half_width`` are (p,);
    ``vertices`` (v, 3) holds rows ``first:last`` of each part: the corners of a polygon, or the
    two ends of a band or wire.  ``box`` (p, 6) bounds each part: low x, y, z, high x, y, z. [m]
    """

    owners: int
    kind: Ints
    owner: Ints
    first: Ints
    last: Ints
    vertices: Floats
    bottom: Floats
    top: Floats
    half_width: Floats
    box: Floats


@njit(cache=True)
def box_distance(x: float, y: float, z: float, part: int, box: Floats) -> float:
    """Signed distance from a point to the box of a part; never more than that to the part. [m]

    ``box`` (p, 6) holds the lowest x, y, z of each, then the highest.
    """
    dx = max(box[part, 0] - x, x - box[part, 3])
    dy = max(box[part, 1] - y, y - box[part, 4])
    dz = max(box[part, 2] - z, z - box[part, 5])
    if dx <= 0.0 and dy <= 0.0 and dz <= 0.0:
        return max(dx, dy, dz)
    dx, dy, dz = max(dx, 0.0), max(dy, 0.0), max(dz, 0.0)
    return np.sqrt(dx * dx + dy * dy + dz * dz)


@njit(cache=True)
def _segment_squared(x: float, y: float, a: int, b: int, vertices: Floats) -> float:
    """Squared distance in plan from a point to the segment between two vertices. [m²]"""
    dx, dy = x - vertices[a, 0], y - vertices[a, 1]
    ux, uy = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1]
    length = ux * ux + uy * uy
    share = 0.0
    if length > 0.0:
        share = min(max((dx * ux + dy * uy) / length, 0.0), 1.0)
    dx, dy = dx - share * ux, dy - share * uy
    return dx * dx + dy * dy


@njit(cache=True)
def _plan_distance(x: float, y: float, part: int, solids: Solids) -> float:
    """Signed distance in plan to a polygon or a band, negative inside. [m]"""
    first, last = solids.first[part], solids.last[part]
    if solids.kind[part] == BAND:
        squared = _segment_squared(x, y, first, first + 1, solids.vertices)
        return np.sqrt(squared) - solids.half_width[part]
    corner = solids.vertices
    best = np.inf
    inside = False
    previous = last - 1
    for row in range(first, last):
        best = min(best, _segment_squared(x, y, previous, row, corner))
        ax, ay, bx, by = corner[previous, 0], corner[previous, 1], corner[row, 0], corner[row, 1]
        if (ay > y) != (by > y) and x < (bx - ax) * (y - ay) / (by - ay) + ax:
            inside = not inside
        previous = row
    root = np.sqrt(best)
    return -root if inside else root


@njit(cache=True)
def _wire_distance(x: float, y: float, z: float, part: int, solids: Solids) -> float:
    """Distance from a point to the surface of a wire's span. [m]"""
    a, b = solids.vertices[solids.first[part]], solids.vertices[solids.first[part] + 1]
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    length = ux * ux + uy * uy + uz * uz
    share = 0.0
    if length > 0.0:
        share = ((x - a[0]) * ux + (y - a[1]) * uy + (z - a[2]) * uz) / length
        share = min(max(share, 0.0), 1.0)
    dx, dy, dz = x - a[0] - share * ux, y - a[1] - share * uy, z - a[2] - share * uz
    return np.sqrt(dx * dx + dy * dy + dz * dz) - solids.half_width[part]


@njit(cache=True)
def part_distance(x: float, y: float, z: float, part: int, solids: Solids) -> float:
    """Signed distance from a point to one part, negative inside. [m]"""
    if solids.kind[part] == WIRE:
        return _wire_distance(x, y, z, part, solids)
    plan = _plan_distance(x, y, part, solids)
    rise = max(solids.bottom[part] - z, z - solids.top[part])
    if plan <= 0.0 and rise <= 0.0:
        return max(plan, rise)
    out, up = max(plan, 0.0), max(rise, 0.0)
    return np.sqrt(out * out + up * up)


@njit(cache=True)
def signed_distance(centre: Floats, radius: Floats, solids: Solids) -> Floats:
    """Distance of each ball to each owner, shape (k, owners), negative inside. [m]

    ``centre`` (k, 3) and ``radius`` (k,) are those of the balls.
    """
    result = np.full((len(centre), solids.owners), np.inf)
    for row in range(len(centre)):
        x, y, z = centre[row, 0], centre[row, 1], centre[row, 2]
        for part in range(len(solids.kind)):
            who = solids.owner[part]
            if box_distance(x, y, z, part, solids.box) - radius[row] > result[row, who]:
                continue
            gap = part_distance(x, y, z, part, solids)
            result[row, who] = min(result[row, who], gap - radius[row])
    return result


@njit(cache=True)
def nearest_ball(centre: Floats, radius: Floats, solids: Solids) -> tuple[Floats, Ints]:
    """Least distance of any of some balls to each owner, and which ball has it, both (owners,).

    ``centre`` (k, 3) and ``radius`` (k,) are those of the balls; distances are negative inside
    and inf from an owner without parts. [m]
    """
    result, ball = np.full(solids.owners, np.inf), np.zeros(solids.owners, dtype=np.int64)
    for part in range(len(solids.kind)):
        who = solids.owner[part]
        for row in range(len(centre)):
            x, y, z = centre[row, 0], centre[row, 1], centre[row, 2]
            if box_distance(x, y, z, part, solids.box) - radius[row] < result[who]:
                gap = part_distance(x, y, z, part, solids) - radius[row]
                if gap < result[who]:
                    result[who], ball[who] = gap, row
    return result, ball
