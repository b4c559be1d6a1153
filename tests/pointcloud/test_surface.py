"""Range noise and double surfaces are measured on the stem and said in millimetres."""

from __future__ import annotations

import numpy as np
import pytest

from treescan.pointcloud.cloud import StemSeed
from treescan.pointcloud.surface import stem_surface

LEAN = 0.2


def stem_of_two_stations(shift_m, noise_m, points=30_000, seed=0):
    """A leaning stem of 0.4 m seen from the east and the north, the second scan moved toward both.

    Each station sees three fifths of the round, so that the quarter between them is seen twice.
    """
    rng = np.random.default_rng(seed)
    angle, z = rng.uniform(0, 2 * np.pi, points), rng.uniform(0, 4, points)
    radius = 0.2 + rng.normal(0, noise_m, points)
    xyz = np.column_stack((radius * np.cos(angle) + LEAN * z, radius * np.sin(angle), z))
    north = rng.uniform(size=points) < 0.5
    xyz[north, :2] += shift_m / np.sqrt(2.0)
    seen = np.where(north, np.sin(angle), np.cos(angle)) > -0.3
    return xyz[seen].astype(np.float32)


STEM = StemSeed(1.3 * LEAN, 0.0, 0.0, 0.4, 500, 9.0, foot_m=(0.0, 0.0))


@pytest.mark.parametrize("noise_m", [0.002, 0.005, 0.01])
def test_noise_is_measured_and_one_surface_is_not_called_two(noise_m):
    found = stem_surface(stem_of_two_stations(0.0, noise_m), STEM)
    assert found.noise_m == pytest.approx(noise_m, rel=0.15)
    assert found.double_share == 0.0
    assert not any("double" in text for text in found.sentences())
    assert f"scatter {found.noise_m * 1000:.0f} mm" in found.sentences()[0]


@pytest.mark.parametrize("shift_m", [0.02, 0.035, 0.05])
def test_a_shift_between_stations_is_measured(shift_m):
    found = stem_surface(stem_of_two_stations(shift_m, 0.002), STEM)
    assert found.double_share > 0.15
    # across the surface only the part of the shift along its normal shows: 0.7 to 1 of it
    assert 0.6 * shift_m < found.shift_m < 1.1 * shift_m
    assert f"{found.shift_m * 1000:.0f} mm apart" in found.sentences()[1]
    assert found.sentences()[1].startswith("WARNING")


def test_too_few_points_are_not_judged():
    found = stem_surface(stem_of_two_stations(0.05, 0.002, points=600), STEM)
    assert found.sentences() == ()
