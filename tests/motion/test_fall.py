"""Falling pieces against the handbook's tables (exact mechanics of slender rods)."""

import numpy as np
import pytest

from tests.motion.pieces import flat_ground, rod
from treescan.motion.fall import free_fall, hinge_fall
from treescan.pointcloud.cloud import Ground

FLAT = flat_ground()


def turn_at_touch(path, axis):
    """Whole angle turned up to the first touch, degrees, counted on past 180."""
    count = int(np.searchsorted(path.time_s, path.contact_time_s)) + 1
    pointing = path.rotation[:count] @ np.asarray(axis, float)
    angle = np.unwrap(np.arctan2(pointing[:, 0], pointing[:, 2]))
    return float(np.degrees(angle[-1] - angle[0]))


@pytest.mark.published
@pytest.mark.parametrize(
    ("break_deg", "length_m", "expected_deg"),
    [
        *zip([45] * 9, [0.5, 1, 1.5, 2, 3, 4, 6, 8, 12],
             [366, 272, 224, 195.8, 164, 147.0, 128, 118, 107], strict=True),
        *zip([60] * 9, [0.5, 1, 1.5, 2, 3, 4, 6, 8, 12],
             [469, 336, 284, 249, 202, 176, 149, 135, 121], strict=True),
        *zip([75] * 9, [0.5, 1, 1.5, 2, 3, 4, 6, 8, 12],
             [552, 395, 325, 290, 238, 202, 165, 147, 129], strict=True),
    ],
)  # fmt: skip
def test_l7_l8_l9_attitude_at_touch(break_deg, length_m, expected_deg):
    """Handbook 10.1, tables L7 to L9: hinge at 10 m, rod, no drag."""
    piece = rod((0, 0, 10), (0, 0, 1), length_m, 100, diameter=0.002)
    path = hinge_fall(piece, FLAT, hinge_azimuth_deg=90.0, break_angle_deg=break_deg)
    assert turn_at_touch(path, piece.axis) == pytest.approx(expected_deg, abs=1.0)


@pytest.mark.published
def test_l10_attitude_depends_on_height_over_length_only():
    for length, height in ((2.0, 10.0), (3.0, 15.0)):
        piece = rod((0, 0, height), (0, 0, 1), length, 100, diameter=0.002)
        path = hinge_fall(piece, FLAT, hinge_azimuth_deg=90.0, break_angle_deg=45.0)
        assert turn_at_touch(path, piece.axis) == pytest.approx(195.8, abs=0.5)


@pytest.mark.published
def test_l11_throw_time_and_speed():
    piece = rod((0, 0, 10), (0, 0, 1), 2.0, 100, diameter=0.002)
    path = hinge_fall(piece, FLAT, hinge_azimuth_deg=90.0, break_angle_deg=45.0)
    touch = int(np.searchsorted(path.time_s, path.contact_time_s))
    assert path.centre_m[touch, 0] == pytest.approx(2.57, abs=0.01)
    speed = np.linalg.norm(np.diff(path.centre_m[touch - 2 : touch], axis=0))
    speed /= path.time_s[touch - 1] - path.time_s[touch - 2]
    assert speed == pytest.approx(13.9, abs=0.35)


@pytest.mark.published
def test_l12_throw_and_time_of_a_longer_section():
    piece = rod((0, 0, 10), (0, 0, 1), 4.0, 100, diameter=0.002)
    path = hinge_fall(piece, FLAT, hinge_azimuth_deg=90.0, break_angle_deg=45.0)
    touch = int(np.searchsorted(path.time_s, path.contact_time_s))
    parted = int(np.argmax(path.rotation[:, 2, 2] < np.cos(np.radians(45.0)) + 1e-9))
    assert path.centre_m[touch, 0] == pytest.approx(3.93, abs=0.02)
    assert path.contact_time_s - path.time_s[parted] == pytest.approx(1.213, abs=0.026)


def test_mirror_symmetry():
    east = hinge_fall(
        rod((0, 0, 8), (0.2, 0.1, 1), 3, 90), FLAT, hinge_azimuth_deg=70, below_level_deg=10
    )
    west = hinge_fall(
        rod((0, 0, 8), (-0.2, 0.1, 1), 3, 90), FLAT, hinge_azimuth_deg=-70, below_level_deg=10
    )
    np.testing.assert_allclose(
        east.centre_m * [-1, 1, 1], west.centre_m, atol=1e-6
    )  # fmt: skip


def test_sagging_limb_gains_speed_toward_the_stem():
    piece = rod((1, 0, 9), (1, 0, 0), 4, 100, diameter=0.2)
    path = free_fall(piece, FLAT, break_angle_deg=30.0)
    assert path.landing_m[0] < piece.centre_m[0] - 0.5


def test_clean_cut_drops_plumb_with_the_energy_of_its_height():
    piece = rod((1, 0, 9), (1, 0, 0), 4, 100, diameter=0.2)
    path = free_fall(piece, FLAT, break_angle_deg=0.0)
    np.testing.assert_allclose(path.landing_m[:2], piece.centre_m[:2], atol=1e-6)
    assert path.impact_energy_j == pytest.approx(100 * 9.81 * 8.9, rel=1e-3)
    assert path.contact_attitude_deg == pytest.approx(90.0, abs=1e-6)
    assert np.diff(path.time_s).max() <= 0.05


def test_piece_may_roll_on_down_a_slope():
    heights = np.tile(-0.3 * np.arange(121.0), (121, 1)) + 18.0
    slope = Ground(-60.0, -60.0, 1.0, heights, np.ones_like(heights, dtype=bool))
    piece = rod((1, 0, 9), (0, 1, 0), 2, 100, diameter=0.3)
    steep = free_fall(piece, slope, break_angle_deg=0.0)
    flat = free_fall(piece, FLAT, break_angle_deg=0.0)
    ahead = steep.footprint_m[:, 0].max() - steep.landing_m[0]
    assert ahead > flat.footprint_m[:, 0].max() - flat.landing_m[0] + 3.0
    assert any("downhill" in note for note in steep.notes)
    assert not any("downhill" in note for note in flat.notes)
