"""Swings, ties and the geometry of hanging."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from treescan.errors import InvalidInputError
from treescan.mechanics import swing, ties

A0 = np.radians([15.0, 30.0, 45.0, 60.0, 75.0, 90.0])


@pytest.mark.published
def test_e1_to_e5_two_vertical_legs():
    rows = [(0.5, 5.5, 2.4), (0.5, 5.5, 2.0), (0, 6, 2.0), (1, 4, 2.5), (1, 4, 0.5)]
    first, second = ties.two_leg_shares(*np.array(rows).T)
    assert first == pytest.approx([0.62, 0.70, 0.6667, 0.5, 1.1667], abs=6e-5)
    assert second == pytest.approx([0.38, 0.30, 0.3333, 0.5, -0.1667], abs=6e-5)


@pytest.mark.published
def test_e6_to_e9_legs_to_one_point():
    rows = np.radians([(30, 30), (20, 40), (10, 60), (60, 60)])
    first, second = ties.leg_shares_at_angles(*rows.T)
    assert first == pytest.approx([0.5774, 0.7422, 0.9216, 1.0], abs=6e-5)
    assert second == pytest.approx([0.5774, 0.3949, 0.1848, 1.0], abs=6e-5)


@pytest.mark.published
def test_e10_sling_legs():
    got = ties.sling_leg_share(np.radians([90.0, 60.0, 45.0, 30.0, 15.0]))
    assert got == pytest.approx([0.5, 0.5774, 0.7071, 1.0, 1.9319], abs=6e-5)


@pytest.mark.published
def test_e11_hang_tilt():
    assert np.degrees(ties.hang_tilt_rad(0.2, 0.25)) == pytest.approx(38.7, abs=0.05)


@pytest.mark.published
def test_e12_lowest_point():
    assert ties.lowest_point_m(14.0, 3.0, 4.0 - 0.5) == pytest.approx(7.5)


@pytest.mark.published
@pytest.mark.parametrize(
    ("name", "length", "below", "fall"),
    [("E13", 1.5, 0.3, 2.1), ("E14", 2.0, 0.3, 2.6), ("E15", 3.0, 0.4, 3.8)],
)
def test_e13_to_e15_fall_of_a_log_on_a_block_below(name, length, below, fall):
    assert ties.inverted_log_fall_m(length, below) == pytest.approx(fall), name


@pytest.mark.published
def test_e16_e17_turning_about_the_tie():
    arm = np.array([0.5, 0.4, 0.3, 0.25, 0.2, 0.1, 0.0])
    gyration = np.sqrt(1.0 / 12.0)
    peak = ties.turning_peak_factor(arm, gyration)
    assert peak == pytest.approx([2.5, 2.315, 2.039, 1.857, 1.649, 1.214, 1.0], abs=6e-4)
    start = ties.turning_start_factor(arm[[0, 1, 2, 3, 5, 6]], gyration)
    assert start == pytest.approx([0.25, 0.3425, 0.4808, 0.5714, 0.8929, 1.0], abs=6e-5)


@pytest.mark.published
def test_x2_butt_tied_limb_peak():
    factor = ties.turning_peak_factor(2.4 - 0.5, np.sqrt(3.0))
    assert factor == pytest.approx(2.092, abs=6e-4)
    assert factor * 200 * 9.81 == pytest.approx(4105, abs=1)


@pytest.mark.published
def test_f1_peak_at_the_plumb_line():
    got = swing.swing_peak_factor(A0)
    assert got == pytest.approx([1.068, 1.268, 1.586, 2.0, 2.482, 3.0], abs=6e-4)
    assert swing.swing_peak_factor(np.radians(60.0)) == pytest.approx(2.0, abs=1e-12)
    assert swing.swing_factor_at(0.0, A0) == pytest.approx(got)
    assert swing.swing_factor_at(A0, A0) == pytest.approx(np.cos(A0))  # at rest, on a taut line


@pytest.mark.published
def test_f2_period_grows_with_amplitude():
    got = swing.swing_period_s(1.0, A0) / swing.swing_period_s(1.0)
    assert got == pytest.approx([1.0043, 1.0174, 1.0400, 1.0732, 1.1190, 1.1803], abs=6e-5)


@pytest.mark.published
def test_f3_time_to_the_plumb_line():
    assert swing.swing_period_s(8.0) == pytest.approx(5.674, abs=6e-4)
    assert swing.swing_period_s(8.0, np.radians(60.0)) / 4 == pytest.approx(1.522, abs=6e-4)


@pytest.mark.published
def test_f4_anchor_and_tie():
    offset, depth = 4.0, 3.0
    length, angle = np.hypot(offset, depth), np.arctan2(offset, depth)
    assert np.degrees(angle) == pytest.approx(53.13, abs=0.005)
    assert swing.swing_peak_factor(angle) == pytest.approx(1.80, abs=1e-9)
    assert swing.swing_speed_m_s(length, angle) == pytest.approx(6.264, abs=6e-4)


@pytest.mark.published
def test_f5_slack_then_swing():
    got = swing.slack_swing(3.0, 1.0, 5.0)
    assert got.fall_m == pytest.approx(3.0)
    assert got.speed_m_s == pytest.approx(7.672, abs=6e-4)
    assert got.tangential_m_s == pytest.approx(4.603, abs=6e-4)
    assert got.radial_m_s == pytest.approx(6.138, abs=6e-4)
    assert got.plumb_speed_m_s == pytest.approx(6.388, abs=6e-4)
    assert got.plumb_factor == pytest.approx(1.832, abs=6e-4)
    assert got.plumb_factor_lossless == pytest.approx(2.600, abs=6e-4)
    assert got.jerk_share == pytest.approx(0.64, abs=1e-9)
    assert got.jerk_fall_m == pytest.approx(1.92, abs=6e-3)
    assert swing.swing_peak_factor(np.arctan2(3.0, 1.0)) == pytest.approx(2.368, abs=6e-4)


@pytest.mark.published
def test_f6_tag_line():
    level, line = swing.guide_force_n(1000.0, 2.0, 8.0)
    assert level == pytest.approx(250.0)
    assert line == pytest.approx(1031, abs=1)


@pytest.mark.published
def test_f7_limb_held_on_its_hinge():
    got = ties.hinge_hold_tension_n(1000.0, 3.0, 2.0, np.radians(60.0))
    assert got == pytest.approx(1732, abs=1)


@settings(deadline=None, max_examples=60)
@given(x=st.floats(0.1, 10), y=st.floats(0, 10), slack=st.floats(0, 5))
@example(x=4.0, y=2.0**-24, slack=0.0)  # the circle as rounded passes above the tie
def test_slack_never_raises_the_energy(x, y, slack):
    length = float(np.hypot(x, y)) + slack
    got = swing.slack_swing(x, y, length)
    assert got.plumb_speed_m_s**2 <= 2 * 9.81 * (length - y) * (1 + 1e-9)
    assert got.plumb_factor <= got.plumb_factor_lossless + 1e-9
    assert got.tangential_m_s**2 + got.radial_m_s**2 == pytest.approx(
        float(got.speed_m_s**2), rel=1e-9, abs=1e-12
    )
    if slack == 0.0:
        taut = swing.swing_peak_factor(np.arctan2(x, y))
        assert got.plumb_factor == pytest.approx(float(taut), rel=1e-6)


@settings(deadline=None, max_examples=60)
@given(a=st.floats(0, 5), span=st.floats(0.5, 10), share=st.floats(0, 1))
def test_shares_carry_the_weight_and_balance_its_moment(a, span, share):
    centre = a + share * span
    first, second = ties.two_leg_shares(a, a + span, centre)
    assert first + second == pytest.approx(1.0)
    assert first * a + second * (a + span) == pytest.approx(centre, abs=1e-9)


def test_turning_from_level_is_the_level_formula():
    level = ties.turning_factor_from(1.9, np.sqrt(3.0), np.pi / 2)
    assert level == pytest.approx(float(ties.turning_peak_factor(1.9, np.sqrt(3.0))))
    assert ties.turning_factor_from(1.0, 1.0, 0.0) == 1.0


def test_a_slack_line_below_its_tie_is_refused():
    with pytest.raises(InvalidInputError, match="tie is above its anchor"):
        swing.slack_swing(1.0, -0.5, 5.0)


def test_a_short_lead_is_refused():
    with pytest.raises(InvalidInputError, match="shorter than the distance"):
        swing.slack_swing(3.0, 4.0, 4.9)


def test_a_line_along_the_limb_holds_nothing():
    with pytest.raises(InvalidInputError, match="along the limb"):
        ties.hinge_hold_tension_n(1000.0, 3.0, 2.0, 0.0)


def test_legs_in_one_place_are_refused():
    with pytest.raises(InvalidInputError, match="distance between the legs"):
        ties.two_leg_shares(1.0, 1.0, 1.0)
