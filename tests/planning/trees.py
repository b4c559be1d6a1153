"""Small trees of our own for the planner's tests: a stem, limbs, side branches."""

from __future__ import annotations

import numpy as np

from treescan.pointcloud.cloud import Ground
from treescan.skeleton.graph import TreeGraph


def flat_ground(size_m: float = 60.0) -> Ground:
    cells = 2
    return Ground(
        -size_m / 2, -size_m / 2, size_m, np.zeros((cells, cells)), np.ones((cells, cells), bool)
    )


class Builder:
    """Adds limbs point by point; node 0 is the root at the ground."""

    def __init__(self, base_radius_m: float):
        self.position = [np.zeros(3)]
        self.radius = [base_radius_m]
        self.parent = [-1]
        self.limb = [0]
        self.order = [0]
        self.limbs = 0

    def grow(self, start, direction, length_m, radius_m, tip_radius_m, order, step_m=0.25, sag=0.0):
        """One limb from node ``start``; returns its nodes."""
        if len(self.parent) > 1:
            self.limbs += 1
        direction = np.asarray(direction, float) / np.linalg.norm(direction)
        steps = max(round(length_m / step_m), 2)
        at, up, nodes = self.position[start].copy(), start, []
        for i in range(1, steps + 1):
            share = i / steps
            bend = direction + np.array([0, 0, -sag * share])
            at = at + bend / np.linalg.norm(bend) * (length_m / steps)
            self.position.append(at.copy())
            self.radius.append(radius_m + (tip_radius_m - radius_m) * share)
            self.parent.append(up)
            self.limb.append(self.limbs)
            self.order.append(order)
            up = len(self.parent) - 1
            nodes.append(up)
        return nodes

    def graph(self) -> TreeGraph:
        n = len(self.parent)
        radius = np.array(self.radius)
        return TreeGraph(
            np.array(self.position),
            radius,
            0.05 * radius,
            np.array(self.parent, np.int32),
            np.array(self.limb, np.int32),
            np.array(self.order, np.int32),
            np.ones(n),
            np.zeros(n, np.int32),
            np.zeros(n, bool),
            np.zeros(3),
        )


def grown_tree(
    seed=0, height_m=14.0, dbh_m=0.42, limbs=10, side_branches=3, step_m=0.25
) -> TreeGraph:
    """A broad tree: a stem to the top, limbs around it, side branches on the limbs."""
    rng = np.random.default_rng(seed)
    tree = Builder(dbh_m / 2 * 1.1)
    lean = rng.normal(0, 0.02, 2)
    stem = tree.grow(0, [*lean, 1], height_m, dbh_m / 2, 0.02, 0, step_m)
    for i in range(limbs):
        share = 0.25 + 0.65 * (i + rng.uniform(0, 0.5)) / limbs
        at = stem[int(share * (len(stem) - 1))]
        azimuth = 2.4 * i + rng.uniform(-0.3, 0.3)
        rise = rng.uniform(0.2, 0.8)
        length = height_m * rng.uniform(0.2, 0.42) * (1.15 - 0.6 * share)
        radius = min(0.55 * tree.radius[at], 0.011 * length + 0.02)
        limb = tree.grow(
            at, [np.cos(azimuth), np.sin(azimuth), rise], length, radius, 0.008, 1, step_m, 0.3
        )
        for j in range(side_branches):
            here = limb[int((0.3 + 0.6 * j / side_branches) * (len(limb) - 1))]
            turn = azimuth + (0.8 if j % 2 else -0.8)
            tree.grow(
                here,
                [np.cos(turn), np.sin(turn), 0.4],
                length * 0.4,
                0.5 * tree.radius[here],
                0.006,
                2,
                step_m,
            )
    return tree.graph()
