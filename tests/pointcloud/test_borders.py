"""Limbs of two trees that cross and touch go each to the tree they grow on."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from treescan.pointcloud.borders import CROSSED_M, Forest, _adrift, settled
from treescan.pointcloud.cloud import StemSeed
from treescan.pointcloud.growth import cell_graph, grow_along_wood, path_cost
from treescan.pointcloud.isolate import _grown, _settled

CELL_M = 0.05
TWIG_DEG = 50.0


def stick(start, end, step=0.02):
    start, end = np.asarray(start, float), np.asarray(end, float)
    count = int(np.linalg.norm(end - start) / step) + 1
    return start + np.linspace(0, 1, count)[:, None] * (end - start)


def limb(start, end, rng, twigs, twig_m=0.6):
    """A straight limb with twigs that leave it at 50 degrees, forward, all the way along."""
    start, end = np.asarray(start, float), np.asarray(end, float)
    along = (end - start) / np.linalg.norm(end - start)
    parts = [stick(start, end)]
    for share in np.linspace(0.15, 0.97, twigs):
        side = np.cross(along, rng.normal(size=3))
        side /= np.linalg.norm(side)
        out = np.cos(np.radians(TWIG_DEG)) * along + np.sin(np.radians(TWIG_DEG)) * side
        at = start + share * (end - start)
        parts.append(stick(at, at + twig_m * out))
    return np.concatenate(parts)


def crossing(lean_m, seed):
    """Two stems 8 m apart; the limb of the right one reaches far past where it meets the left's.

    Returns points and which tree each is of.
    """
    rng = np.random.default_rng(seed)
    meet = np.array([1.5, 0.0, 6.0])
    parts = []
    for foot, fork_m, beyond, twigs in (((0, lean_m), 4.5, 1.0, 14), ((8, 0), 3.0, 0.6, 40)):
        fork = np.array([*foot, fork_m])
        end = meet + beyond * (meet - fork)
        parts.append([stick((*foot, 0), fork), limb(fork, end, rng, twigs)])
    sides = [np.concatenate(part) for part in parts]
    return np.concatenate(sides), np.repeat([0, 1], [len(side) for side in sides])


def grown(xyz, feet):
    graph = cell_graph(xyz.astype(np.float32), CELL_M, reach_m=0.3)
    cost = path_cost(graph.length_m, graph.cell_m)
    sources = np.array(
        [np.argmin(np.linalg.norm(graph.centre_m - foot, axis=1)) for foot in np.array(feet)]
    )
    keep = np.ones(len(graph.centre_m), dtype=bool)
    reached, nearest, before = grow_along_wood(graph, cost, keep, sources)
    return graph, cost, Forest(reached, before), nearest == sources[0]


def test_limbs_that_cross_anothers_go_to_their_own_tree():
    """Not every one: where a limb bears little, what the border costs outweighs its branching."""
    before, after = [], []
    for seed in range(4):
        for lean_m in (-1.5, 0.7, 1.5):
            xyz, tree = crossing(lean_m, seed)
            graph, cost, forest, left = grown(xyz, [(0, lean_m, 1), (8, 0, 1)])
            truth = np.bincount(graph.cell_of_point, tree) < 0.5 * np.bincount(graph.cell_of_point)
            taker = settled(graph, cost, forest, left, ~left, 4.0)
            before.append((left != truth).mean())
            after.append((left[taker] != truth).mean())
    assert np.min(before) > 0.1  # the nearer stem took what is not its own
    assert np.mean(after) < np.mean(before) / 3.0
    assert np.median(after) < 0.05
    assert (np.array(after) <= np.array(before)).all()


def test_trees_that_do_not_touch_stay_as_they_are():
    xyz, tree = crossing(0.7, 0)
    xyz[tree == 1] += [20.0, 0.0, 0.0]
    graph, cost, forest, left = grown(xyz, [(0, 0.7, 1), (28, 0, 1)])
    assert (settled(graph, cost, forest, left, ~left, 4.0) == np.arange(len(left))).all()


def test_cells_of_neither_side_are_left_alone():
    xyz, _ = crossing(0.7, 1)
    graph, cost, forest, left = grown(xyz, [(0, 0.7, 1), (8, 0, 1)])
    neither = graph.centre_m[:, 2] > 7.0
    taker = settled(graph, cost, forest, left & ~neither, ~left & ~neither, 4.0)
    assert (taker[neither] == np.flatnonzero(neither)).all()


@given(st.integers(1, 60), st.integers(1, 60), st.integers(1, 60), st.integers(1, 60))
def test_the_outer_part_of_a_limb_goes_with_its_base(first, hidden, island, last):
    """Cells in a row between two stems; each has a stretch that is interrupted by the other's.

    What is hidden by less than a metre of the other's wood may go on behind it.
    """
    count = first + hidden + island + last
    at = np.arange(count)
    row = np.column_stack((at, np.zeros((count, 2)))) * CELL_M
    graph = cell_graph(row.astype(np.float32), 0.5 * CELL_M, reach_m=1.5 * CELL_M)
    side = np.repeat([True, False, True, False], [first, hidden, island, last])
    ways = [at - 1, np.where(at + 1 < count, at + 1, -1)]
    ends = np.isin(at, (0, count - 1))
    adrift = _adrift(graph, side, np.ones(count, dtype=bool), ends, ways)
    between = np.repeat([0, 1, 2, 3], [first, hidden, island, last])
    limit = round(CROSSED_M / CELL_M) - 1  # from the last own cell to the next
    assume(limit not in (hidden, island))
    for part, gap in ((0, 0), (1, island), (2, hidden), (3, 0)):
        assert (adrift[between == part] == (gap > limit)).all()


def stood_beside(seed):
    """A shrub on the ground into which the tip of a limb hangs, and which is which."""
    rng = np.random.default_rng(seed)
    tree = [stick((0, 0, 0), (0, 0, 4.0)), limb((0, 0, 3.5), (3.2, 0.0, 1.2), rng, 6)]
    dome = rng.normal(size=(4000, 3))
    dome *= rng.uniform(0.5, 1.0, (4000, 1)) ** (1 / 3) / np.linalg.norm(dome, axis=1)[:, None]
    shrub = np.abs(dome) * [0, 0, 1.4] + dome * [1.0, 1.0, 0] + [3.6, 0, 0]
    sides = [np.concatenate(tree), shrub]
    return np.concatenate(sides), np.repeat([0, 1], [len(side) for side in sides])


@pytest.mark.parametrize("seed", range(3))
def test_a_shrub_that_a_limb_hangs_into_is_not_the_trees(seed):
    xyz, thing = stood_beside(seed)
    graph = cell_graph(xyz.astype(np.float32), CELL_M, reach_m=0.3)
    above = graph.centre_m[:, 2].astype(np.float64)
    stem = StemSeed(0.0, 0.0, 0.0, 0.1, 100, 4.0)
    growth, trees, _ = _grown(graph, xyz[:, 2], (stem,))
    after, _ = _settled(growth, trees[0], (stem,))
    shrub = np.bincount(graph.cell_of_point, thing) > 0.5 * np.bincount(graph.cell_of_point)
    tree = (after.stem == 0) & ~after.foreign
    assert (tree & shrub).sum() < 0.01 * tree.sum()
    clear = ~shrub & (above > 0.3) & (graph.centre_m[:, 0] < 2.5)
    assert tree[clear].all()
