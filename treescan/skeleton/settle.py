"""Axes put right once radii are roughly known: unions, foot, tips, and which skin is whose."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.spatial import cKDTree

from treescan.skeleton.forks import LIKE_RATIO
from treescan.skeleton.limbs import LimbAxes, off_line_m, respace

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

UNION_LINE_M = 0.45
"""Length of limb beyond the union that sets the direction it is led back in. [m]"""


def rebuild(
    axes: LimbAxes, radius_m: Floats, keep: Bools, spacing_m: float, foot_m: Floats
) -> LimbAxes:
    """Drop limbs, lead the kept ones back to their parents' axes and space the nodes anew.

    Parameters
    ----------
    radius_m : ndarray, shape (n,)
        Radius at each node. [m]
    keep : ndarray, shape (k,), bool
        Limbs to keep; children of dropped limbs must be dropped too.
    foot_m : ndarray, shape (3,)
        Where the stem meets the ground.
    """
    number = np.cumsum(keep) - 1
    nodes_of: list[Floats] = []
    gaps_of: list[Bools] = []
    first = [0]
    parent_limb, parent_node = [], []
    for limb in np.flatnonzero(keep):
        span = slice(axes.first[limb], axes.first[limb + 1])
        path, gap, mark_m = axes.position_m[span], axes.bridged[span], 0.0
        if limb == 0:
            parent_limb.append(-1)
            parent_node.append(-1)
            path, gap = _to_foot(path, gap, foot_m, radius_m[span])
        else:
            up = int(number[axes.parent_limb[limb]])
            old = axes.position_m[axes.parent_node[limb]]
            thick = float(radius_m[axes.parent_node[limb]])
            like = float(np.median(radius_m[span][1:8])) / thick if len(path) > 1 else 0.0
            near, path, gap, mark_m = lead_back(path, gap, nodes_of[up], old, (thick, like))
            parent_limb.append(up)
            parent_node.append(first[up] + near)
        path, gap = respace(path, gap, spacing_m, mark_m)
        nodes_of.append(path)
        gaps_of.append(gap)
        first.append(first[-1] + len(path))
    return LimbAxes(
        np.concatenate(nodes_of),
        np.array(first),
        np.array(parent_limb),
        np.array(parent_node),
        np.concatenate(gaps_of),
    )


def _to_foot(path: Floats, gap: Bools, foot_m: Floats, radius_m: Floats) -> tuple[Floats, Bools]:
    """Lead the stem down to the ground along the line above its flare.

    Within about a radius and a half of the ground buttresses and partial views draw the axis
    aside; there it follows the line of the next stretch.
    """
    height = path[:, 2] - foot_m[2]
    thick = float(np.median(radius_m[height < 3.0])) if (height < 3.0).any() else 0.1
    start = int(np.argmax(height > min(1.5 * thick, 0.3 * float(height.max()))))
    above, gap = path[start:], gap[start:]
    if len(above) < 2 or above[0, 2] <= foot_m[2]:
        return path, gap if len(gap) == len(path) else np.zeros(len(path), dtype=bool)
    span = 0.6 + 2.0 * thick
    far = above[min(int(np.searchsorted(above[:, 2], above[0, 2] + span)), len(above) - 1)]
    step = far - above[0]
    rise = max(float(step[2]), 1e-3)
    foot = above[0] - step * (above[0, 2] - foot_m[2]) / rise
    if np.linalg.norm(foot - above[0]) > 1.0 + 2.0 * thick:
        foot = np.array([above[0, 0], above[0, 1], foot_m[2]])
    return np.concatenate([foot[None], above]), np.concatenate([[False], gap])


def lead_back(
    path: Floats, gap: Bools, parent: Floats, old_joint: Floats, parent_size: tuple[float, float]
) -> tuple[int, Floats, Bools, float]:
    """Replace the stretch of a limb inside its parent's swell by a straight one.

    ``parent_size`` is the parent's radius and the limb's own as a share of it: members of like
    size may meet far below the place where their skins part.  Returns ``(node of the parent,
    path, gap, mark)``; the path (j, 3) starts at the parent's node, and the mark is so far along
    it. [m]

    ``path`` (k, 3) and ``gap`` (k,) are the limb's, ``parent`` (p, 3) its parent's nodes and
    ``old_joint`` (3,) where it left them so far. [m]
    """
    thick_m, like = parent_size
    off = off_line_m(path, parent)
    clear = np.flatnonzero(off > 1.25 * thick_m + 0.03)
    begin = int(clear[0]) if len(clear) else min(1, len(path) - 1)
    begin = min(begin, len(path) - 1)
    along = np.linalg.norm(path[begin:] - path[begin], axis=1)
    end = begin + int(np.searchsorted(along, UNION_LINE_M))
    line = path[begin : max(end, begin + 2)]
    if len(line) < 2:
        near = int(np.argmin(((parent - old_joint) ** 2).sum(axis=1)))
        return near, np.concatenate([parent[near][None], path[begin:]]), _gaps(gap, begin), 0.0
    direction = line[-1] - line[0]
    direction = direction / max(float(np.linalg.norm(direction)), 1e-9)
    start = line.mean(axis=0)
    start = start + direction * float((path[begin] - start) @ direction)
    fork = like > LIKE_RATIO
    close = np.linalg.norm(parent - old_joint, axis=1) < max((8.0 if fork else 3.0) * thick_m, 0.5)
    step = parent - start
    back = step @ direction
    miss = np.linalg.norm(step - back[:, None] * direction, axis=1)
    # Rather a near joint than a far one that the line happens to meet a little better.
    miss = miss + (0.04 if fork else 0.15) * np.linalg.norm(parent - old_joint, axis=1)
    miss = np.where(close & (back < 0.3 * thick_m + 0.05), miss, np.inf)
    near = int(np.argmin(miss))
    if not np.isfinite(miss[near]):
        near = int(np.argmin(((parent - old_joint) ** 2).sum(axis=1)))
    led = np.concatenate([parent[near][None], path[begin:]])
    return near, led, _gaps(gap, begin), _mark_m(led, np.append(0.0, off[begin:]), thick_m)


def _mark_m(path: Floats, off_m: Floats, thick_m: float) -> float:
    """How far along ``path`` (k, 3) it first stands a round distance off its parent's axis. [m]

    ``off_m`` (k,) is that distance at its points.  A distance that does not depend on how thick
    the parent was read, but by powers of two, marks the same place in two scans of a tree; twice
    as far out the line from the union no longer matters.
    """
    round_m = 0.0625 * 2.0 ** np.ceil(np.log2((1.25 * thick_m + 0.03) / 0.0625))
    for far_m in (2.0 * round_m, round_m):
        there = int(np.argmax(off_m > far_m))
        if there:
            along = np.cumsum(np.linalg.norm(np.diff(path[: there + 1], axis=0), axis=1))
            share = (off_m[there] - far_m) / (off_m[there] - off_m[there - 1])
            return float(along[-1] - share * np.linalg.norm(path[there] - path[there - 1]))
    return 0.0


def _gaps(gap: Bools, begin: int) -> Bools:
    result: Bools = np.concatenate([[False], gap[begin:]])
    result[1] |= bool(gap[: begin + 1].any())
    return result


def nearest_skin(
    centre_m: Floats, axes: LimbAxes, radius_m: Floats, reach_m: float = 0.45
) -> tuple[Ints, Floats]:
    """Node whose limb's skin each voxel lies nearest to, and how far from it, shape (m,).

    The node is -1 where no limb is within reach.

    ``centre_m`` (m, 3) are the voxels, ``radius_m`` (n,) the radii of the nodes. [m]
    """
    k = min(8, len(axes.position_m))
    node = cKDTree(axes.position_m).query(
        centre_m, k=k, distance_upper_bound=reach_m + float(radius_m.max()), workers=-1
    )[1]
    limb = axes.limb_of_node
    return _nearest_skin(
        centre_m, node.astype(np.int64), axes.position_m, radius_m, limb, axes.first
    )


@njit(cache=True)
def _nearest_skin(
    centre: Floats,
    node: Ints,
    position: Floats,
    radius: Floats,
    limb: Ints,
    first: Ints,
) -> Any:
    m, k = node.shape
    n = len(position)
    best = np.full(m, -1, np.int64)
    skin = np.full(m, np.inf)
    for i in range(m):
        for j in range(k):
            a = node[i, j]
            if a >= n:
                break
            # The first node of a side limb lies inside its parent: nothing is nearest to it.
            if limb[a] > 0 and a == first[limb[a]]:
                continue
            far = _off_axis(centre[i], position, a, first[limb[a]], first[limb[a] + 1])
            d = abs(far - radius[a])
            if d < skin[i]:
                skin[i] = d
                best[i] = a
    return best, skin


@njit(cache=True)
def _off_axis(point: Floats, position: Floats, a: int, low: int, high: int) -> Any:
    """Distance of a point from the axis near node ``a``."""
    result = 1e30
    for b in (a - 1, a):
        if b < low or b + 1 >= high:
            continue
        dot = size = 0.0
        for x in range(3):
            e = position[b + 1, x] - position[b, x]
            dot += (point[x] - position[b, x]) * e
            size += e * e
        t = min(max(dot / max(size, 1e-12), 0.0), 1.0)
        far = 0.0
        for x in range(3):
            e = position[b + 1, x] - position[b, x]
            far += (point[x] - position[b, x] - t * e) ** 2
        result = min(result, np.sqrt(far))
    return result


def hidden_limbs(axes: LimbAxes, radius_m: Floats, shortest_m: float) -> Bools:
    """Limbs of which less than ``shortest_m`` stands out of thicker limbs' wood, shape (k,).

    A part of a stem's skin that was seen apart from the rest makes a limb of its own at first.

    ``radius_m`` (n,) are the radii of the nodes. [m]  The shares are our choice.
    """
    n = len(axes.position_m)
    k = min(24, n)
    away, node = cKDTree(axes.position_m).query(axes.position_m, k=k, workers=-1)
    limb = axes.limb_of_node
    other = (limb[node] != limb[:, None]) & (radius_m[node] > 1.2 * radius_m[:, None])
    inside = (other & (away < 1.1 * radius_m[node] + 0.03)).any(axis=1)
    step = np.zeros(n)
    step[1:] = np.linalg.norm(np.diff(axes.position_m, axis=0), axis=1)
    step[axes.first[:-1]] = 0.0
    free = np.bincount(limb, np.where(inside, 0.0, step), len(axes.first) - 1)
    result: Bools = free < shortest_m
    result[0] = False
    return result


def without(axes: LimbAxes, drop: Bools) -> LimbAxes:
    """Hang the limbs of limbs to be dropped on the next limb below that stays.

    ``drop`` (k,) marks the limbs to be dropped.
    """
    parent, joint = axes.parent_limb.copy(), axes.parent_node.copy()
    for limb in range(1, len(parent)):
        up, node = int(parent[limb]), int(joint[limb])
        while drop[up]:
            node, up = int(joint[up]), int(parent[up])
        if up != parent[limb]:
            span = np.arange(axes.first[up], axes.first[up + 1])
            start = axes.position_m[axes.first[limb]]
            node = int(span[np.argmin(((axes.position_m[span] - start) ** 2).sum(axis=1))])
        parent[limb], joint[limb] = up, node
    return replace(axes, parent_limb=parent, parent_node=joint)


def carry_over(old: LimbAxes, new: LimbAxes, keep: Bools, value: Floats) -> Floats:
    """Per-node ``value`` of the old axes at the nodes of the new ones, shape (n,).

    ``keep`` (k,) marks the old limbs that the new axes hold; ``value`` (n,) may have any unit.
    """
    result = np.zeros(len(new.position_m))
    for limb, was in enumerate(np.flatnonzero(keep)):
        a, b = old.first[was], old.first[was + 1]
        c, d = new.first[limb], new.first[limb + 1]
        # A limb's first node stands inside its parent; its radius is that of the next one.
        a = min(a + 1, b - 1) if was else a
        near = cKDTree(old.position_m[a:b]).query(new.position_m[c:d])[1]
        result[c:d] = value[a + near]
    return result
