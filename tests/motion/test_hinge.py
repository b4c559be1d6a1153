"""Turning on the hinge: rates, times and balance of handbook section 9.1."""

import numpy as np
import pytest

from tests.motion.pieces import flat_ground, rod
from treescan.errors import InvalidInputError
from treescan.motion.body import rigid_piece
from treescan.motion.fall import hinge_across, hinge_fall
from treescan.motion.hinge import hinge_motion, open_hinge

G = 9.81


@pytest.mark.published
@pytest.mark.parametrize("cone", [False, True], ids=["rod", "cone"])
def test_j1_rate_of_turn(cone):
    """Omega sqrt(L / g) from upright at 30, 45, 60, 70, 80 and 90 degrees."""
    table = {
        False: (0.6340, 0.9374, 1.2247, 1.4050, 1.5745, 1.7321),
        True: (0.8185, 1.2102, 1.5811, 1.8138, 2.0327, 2.2361),
    }
    length = 6.0
    rigid = rigid_piece(rod((0, 0, 9), (0, 0, 1), length, 100, diameter=1e-6, cone=cone))
    piece = rod((0, 0, 9), (0, 0, 1), length, 100, diameter=1e-6, cone=cone)
    hinge = hinge_across(piece, rigid, 90.0, 0.0)
    scale = 100 * G / hinge.inertia_kg_m2
    start = 1e-3
    motion = hinge_motion(
        (scale * hinge.sine_m, scale * hinge.cosine_m, 0.0), (start, 0.0), np.pi / 2, 1e-3, 30_000
    )
    at = np.radians([30, 45, 60, 70, 80, 90])
    rate = np.interp(at, motion[:, 1], motion[:, 2])
    np.testing.assert_allclose(rate * np.sqrt(length / G), table[cone], rtol=0.001)


@pytest.mark.published
@pytest.mark.parametrize(
    ("length", "start_deg", "seconds"),
    [
        (10, 1, 4.325), (10, 5, 2.999), (10, 10, 2.429),
        (20, 1, 6.116), (20, 5, 4.241), (20, 10, 3.435),
        (30, 1, 7.491), (30, 5, 5.194), (30, 10, 4.206),
    ],
)  # fmt: skip
def test_j3_time_to_fall_flat(length, start_deg, seconds):
    motion = hinge_motion(
        (1.5 * G / length, 0.0, 0.0), (np.radians(start_deg), 0.0), np.pi / 2, 1e-3, 30_000
    )
    assert motion[-1, 0] == pytest.approx(seconds, rel=0.005)
    assert motion[-1, 1] == pytest.approx(np.pi / 2, abs=1e-9)


@pytest.mark.published
def test_j2_tip_speed():
    motion = hinge_motion((1.5 * G / 20, 0.0, 0.0), (1e-4, 0.0), np.pi / 2, 1e-3, 60_000)
    assert motion[-1, 2] * 20 == pytest.approx(24.26, rel=0.002)


def test_thick_piece_must_be_lifted_over_its_hinge():
    piece = rod((0, 0, 9), (0, 0, 1), 1.0, 100, diameter=0.5)
    rigid = rigid_piece(piece)
    hinge = hinge_across(piece, rigid, 0.0, 0.0)
    assert np.degrees(hinge.balance_rad) == pytest.approx(np.degrees(np.arctan(0.1 / 0.5)))
    time, angle, rate = open_hinge(hinge, 100.0, np.radians(55))
    assert (np.diff(time) >= 0).all()
    assert (np.diff(angle) >= 0).all()
    assert angle[-1] == pytest.approx(np.radians(55))
    assert rate[-1] > 1.0


def test_limb_under_its_hinge_is_held_shut_by_gravity():
    piece = rod((0, 0, 9), (1, 0, -0.2), 4.0, 100, diameter=0.2)
    path = hinge_fall(piece, flat_ground(), hinge_azimuth_deg=90.0, below_level_deg=-80.0)
    assert "gravity holds this hinge shut" in path.notes[0]


def test_face_along_the_limb_is_refused():
    piece = rod((0, 0, 9), (1, 0, 0), 4.0, 100, diameter=0.2)
    with pytest.raises(InvalidInputError, match="across the limb"):
        hinge_fall(piece, flat_ground(), hinge_azimuth_deg=90.0)
