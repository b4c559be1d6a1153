"""Tendency of leaning pieces, the climber's side, movement of the spar."""

import numpy as np
import pytest

from tests.motion.pieces import flat_ground, rod
from treescan.errors import InvalidInputError
from treescan.motion.climber import safe_side
from treescan.motion.fall import free_fall, hinge_fall
from treescan.motion.swing import lowered
from treescan.motion.tendency import common_centre_m, tendency

FLAT = flat_ground()


@pytest.mark.published
def test_j12_pull_for_a_back_leaning_piece():
    """W = 2 kN, 0.3 m behind the hinge, line at 3 m, 30 degrees below level: 0.231 kN.

    The rule that a piece must be clearly ahead of its hinge adds 5 % of the height.
    """
    height, back = 4.0, 0.3 + 0.05 * 4.0
    piece = rod((0, 0, 0), (-0.3, 0, height), 2 * np.hypot(0.3, height), 2000 / 9.81, 1e-6)
    found = tendency(piece, aim_azimuth_deg=90.0, line_height_m=3.0, line_below_level_deg=30.0)
    assert not found.goes_over
    assert found.pull_n == pytest.approx(2000 * back / (3 * np.cos(np.pi / 6)), rel=1e-3)
    assert found.pull_n * 0.3 / back == pytest.approx(231.0, rel=0.005)


def test_leaning_leader_takes_the_upright_one_along():
    upright = rod((0, 0, 6), (-0.05, 0, 1), 8, 300, 0.3)
    leaning = rod((0, 0, 6), (0.6, 0, 1), 9, 500, 0.3)
    alone = tendency(upright, aim_azimuth_deg=90.0)
    both = tendency([upright, leaning], aim_azimuth_deg=90.0, cut_m=(0, 0, 5), diameter_m=0.5)
    assert not alone.goes_over
    assert both.goes_over
    assert both.pull_n == 0.0
    centre = common_centre_m([upright, leaning])
    assert centre == pytest.approx((3 * upright.centre_m + 5 * leaning.centre_m) / 8)
    with pytest.raises(InvalidInputError, match="common cut"):
        tendency([upright, leaning], aim_azimuth_deg=90.0)


def test_side_lean_is_named_with_its_side():
    piece = rod((0, 0, 6), (0.5, 0.3, 1), 8, 300, 0.3)
    found = tendency(piece, aim_azimuth_deg=0.0)
    assert found.aside_m > 1.0
    assert any("to the right" in note for note in found.warnings)


@pytest.mark.parametrize("azimuth", [0.0, 90.0, 215.0])
def test_climber_stands_behind_a_felled_top(azimuth):
    top = rod((0, 0, 9), (0, 0, 1), 5, 200, diameter=0.3)
    path = hinge_fall(top, FLAT, hinge_azimuth_deg=azimuth)
    found = safe_side(top, path)
    assert not found.refused
    assert abs((found.azimuth_deg - azimuth + 180.0) % 360.0 - 180.0) > 100.0
    assert all(
        abs((side - azimuth) % 360.0 - 180.0) == pytest.approx(45.0, abs=1.0)
        for side in found.retreat_deg
    )


def test_side_under_a_sagging_limb_is_not_safe():
    limb = rod((0.2, 0, 9), (1, 0, 0), 4, 100, diameter=0.2)
    found = safe_side(limb, free_fall(limb, FLAT, break_angle_deg=45.0), stem_radius_m=0.2)
    assert found.azimuth_deg not in (67.5, 90.0, 112.5)


def test_piece_that_swings_through_the_stem_is_refused():
    limb = rod((1.5, 0, 9), (-1, 0, 0.3), 4, 150, diameter=0.5, balls=60)
    path = lowered(limb, limb.cut_m, np.array([-1.0, 0, 12.0]), FLAT)
    found = safe_side(limb, path, stem_radius_m=0.1)
    assert found.distance_m < safe_side(
        limb, free_fall(limb, FLAT, break_angle_deg=0.0), stem_radius_m=0.1
    ).distance_m + 1e-9  # fmt: skip
