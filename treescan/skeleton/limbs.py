"""From the tree of rings to limbs with smooth axes of evenly spaced nodes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.spatial import cKDTree

from treescan.skeleton.rings import Rings

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SHORTEST_LIMB_M = 0.3
"""A side shoot that ends nearer than this to its parent's skin is left out. [m]"""


@dataclass(frozen=True)
class LimbAxes:
    """Axes of all limbs, node after node, limb after limb; a parent limb comes first.

    Attributes
    ----------
    position_m : ndarray, shape (n, 3)
        A limb's first node lies on its parent's axis (limb 0: at the base).
    first : ndarray, shape (k + 1,)
        ``first[i]:first[i + 1]`` are the nodes of limb ``i``.
    parent_limb, parent_node : ndarray, shape (k,)
        -1 for limb 0.
    bridged : ndarray, shape (n,)
        The stretch before the node crosses a gap.
    """

    position_m: Floats
    first: Ints
    parent_limb: Ints
    parent_node: Ints
    bridged: Bools

    @property
    def limb_of_node(self) -> Ints:
        """Limb of each node, shape (n,)."""
        return np.repeat(np.arange(len(self.first) - 1), np.diff(self.first))

    def along_m(self) -> Floats:
        """Distance of each node from its limb's first node, shape (n,). [m]"""
        step = np.zeros(len(self.position_m))
        step[1:] = np.linalg.norm(np.diff(self.position_m, axis=0), axis=1)
        step[self.first[:-1]] = 0.0
        total = np.cumsum(step)
        return total - np.repeat(total[self.first[:-1]], np.diff(self.first))

    def directions(self) -> Floats:
        """Unit vector along the axis at each node, shape (n, 3)."""
        p, limb = self.position_m, self.limb_of_node
        n = len(p)
        after = np.minimum(np.arange(n) + 1, n - 1)
        after = np.where(limb[after] == limb, after, np.arange(n))
        before = np.maximum(np.arange(n) - 1, 0)
        before = np.where(limb[before] == limb, before, np.arange(n))
        step = p[after] - p[before]
        length = np.linalg.norm(step, axis=1, keepdims=True)
        result: Floats = np.where(length > 0, step / np.maximum(length, 1e-12), [0.0, 0.0, 1.0])
        return result


@njit(cache=True)
def _main_child(parent: Ints, score: Floats) -> Any:
    best = np.full(len(parent), -1, np.int64)
    for ring in range(len(parent)):
        up = parent[ring]
        if up >= 0 and (best[up] < 0 or score[ring] > score[best[up]]):
            best[up] = ring
    return best


@njit(cache=True)
def _limb_of_ring(parent: Ints, main: Floats, root: int) -> Any:
    """Number the limbs in the order they are met; rings of other roots get -1."""
    limb = np.full(len(parent), -1, np.int64)
    limb[root] = 0
    used = 1
    for ring in range(len(parent)):
        up = parent[ring]
        if ring == root or up < 0 or limb[up] < 0:
            continue
        if main[up] == ring:
            limb[ring] = limb[up]
        else:
            limb[ring] = used
            used += 1
    return limb, used


def _going_on(rings: Rings, steps: int = 5) -> Floats:
    """Claim of each ring to go on with its parent's limb: reach, less where it turns off. [m]"""
    far = _main_child(rings.parent, rings.reach_m)
    ahead = np.arange(len(rings))
    behind = np.maximum(rings.parent, 0)
    for _ in range(steps):
        ahead = np.where(far[ahead] >= 0, far[ahead], ahead)
        behind = np.maximum(rings.parent[behind], 0)
    here = rings.centre_m[np.maximum(rings.parent, 0)]
    out, come = rings.centre_m[ahead] - here, here - rings.centre_m[behind]
    size = np.linalg.norm(out, axis=1) * np.linalg.norm(come, axis=1)
    cosine = np.einsum("ij,ij->i", out, come) / np.maximum(size, 1e-9)
    result: Floats = rings.reach_m * (0.55 + 0.45 * np.clip(cosine, 0.0, 1.0))
    return result


def part_limbs(rings: Rings) -> tuple[list[Ints], Ints, Ints]:
    """Part the ring tree into limbs: at each union the child that reaches far and straight goes on.

    Returns
    -------
    chains : list of ndarray
        Rings of each kept limb from base to tip.
    parent_limb : ndarray, shape (k,)
    parent_ring : ndarray, shape (k,)
        The ring of the parent limb that the limb leaves from; -1 for limb 0.
    """
    main = _main_child(rings.parent, _going_on(rings))
    limb, used = _limb_of_ring(rings.parent, main, 0)
    order = np.argsort(limb, kind="stable")
    order = order[limb[order] >= 0]
    split = np.searchsorted(limb[order], np.arange(used + 1))
    chains: list[Ints] = []
    parent_limb, parent_ring = [], []
    number = np.full(used, -1, dtype=np.int64)
    for old in range(used):
        chain = order[split[old] : split[old + 1]]
        up = rings.parent[chain[0]] if old else -1
        if old:
            if number[limb[up]] < 0:
                continue
            free_m = np.linalg.norm(rings.centre_m[chain] - rings.centre_m[up], axis=1).max()
            if free_m < SHORTEST_LIMB_M + 1.2 * rings.spread_m[up]:
                continue
        number[old] = len(chains)
        chains.append(chain)
        parent_limb.append(number[limb[up]] if old else -1)
        parent_ring.append(up)
    return chains, np.array(parent_limb), np.array(parent_ring)


def lay_axes(
    rings: Rings, chains: list[Ints], parent_limb: Ints, parent_ring: Ints, spacing_m: float
) -> LimbAxes:
    """Smooth and resample the ring centres of each limb.

    ``chains`` are the rings of each of the k limbs, from the union outward; ``parent_limb`` and
    ``parent_ring`` (k,) say where it leaves, -1 for the stem.
    """
    where: list[Floats] = []
    bridged: list[Bools] = []
    first = [0]
    parent_node = []
    for i, chain in enumerate(chains):
        path = rings.centre_m[chain]
        gap = rings.gap_m[chain] > 0
        if i:
            start = rings.centre_m[parent_ring[i]]
            up = int(parent_limb[i])
            nodes = where[up]
            near = int(np.argmin(((nodes - start) ** 2).sum(axis=1)))
            parent_node.append(first[up] + near)
            path = np.concatenate([nodes[near][None], path])
            gap = np.concatenate([[False], gap])
        else:
            parent_node.append(-1)
        nodes, crossing = respace(_smooth(path), gap, spacing_m)
        where.append(nodes)
        bridged.append(crossing)
        first.append(first[-1] + len(nodes))
    return LimbAxes(
        np.concatenate(where),
        np.array(first),
        np.asarray(parent_limb, dtype=np.int64),
        np.array(parent_node),
        np.concatenate(bridged),
    )


def _smooth(path: Floats, rounds: int = 2) -> Floats:
    """Running mean of three with fixed ends."""
    path = path.copy()
    for _ in range(rounds):
        if len(path) > 2:
            path[1:-1] = 0.25 * path[:-2] + 0.5 * path[1:-1] + 0.25 * path[2:]
    return path


def respace(
    path: Floats, gap: Bools, spacing_m: float, mark_m: float = 0.0
) -> tuple[Floats, Bools]:
    """Nodes along a polyline, ends kept; at least two nodes.

    They are counted from a mark ``mark_m`` along the path, so that a few millimetres at the tip or
    at the union move no node but those beside it.  The first and the last step are half to one and
    a half ``spacing_m`` long.

    ``path`` (k, 3) [m]; ``gap`` (k,) marks points that were reached over a gap.  Returns nodes
    (n, 3) and the same mark for them (n,).
    """
    step = np.linalg.norm(np.diff(path, axis=0), axis=1)
    keep = np.concatenate([[True], step > 1e-9])
    path, gap = path[keep], gap[keep]
    if len(path) < 2:
        path = np.concatenate([path, path + np.array([0.0, 0.0, 0.05])])
        gap = np.append(gap, False)
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    length = float(along[-1])
    inside = np.arange((mark_m / spacing_m - 0.5) % 1.0 + 0.5, length / spacing_m - 0.5)
    at = np.concatenate([[0.0], spacing_m * inside, [length]])
    nodes = np.column_stack([np.interp(at, along, path[:, a]) for a in range(3)])
    stretch = np.clip(np.searchsorted(along, at, side="left"), 1, len(along) - 1)
    return nodes, gap[stretch] & (np.arange(len(at)) > 0)


def off_line_m(points: Floats, line: Floats) -> Floats:
    """Distance of each point from a polyline, shape (m,). [m]

    ``points`` (m, 3) and the nodes of ``line`` (p, 3). [m]  Only the stretches beside the nearest
    node are looked at.
    """
    away, near = cKDTree(line).query(points)
    for other in (np.maximum(near - 1, 0), np.minimum(near + 1, len(line) - 1)):
        step, off = line[other] - line[near], points - line[near]
        size = np.maximum((step**2).sum(axis=1), 1e-12)
        share = np.clip((off * step).sum(axis=1) / size, 0.0, 1.0)
        away = np.minimum(away, np.linalg.norm(off - share[:, None] * step, axis=1))
    result: Floats = away
    return result
