"""Small trees of known geometry for the wood tests."""

from functools import cache

import numpy as np

from tests.scenes.grow import truth_graph
from treescan.skeleton.graph import TreeGraph


@cache
def grown(shape, seed):
    """A tree of known geometry down to the last twig, grown once a run."""
    return truth_graph(shape, seed)


def chain(radius_m, length_m, sd_share=0.05, tilt=(0.0, 0.0, 1.0)):
    """A straight stem with the given radii, evenly spaced over ``length_m``."""
    radius = np.asarray(radius_m, float)
    n = len(radius)
    direction = np.asarray(tilt, float) / np.linalg.norm(tilt)
    return TreeGraph(
        np.linspace(0.0, length_m, n)[:, None] * direction,
        radius,
        sd_share * radius,
        np.arange(-1, n - 1, dtype=np.int32),
        np.zeros(n, np.int32),
        np.zeros(n, np.int32),
        np.ones(n),
        np.zeros(n, np.int32),
        np.zeros(n, bool),
        np.zeros(3),
    )


def random_tree(seed=0, height_m=14.0, base_m=0.25, sd_share=0.05):
    """A stem with limbs and side branches, different for each seed."""
    rng = np.random.default_rng(seed)
    position, radius, parent, limb, order = [np.zeros(3)], [base_m], [-1], [0], [0]

    def grow(start, direction, r0, length, up, number, rank):
        steps = max(2, int(length / 0.25))
        for k in range(1, steps + 1):
            position.append(start + direction * length * k / steps)
            radius.append(max(0.006, r0 * (1 - 0.85 * k / steps)))
            parent.append(up)
            limb.append(number)
            order.append(rank)
            up = len(parent) - 1
            if rank < 2 and k > 0.3 * steps and rng.random() < 0.3 and radius[-1] > 0.012:
                side = direction + rng.normal(size=3) * 0.8
                grow(
                    position[-1], side / np.linalg.norm(side), 0.6 * radius[-1], 0.4 * length, up,
                    max(limb) + 1, rank + 1,
                )  # fmt: skip

    grow(np.zeros(3), np.array([0.0, 0.0, 1.0]), base_m, height_m, 0, 0, 0)
    n = len(parent)
    r = np.array(radius)
    return TreeGraph(
        np.array(position), r, sd_share * r, np.array(parent, np.int32), np.array(limb, np.int32),
        np.array(order, np.int32), np.ones(n), np.zeros(n, np.int32), np.zeros(n, bool),
        np.zeros(3),
    )  # fmt: skip


def scaled(graph: TreeGraph, factor: float) -> TreeGraph:
    """The same tree with every length times ``factor``."""
    return TreeGraph(
        graph.position_m * factor, graph.radius_m * factor, graph.radius_sd_m * factor,
        graph.parent, graph.limb, graph.order, graph.support, graph.source, graph.bridged,
        graph.origin_m,
    )  # fmt: skip


def pruned(graph: TreeGraph, diameter_m: float) -> TreeGraph:
    """The tree without wood thinner than ``diameter_m``, as a coarse scan would leave it."""
    keep = np.zeros(len(graph), bool)
    keep[0] = True
    for node in range(1, len(graph)):
        keep[node] = keep[graph.parent[node]] and 2 * graph.radius_m[node] >= diameter_m
    new = np.cumsum(keep) - 1
    k = np.flatnonzero(keep)
    up = np.where(graph.parent[k] >= 0, new[graph.parent[k]], -1).astype(np.int32)
    return TreeGraph(
        graph.position_m[k], graph.radius_m[k], graph.radius_sd_m[k], up, graph.limb[k],
        graph.order[k], graph.support[k], graph.source[k], graph.bridged[k], graph.origin_m,
    )  # fmt: skip
