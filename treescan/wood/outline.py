"""Balls that cover a piece, leaves' reach included, few enough for fast clearances."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.skeleton.graph import TreeGraph
from treescan.wood.types import GreenMass

Floats = npt.NDArray[np.float64]
Int32s = npt.NDArray[np.int32]


def piece_balls(graph: TreeGraph, mass: GreenMass, nodes: Int32s) -> tuple[Floats, Floats]:
    """One ball per edge and one per leafy end, centres (k, 3) and radii (k,). [m]

    The ball of an edge covers its frustum; that of an end covers twigs and leaves, whose
    reach lies ahead of the end and to its sides.

    Parameters
    ----------
    graph : TreeGraph
    mass : GreenMass
    nodes : ndarray, shape (m,), int32
        Nodes of the piece.
    """
    start, end = graph.edge_start_m[nodes], graph.position_m[nodes]
    half = 0.5 * np.linalg.norm(end - start, axis=1)
    widest = np.maximum(graph.edge_start_radius_m[nodes], graph.radius_m[nodes])
    centres, radii = [0.5 * (start + end)], [np.hypot(half, widest)]
    if len(mass.crown_reach_m):
        leafy = nodes[(mass.crown_reach_m[nodes] > 0) & (mass.crown_kg[nodes] > 0)]
        reach = mass.crown_reach_m[leafy]
        ahead = mass.crown_centre_m[leafy] - graph.position_m[leafy]
        centres.append(graph.position_m[leafy] + 1.5 * ahead)
        radii.append(0.5 * reach)
    return np.concatenate(centres), np.concatenate(radii)


@njit(cache=True)
def _spread_centres(centres: Floats, count: int) -> npt.NDArray[np.int64]:
    """Group of each point: ``count`` groups grown from the farthest points, shape (k,)."""
    n = len(centres)
    group = np.zeros(n, dtype=np.int64)
    nearest = np.full(n, np.inf)
    seed = 0
    for g in range(count):
        best, following = -1.0, seed
        for i in range(n):
            d = 0.0
            for axis in range(3):
                d += (centres[i, axis] - centres[seed, axis]) ** 2
            if d < nearest[i]:
                nearest[i] = d
                group[i] = g
            if nearest[i] > best:
                best, following = nearest[i], i
        seed = following
    return group


@njit(cache=True)
def _cover(
    centres: Floats, radii: Floats, group: npt.NDArray[np.int64], count: int
) -> tuple[Floats, Floats]:
    """One ball around each group: the box's middle, and the farthest ball edge from it."""
    low = np.full((count, 3), np.inf)
    high = np.full((count, 3), -np.inf)
    for i in range(len(centres)):
        for axis in range(3):
            low[group[i], axis] = min(low[group[i], axis], centres[i, axis] - radii[i])
            high[group[i], axis] = max(high[group[i], axis], centres[i, axis] + radii[i])
    middle = 0.5 * (low + high)
    radius = np.zeros(count)
    for i in range(len(centres)):
        d = 0.0
        for axis in range(3):
            d += (centres[i, axis] - middle[group[i], axis]) ** 2
        radius[group[i]] = max(radius[group[i]], np.sqrt(d) + radii[i])
    return middle, radius


def cover_with_balls(centres: Floats, radii: Floats, most: int) -> tuple[Floats, Floats]:
    """At most ``most`` balls that cover all given balls, centres (j, 3) and radii (j,). [m]

    Parameters
    ----------
    centres : ndarray, shape (j, 3)
    radii : ndarray, shape (j,)
        [m]
    most : int
        Most balls to return.
    """
    if len(centres) <= most:
        return centres, radii
    group = _spread_centres(np.ascontiguousarray(centres), most)
    used, group = np.unique(group, return_inverse=True)
    middle, radius = _cover(centres, radii, group.astype(np.int64), len(used))
    return middle, radius
