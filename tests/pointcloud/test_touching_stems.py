"""Stems of one stool whose skins touch at breast height, or that meet in one foot below it."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.pointcloud.test_ground_and_tree import cloud_of, tube
from treescan.pointcloud.cloud import StemSeed
from treescan.pointcloud.ground import find_ground
from treescan.pointcloud.isolate import isolate_tree
from treescan.pointcloud.stems import BREAST_HEIGHT_M, _discs, _touching, same_tree


def ring(x, y, radius_m, noise_m, rng, count=700):
    turn = rng.uniform(0, 2 * np.pi, count)
    away = radius_m + rng.normal(0.0, noise_m, count)
    return np.column_stack([x + away * np.cos(turn), y + away * np.sin(turn)])


@pytest.mark.parametrize("noise_m", [0.003, 0.01])
def test_each_of_three_touching_stems_is_found(noise_m):
    stems = [(0.0, 0.0, 0.13), (0.24, 0.02, 0.1), (-0.12, -0.19, 0.09)]
    rng = np.random.default_rng(3)
    found = _touching(np.concatenate([ring(*s, noise_m, rng) for s in stems]), 0.01)
    assert len(found) == 3
    for x, y, radius_m in stems:
        nearest = min(found, key=lambda c: np.hypot(c.x_m - x, c.y_m - y))
        assert np.hypot(nearest.x_m - x, nearest.y_m - y) < 0.02
        assert nearest.radius_m == pytest.approx(radius_m, abs=0.01)


def test_a_thicket_of_leaves_holds_no_stems():
    rng = np.random.default_rng(4)
    assert _touching(rng.uniform(-0.6, 0.6, (3000, 2)), 0.01) == []


@pytest.mark.parametrize("radius_m", [0.1, 0.14, 0.2])
def test_a_stem_blurred_by_sway_is_found_and_an_even_clump_is_not(radius_m):
    rng = np.random.default_rng(5)
    blurred = ring(1.0, 2.0, radius_m, 0.25 * radius_m, rng, 900)
    (found,) = _discs(np.column_stack((blurred, np.zeros(len(blurred)))), 1.3, 0.01)
    assert np.hypot(found.circle.x_m - 1.0, found.circle.y_m - 2.0) < 0.2 * radius_m
    assert found.circle.radius_m == pytest.approx(radius_m, rel=0.2)

    turn, out = rng.uniform(0, 2 * np.pi, 900), radius_m * np.sqrt(rng.uniform(0, 1, 900))
    clump = np.column_stack((out * np.cos(turn), out * np.sin(turn), np.zeros(900)))
    assert _discs(clump, 1.3, 0.01) == []


def seed(at_ground, per_m, diameter_m, ground_z_m=0.0):
    """A straight stem from its place at the ground and how far it goes aside a metre."""
    x, y = (float(v) for v in np.add(at_ground, np.multiply(per_m, BREAST_HEIGHT_M)))
    foot = (float(at_ground[0]), float(at_ground[1]))
    return StemSeed(x, y, ground_z_m, diameter_m, 500, 9.0, foot)


turns = st.floats(0.0, 2 * np.pi)
slopes = st.floats(0.0, 0.6)
widths = st.floats(0.06, 0.5)


@given(
    turns, turns, slopes, slopes, widths, widths,
    st.floats(0.0, BREAST_HEIGHT_M), st.floats(0.0, 0.5),
)  # fmt: skip
def test_leaders_that_meet_below_breast_height_are_one_tree(
    turn, back, a, b, d, e, fork_m, uphill_m
):
    leaders = []
    for way, lean, wide, ground_z in ((turn, a, d, 0.0), (back, b, e, uphill_m)):
        per_m = lean * np.array([np.cos(way), np.sin(way)])
        leaders.append(seed((ground_z - fork_m) * per_m, per_m, wide, ground_z))
    assert same_tree(tuple(leaders)) == [[0, 1]]


@given(turns, turns, turns, slopes, slopes, widths, widths, st.floats(0.0, 2.0))
def test_stems_that_stand_apart_down_to_the_ground_are_two_trees(turn, one, two, a, b, d, e, more):
    lean = [k * np.array([np.cos(t), np.sin(t)]) for k, t in ((a, one), (b, two))]
    apart = 0.61 + more + 0.5 * (d + e) + BREAST_HEIGHT_M * np.hypot(*(lean[0] - lean[1]))
    at = apart * np.array([np.cos(turn), np.sin(turn)])
    assert same_tree((seed((0, 0), lean[0], d), seed(at, lean[1], e))) == [[0], [1]]


@pytest.mark.parametrize(("feet_m", "whole"), [(0.0, True), (0.9, False)])
def test_a_leader_that_parts_wide_comes_along_and_a_tree_beside_does_not(feet_m, whole):
    rng = np.random.default_rng(6)
    xy = rng.uniform(-5.0, 5.0, (40_000, 2))
    ground = np.column_stack((xy, rng.normal(0.0, 0.005, len(xy))))
    leaders = []
    for side in (-1.0, 1.0):
        foot = np.array([0.5 * side * feet_m, 0.0, 0.3])
        up = np.array([side * 2.4, 0.0, 5.0])
        leaders += [
            tube(foot, foot + up, 0.1, 3000, rng),
            tube(foot * (1, 1, 0), foot, 0.12, 3000, rng),
        ]
    parts = [ground, *leaders]
    part = np.repeat(np.arange(len(parts)), [len(p) for p in parts])
    cloud = cloud_of(np.concatenate(parts))
    tree = isolate_tree(cloud, find_ground(cloud), near_m=(0.6 + 0.5 * feet_m, 0.0))
    kept = np.bincount(part[tree.index], minlength=len(parts)) / np.bincount(part)
    assert kept[3] > 0.95
    assert (kept[1] > 0.95) == whole
    assert whole or kept[1] < 0.05
