"""Ground, stems, choice of the tree and what was not seen, on clouds of known shape."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from treescan.errors import ScanError
from treescan.pointcloud.cloud import PointCloud
from treescan.pointcloud.ground import fill_gaps, find_ground, heights_above
from treescan.pointcloud.isolate import isolate_tree
from treescan.pointcloud.reading import read_scan
from treescan.pointcloud.stems import find_stems

DATA = Path(__file__).parents[3] / "shared" / "data"
GROUND, OWN, OTHER, WALL, SHRUB, WIRE = range(6)


def cloud_of(xyz) -> PointCloud:
    return PointCloud(np.asarray(xyz, dtype=np.float32), np.zeros(3), spacing_m=0.02)


def tube(start, end, radius, per_m2, rng):
    """Points on the mantle of a tube, 2 mm noise."""
    start, end = np.asarray(start, float), np.asarray(end, float)
    axis = end - start
    length = np.linalg.norm(axis)
    count = int(2 * np.pi * radius * length * per_m2) + 1
    axis /= length
    side = np.cross(axis, [0.3, 0.5, 0.81])
    side /= np.linalg.norm(side)
    up = np.cross(axis, side)
    t, a = rng.uniform(0, length, count), rng.uniform(0, 2 * np.pi, count)
    r = radius + rng.normal(0, 0.002, count)
    ring = np.cos(a)[:, None] * side + np.sin(a)[:, None] * up
    return start + t[:, None] * axis + r[:, None] * ring


def tree(at, ground_z, height, radius, reach, rng, per_m2=1500):
    """A stem with limbs in all directions, from 3 m up."""
    foot = np.array([*at, ground_z])
    parts = [
        tube(foot - np.array([0, 0, 0.1]), foot + np.array([0, 0, height]), radius, per_m2, rng)
    ]
    for level in np.arange(3.0, height, 1.0):
        for turn in np.arange(0, 2 * np.pi, 2 * np.pi / 5):
            out = turn + level
            root = foot + np.array([0, 0, level])
            tip = root + np.array([reach * np.cos(out), reach * np.sin(out), 0.35 * reach])
            parts.append(tube(root, tip, 0.05, per_m2, rng))
    return np.vstack(parts)


def slope_z(x, y, slope_deg):
    return np.tan(np.radians(slope_deg)) * (0.8 * x + 0.6 * y)


@lru_cache(maxsize=4)
def yard(slope_deg: float = 8.0):
    """Two trees whose limbs cross, a wall with a roof, a shrub and a wire: points and labels."""
    rng = np.random.default_rng(3)
    xy = rng.uniform(-14, 14, (120_000, 2))
    ground = np.column_stack((xy, slope_z(*xy.T, slope_deg) + rng.normal(0, 0.01, len(xy))))
    own = tree((0, 0), 0.0, 13.0, 0.25, 3.4, rng)
    other = tree((5.6, 1.0), float(slope_z(5.6, 1.0, slope_deg)), 9.0, 0.15, 3.0, rng)
    at = slope_z(-8.0, 0.0, slope_deg)
    count = 30_000
    wall = np.column_stack(
        (np.full(count, -6.0), rng.uniform(-4, 4, count), rng.uniform(0, 3, count))
    )
    roof = np.column_stack(
        (rng.uniform(-11, -6, count), rng.uniform(-4, 4, count), np.full(count, 3.0))
    )
    roof[:, 2] += 0.4 * (-6.0 - roof[:, 0])
    house = np.vstack((wall, roof)) + np.array([0, 0, at]) + rng.normal(0, 0.003, (2 * count, 3))
    shrub = rng.normal(0, 1, (9_000, 3))
    shrub *= 0.8 / np.linalg.norm(shrub, axis=1, keepdims=True)
    shrub = (
        np.abs(shrub * [0, 0, 1])
        + shrub * [1, 1, 0]
        + np.array([2.0, -3.5, slope_z(2.0, -3.5, slope_deg)])
    )
    t = rng.uniform(0, 1, 4_000)
    span = np.array([-6.0, -7.0, at + 5.0]) + t[:, None] * [
        19.0,
        1.0,
        slope_z(13.0, -6.0, slope_deg) + 1.5 - at,
    ]
    span[:, 2] -= 4 * 0.5 * t * (1 - t)
    wire = span + rng.normal(0, 0.006, span.shape)
    parts = [ground, own, other, house, shrub, wire]
    label = np.repeat(np.arange(6), [len(part) for part in parts])
    xyz = np.vstack(parts)
    buried = (label != GROUND) & (xyz[:, 2] < slope_z(xyz[:, 0], xyz[:, 1], slope_deg))
    return xyz[~buried], label[~buried]


@pytest.mark.parametrize("slope_deg", [0.0, 8.0, 20.0, 35.0])
def test_ground_height_is_within_5_cm_rms(slope_deg):
    xyz, _ = yard(slope_deg)
    ground = find_ground(cloud_of(xyz))
    xy = np.random.default_rng(0).uniform(-12, 12, (4000, 2))
    clear = ~((xy[:, 0] < -5.5) & (np.abs(xy[:, 1]) < 4.5))  # nothing is seen under the house
    error = ground.height(*xy.T) - slope_z(*xy.T, slope_deg)
    assert np.sqrt(np.mean(error[clear] ** 2)) < 0.05
    above = heights_above(np.asarray(xyz, np.float32), ground)
    assert np.allclose(above, xyz[:, 2] - ground.height(*xyz[:, :2].T), atol=1e-5)


def test_stems_are_found_with_their_diameters_and_feet():
    xyz, _ = yard()
    cloud = cloud_of(xyz)
    stems = find_stems(cloud, find_ground(cloud))
    assert len(stems) == 2
    for stem, (x, y, diameter) in zip(stems, [(0, 0, 0.5), (5.6, 1.0, 0.3)], strict=True):
        assert np.hypot(stem.x_m - x, stem.y_m - y) < 0.02
        assert stem.diameter_m == pytest.approx(diameter, abs=0.01)
        assert stem.foot_m == pytest.approx((x, y), abs=0.05)


@pytest.mark.parametrize(("near_m", "mine", "theirs"), [(None, OWN, OTHER), ((5, 1), OTHER, OWN)])
def test_the_tree_asked_for_is_taken_whole_and_alone(near_m, mine, theirs):
    xyz, label = yard()
    cloud = cloud_of(xyz)
    taken = isolate_tree(cloud, find_ground(cloud), near_m=near_m)
    of_taken = np.bincount(label[taken.index], minlength=6)
    assert of_taken[mine] >= 0.97 * (label == mine).sum()
    assert of_taken.sum() - of_taken[mine] <= 0.02 * of_taken.sum()
    assert of_taken[WALL] == 0
    assert of_taken[WIRE] == 0
    assert np.array_equal(taken.xyz, cloud.xyz[taken.index])
    says = "from near_m was taken" if near_m else "the largest of 2 trees found was taken"
    assert says in taken.notes[0]


def test_near_m_far_from_every_stem_is_refused():
    xyz, _ = yard()
    cloud = cloud_of(xyz)
    with pytest.raises(
        ScanError, match=r"no stem within 10 m of near_m \(the nearest is .* m off\)"
    ):
        isolate_tree(cloud, find_ground(cloud), near_m=(200.0, 0.0))


def test_a_bare_stem_piece_gets_level_ground_that_nobody_saw():
    rng = np.random.default_rng(5)
    cloud = cloud_of(tube((1, 2, 10), (1, 2, 16), 0.2, 4000, rng))
    ground = find_ground(cloud)
    assert not ground.seen.any()
    assert np.ptp(ground.z_m) == 0
    assert ground.z_m[0, 0] == pytest.approx(10.0, abs=0.02)
    assert len(isolate_tree(cloud, ground).index) > 0.98 * len(cloud)


def test_a_side_that_was_not_seen_is_said():
    rng = np.random.default_rng(6)
    xy = rng.uniform(-6, 6, (30_000, 2))
    stem = tube((0, 0, 0), (0, 0, 10), 0.2, 4000, rng)
    half = stem[stem[:, 1] < 0.02]  # the north half is missing
    xyz = np.vstack((np.column_stack((xy, rng.normal(0, 0.01, len(xy)))), half))
    cloud = cloud_of(xyz)
    taken = isolate_tree(cloud, find_ground(cloud))
    assert taken.unseen_share == pytest.approx(0.5, abs=0.1)
    assert any("the north side of the stem was hardly seen" in note for note in taken.notes)


def test_gaps_are_filled_from_around_and_known_cells_stay():
    rng = np.random.default_rng(1)
    known = rng.normal(0, 0.1, (30, 40)) + 5.0
    holes = known.copy()
    holes[10:20, 10:25] = np.nan
    filled = fill_gaps(holes)
    assert np.array_equal(filled[np.isfinite(holes)], known[np.isfinite(holes)])
    assert np.abs(filled - 5.0).max() < 0.5
    assert np.isfinite(fill_gaps(np.full((3, 3), np.nan))).all()


@pytest.mark.parametrize(
    ("name", "tape_cm"),
    # field_survey.csv of the data set, DBH_CM, taped at 1.37 m
    [("pine_A-05-7291_post", 10.6), ("pine_A-05-7230_post", 11.8), ("pine_H-12-8498_pre", 18.7)],
)
def test_a_clipped_tree_is_kept_nearly_whole(name, tape_cm):
    path = DATA / "pines" / f"{name}.laz"
    if not path.exists():
        pytest.skip("the real scans are not here")
    cloud = read_scan([path])
    taken = isolate_tree(cloud, find_ground(cloud))
    assert len(taken.index) > 0.99 * len(cloud)
    assert taken.stems[0].diameter_m * 100 == pytest.approx(tape_cm, abs=1.5)


@pytest.mark.parametrize("near_m", [(-0.7, -2.2), (-1.25, 0.4), (2.7, -2.1), (2.5, 0.4)])
def test_each_of_four_real_bushes_is_taken_whole_where_it_is_asked_for(near_m):
    """Four leaf-off bushes whose crowns touch; twigs and grass at their feet are no trees."""
    path = DATA / "misc" / "TLSscene.xyz"
    if not path.exists():
        pytest.skip("the real scan is not here")
    cloud = read_scan([path])
    near = tuple(np.array(near_m))
    taken = isolate_tree(cloud, find_ground(cloud), near_m=near)
    assert len(taken.index) > 0.1 * len(cloud)
    assert np.hypot(*(taken.base_m[:2] - near)) < 0.6
    assert np.ptp(taken.xyz[:, 2]) > 4.0


def test_a_strip_of_forest_with_few_stems_seen_is_not_silently_one_tree():
    """Nor silently a part of one: most of it is other trees, whose stems were not seen."""
    path = DATA / "serc" / "serc_transect_drone_leafoff.laz"
    if not path.exists():
        pytest.skip("the real scan is not here")
    cloud = read_scan([path])
    taken = isolate_tree(cloud, find_ground(cloud))
    assert np.ptp(taken.xyz[:, 0]) < 0.5 * np.ptp(cloud.xyz[:, 0])
    assert any(
        note.startswith("WARNING:") and "whose stems were not found" in note for note in taken.notes
    )
