"""The score is nought for the truth itself and moves as it should for known mistakes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.scenes.compare import compare, seen_edges
from tests.scenes.grow import grow
from tests.scenes.truth import tree_truth
from treescan.skeleton.graph import TreeGraph

TREE = grow("leaning", 2)
TRUTH = tree_truth(TREE, np.array([2.0, 3.0, 1.0]))
GRAPH = TRUTH.graph


def kept(graph: TreeGraph, mask: np.ndarray) -> TreeGraph:
    """The graph without the nodes outside ``mask``."""
    new = np.cumsum(mask) - 1
    parent = np.where(graph.parent[mask] >= 0, new[graph.parent[mask]], -1).astype(np.int32)
    names = (
        "position_m",
        "radius_m",
        "radius_sd_m",
        "limb",
        "order",
        "support",
        "source",
        "bridged",
    )
    return replace(graph, parent=parent, **{n: getattr(graph, n)[mask] for n in names})


def test_the_truth_scores_full_marks():
    score = compare(GRAPH, TRUTH)
    for name in ("volume_over_7cm_bias", "dbh_error_m", "height_error_m", "invented_share"):
        assert score[name] == pytest.approx(0.0, abs=1e-9)
    assert score["doubled_share"] == 0.0
    for size in ("over 15 cm", "7-15 cm", "3-7 cm"):
        assert score[f"recall {size}"] == 1.0
        assert score[f"radius_rmse {size}"] == pytest.approx(0.0, abs=1e-6)


def test_radii_too_large_show_as_volume_and_radius_errors():
    wide = replace(GRAPH, radius_m=1.05 * GRAPH.radius_m)
    score = compare(wide, TRUTH)
    assert score["volume_bias"] == pytest.approx(1.05**2 - 1, abs=0.01)
    assert score["dbh_error_m"] == pytest.approx(0.05 * TRUTH.dbh_m, rel=0.01)
    assert score["radius_rmse 7-15 cm"] == pytest.approx(0.05, abs=0.005)
    assert score["recall 3-7 cm"] > 0.99


def test_a_lost_limb_is_lost_length():
    row = next(r for r in TRUTH.limbs if r["order"] == 1)
    mask = np.ones(len(GRAPH), dtype=bool)
    mask[GRAPH.subtree(row["base_node"])] = False
    score = compare(kept(GRAPH, mask), TRUTH)
    assert score["recall 3-7 cm"] < 0.99
    assert score["volume_bias"] == pytest.approx(-row["volume_m3"] / TRUTH.volume_m3, abs=1e-3)
    assert score["invented_share"] == pytest.approx(0.0, abs=1e-9)


def _with_limb(offset_m: np.ndarray, direction: np.ndarray, metres: float) -> TreeGraph:
    """The truth with a straight limb of 6 cm added beside a node high on the stem."""
    stem = np.flatnonzero(GRAPH.limb == 0)
    root = int(stem[len(stem) // 3])
    n, first = int(metres / 0.15), len(GRAPH)
    at = GRAPH.position_m[root] + offset_m + 0.15 * np.arange(1, n + 1)[:, None] * direction
    limb = int(GRAPH.limb.max()) + 1

    def more(name: str, value: float) -> np.ndarray:
        old = getattr(GRAPH, name)
        return np.concatenate([old, np.full(n, value, dtype=old.dtype)])

    return replace(
        GRAPH,
        position_m=np.concatenate([GRAPH.position_m, at]),
        radius_m=more("radius_m", 0.03),
        radius_sd_m=more("radius_sd_m", 1e-3),
        parent=np.concatenate([GRAPH.parent, [root, *range(first, first + n - 1)]]).astype(
            np.int32
        ),
        limb=more("limb", limb),
        order=more("order", 1),
        support=more("support", 1.0),
        source=more("source", 0),
        bridged=more("bridged", False),
    )


def test_a_made_up_limb_is_invented_length():
    away = np.array([0.0, 0.0, -0.2])
    flat = np.array([np.sin(4.0), np.cos(4.0), -0.25])
    score = compare(_with_limb(away, flat / np.linalg.norm(flat), 3.0), TRUTH)
    long = sum(v for k, v in TRUTH.length_by_class_m.items() if k != "under 3 cm")
    assert score["invented_share"] == pytest.approx(3.0 / (long + 3.0), rel=0.35)
    assert score["recall 7-15 cm"] == 1.0


def test_a_stem_found_twice_is_doubled_length():
    """A graph whose every limb is there twice covers true length twice."""
    n = len(GRAPH)
    pair = replace(
        GRAPH,
        position_m=np.concatenate([GRAPH.position_m, GRAPH.position_m + np.array([0.01, 0, 0.01])]),
        parent=np.concatenate([GRAPH.parent, [0, *(GRAPH.parent[1:] + n)]]).astype(np.int32),
        limb=np.concatenate([GRAPH.limb, GRAPH.limb + GRAPH.limb.max() + 1]),
        **{
            k: np.concatenate([getattr(GRAPH, k)] * 2)
            for k in ("radius_m", "radius_sd_m", "order", "support", "source", "bridged")
        },
    )
    score = compare(pair, TRUTH)
    assert score["doubled_share"] > 0.1
    assert score["invented_share"] < 0.01


def test_a_tree_moved_by_half_a_metre_is_not_found():
    score = compare(replace(GRAPH, position_m=GRAPH.position_m + np.array([0.5, 0.5, 0])), TRUTH)
    assert score["recall 3-7 cm"] < 0.2
    assert score["invented_share"] > 0.7


def test_an_honest_spread_holds_the_truth_and_a_boast_does_not():
    rng = np.random.default_rng(0)
    sd = 0.08 * GRAPH.radius_m
    off = np.clip(GRAPH.radius_m + sd * rng.normal(size=len(GRAPH)), 1e-3, None)
    honest = compare(replace(GRAPH, radius_m=off, radius_sd_m=sd), TRUTH)
    boast = compare(replace(GRAPH, radius_m=off, radius_sd_m=sd / 5), TRUTH)
    assert 0.9 < honest["within_2sd"] < 0.995
    assert boast["within_2sd"] < 0.6


def test_what_was_not_seen_is_left_out_of_the_seen_scores():
    low = GRAPH.position_m[:, 2] < 6.0
    node = np.repeat(np.flatnonzero(low), 5)
    seen = seen_edges(node, TRUTH)
    assert seen[low].all()
    assert not seen[~low].any()
    order = np.zeros(len(GRAPH), dtype=bool)
    order[0] = True
    for i in range(1, len(GRAPH)):
        order[i] = low[i] and order[GRAPH.parent[i]]
    score = compare(kept(GRAPH, order), TRUTH, seen=seen)
    assert score["recall 3-7 cm"] < 0.9
    assert score["recall over 15 cm seen"] == pytest.approx(1.0, abs=0.02)
    assert score["volume_over_7cm_bias_seen"] == pytest.approx(0.0, abs=0.08)
