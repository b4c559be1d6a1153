"""The skeleton of exact solids, scanned without an instrument's faults."""

import numpy as np
import pytest

from treescan.errors import ScanError
from treescan.mensuration.breast_height import breast_height
from treescan.mensuration.measure import measure_tree
from treescan.mensuration.volume import edge_volume_m3
from treescan.pointcloud.cloud import Ground, TreePoints
from treescan.skeleton.extract import extract_skeleton
from treescan.skeleton.graph import TreeGraph


def flat_ground() -> Ground:
    return Ground(-20.0, -20.0, 40.0, np.zeros((2, 2)), np.ones((2, 2), dtype=bool))


def skin(start, end, r0, r1, step=0.008, seed=1):
    """Points on a cone frustum at about ``step`` spacing, and their distance along it."""
    rng = np.random.default_rng(seed)
    start, end = np.asarray(start, float), np.asarray(end, float)
    length = np.linalg.norm(end - start)
    axis = (end - start) / length
    n = int(np.pi * (r0 + r1) * length / step**2)
    t, turn = rng.uniform(0, 1, n), rng.uniform(0, 2 * np.pi, n)
    u = np.cross(axis, [0.3, 0.5, 0.8])
    u /= np.linalg.norm(u)
    v = np.cross(axis, u)
    r = r0 + (r1 - r0) * t
    ring = np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v
    return start + t[:, None] * (end - start) + r[:, None] * ring


def one_tree(points) -> TreePoints:
    points = np.asarray(points, dtype=np.float32)
    return TreePoints(points, np.zeros(3), (), np.arange(len(points)))


def skeleton(points):
    return extract_skeleton(one_tree(points), flat_ground(), origin_m=np.zeros(3))


def test_cone_keeps_its_volume_and_diameters():
    points = skin([0, 0, 0], [0, 0, 10], 0.25, 0.05)
    graph = skeleton(points)
    exact = np.pi / 3 * 10 * (0.25**2 + 0.25 * 0.05 + 0.05**2)
    assert edge_volume_m3(graph).sum() == pytest.approx(exact, rel=0.02)
    measures = measure_tree(graph, flat_ground(), tree=one_tree(points))
    assert measures.dbh_m == pytest.approx(2 * (0.25 - 0.02 * 1.3), abs=0.005)
    assert measures.height_m == pytest.approx(10.0, abs=0.05)
    assert measures.lean_deg < 0.5


def test_limb_leaves_the_stem_where_it_does():
    stem = skin([0, 0, 0], [0, 0, 8], 0.2, 0.06)
    limb = skin([0, 0, 4], [3, 0, 6], 0.08, 0.03, seed=2)
    limb = limb[np.hypot(limb[:, 0], limb[:, 1]) > 0.2 - 0.0175 * limb[:, 2]]
    graph = skeleton(np.concatenate([stem, limb]))
    rows = measure_tree(graph, flat_ground()).unions
    assert len(rows) == 1
    assert rows[0].height_m == pytest.approx(4.0, abs=0.3)
    assert rows[0].branch_diameter_m == pytest.approx(0.16, abs=0.02)
    assert rows[0].angle_deg == pytest.approx(np.degrees(np.arctan2(3, 2)), abs=5)


def test_too_few_points_are_refused():
    with pytest.raises(ScanError, match=r"has 50 points; at least 200.*Scan closer"):
        skeleton(skin([0, 0, 0], [0, 0, 2], 0.1, 0.1)[:50])


def test_breast_height_not_seen_is_said_and_no_flare_diameter_given():
    graph = skeleton(skin([0, 0, 0], [0, 0, 1.1], 0.3, 0.2))
    with pytest.raises(ScanError, match=r"breast height \(1.30 m\) was not seen.*ends 1\.\d"):
        measure_tree(graph, flat_ground())


def forked_tree(seed=3):
    """Stem with a flared foot, two limbs and a leader."""
    stem = skin([0, 0, 0], [0, 0, 8], 0.2, 0.06, seed=seed)
    limb = skin([0, 0, 4], [3, 0, 6], 0.08, 0.03, seed=seed + 1)
    other = skin([0, 0, 5], [-1, 2, 7], 0.06, 0.02, seed=seed + 2)
    side = np.concatenate([limb, other])
    side = side[np.hypot(side[:, 0], side[:, 1]) > 0.2 - 0.0175 * side[:, 2]]
    return np.concatenate([stem, side])


def volume_of(points, base=(0.0, 0.0, 0.0)):
    points = np.asarray(points, dtype=np.float32)
    base = np.asarray(base, dtype=float)
    tree = TreePoints(points, base, (), np.arange(len(points)))
    level = np.full((2, 2), base[2])
    ground = Ground(base[0] - 20, base[1] - 20, 40.0, level, np.ones((2, 2), dtype=bool))
    return float(edge_volume_m3(extract_skeleton(tree, ground, origin_m=np.zeros(3))).sum())


def test_order_of_points_rotation_and_shift_change_the_volume_by_less_than_one_percent():
    points = forked_tree()
    volume = volume_of(points)
    mixed = points[np.random.default_rng(5).permutation(len(points))]
    assert volume_of(mixed) == pytest.approx(volume, rel=0.01)
    c, s = np.cos(0.7), np.sin(0.7)
    turned = points @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])
    assert volume_of(turned) == pytest.approx(volume, rel=0.01)
    shift = np.array([3.37, -5.11, 1.23])
    assert volume_of(points + shift, shift) == pytest.approx(volume, rel=0.01)


def test_same_points_give_the_same_graph():
    first, second = skeleton(forked_tree()), skeleton(forked_tree())
    np.testing.assert_array_equal(first.radius_m, second.radius_m)
    np.testing.assert_array_equal(first.position_m, second.position_m)


def test_stations_that_disagree_do_not_swell_the_tree():
    # Four stations, each seeing its own half of the round, a centimetre or two apart: circles
    # through everything read small limbs far too thick.
    points = forked_tree()
    true_volume = volume_of(points)
    rng = np.random.default_rng(8)
    walls = []
    for k in range(4):
        shift = rng.normal(0, 0.012, 3)
        walls.append(points[k::4] + shift + rng.normal(0, 0.002, (len(points[k::4]), 3)))
    assert volume_of(np.concatenate(walls)) == pytest.approx(true_volume, rel=0.12)


def test_points_strewn_about_the_limbs_do_not_swell_them():
    points = forked_tree()
    rng = np.random.default_rng(9)
    strewn = points[rng.choice(len(points), 4000)] + rng.normal(0, 0.12, (4000, 3))
    strewn = strewn[(strewn[:, 2] > 1.5) & (strewn[:, 2] < 7.5)]
    assert volume_of(np.concatenate([points, strewn])) == pytest.approx(volume_of(points), rel=0.08)


def test_a_gap_in_a_limb_is_bridged_and_marked():
    stem = skin([0, 0, 0], [0, 0, 8], 0.2, 0.06)
    limb = skin([0, 0, 4], [3, 0, 6], 0.08, 0.03, seed=2)
    limb = limb[np.hypot(limb[:, 0], limb[:, 1]) > 0.13]
    limb = limb[(limb[:, 0] < 1.2) | (limb[:, 0] > 1.6)]
    graph = skeleton(np.concatenate([stem, limb]))
    crossing = graph.bridged
    assert crossing.any()
    assert (graph.position_m[crossing, 0] > 1.0).all()
    assert (graph.position_m[crossing, 0] < 1.9).all()
    assert graph.position_m[graph.limb > 0, 0].max() > 2.8
    assert any("bridged" in note for note in graph.notes)


def test_a_top_that_was_not_seen_is_said():
    graph = skeleton(skin([0, 0, 0], [0, 0, 5], 0.25, 0.18))
    assert any("top of the tree was not seen" in note for note in graph.notes)


def test_low_fork_counts_as_two_stems():
    left = skin([0, 0, 0.3], [-2.2, 0, 6], 0.12, 0.05)
    right = skin([0, 0, 0.3], [2.2, 0, 6], 0.11, 0.05, seed=4)
    foot = skin([0, 0, 0], [0, 0, 0.35], 0.18, 0.17, seed=5)
    keep = [p[(p[:, 2] > 0.35) & (sign * p[:, 0] > 0)] for p, sign in ((left, -1.0), (right, 1.0))]
    points = np.concatenate([foot, *keep])
    measures = measure_tree(skeleton(points), flat_ground(), tree=one_tree(points))
    assert measures.stems == 2
    share = 1.0 / 5.7
    expected = 2 * np.hypot(0.12 - 0.07 * share, 0.11 - 0.06 * share)
    assert measures.dbh_m == pytest.approx(expected, abs=0.012)
    assert any("forks below breast height" in note for note in measures.notes)


def test_points_too_sparse_for_any_diameter_are_refused():
    points = skin([0, 0, 0], [0, 0, 1.1], 0.25, 0.2)
    sparse = points[np.random.default_rng(1).choice(len(points), 300, replace=False)]
    with pytest.raises(ScanError, match=r"no diameter could be fitted|was not seen"):
        measure_tree(
            skeleton(sparse + np.random.default_rng(2).normal(0, 0.05, (300, 3))), flat_ground()
        )


def test_points_too_far_apart_to_follow_are_refused():
    airborne = np.random.default_rng(0).uniform([-15, -15, 0], [15, 15, 20], (9000, 3))
    with pytest.raises(ScanError, match="lie too far apart"):
        skeleton(airborne)


def test_a_thin_shoot_beyond_the_graph_counts_for_height_and_strays_do_not():
    points = skin([0, 0, 0], [0, 0, 6], 0.2, 0.08)
    graph = skeleton(points)
    z = np.arange(6.0, 8.0, 0.05)
    shoot = np.column_stack([np.full((len(z), 2), 0.02), z])
    strays = np.array([[0.0, 0.0, 9.6], [0.0, 4.0, 3.0], [0.1, 0.0, 10.4]])
    tree = one_tree(np.concatenate([points, shoot, strays]))
    measures = measure_tree(graph, flat_ground(), tree=tree)
    assert measures.height_m == pytest.approx(7.95, abs=0.06)  # one point in 10 cm is looked at
    assert measures.crown_spread_m < 0.6


def test_members_that_share_one_skin_just_above_their_fork_count_once():
    # The fork lies 5 cm below breast height: no two stems of 30 cm stand 6 cm apart.
    def chain(limb, foot, top, radius, first):
        z = np.linspace(foot[2], top[2], 9)
        path = np.linspace(foot, top, 9)
        return path[first:], np.full(9 - first, radius), np.full(9 - first, limb), z

    stem, r0, l0, _ = chain(0, [0.0, 0, 0], [0.0, 0, 3.0], 0.15, 0)
    side, r1, l1, _ = chain(1, [0.0, 0, 1.2], [0.9, 0, 3.0], 0.14, 1)
    n, k = len(stem), len(side)
    parent = np.concatenate([np.arange(-1, n - 1), [3], np.arange(n, n + k - 1)])
    graph = TreeGraph(
        position_m=np.concatenate([stem, side]),
        radius_m=np.concatenate([r0, r1]),
        radius_sd_m=np.full(n + k, 0.003),
        parent=parent.astype(np.int32),
        limb=np.concatenate([l0, l1]).astype(np.int32),
        order=np.zeros(n + k, dtype=np.int32),
        support=np.ones(n + k),
        source=np.zeros(n + k, dtype=np.int32),
        bridged=np.zeros(n + k, dtype=bool),
        origin_m=np.zeros(3),
    )
    assert breast_height(graph, flat_ground(), None, 1.3).stems == 1
    assert breast_height(graph, flat_ground(), None, 2.8).stems == 2
