"""Forks followed down into the crotch, as far as the skin of their members shows them apart.

Ghost points behind edges, stray points and leaves hang between the members of a fork, so that a
band of it stays one piece far above the place where the members part.  But a skin holds many
points a voxel and what hangs between holds few.  So a fork that was found is followed down, band
by band, as long as each of its members stands on a dense skin of its own.  No fork is found here:
the two sides of one stem with little between them are not taken for two stems.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.spatial import cKDTree

from treescan.skeleton.geodesic import Geodesic, connected_parts

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SPARSE = 0.3
"""Voxels with less than this share of their ring's median of points join nothing. [judgement]"""
LEAST_MEDIAN = 4
"""Rings with fewer points a voxel than this do not tell skin from what hangs between."""
LEAST_VOXELS, LEAST_SHARE = 20, 0.1
"""Size of a member's skin, in voxels and as a share of its ring. [judgement]"""
MEMBER_M = 0.5
"""A member goes on for at least this far. [m, judgement]"""


def follow_down(
    label: Ints,
    band: Ints,
    centre_m: Floats,
    points: Ints,
    edges: tuple[Ints, Ints, Floats],
    paths: Geodesic,
) -> Ints:
    """Labels of the rings once those below forks are parted, shape (m,); -1 stays.

    Parameters
    ----------
    label, band : ndarray, shape (m,)
        Ring and band of each voxel, -1 where it is of none.
    centre_m : ndarray, shape (m, 3)
    points : ndarray, shape (m,)
        Points in each voxel.
    edges : tuple
        ``(first (m + 1,), other (e,), length_m (e,))``. [m]
    paths : Geodesic
    """
    skin = _skins(label, points, edges)
    ring_of_skin = np.zeros(int(skin.max(initial=-1)) + 1, dtype=np.int64)
    ring_of_skin[skin[skin >= 0]] = label[skin >= 0]
    several = np.flatnonzero(np.bincount(ring_of_skin, minlength=int(label.max()) + 1) > 1)
    several = several[several > 0]  # the root stays one ring
    order = np.argsort(label, kind="stable")
    first = np.searchsorted(label[order], np.arange(int(label.max()) + 2))
    several = several[np.argsort(-band[order[first[several]]], kind="stable")]
    reach = _reach(paths.distance_m, paths.before)
    above = np.flatnonzero((label >= 0) & (paths.before >= 0))
    above = above[label[paths.before[above]] != label[above]]
    above = above[np.argsort(label[paths.before[above]], kind="stable")]
    start = np.searchsorted(label[paths.before[above]], np.arange(int(label.max()) + 2))
    new = label.copy()
    used = int(label.max()) + 1
    for ring in several:
        own = order[first[ring] : first[ring + 1]]
        links = above[start[ring] : start[ring + 1]]
        long = reach[links] - float(np.mean(paths.distance_m[own])) > MEMBER_M
        members = _stands_on(own, links[long], new, skin, centre_m, paths)
        if len(members) < 2:
            continue
        held = own[np.isin(skin[own], members)]
        near = held[cKDTree(centre_m[held]).query(centre_m[own])[1]]
        new[own] = used + np.searchsorted(members, skin[near])
        used += len(members)
    number = np.unique(new[new >= 0])
    result: Ints = np.where(new >= 0, np.searchsorted(number, new), -1)
    return result


def _skins(label: Ints, points: Ints, edges: tuple[Ints, Ints, Floats]) -> Ints:
    """Dense skin of each voxel, -1 where it is of none or of a small one, shape (m,)."""
    rings = int(label.max()) + 1
    own = np.flatnonzero(label >= 0)
    order = own[np.lexsort((points[own], label[own]))]
    size = np.bincount(label[own], minlength=rings)
    end = np.cumsum(size)
    median = points[order[np.minimum(end - size + size // 2, len(order) - 1)]]
    enough = (size >= 2 * LEAST_VOXELS) & (median >= LEAST_MEDIAN)
    dense = np.zeros(len(label), dtype=bool)
    dense[own] = enough[label[own]] & (points[own] >= SPARSE * median[label[own]])
    skin, count = connected_parts(edges[0], edges[1], np.where(dense, label, -1))
    held = np.bincount(skin[dense], minlength=count)
    least = np.zeros(count)
    least[skin[dense]] = np.maximum(LEAST_VOXELS, LEAST_SHARE * size[label[dense]])
    large = np.flatnonzero(held >= least)
    number = np.full(count + 1, -1, dtype=np.int64)
    number[large] = np.arange(len(large))
    result: Ints = np.where(dense, number[skin], -1)
    return result


def _stands_on(
    own: Ints, links: Ints, ring: Ints, skin: Ints, centre: Floats, paths: Geodesic
) -> Ints:
    """Skins among the ring's ``own`` voxels that rings above stand on, sorted.

    ``links`` are the voxels above whose way leads into ``own``; each ring above stands where the
    nearest of its voxels comes from.
    """
    if not len(links):
        return links
    links = links[np.lexsort((paths.distance_m[links], ring[links]))]
    lead = links[np.diff(ring[links], prepend=-1) != 0]
    held = own[skin[own] >= 0]
    foot = held[cKDTree(centre[held]).query(centre[paths.before[lead]])[1]]
    result: Ints = np.unique(skin[foot])
    return result


def _reach(distance: Floats, before: Ints) -> Floats:
    """Greatest distance from the base of all whose ways lead through each voxel, (m,). [m]"""
    found = np.where(np.isfinite(distance), distance, -np.inf)
    result: Floats = _reach_down(found, before, np.argsort(-found, kind="stable"))
    return result


@njit(cache=True)
def _reach_down(distance: Floats, before: Ints, order: Ints) -> Any:
    reach = distance.copy()
    for i in order:
        up = before[i]
        if up >= 0 and reach[i] > reach[up]:
            reach[up] = reach[i]
    return reach
