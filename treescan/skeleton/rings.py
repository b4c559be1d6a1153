"""Rings: connected parts of bands of equal distance from the base, and how they follow on.

A ring is the skin of a stem or limb over one band.  The ring that the shortest paths of most
of its voxels came from is its parent, so that the rings form a tree.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.skeleton.crotches import follow_down
from treescan.skeleton.geodesic import Geodesic, connected_parts

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Rings:
    """Tree of rings, sorted by distance from the base; a parent comes before its children.

    Attributes
    ----------
    of_voxel : ndarray, shape (m,)
        Ring of each voxel, -1 where no path leads.
    centre_m : ndarray, shape (k, 3)
    distance_m : ndarray, shape (k,)
        Mean distance from the base. [m]
    spread_m : ndarray, shape (k,)
        Root mean square distance of the voxels from the centre. [m]
    count : ndarray, shape (k,)
        Voxels.
    parent : ndarray, shape (k,)
    gap_m : ndarray, shape (k,)
        Bridge to the parent; 0 where it hangs together. [m]
    reach_m : ndarray, shape (k,)
        Path length from the ring to the farthest end beyond it. [m]
    """

    of_voxel: Ints
    centre_m: Floats
    distance_m: Floats
    spread_m: Floats
    count: Ints
    parent: Ints
    gap_m: Floats
    reach_m: Floats

    def __len__(self) -> int:
        return len(self.parent)


def cut_rings(
    centre_m: Floats,
    edges: tuple[Ints, Ints, Floats],
    paths: Geodesic,
    width_m: float,
    keep: Bools,
    stem: Bools,
    points: Ints,
) -> Rings:
    """Cut the voxels of ``keep`` (m,) into rings of ``width_m`` along the paths from the base.

    Those of ``stem`` (m,) are known to be of one stem: each band of them is one ring, however
    thinly its round was seen.

    ``points`` (m,) is how many each voxel holds.
    ``centre_m`` is (m, 3); ``edges`` are ``(first (m + 1,), other (e,), length_m (e,))``. [m]
    """
    reached = np.isfinite(paths.distance_m) & keep
    band = np.full(len(centre_m), -1, dtype=np.int64)
    band[reached] = np.floor(paths.distance_m[reached] / width_m)
    band[band == 0] = 1  # the foot and the first band are one ring: the root
    label, parts = connected_parts(edges[0], edges[1], band)
    label = _one_stem(label, band, parts, stem & reached)
    label, parts = _one_root(label, band, parts)
    label = follow_down(label, band, centre_m, points, edges, paths)
    parts = int(label.max()) + 1
    count = np.bincount(label[reached], minlength=parts)
    mean_m = np.bincount(label[reached], paths.distance_m[reached], parts) / count
    rank = np.argsort(mean_m, kind="stable")
    place = np.empty(parts, dtype=np.int64)
    place[rank] = np.arange(parts)
    of_voxel = np.where(reached, place[np.maximum(label, 0)], -1)
    count, mean_m = count[rank], mean_m[rank]
    centre = np.empty((parts, 3))
    for axis in range(3):
        centre[:, axis] = np.bincount(of_voxel[reached], centre_m[reached, axis], parts) / count
    away = ((centre_m[reached] - centre[of_voxel[reached]]) ** 2).sum(axis=1)
    spread = np.sqrt(np.bincount(of_voxel[reached], away, parts) / count)
    parent, gap = _parents(of_voxel, paths.before, paths.gap_m, paths.distance_m, parts)
    reach = _reach(parent, mean_m)
    return Rings(of_voxel, centre, mean_m, spread, count, parent, gap, reach)


def _one_stem(label: Ints, band: Ints, parts: int, stem: Bools) -> Ints:
    """Give all parts of a band that have voxels of ``stem`` one label."""
    into = np.arange(parts)
    own = np.unique(label[stem])
    band_of_part = np.zeros(parts, dtype=np.int64)
    band_of_part[label[stem]] = band[stem]
    lead, place = np.unique(band_of_part[own], return_inverse=True)
    first = np.full(len(lead), parts, dtype=np.int64)
    np.minimum.at(first, place, own)
    into[own] = first[place]
    result: Ints = np.where(label >= 0, into[np.maximum(label, 0)], -1)
    return result


def _one_root(label: Ints, band: Ints, parts: int) -> tuple[Ints, int]:
    """Give all voxels of the lowest band the label 0 and close the gaps in the numbering."""
    label = np.where(band == 1, parts, label)
    used = np.unique(label[label >= 0])
    number = np.zeros(parts + 1, dtype=np.int64)
    number[used] = np.arange(len(used))
    return np.where(label >= 0, number[np.maximum(label, 0)], -1), len(used)


@njit(cache=True)
def _parents(of_voxel: Ints, before: Ints, gap: Floats, distance: Floats, parts: int) -> Any:
    """Parent of each ring: where the path of its nearest voxel came from."""
    parent = np.full(parts, -1, np.int64)
    bridge = np.zeros(parts)
    lead = np.full(parts, np.inf)
    for i in range(len(of_voxel)):
        ring = of_voxel[i]
        if ring < 0 or before[i] < 0:
            continue
        up = of_voxel[before[i]]
        if up >= 0 and up < ring and distance[i] < lead[ring]:
            lead[ring] = distance[i]
            parent[ring] = up
            bridge[ring] = gap[i]
    return parent, bridge


@njit(cache=True)
def _reach(parent: Ints, distance: Floats) -> Any:
    reach = np.zeros(len(parent))
    for ring in range(len(parent) - 1, -1, -1):
        up = parent[ring]
        if up >= 0:
            reach[up] = max(reach[up], reach[ring] + distance[ring] - distance[up])
    return reach
