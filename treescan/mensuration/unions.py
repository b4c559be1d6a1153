"""Unions and limbs of a skeleton graph in numbers."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.mensuration.measures import LimbRow, UnionRow
from treescan.mensuration.volume import edge_volume_m3
from treescan.skeleton.graph import TreeGraph

Floats = npt.NDArray[np.float64]

NARROW_DEG = 35.0
CODOMINANT_RATIO = 0.6
"""Included bark is suspected where two members of like size part at a narrow angle: bark is
often included where the ratio of diameters is high and the angle small. [from memory: Gilman,
Illustrated Guide to Pruning; Slater and Ennos on forks of hazel]  A flag to look, no finding."""


def limb_nodes(graph: TreeGraph, limb: int) -> npt.NDArray[np.int64]:
    """Nodes of a limb from base to tip, shape (k,)."""
    return np.flatnonzero(graph.limb == limb)


def union_rows(graph: TreeGraph, ground_z_m: float) -> tuple[UnionRow, ...]:
    """One row for each limb that leaves another, by height."""
    rows = []
    for node in np.flatnonzero(graph.starts_limb):
        rows.append(_union(graph, int(node), ground_z_m))
    return tuple(sorted(rows, key=lambda row: row.height_m))


def _union(graph: TreeGraph, node: int, ground_z_m: float) -> UnionRow:
    up = int(graph.parent[node])
    branch = _outward(graph, node, start=graph.edge_start_m[node])
    stem = _stem_direction(graph, up)
    cosine = float(np.clip(branch @ stem, -1.0, 1.0))
    angle = float(np.degrees(np.arccos(cosine)))
    below, own = float(graph.radius_m[up]), float(graph.radius_m[node])
    ratio = min(own / below, 1.0) if below > 0 else 1.0
    suspect = angle < NARROW_DEG and ratio >= CODOMINANT_RATIO
    reason = (
        f"members of like size (ratio {ratio:.2f}) part at {angle:.0f} degrees; look for a bark "
        f"ridge turned inward"
        if suspect
        else ""
    )
    height = float(graph.position_m[up, 2] - ground_z_m)
    return UnionRow(node, height, 2 * below, 2 * own, angle, ratio, suspect, reason)


def _stem_direction(graph: TreeGraph, node: int) -> Floats:
    """Direction of the parent limb above the union, or below it where it ends."""
    limb = graph.limb[node]
    after = [c for c in np.flatnonzero(graph.parent == node) if graph.limb[c] == limb]
    if after:
        return _outward(graph, int(after[0]), start=graph.position_m[node])
    up = max(int(graph.parent[node]), 0)
    return _unit(graph.position_m[node] - graph.position_m[up])


def _outward(graph: TreeGraph, node: int, start: Floats, span_m: float = 0.5) -> Floats:
    """Direction from ``start`` to the limb about ``span_m`` farther out."""
    nodes = limb_nodes(graph, int(graph.limb[node]))
    nodes = nodes[nodes >= node]
    away = np.linalg.norm(graph.position_m[nodes] - start, axis=1)
    far = nodes[min(int(np.searchsorted(away, span_m)), len(nodes) - 1)]
    return _unit(graph.position_m[far] - start)


def _unit(step: Floats) -> Floats:
    length = float(np.linalg.norm(step))
    return step / length if length > 1e-9 else np.array([0.0, 0.0, 1.0])


def limb_rows(graph: TreeGraph, ground_z_m: float) -> tuple[LimbRow, ...]:
    """One row for each limb, the main stem first; volume is the limb's own wood."""
    volume = np.bincount(graph.limb, edge_volume_m3(graph))
    length = np.bincount(graph.limb, graph.edge_length_m)
    order = np.argsort(graph.limb, kind="stable")
    split = np.searchsorted(graph.limb[order], np.arange(len(volume) + 1))
    rows = []
    for limb in range(len(volume)):
        nodes = order[split[limb] : split[limb + 1]]
        if not len(nodes):
            continue
        base = int(nodes[0])
        start = graph.edge_start_m[base]
        aside = graph.position_m[nodes, :2] - start[:2]
        far = int(np.argmax((aside**2).sum(axis=1)))
        reach = float(np.hypot(*aside[far]))
        azimuth = float(np.degrees(np.arctan2(aside[far, 0], aside[far, 1])) % 360.0)
        rows.append(
            LimbRow(
                limb=limb,
                base_node=base,
                order=int(graph.order[base]),
                base_diameter_m=float(2 * graph.edge_start_radius_m[base]),
                base_height_m=float(start[2] - ground_z_m),
                length_m=float(length[limb]),
                azimuth_deg=azimuth,
                reach_m=reach,
                volume_m3=float(volume[limb]),
            )
        )
    return tuple(rows)
