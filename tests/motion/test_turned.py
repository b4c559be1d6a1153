"""Limbs turned on their hinge under a line, and pieces that slide off a slanted cut."""

import numpy as np
import pytest

from tests.motion.pieces import flat_ground, rod
from treescan.errors import InvalidInputError
from treescan.motion.turned import slid_off, turned_on_hinge

FLAT = flat_ground()
LIMB = rod((0.3, 0, 8), (1, 0, 0), 5, 200, diameter=0.2)
ANCHOR = np.array([0.0, 0.0, 14.0])


def turned(below, tie=3.0, limb=LIMB, azimuth=0.0):
    """Limb to the east, face to the north unless told."""
    return turned_on_hinge(
        limb, limb.cut_m + tie * limb.axis, ANCHOR, FLAT,
        hinge_azimuth_deg=azimuth, below_level_deg=below, turn_deg=70.0,
    )  # fmt: skip


def test_limb_ends_its_turn_where_the_face_aims():
    result = turned(15.0)
    last = len(result.angle_rad) - 1
    axis = result.path.rotation[last] @ LIMB.axis
    assert axis[1] > 0.85
    assert axis[2] < 0.0
    assert result.path.centre_m[last, 1] > 2.0


def test_a_level_face_warns_that_the_limb_may_drop_early():
    level, below = turned(0.0), turned(25.0)
    assert any("drop early" in note for note in level.warnings)
    assert not any("drop early" in note for note in below.warnings)


@pytest.mark.published
def test_f7_line_that_carries_the_sag():
    """W = 1 kN, centre 3 m out, tie at 2 m, line at 60 degrees to the limb: 1.732 kN."""
    limb = rod((0.0, 0, 8), (1, 0, 0), 6, 1000 / 9.81, diameter=1e-6)
    tie = np.array([2.0, 0, 8])
    anchor = tie + 6.0 * np.array([-np.cos(np.pi / 3), 0, np.sin(np.pi / 3)])
    result = turned_on_hinge(
        limb, tie, anchor, FLAT, hinge_azimuth_deg=0.0, below_level_deg=10.0, turn_deg=5.0
    )
    assert result.hold_n[0] == pytest.approx(1732.0, rel=0.005)


def test_release_starts_from_the_tension_held():
    result = turned(15.0)
    last = len(result.angle_rad) - 1
    jump = abs(result.path.tension_n[last + 1] - result.hold_n[-1])
    assert jump < 0.35 * result.hold_n[-1]


def test_a_line_that_cannot_hold_is_refused():
    with pytest.raises(InvalidInputError, match="cannot carry its sag"):
        turned(15.0, tie=0.3)


def test_upright_leader_is_not_turned():
    with pytest.raises(InvalidInputError, match="tip a leader"):
        turned(15.0, limb=rod((0, 0, 8), (0.1, 0, 1), 5, 200, diameter=0.2))


def test_slant_steeper_than_friction_slides_the_butt_clear():
    piece = rod((0, 0, 8), (0.3, 0, 1), 4, 200, diameter=0.3)
    tie = piece.cut_m + 3.0 * piece.axis
    path = slid_off(piece, tie, np.array([1.5, 0, 15.0]), FLAT, slope_azimuth_deg=90.0)
    gone = path.centre_m - piece.centre_m
    row = int(np.argmax(gone[:, 0] > 0.29))
    assert np.allclose(path.rotation[row - 1], np.eye(3), atol=0.05)
    assert gone[row, 2] < -0.25
    with pytest.raises(InvalidInputError, match="Cut steeper"):
        slid_off(piece, tie, ANCHOR, FLAT, slope_azimuth_deg=90.0, slant_deg=20.0, friction=0.4)
