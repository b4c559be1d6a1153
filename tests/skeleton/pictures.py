"""``python -m tests.skeleton.pictures OUT.png``: a skeleton over its points, to be judged by eye.

Side view and plan, coloured by the source of each diameter (blue fitted, orange interpolated,
red modelled, black bridged) and, below, by how far the diameter may be off.
"""

from __future__ import annotations

import argparse

import matplotlib as mpl
import numpy as np

mpl.use("Agg")
from matplotlib import pyplot as plt
from matplotlib.collections import LineCollection

from tests.scenes.scene import make_scene
from treescan.pointcloud.ground import find_ground
from treescan.pointcloud.isolate import isolate_tree
from treescan.skeleton.extract import extract_skeleton
from treescan.skeleton.graph import TreeGraph

SOURCE_COLOURS = np.array(["#1565c0", "#ef6c00", "#c2185b"])


def draw(graph: TreeGraph, xyz: np.ndarray, file: str) -> None:
    """Draw the graph (edges as thick as the wood) over a part of the points (n, 3)."""
    start, end = graph.edge_start_m[1:], graph.position_m[1:]
    source = np.where(graph.bridged[1:], "black", SOURCE_COLOURS[graph.source[1:]])
    doubt = plt.get_cmap("viridis")(np.clip(graph.radius_sd_m / graph.radius_m, 0, 0.4)[1:] / 0.4)
    some = xyz[np.random.default_rng(0).permutation(len(xyz))[:60_000]]
    figure, axes = plt.subplots(2, 2, figsize=(16, 18))
    width = 2 * graph.radius_m[1:] / max(np.ptp(xyz[:, 2]), 1.0) * 8 * 72
    for row, colour in zip(axes, (source, doubt), strict=True):
        for ax, pair in zip(row, ([0, 2], [0, 1]), strict=True):
            ax.scatter(some[:, pair[0]], some[:, pair[1]], s=0.2, c="#bbbbbb", linewidths=0)
            lines = np.stack([start[:, pair], end[:, pair]], axis=1)
            ax.add_collection(
                LineCollection(lines, colors=colour, linewidths=np.clip(width, 0.5, 60), alpha=0.8)
            )
            ax.set_aspect("equal")
    axes[0, 0].set_title("by source of the diameter")
    axes[1, 0].set_title("by doubt: sd over radius, yellow is 40 % and more")
    figure.tight_layout()
    figure.savefig(file, dpi=80)
    plt.close(figure)


def main() -> None:
    """Draw one scene."""
    parser = argparse.ArgumentParser(prog="python -m tests.skeleton.pictures", description=__doc__)
    parser.add_argument("file")
    parser.add_argument("--shape", default="broadleaf")
    parser.add_argument("--seed", type=int, default=100)
    parser.add_argument("--setting", default="tripod")
    parser.add_argument("--in-leaf", action="store_true")
    parser.add_argument("--registration", default="good")
    given = parser.parse_args()
    scene = make_scene(given.shape, given.seed, given.setting, given.in_leaf, given.registration)
    ground = find_ground(scene.cloud)
    tree = isolate_tree(scene.cloud, ground, near_m=scene.near_m)
    graph = extract_skeleton(tree, ground, origin_m=scene.cloud.origin_m)
    draw(graph, tree.xyz, given.file)


if __name__ == "__main__":
    main()
