"""Leaves told from wood along the limbs."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.skeleton.test_extract import forked_tree, skeleton, skin
from treescan.skeleton.graph import MODELLED
from treescan.skeleton.leafy import best_cut, leafy_nodes, prior_odds
from treescan.skeleton.limbs import LimbAxes

ODDS = st.floats(-5, 5, allow_nan=False).map(lambda value: round(value, 3) + 0.0001)


@st.composite
def small_trees(draw):
    """Odds of the nodes, first node of each limb, and the node that each limb hangs on."""
    sizes = draw(st.lists(st.integers(2, 4), min_size=1, max_size=3))
    first = np.concatenate([[0], np.cumsum(sizes)])
    joint = [-1] + [draw(st.integers(0, int(first[k]) - 1)) for k in range(1, len(sizes))]
    odds = draw(st.lists(ODDS, min_size=int(first[-1]), max_size=int(first[-1])))
    return np.array(odds), first.astype(np.int64), np.array(joint, dtype=np.int64)


def up_and_say(odds, first, joint):
    up = np.arange(len(odds)) - 1
    up[first[:-1]] = joint
    say = odds.copy()
    say[first[1:-1]] = 0.0
    return up, say


@given(small_trees())
def test_the_cut_is_the_best_of_all_that_leave_only_leaves_beyond_leaves(tree):
    up, say = up_and_say(*tree)
    found = best_cut(*tree)
    best = 0.0
    for choice in product([False, True], repeat=len(say)):
        leaf = np.array(choice)
        if all(leaf[i] or up[i] < 0 or not leaf[up[i]] for i in range(len(leaf))):
            best = max(best, float(say[leaf].sum()))
    assert all(found[i] or up[i] < 0 or not found[up[i]] for i in range(len(found)))
    assert say[found].sum() == pytest.approx(best, abs=1e-9)


@given(st.integers(0, 30))
def test_a_few_doubtful_nodes_of_a_bare_tree_are_not_thought_leaves(few):
    odds = np.concatenate([np.full(970, -6.0), np.full(few, 1.0)])
    assert prior_odds(odds) + 1.0 < 0
    assert prior_odds(np.concatenate([odds, np.full(3000, 4.0)])) == pytest.approx(0.0, abs=1e-9)


def leaves(start, end, number, seed):
    """Points on discs of 8 cm strewn a hand's breadth about a line: a shoot in leaf."""
    rng = np.random.default_rng(seed)
    start, end = np.asarray(start, float), np.asarray(end, float)
    centre = start + rng.uniform(0, 1, (number, 1)) * (end - start)
    centre += rng.normal(0, 0.09, (number, 3))
    basis = np.linalg.qr(rng.normal(size=(number, 3, 2)))[0]
    spot = rng.uniform(-0.04, 0.04, (number, 40, 2))
    return (centre[:, None] + np.einsum("nij,nkj->nki", basis, spot)).reshape(-1, 3)


def tree_in_leaf():
    """A stem with three limbs whose outer metre is hidden by leaves."""
    parts = [skin([0, 0, 0], [0, 0, 8], 0.15, 0.03)]
    for k, turn in enumerate((0.3, 2.4, 4.5)):
        out = np.array([np.cos(turn), np.sin(turn), 0.5])
        base = np.array([0, 0, 3.0 + k])
        limb = skin(base, base + 1.2 * out, 0.04, 0.025, seed=k + 2)
        parts.append(limb[np.hypot(limb[:, 0], limb[:, 1]) > 0.12])
        parts.append(leaves(base + 1.3 * out, base + 2.3 * out, 150, k + 20))
    return np.concatenate(parts)


def test_wood_hidden_by_leaves_is_said_and_not_read_off_them():
    graph = skeleton(tree_in_leaf())
    out = np.hypot(graph.position_m[:, 0], graph.position_m[:, 1])
    beyond, wood = out > 1.7, (out > 0.4) & (out < 1.0)
    assert beyond.any()
    assert (graph.radius_m[beyond] < 0.015).all()
    assert (graph.source[beyond] == MODELLED).all()
    assert graph.radius_m[wood] == pytest.approx(0.034, abs=0.006)
    assert any("run through leaves" in note for note in graph.notes)


def test_nothing_of_a_bare_tree_is_taken_for_leaves():
    assert not any("leaves" in note for note in skeleton(forked_tree()).notes)


def test_a_cut_stub_in_the_crown_of_a_tree_in_leaf_stays_wood():
    out = np.array([np.cos(5.6), np.sin(5.6), 0.4])
    base = np.array([0.0, 0.0, 6.5])
    stub = skin(base, base + 1.2 * out, 0.05, 0.05, seed=9)
    points = np.concatenate([tree_in_leaf(), stub[np.hypot(stub[:, 0], stub[:, 1]) > 0.12]])
    graph = skeleton(points)
    far = np.linalg.norm(np.cross(graph.position_m - base, out), axis=1) / np.linalg.norm(out)
    aside = np.hypot(graph.position_m[:, 0], graph.position_m[:, 1])
    on_stub = (far < 0.06) & (aside > 0.4) & (aside < 1.1)
    assert on_stub.any()
    assert graph.radius_m[on_stub] == pytest.approx(0.05, abs=0.006)


def test_the_foot_of_a_stem_is_wood_whatever_lies_about_it():
    rise = np.array([0.0, 0.0, 0.12])
    axes = LimbAxes(
        np.arange(12)[:, None] * rise, np.array([0, 12]), np.array([-1]), np.array([-1]),
        np.zeros(12, dtype=bool),
    )  # fmt: skip
    node, skin_m = np.repeat(np.arange(12), 50), np.full(600, 0.06)
    assert not leafy_nodes(axes, np.linspace(1.4, 0.0, 12), node, skin_m).any()
