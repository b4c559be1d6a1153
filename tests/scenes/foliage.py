"""Leaves and needles on the thin twigs of a grown tree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from treescan.skeleton.graph import TreeGraph


@dataclass(frozen=True)
class Leaves:
    """Leaves as small flat ellipses: centre (n, 3), unit normal (n, 3), long axis (n, 3), size."""

    centre_m: np.ndarray
    normal: np.ndarray
    axis: np.ndarray
    length_m: np.ndarray
    width_m: np.ndarray


def foliage(graph: TreeGraph, rng: np.random.Generator, conifer: bool) -> Leaves:
    """Leaves on twigs under 3 cm thick (broadleaf) or needle sprays under 2.4 cm (conifer)."""
    per_m, thickest = (26.0, 0.012) if conifer else (46.0, 0.015)
    edges = np.flatnonzero((graph.radius_m < thickest) & (graph.parent >= 0))
    count = rng.poisson(per_m * graph.edge_length_m[edges])
    tips = edges[graph.child_count[edges] == 0]
    which = np.concatenate([np.repeat(edges, count), np.repeat(tips, 6)])
    n = len(which)
    start, end = graph.edge_start_m[which], graph.position_m[which]
    along = end - start
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    out = _across(along, rng.uniform(0, 2 * np.pi, n))
    at = start + rng.uniform(0, 1, (n, 1)) * (end - start)
    if conifer:
        length, width = rng.uniform(0.05, 0.09, n), rng.uniform(0.006, 0.012, n)
        axis = _unit_rows(0.7 * along + out)
        stalk = graph.radius_m[which] + 0.5 * length
    else:
        length, width = rng.uniform(0.07, 0.13, n), rng.uniform(0.04, 0.08, n)
        axis = _unit_rows(0.4 * along + out + rng.normal(0, 0.4, (n, 3)) - [0, 0, 0.2])
        stalk = graph.radius_m[which] + rng.uniform(0.02, 0.05, n) + 0.5 * length
    centre = at + stalk[:, None] * axis
    normal = _unit_rows(
        np.cross(axis, rng.normal(size=(n, 3))) + ([0, 0, 0.8] - 0.8 * axis * axis[:, 2:])
    )
    return Leaves(centre, normal, axis, length, width)


def _unit_rows(v: np.ndarray) -> np.ndarray:
    return v / np.linalg.norm(v, axis=1, keepdims=True)


def _across(along: np.ndarray, azimuth_rad: np.ndarray) -> np.ndarray:
    """Unit vectors square to ``along`` (n, 3), turned by ``azimuth_rad`` (n,)."""
    helper = np.where(np.abs(along[:, :1]) < 0.8, [[1.0, 0, 0]], [[0, 1.0, 0]])
    a = _unit_rows(np.cross(along, helper))
    b = np.cross(along, a)
    return np.cos(azimuth_rad)[:, None] * a + np.sin(azimuth_rad)[:, None] * b
