"""Stems of one stool whose skins touch at breast height."""

import numpy as np
import pytest

from treescan.pointcloud.stems import _discs, _touching


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
