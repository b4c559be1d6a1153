"""Tables L2 to L10, L13 and L14 of the handbook, and what follows from them."""

import numpy as np
import pytest

from tests.motion.pieces import flat_ground, rod
from treescan.motion.fall import free_fall
from treescan.motion.flat_landing import flat_chance, flat_lengths, turn_at_touch_deg

BREAKS = (30, 45, 60, 70, 80, 90)


@pytest.mark.published
@pytest.mark.parametrize(
    ("turn", "shape", "values"),
    [
        (90, "log", (1.193, 0.2751, 0.0681, 0.0239, 0.0053)),
        (270, "log", (22.44, 9.810, 5.815, 4.556, 3.764, 3.216)),
        (90, "top", (0.733, 0.1727, 0.0432, 0.0150, 0.0032)),
        (270, "top", (13.40, 5.783, 3.355, 2.586, 2.104, 1.772)),
        (180, "log", (9.248, 4.139, 2.619, 2.165, 1.887, 1.697)),
    ],
    ids=["l2", "l3", "l4", "l5", "l6"],
)
def test_l2_to_l6_height_over_length(turn, shape, values):
    """From the height of the table a section of 1 m has turned so far when it touches.

    The last digit printed leaves up to 0.4 degrees of turn open.
    """
    for break_deg, height in zip(BREAKS, values, strict=False):
        found = turn_at_touch_deg(1.0, height, float(break_deg), shape)[0, 0]
        assert found == pytest.approx(turn, abs=0.5), break_deg


@pytest.mark.published
@pytest.mark.parametrize(
    ("break_deg", "values"),
    [
        (45, (366, 272, 224, 195.8, 164, 147.0, 128, 118, 107)),
        (60, (469, 336, 284, 249, 202, 176, 149, 135, 121)),
        (75, (552, 395, 325, 290, 238, 202, 165, 147, 129)),
    ],
    ids=["l7", "l8", "l9"],
)
def test_l7_to_l9_turn_at_touch(break_deg, values):
    length = [0.5, 1, 1.5, 2, 3, 4, 6, 8, 12]
    found = turn_at_touch_deg(length, 10.0, break_deg)[:, 0]
    np.testing.assert_allclose(found, values, atol=1.0)


@pytest.mark.published
@pytest.mark.parametrize(
    ("turn", "values"),
    [
        (90, (1.865, 1.069, 0.777, 0.617, 0.529)),
        (180, (6.861, 3.668, 2.495, 1.801, 1.300)),
    ],
    ids=["l13", "l14"],
)
def test_l13_l14_limb_on_its_butt_hinge(turn, values):
    """Fall of the centre of a level limb until it hangs tip down, and lies upside down."""
    limb = rod((0.0, 0.0, 50.0), (1, 0, 0), 1.0, 50.0, diameter=0.002)
    for break_deg, expected in zip((15, 30, 45, 60, 75), values, strict=True):
        path = free_fall(limb, flat_ground(), break_angle_deg=break_deg)
        pointing = path.rotation @ limb.axis
        turned = np.degrees(np.unwrap(np.arctan2(-pointing[:, 2], pointing[:, 0])))
        fallen = limb.centre_m[2] - path.centre_m[:, 2]
        assert np.interp(turn, turned, fallen) == pytest.approx(expected, rel=0.01), break_deg


def test_a_shorter_section_turns_more():
    turn = turn_at_touch_deg(np.linspace(0.5, 12, 40), 10.0, 55.0)[:, 0]
    assert (np.diff(turn) < 0).all()


def test_only_height_over_length_counts():
    one = turn_at_touch_deg([1.0, 2.0, 4.0], 8.0, [40.0, 60.0])
    two = turn_at_touch_deg([2.0, 4.0, 8.0], 16.0, [40.0, 60.0])
    np.testing.assert_allclose(one, two, atol=0.3)


def test_bands_name_the_two_ways_to_land_flat_and_how_sure():
    bands = flat_lengths(10.0, 45.0, longest_m=14.0)
    turns = {band.turn: band for band in bands}
    assert turns["quarter"].high_m == pytest.approx(14.0)
    assert turns["quarter"].low_m > 7.0
    assert turns["three-quarter"].low_m < 1.02 < turns["three-quarter"].high_m
    assert turns["quarter"].chance <= 1.0
    lower = flat_chance([turns["quarter"].low_m - 2.0], 10.0, 45.0)
    assert lower[0] < 0.5
