"""Hold a reconstructed tree graph against the truth of its scene."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from tests.scenes.truth import (
    BREAST_M,
    CLASSES_M,
    TreeTruth,
    edge_diameter_m,
    edge_volume_m3,
)
from treescan.mensuration.measures import TreeMeasures
from treescan.skeleton.graph import TreeGraph

STEP_M = 0.04
NEAR_M = 0.05
"""Axes nearer than this plus half the true radius are the same limb."""
LEAST_COSINE = 0.7
LARGEST_RATIO = 3.0
"""A limb whose radius is further off is not the same limb."""
REAL_RATIO = 5.0
"""For invented length: a limb is there, be its radius as wrong as this."""


@dataclass(frozen=True)
class Samples:
    """Points along the edges of a graph, each standing for ``length_m`` of limb."""

    position_m: np.ndarray
    direction: np.ndarray
    radius_m: np.ndarray
    sd_m: np.ndarray
    length_m: np.ndarray
    edge: np.ndarray


def samples(graph: TreeGraph) -> Samples:
    """Sample every edge outside its parent's wood about every ``STEP_M``."""
    edges = np.flatnonzero((graph.parent >= 0) & (graph.edge_length_m > 1e-6))
    count = np.ceil(graph.edge_length_m[edges] / STEP_M).astype(int)
    edge = np.repeat(edges, count)
    rank = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    share = (rank + 0.5) / np.repeat(count, count)
    start, step = graph.edge_start_m[edge], graph.position_m[edge] - graph.edge_start_m[edge]
    length = graph.edge_length_m[edge]
    a, b = graph.edge_start_radius_m[edge], graph.radius_m[edge]
    return Samples(
        start + share[:, None] * step,
        step / length[:, None],
        a + share * (b - a),
        graph.radius_sd_m[edge],
        length / np.repeat(count, count),
        edge,
    )


def partners(
    a: Samples, b: Samples, near_m: np.ndarray, largest_ratio: float = LARGEST_RATIO
) -> np.ndarray:
    """For each sample of ``a`` the nearest of ``b`` on the same limb, or -1.  Shape (n,).

    Same limb: axes within ``near_m`` (n,), directions within 45 degrees, radii within a
    factor of ``largest_ratio``.
    """
    found = np.full(len(a.radius_m), -1)
    if not len(b.radius_m) or not len(a.radius_m):
        return found
    k = min(12, len(b.radius_m))
    distance, index = cKDTree(b.position_m).query(
        a.position_m, k=k, distance_upper_bound=float(near_m.max())
    )
    distance, index = distance.reshape(-1, k), index.reshape(-1, k)
    known = index < len(b.radius_m)
    safe = np.where(known, index, 0)
    cosine = np.abs(np.einsum("ij,ikj->ik", a.direction, b.direction[safe]))
    ratio = b.radius_m[safe] / a.radius_m[:, None]
    fits = known & (distance <= near_m[:, None]) & (cosine > LEAST_COSINE)
    fits &= (ratio < largest_ratio) & (ratio > 1 / largest_ratio)
    first = fits.argmax(axis=1)
    any_fit = fits.any(axis=1)
    found[any_fit] = safe[np.arange(len(found)), first][any_fit]
    return found


def compare(
    graph: TreeGraph,
    truth: TreeTruth,
    measures: TreeMeasures | None = None,
    seen: np.ndarray | None = None,
    blur_m: float = 0.0,
) -> dict[str, float]:
    """Score a graph against the truth; both in the scene's local frame.

    Parameters
    ----------
    measures : TreeMeasures, optional
        Gives height and DBH where there; otherwise both come from the graph.
    seen : ndarray, shape (n of truth.graph,), bool, optional
        Truth edges that the scan hit at all (:func:`seen_edges`): adds ``..._seen`` scores.
    blur_m : float
        Added to the distance at which axes count as the same (sway and co-registration).

    Returns
    -------
    dict
        ``volume_over_7cm_bias`` (share), ``volume_bias``, ``dbh_error_m``, ``height_error_m``,
        and by class ``recall ...``, ``radius_rmse ...`` (relative), ``radius_bias ...``;
        ``invented_share`` and ``doubled_share`` of the length thicker than 3 cm,
        ``within_2sd``.
    """
    t, g = samples(truth.graph), samples(graph)
    near_t = NEAR_M + blur_m + 0.5 * t.radius_m
    mate = partners(t, g, near_t)
    score = _totals(graph, truth, measures)
    score |= _by_class(t, g, mate, "")
    over = 2 * g.radius_m >= 0.03
    near_g = NEAR_M + blur_m + 0.5 * np.maximum(g.radius_m, 0.02)
    back = partners(g, t, near_g, REAL_RATIO)
    total = max(g.length_m[over].sum(), 1e-9)
    score["invented_share"] = float(g.length_m[over & (back < 0)].sum() / total)
    score["doubled_share"] = float(_doubled(g, t, truth.graph.limb, back, over) / total)
    if seen is not None:
        shown = seen[t.edge]
        score |= _by_class(t, g, np.where(shown, mate, -2), " seen")
        score["volume_over_7cm_bias_seen"] = _seen_volume_bias(graph, truth, seen)
    return score


def _totals(graph: TreeGraph, truth: TreeTruth, measures: TreeMeasures | None) -> dict[str, float]:
    volume, over = edge_volume_m3(graph), edge_diameter_m(graph) >= 0.07
    base = float(truth.graph.position_m[0, 2]) + truth.uphill_rise_m
    if measures is None:
        height = float((graph.position_m[:, 2]).max()) - base
        dbh = _dbh_m(graph, base + BREAST_M)
    else:
        height, dbh = measures.height_m, measures.dbh_m
    return {
        "volume_over_7cm_bias": float(volume[over].sum() / truth.volume_over_7cm_m3 - 1),
        "volume_bias": float(volume.sum() / truth.volume_m3 - 1),
        "dbh_error_m": dbh - truth.dbh_m,
        "height_error_m": height - truth.height_m,
        "true_volume_over_7cm_m3": truth.volume_over_7cm_m3,
    }


def _dbh_m(graph: TreeGraph, level_m: float) -> float:
    """Root of the sum of squared diameters of the thick limbs that cross ``level_m``."""
    low, top = graph.edge_start_m[:, 2], graph.position_m[:, 2]
    cross = (low <= level_m) & (top > level_m) & (graph.parent >= 0)
    if not cross.any():
        return 0.0
    share = (level_m - low[cross]) / (top[cross] - low[cross])
    r = graph.edge_start_radius_m[cross] * (1 - share) + graph.radius_m[cross] * share
    return float(2 * np.sqrt(np.square(r[r > 0.3 * r.max()]).sum()))


def _by_class(t: Samples, g: Samples, mate: np.ndarray, suffix: str) -> dict[str, float]:
    """Recall and radius errors by class of true diameter; mate -2 leaves a sample out."""
    score = {}
    wide = 0.0
    held = 0.0
    for name, (low, high) in CLASSES_M.items():
        own = (2 * t.radius_m >= low) & (2 * t.radius_m < high) & (mate > -2)
        hit = own & (mate >= 0)
        length = t.length_m[own].sum()
        score[f"recall {name}{suffix}"] = (
            float(t.length_m[hit].sum() / length) if length > 0 else np.nan
        )
        if hit.any():
            w = t.length_m[hit]
            off = g.radius_m[mate[hit]] / t.radius_m[hit] - 1
            score[f"radius_rmse {name}{suffix}"] = float(np.sqrt((w * off**2).sum() / w.sum()))
            score[f"radius_bias {name}{suffix}"] = float((w * off).sum() / w.sum())
            inside = np.abs(off * t.radius_m[hit]) <= 2 * g.sd_m[mate[hit]]
            wide += float(w.sum())
            held += float(w[inside].sum())
            score[f"within_2sd {name}{suffix}"] = float(w[inside].sum() / w.sum())
        else:
            for kind in ("radius_rmse", "radius_bias", "within_2sd"):
                score[f"{kind} {name}{suffix}"] = np.nan
    score[f"within_2sd{suffix}"] = held / wide if wide > 0 else np.nan
    return score


def _doubled(g: Samples, t: Samples, limb: np.ndarray, back: np.ndarray, over: np.ndarray) -> float:
    """Length that covers true limbs beyond their own length, 15 % and 0.2 m let pass. [m]"""
    hit = over & (back >= 0)
    own = limb[t.edge]
    real = np.bincount(own, t.length_m)
    claimed = np.bincount(own[back[hit]], g.length_m[hit], minlength=len(real))
    return float(np.maximum(claimed - 1.15 * real - 0.2, 0.0).sum())


def seen_edges(node: np.ndarray, truth: TreeTruth, least: int = 3) -> np.ndarray:
    """Truth edges hit by at least ``least`` points, shape (n of truth.graph,).

    ``node`` is :attr:`tests.scenes.scene.Scene.node`.
    """
    count = np.bincount(node[node >= 0], minlength=len(truth.graph))
    return count >= least


def _seen_volume_bias(graph: TreeGraph, truth: TreeTruth, seen: np.ndarray) -> float:
    """Bias of the volume over 7 cm where the scan hit the tree.

    A reconstructed edge counts unless the true edge nearest to it was not hit.
    """
    middle = truth.graph.position_m
    _, nearest = cKDTree(middle).query(0.5 * (graph.position_m + graph.edge_start_m))
    mine = seen[nearest] & (edge_diameter_m(graph) >= 0.07)
    true = seen & (edge_diameter_m(truth.graph) >= 0.07)
    return float(
        edge_volume_m3(graph)[mine].sum() / max(edge_volume_m3(truth.graph)[true].sum(), 1e-9) - 1
    )
