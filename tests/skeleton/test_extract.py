"""The skeleton of exact solids, scanned without an instrument's faults."""

import numpy as np
import pytest

from treescan.errors import ScanError
from treescan.mensuration.measure import measure_tree
from treescan.mensuration.volume import edge_volume_m3
from treescan.pointcloud.cloud import Ground, TreePoints
from treescan.skeleton.extract import extract_skeleton


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
