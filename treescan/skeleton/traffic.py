"""Which voxels carry paths: wood is where many ways to the base run together.

Every voxel hands its way on to the one before it.  A voxel through which a long way passes lies
on wood or close to it; the rest of a clump of leaves is passed by no long way.  Long ways with
their close surroundings are kept for finding the limbs, so that clumps shrink to their shoots.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.skeleton.geodesic import Geodesic

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SLEEVE_M = 0.045
"""What lies within one neighbour step of this length of a long way is kept with it. [m]"""


def long_ways(paths: Geodesic, edges: tuple[Ints, Ints, Floats], shortest_m: float) -> Bools:
    """Voxels on or beside ways that run ``shortest_m`` by themselves, shape (m,).

    ``edges`` are ``(first (m + 1,), other (e,), length_m (e,))``. [m]
    """
    distance = paths.distance_m
    order = np.argsort(distance, kind="stable")
    order = order[np.isfinite(distance[order])]
    own = _own_length(distance, paths.before, order)
    return _sleeve(edges[0], edges[1], edges[2], own >= shortest_m, SLEEVE_M)


@njit(cache=True)
def _own_length(distance: Floats, before: Ints, order: Ints) -> Any:
    """Length of the way through each voxel from where it leaves a longer one to its end."""
    m = len(distance)
    reach = np.zeros(m)
    main = np.full(m, -1, np.int64)
    for at in range(len(order) - 1, -1, -1):
        item = order[at]
        up = before[item]
        if up < 0:
            continue
        far = reach[item] + distance[item] - distance[up]
        if main[up] < 0 or far > reach[up]:
            reach[up] = far
            main[up] = item
    own = np.zeros(m)
    for at in range(len(order)):
        item = order[at]
        up = before[item]
        if up < 0:
            own[item] = reach[item]
        elif main[up] == item:
            own[item] = own[up]
        else:
            own[item] = reach[item] + distance[item] - distance[up]
    return own


@njit(cache=True)
def _sleeve(first: Ints, other: Ints, length: Floats, core: Floats, reach_m: float) -> Any:
    result = core.copy()
    for i in range(len(core)):
        if not core[i]:
            continue
        for e in range(first[i], first[i + 1]):
            if length[e] <= reach_m:
                result[other[e]] = True
    return result
