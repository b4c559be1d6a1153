"""Which limb hangs on which: exact solids that touch, cross, bend and are thinly seen."""

import numpy as np
import pytest

from tests.skeleton.test_extract import flat_ground, one_tree, skeleton, skin
from treescan.mensuration.measure import measure_tree
from treescan.mensuration.volume import edge_volume_m3
from treescan.pointcloud.cloud import StemSeed, TreePoints
from treescan.skeleton.extract import extract_skeleton


def bend(bend_radius_m, radius_m, turn_deg, count, seed=3):
    """Points on part of a torus that leaves the end of a stem of 3 m upward and bends east."""
    rng = np.random.default_rng(seed)
    along = rng.uniform(0, np.radians(turn_deg), count)
    around = rng.uniform(0, 2 * np.pi, count)
    far = bend_radius_m - radius_m * np.cos(around)
    x = bend_radius_m - far * np.cos(along)
    return np.column_stack([x, radius_m * np.sin(around), 3.0 + far * np.sin(along)])


def test_a_bend_keeps_its_length_radius_and_volume():
    stem, arch = skin([0, 0, 0], [0, 0, 3], 0.15, 0.15), bend(2.0, 0.15, 80.0, 40_000)
    graph = skeleton(np.concatenate([stem, arch]))
    length = 3.0 + 2.0 * np.radians(80.0)
    assert len(np.unique(graph.limb)) == 1
    assert graph.edge_length_m.sum() == pytest.approx(length, rel=0.03)
    assert edge_volume_m3(graph).sum() == pytest.approx(np.pi * 0.15**2 * length, rel=0.03)


def test_limbs_that_touch_in_passing_both_hang_on_the_stem():
    stem = skin([0, 0, 0], [0, 0, 7], 0.2, 0.12)
    low = skin([0.15, 0, 3.0], [3.2, 0, 4.6], 0.07, 0.03, seed=2)
    high = skin([0.15, 0, 4.6], [3.2, 0.1, 3.0], 0.07, 0.03, seed=4)
    graph = skeleton(np.concatenate([stem, low, high]))
    rows = [u for u in measure_tree(graph, flat_ground()).unions if u.branch_diameter_m > 0.06]
    on_stem = [u for u in rows if graph.limb[graph.parent[u.node]] == 0]
    assert len(on_stem) == 2
    assert sorted(u.height_m for u in on_stem) == pytest.approx([3.0, 4.6], abs=0.3)


def test_the_foot_of_a_stem_seen_thinly_on_a_slope_keeps_its_axis():
    stem = skin([0, 0, 0], [0, 0, 6], 0.45, 0.35, step=0.035)
    turn = np.arctan2(stem[:, 1], stem[:, 0])
    cut_by_slope = stem[:, 2] > 0.25 + 0.25 * np.cos(turn)
    behind_something = (np.abs(turn) < 0.4) & (stem[:, 2] < 2.0)
    points = stem[cut_by_slope & ~behind_something].astype(np.float32)
    seed = StemSeed(0.0, 0.0, 0.0, 0.87, len(points), 6.0, (0.0, 0.0))
    tree = TreePoints(points, np.zeros(3), (seed,), np.arange(len(points)))
    graph = extract_skeleton(tree, flat_ground(), origin_m=np.zeros(3))
    main = np.flatnonzero((graph.limb == 0) & (graph.position_m[:, 2] < 2.0))
    assert np.hypot(*graph.position_m[main, :2].T).max() < 0.06
    assert graph.radius_m[main] == pytest.approx(0.45 - 0.1 / 6 * graph.position_m[main, 2], 0.08)


def test_a_limb_that_hangs_below_breast_height_and_rises_again_is_no_stem():
    stem = skin([0, 0, 0], [0, 0, 7], 0.15, 0.06)
    out = skin([0.1, 0, 2.6], [2.0, 0, 0.9], 0.06, 0.05, seed=2)
    up = skin([2.0, 0, 0.9], [2.6, 0, 2.6], 0.05, 0.045, seed=5)
    points = np.concatenate([stem, out, up])
    measures = measure_tree(skeleton(points), flat_ground(), tree=one_tree(points))
    assert measures.stems == 1
    assert measures.dbh_m == pytest.approx(2 * (0.15 - 0.09 / 7 * 1.3), abs=0.008)
