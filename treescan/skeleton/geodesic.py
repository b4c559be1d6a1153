"""Distance from the stem's base along the wood, with gaps bridged.

Shortest paths over the neighbour graph of the voxels (Dijkstra's method).  Parts that hang
together with nothing are joined by the cheapest bridge to what has been reached: short, and in
line with the part's own direction.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.spatial import cKDTree

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

BRIDGE_REACH_M = (0.12, 0.2, 0.35, 0.6, 1.0)
"""Gaps are bridged from the shortest to the longest of these. [m]"""


@dataclass(frozen=True)
class Geodesic:
    """Distance from the base of every voxel.

    Attributes
    ----------
    distance_m : ndarray, shape (m,)
        Infinite where no path leads.
    before : ndarray, shape (m,)
        The voxel before on the path from the base; -1 at the base and where no path leads.
    gap_m : ndarray, shape (m,)
        Length of the bridge from ``before``; 0 where the voxels are neighbours.
    """

    distance_m: Floats
    before: Ints
    gap_m: Floats


@njit(cache=True)
def _push(heap_key: Floats, heap_item: Ints, size: int, key: float, item: int) -> Any:
    i = size
    while i > 0:
        up = (i - 1) // 2
        if heap_key[up] <= key:
            break
        heap_key[i] = heap_key[up]
        heap_item[i] = heap_item[up]
        i = up
    heap_key[i] = key
    heap_item[i] = item
    return size + 1


@njit(cache=True)
def _pop(heap_key: Floats, heap_item: Ints, size: int) -> Any:
    key, item = heap_key[0], heap_item[0]
    size -= 1
    last_key, last_item = heap_key[size], heap_item[size]
    i = 0
    while True:
        child = 2 * i + 1
        if child >= size:
            break
        if child + 1 < size and heap_key[child + 1] < heap_key[child]:
            child += 1
        if heap_key[child] >= last_key:
            break
        heap_key[i] = heap_key[child]
        heap_item[i] = heap_item[child]
        i = child
    heap_key[i] = last_key
    heap_item[i] = last_item
    return key, item, size


@njit(cache=True)
def spread(
    first: Ints, other: Ints, cost: Floats, distance: Floats, before: Ints, seeds: Ints
) -> Any:
    """Grow shortest paths from ``seeds`` (s,), whose ``distance`` is set.

    The edges of voxel i are ``first[i]`` to ``first[i + 1]`` (m + 1,) of ``other`` and ``cost``
    (e,) [m].  ``distance`` (m,) [m] and ``before`` (m,), the voxel before on the way, are
    changed.
    """
    heap_key = np.empty(len(other) + len(seeds) + 1)
    heap_item = np.empty(len(other) + len(seeds) + 1, np.int64)
    size = 0
    for s in seeds:
        size = _push(heap_key, heap_item, size, distance[s], s)
    while size > 0:
        key, item, size = _pop(heap_key, heap_item, size)
        if key > distance[item]:
            continue
        for e in range(first[item], first[item + 1]):
            there = key + cost[e]
            o = other[e]
            if there < distance[o]:
                distance[o] = there
                before[o] = item
                size = _push(heap_key, heap_item, size, there, o)


@njit(cache=True)
def connected_parts(first: Ints, other: Ints, same: Ints) -> Any:
    """Label connected parts over edges whose ends have equal ``same``; -1 where it is < 0.

    ``first`` (m + 1,) and ``other`` (e,) are the lists of edges, ``same`` (m,) the band of each
    voxel.  Returns ``(label (m,), number of parts)``.
    """
    m = len(first) - 1
    label = np.full(m, -1, np.int64)
    stack = np.empty(m, np.int64)
    parts = 0
    for i in range(m):
        if label[i] >= 0 or same[i] < 0:
            continue
        label[i] = parts
        top = 1
        stack[0] = i
        while top > 0:
            top -= 1
            item = stack[top]
            for e in range(first[item], first[item + 1]):
                o = other[e]
                if label[o] < 0 and same[o] == same[item]:
                    label[o] = parts
                    stack[top] = o
                    top += 1
        parts += 1
    return label, parts


def measure_from_base(
    centre_m: Floats, edges: tuple[Ints, Ints, Floats], seeds: Ints, height_m: Floats, butt: Bools
) -> Geodesic:
    """Geodesic distance of every voxel from the ``seeds`` at the stem's base.

    Parameters
    ----------
    centre_m : ndarray, shape (m, 3)
    edges : tuple
        As from `symmetric_edges`.
    seeds : ndarray, shape (k,)
        Voxels at the base.
    height_m : ndarray, shape (m,)
        Height of each voxel over the lowest. [m]
    butt : ndarray, shape (m,), bool
        Voxels of the butt, the seeds among them: what of it hangs together with a seed has its
        height for its distance.
    """
    first, other, length = edges
    m = len(centre_m)
    distance, before, gap = np.full(m, np.inf), np.full(m, -1, np.int64), np.zeros(m)
    distance[seeds] = height_m[seeds]
    cost = length * (1.0 + (length / 0.08) ** 2)
    spread(first, other, np.where(butt[other], cost, np.inf), distance, before, seeds)
    level = np.flatnonzero(np.isfinite(distance))
    distance[level] = height_m[level]
    spread(first, other, cost, distance, before, level)
    label = connected_parts(first, other, np.zeros(m, dtype=np.int64))[0]
    for reach_m in BRIDGE_REACH_M:
        for _ in range(12):
            start = _bridge(centre_m, label, distance, before, gap, reach_m)
            if not len(start):
                break
            spread(first, other, cost, distance, before, start)
    return Geodesic(distance, before, gap)


def _bridge(
    centre: Floats,
    label: Ints,
    distance: Floats,
    before: Ints,
    gap: Floats,
    reach_m: float,
) -> Ints:
    """Join every part within ``reach_m`` of what is reached; returns the joints, shape (k,)."""
    reached = np.isfinite(distance)
    rest = np.flatnonzero(~reached)
    if not len(rest):
        return rest
    held = np.flatnonzero(reached)
    near_m, near = cKDTree(centre[held]).query(
        centre[rest], distance_upper_bound=reach_m, workers=-1
    )
    ok = np.isfinite(near_m)
    rest, near_m, near = rest[ok], near_m[ok], held[near[ok]]
    if not len(rest):
        return rest
    price = near_m + 0.02 * distance[near]
    order = np.lexsort((rest, price, label[rest]))
    lead = np.flatnonzero(np.diff(label[rest[order]], prepend=-1) != 0)
    pick = order[lead]
    joints = rest[pick]
    distance[joints] = distance[near[pick]] + near_m[pick]
    before[joints] = near[pick]
    gap[joints] = near_m[pick]
    return joints
