"""Exact numbers of a grown tree: volumes by size class, DBH, height, limb table."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tests.scenes.grow import Flare, Tree
from treescan.skeleton.graph import TreeGraph

CLASSES_M = {"over 15 cm": (0.15, 99.0), "7-15 cm": (0.07, 0.15), "3-7 cm": (0.03, 0.07)}
"""Size classes of diameter. [m]"""
BREAST_M = 1.3


@dataclass(frozen=True)
class TreeTruth:
    """What a perfect scan of the tree would find, in the local frame of its scene.

    ``dbh_m`` is what a girth tape reads over the hull of the section; with several stems at
    breast height it is the root of the sum of their squares.  Heights count from the ground at
    the uphill side of the stem.  Volumes follow ``TreeGraph.edge_start_m`` and hold bark.
    """

    graph: TreeGraph
    flare: Flare | None
    height_m: float
    dbh_m: float
    stem_dbh_m: tuple[float, ...]
    dbh_area_equivalent_m: float
    uphill_rise_m: float
    volume_m3: float
    volume_over_7cm_m3: float
    volume_by_class_m3: dict[str, float]
    length_by_class_m: dict[str, float]
    limbs: tuple[dict[str, float], ...]


def edge_volume_m3(graph: TreeGraph) -> np.ndarray:
    """Truncated cone of each node's edge outside the parent's wood, shape (n,)."""
    a, b = graph.edge_start_radius_m, graph.radius_m
    return np.pi / 3 * graph.edge_length_m * (a * a + a * b + b * b)


def edge_diameter_m(graph: TreeGraph) -> np.ndarray:
    """Mean diameter of each node's edge, shape (n,)."""
    return graph.edge_start_radius_m + graph.radius_m


def by_class(graph: TreeGraph, values: np.ndarray) -> dict[str, float]:
    """Sum of per-edge ``values`` over the size classes, and ``under 3 cm``."""
    d = edge_diameter_m(graph)
    bounds = CLASSES_M | {"under 3 cm": (0.0, 0.03)}
    return {k: float(values[(d >= a) & (d < b)].sum()) for k, (a, b) in bounds.items()}


def moved_graph(graph: TreeGraph, shift_m: np.ndarray, turn_rad: float = 0.0) -> TreeGraph:
    """The graph turned about z and shifted."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    return replace(graph, position_m=graph.position_m @ turn.T + shift_m)


def stems_at(graph: TreeGraph, z_m: float) -> list[float]:
    """Diameters of stems (order 0) where they cross the level ``z_m``."""
    up = np.maximum(graph.parent, 0)
    low, top = graph.edge_start_m[:, 2], graph.position_m[:, 2]
    cross = (graph.order == 0) & (low <= z_m) & (top > z_m) & (graph.parent >= 0)
    hidden = graph.starts_limb & (graph.position_m[up, 2] <= z_m) & (low > z_m)
    assert not (hidden & cross).any()
    share = (z_m - low[cross]) / (top[cross] - low[cross])
    r = graph.edge_start_radius_m[cross] * (1 - share) + graph.radius_m[cross] * share
    return sorted((2 * r).tolist(), reverse=True)


def limb_table(graph: TreeGraph) -> list[dict[str, float]]:
    """One row a limb of order 1 or a leader: base diameter and height, length, azimuth, volume."""
    volume = graph.subtree_sum(edge_volume_m3(graph))
    rows = []
    for node in np.flatnonzero(graph.starts_limb & (graph.order <= 1)):
        own = np.flatnonzero(graph.limb == graph.limb[node])
        length = float(graph.edge_length_m[own].sum())
        out = graph.position_m[graph.subtree(node)] - graph.position_m[0]
        reach = out[np.argmax(np.hypot(out[:, 0], out[:, 1]))]
        rows.append(
            {
                "limb": int(graph.limb[node]),
                "base_node": int(node),
                "order": int(graph.order[node]),
                "base_diameter_m": round(2 * float(graph.radius_m[node]), 4),
                "base_height_m": round(
                    float(graph.edge_start_m[node, 2] - graph.position_m[0, 2]), 3
                ),
                "length_m": round(length, 3),
                "azimuth_deg": round(float(np.degrees(np.arctan2(reach[0], reach[1])) % 360), 1),
                "reach_m": round(float(np.hypot(reach[0], reach[1])), 3),
                "volume_m3": round(float(volume[node]), 5),
            }
        )
    return sorted(rows, key=lambda row: -row["volume_m3"])


def tree_truth(
    tree: Tree, shift_m: np.ndarray, turn_rad: float = 0.0, uphill_rise_m: float = 0.0
) -> TreeTruth:
    """Truth of ``tree`` stood at ``shift_m``, turned by ``turn_rad`` about z."""
    graph = moved_graph(tree.graph, np.asarray(shift_m, dtype=float), turn_rad)
    breast = uphill_rise_m + BREAST_M
    stems = stems_at(graph, float(graph.position_m[0, 2]) + breast)
    girth = tree.flare.girth_ratio(breast) if tree.flare and len(stems) == 1 else 1.0
    volume = edge_volume_m3(graph)
    over = edge_diameter_m(graph) >= 0.07
    top = graph.position_m[:, 2].max() - graph.position_m[0, 2]
    area = float(np.sqrt(np.square(stems).sum()))
    return TreeTruth(
        graph=graph,
        flare=tree.flare,
        height_m=float(top - uphill_rise_m),
        dbh_m=area * girth,
        stem_dbh_m=tuple(d * girth for d in stems),
        dbh_area_equivalent_m=area,
        uphill_rise_m=uphill_rise_m,
        volume_m3=float(volume.sum()),
        volume_over_7cm_m3=float(volume[over].sum()),
        volume_by_class_m3=by_class(graph, volume),
        length_by_class_m=by_class(graph, graph.edge_length_m),
        limbs=tuple(limb_table(graph)),
    )
