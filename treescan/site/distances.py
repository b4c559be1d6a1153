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
def box_distance(x: float, y: float, z: float, box: Floats) -> float:
    """Signed distance from a point to a box; never more than that to what it holds. [m]

    ``box`` (6,) is its lowest x, y, z, then its highest.
    """
    dx = max(box[0] - x, x - box[3])
    dy = max(box[1] - y, y - box[4])
    dz = max(box[2] - z, z - box[5])
    if dx <= 0.0 and dy <= 0.0 and dz <= 0.0:
        return max(dx, dy, dz)
    dx, dy, dz = max(dx, 0.0), max(dy, 0.0), max(dz, 0.0)
    return np.sqrt(dx * dx + dy * dy + dz * dz)


@njit(cache=True)
def _segment_squared(x: float, y: float, a: Floats, b: Floats) -> float:
    """Squared distance in plan from a point to a segment. [m²]"""
    ux, uy = b[0] - a[0], b[1] - a[1]
    length = ux * ux + uy * uy
    share = 0.0
    if length > 0.0:
        share = min(max(((x - a[0]) * ux + (y - a[1]) * uy) / length, 0.0), 1.0)
    dx, dy = x - a[0] - share * ux, y - a[1] - share * uy
    return dx * dx + dy * dy


@njit(cache=True)
def _plan_distance(x: float, y: float, part: int, solids: Solids) -> float:
    """Signed distance in plan to a polygon or a band, negative inside. [m]"""
    first, last = solids.first[part], solids.last[part]
    if solids.kind[part] == BAND:
        a, b = solids.vertices[first], solids.vertices[first + 1]
        return np.sqrt(_segment_squared(x, y, a, b)) - solids.half_width[part]
    best = np.inf
    inside = False
    previous = last - 1
    for row in range(first, last):
        a, b = solids.vertices[previous], solids.vertices[row]
        best = min(best, _segment_squared(x, y, a, b))
        if (a[1] > y) != (b[1] > y) and x < (b[0] - a[0]) * (y - a[1]) / (b[1] - a[1]) + a[0]:
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
            if box_distance(x, y, z, solids.box[part]) - radius[row] > result[row, who]:
                continue
            gap = part_distance(x, y, z, part, solids)
            result[row, who] = min(result[row, who], gap - radius[row])
    return result
