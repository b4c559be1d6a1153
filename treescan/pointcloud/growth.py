"""A neighbour graph over coarse cells of a cloud, and shortest paths in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from treescan.pointcloud.cloud import Float32s, Floats, Ints

NEIGHBOURS = 10
PLANE_NEIGHBOURS = 24
ROAD_TRAFFIC = 20.0
"""Cells reached through a cell at which its cost falls by 30 %."""
CHEAPEST_ROAD = 0.08


@dataclass(frozen=True)
class CellGraph:
    """Cells of a cloud as nodes of a graph.

    Attributes
    ----------
    centre_m : ndarray, shape (m, 3), float32
        Mean of the points of each cell. [m]
    cell_of_point : ndarray, shape (n,), int64
    edges : ndarray, shape (e, 2), int64
        Neighbours, each pair once.
    length_m : ndarray, shape (e,)
    cell_m : float
    near : ndarray, shape (m, k), int64
        Nearest cells of each cell, itself first; m stands for none within reach.
    """

    centre_m: Float32s
    cell_of_point: Ints
    edges: Ints
    length_m: Floats
    cell_m: float
    near: Ints

    def matrix(self, cost: Floats, keep: npt.NDArray[np.bool_] | None = None) -> csr_matrix:
        """Symmetric cost matrix (m, m) over all cells.

        ``cost`` (e,) of each edge [m]; ``keep`` (m,) drops edges that touch other cells.
        """
        edges, costs = self.edges, cost
        if keep is not None:
            both = keep[edges[:, 0]] & keep[edges[:, 1]]
            edges, costs = edges[both], costs[both]
        size = len(self.centre_m)
        half = coo_matrix((costs, (edges[:, 0], edges[:, 1])), shape=(size, size))
        return (half + half.T).tocsr()


def cell_graph(xyz: Float32s, cell_m: float, reach_m: float) -> CellGraph:
    """Cells of a side and their nearest neighbours within a reach.

    Parameters
    ----------
    xyz : ndarray, shape (n, 3)
    cell_m : float
        Side of a cell. [m]
    reach_m : float
        Longest edge. [m]
    """
    cell_of_point, centre = cells(xyz, cell_m)
    distance, near = neighbours(centre, PLANE_NEIGHBOURS, reach_m)
    k = min(NEIGHBOURS + 1, near.shape[1])
    first = np.repeat(np.arange(len(centre)), k)
    second, length = near[:, :k].ravel(), distance[:, :k].ravel()
    good = (second < len(centre)) & (second != first)
    low = np.minimum(first[good], second[good])
    high = np.maximum(first[good], second[good])
    unique, index = np.unique(low * np.int64(len(centre)) + high, return_index=True)
    edges = np.column_stack((unique // len(centre), unique % len(centre)))
    return CellGraph(centre, cell_of_point, edges, length[good][index], cell_m, near)


def neighbours(points: Float32s, count: int, reach_m: float) -> tuple[Floats, Ints]:
    """Distances and rows of the nearest points, itself first; ``len(points)`` stands for none.

    ``points`` (n, 3) [m]; both results are (n, count).
    """
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
    distance, near = tree.query(
        points, k=min(count, len(points)), distance_upper_bound=reach_m, workers=-1
    )
    return distance, near.astype(np.int64)


def cells(xyz: Float32s, cell_m: float) -> tuple[Ints, Float32s]:
    """Cell (n,) of each point of ``xyz`` (n, 3), and mean (m, 3) of each cell's points. [m]"""
    corner = xyz.min(axis=0)
    ijk = np.floor((xyz - corner) / np.float32(cell_m)).astype(np.int64)
    span = ijk.max(axis=0) + 1
    key = (ijk[:, 0] * span[1] + ijk[:, 1]) * span[2] + ijk[:, 2]
    order = np.argsort(key, kind="stable")
    cell_of_point = np.empty(len(xyz), dtype=np.int64)
    count = _number_runs(key, order, cell_of_point)
    sizes = np.bincount(cell_of_point, minlength=count)
    centre = np.column_stack(
        [np.bincount(cell_of_point, weights=xyz[:, k], minlength=count) / sizes for k in range(3)]
    )
    return cell_of_point, centre.astype(np.float32)


@njit(cache=True)
def _number_runs(key: Any, order: Any, number: Any) -> int:
    current = -1
    last = np.int64(-1)
    for at in range(order.size):
        i = order[at]
        if at == 0 or key[i] != last:
            current += 1
            last = key[i]
        number[i] = current
    return current + 1


def path_cost(length_m: Floats, cell_m: float) -> Floats:
    """Cost of a hop: its length, times how many cells it leaps (gaps are dear). [m]

    ``length_m`` (e,), and so the result.  Our choice, no source.
    """
    cost: Floats = length_m * np.maximum(1.0, length_m / (1.5 * cell_m))
    return cost


def grow(matrix: csr_matrix, sources: Ints, limit: float = np.inf) -> tuple[Floats, Ints, Ints]:
    """Cost from the nearest source to every node, which source that is, and the node before.

    The last two are negative where nothing reaches; sources have no node before.

    ``matrix`` (m, m) holds costs [m]; ``sources`` (s,) are nodes; the three results are (m,).
    Dijkstra 1959.
    """
    cost, before, nearest = dijkstra(
        matrix,
        directed=False,
        indices=sources,
        min_only=True,
        return_predecessors=True,
        limit=limit,
    )
    found = np.isfinite(cost)
    return cost, np.where(found, nearest, -1).astype(np.int64), before.astype(np.int64)


def grow_along_wood(
    graph: CellGraph, cost: Floats, keep: npt.NDArray[np.bool_], sources: Ints
) -> tuple[Floats, Ints, Ints]:
    """As :func:`grow`, but stems and limbs are cheap roads.

    A first growth shows how many cells are reached through each cell; where many are, there is
    wood.  A second growth with these cells made cheap gives each twig to the limb it is nearest
    to, however far that limb reaches from its stem.

    ``cost`` (e,) of each edge [m]; ``keep`` (m,) marks the cells that may be grown through;
    ``sources`` (s,) are cells; the three results are (m,).
    """
    first, _, before = grow(graph.matrix(cost, keep), sources)
    order = np.argsort(first)
    traffic = reached_through(order[np.isfinite(first[order])], before)
    return grow(graph.matrix(road_cost(graph.edges, cost, traffic), keep), sources)


def road_cost(edges: Ints, cost: Floats, traffic: Floats) -> Floats:
    """Cost of each edge, (e,), where cells with traffic are cheap roads. [m]

    ``edges`` (e, 2) are cells, ``cost`` (e,) that of each edge without roads and ``traffic`` (m,)
    the number of cells reached through each.  Our choice, no source.
    """
    cheap = 1.0 / np.sqrt(1.0 + traffic / ROAD_TRAFFIC)
    ends = np.maximum(cheap[edges[:, 0]], cheap[edges[:, 1]])
    result: Floats = cost * np.maximum(ends, CHEAPEST_ROAD)
    return result


@njit(cache=True)
def reached_through(order: Any, before: Any) -> Any:
    """Cells whose cheapest path leads through each cell, itself included."""
    traffic = np.ones(before.size, dtype=np.float64)
    for k in range(order.size - 1, -1, -1):
        node = order[k]
        if before[node] >= 0:
            traffic[before[node]] += traffic[node]
    return traffic
