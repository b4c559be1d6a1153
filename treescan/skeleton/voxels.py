"""Thinning of a tree's points to one centroid a voxel, and the shared neighbour search.

The grid is anchored at the stem's base, so that a shift of origin changes nothing, and voxels
are kept in the order of their keys, so that the order of the points changes nothing either.
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


@dataclass(frozen=True)
class Voxels:
    """Occupied voxels of a point set.

    Attributes
    ----------
    centre_m : ndarray, shape (m, 3)
        Mean of the points in each voxel. [m]
    count : ndarray, shape (m,)
        Points in each voxel.
    point_order : ndarray, shape (n,)
        Row numbers of the points, voxel by voxel.
    first : ndarray, shape (m + 1,)
        ``point_order[first[i]:first[i + 1]]`` are the points of voxel ``i``.
    size_m : float
    """

    centre_m: Floats
    count: Ints
    point_order: Ints
    first: Ints
    size_m: float

    def __len__(self) -> int:
        return len(self.count)


def voxelise(xyz: npt.ArrayLike, size_m: float, anchor_m: npt.ArrayLike) -> Voxels:
    """Sort points into voxels of edge ``size_m``; ``anchor_m`` (3,) is a corner of the grid."""
    points = np.ascontiguousarray(xyz, dtype=np.float64)
    anchor = np.asarray(anchor_m, dtype=np.float64)
    cell = np.floor((points - anchor) / size_m).astype(np.int64)
    low = cell.min(axis=0)
    span = cell.max(axis=0) - low + 1
    cell -= low
    key = (cell[:, 2] * span[1] + cell[:, 1]) * span[0] + cell[:, 0]
    order = np.argsort(key, kind="stable")
    key = key[order]
    starts = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
    first = np.append(starts, len(key)).astype(np.int64)
    centre = _means(points, order, first)
    return Voxels(centre, np.diff(first), order, first, size_m)


@njit(cache=True)
def _means(points: Floats, order: Ints, first: Ints) -> Any:
    m = len(first) - 1
    result = np.zeros((m, 3))
    for i in range(m):
        for j in range(first[i], first[i + 1]):
            for a in range(3):
                result[i, a] += points[order[j], a]
        for a in range(3):
            result[i, a] /= first[i + 1] - first[i]
    return result


def neighbours(centre_m: Floats, k: int, reach_m: float) -> tuple[Ints, Floats]:
    """The ``k`` nearest other points within ``reach_m``.

    Parameters
    ----------
    centre_m : ndarray, shape (m, 3)
        Points. [m]
    k : int
    reach_m : float
        Greatest distance. [m]

    Returns
    -------
    index : ndarray, shape (m, k), int64
        ``m`` where there are fewer than ``k``.
    distance_m : ndarray, shape (m, k)
        Infinite where there are fewer.
    """
    tree = cKDTree(centre_m)
    distance, index = tree.query(centre_m, k=k + 1, distance_upper_bound=reach_m, workers=-1)
    return np.ascontiguousarray(index[:, 1:]), np.ascontiguousarray(distance[:, 1:])


@njit(cache=True)
def symmetric_edges(index: Ints, distance: Floats) -> Any:
    """Turn a nearest-neighbour table into symmetric lists ``(first, other, length_m)``.

    An edge found from both ends stands twice; that does no harm.

    ``index`` and ``distance`` [m] are (m, k) as from :func:`neighbours`; the lists are (m + 1,),
    (e,) and (e,).
    """
    m, k = index.shape
    degree = np.zeros(m + 1, np.int64)
    for i in range(m):
        for j in range(k):
            o = index[i, j]
            if o < m:
                degree[i + 1] += 1
                degree[o + 1] += 1
    first = np.cumsum(degree)
    used = first[:-1].copy()
    other = np.empty(first[-1], np.int64)
    length = np.empty(first[-1], np.float64)
    for i in range(m):
        for j in range(k):
            o = index[i, j]
            if o < m:
                other[used[i]] = o
                length[used[i]] = distance[i, j]
                used[i] += 1
                other[used[o]] = i
                length[used[o]] = distance[i, j]
                used[o] += 1
    return first, other, length
