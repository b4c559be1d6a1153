"""Friction, capstan and resultants."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treescan.errors import InvalidInputError
from treescan.mechanics import friction, redirect

TURN = 2 * np.pi


@pytest.mark.published
def test_g1_frictionless_resultants():
    angle = np.radians([0, 30, 60, 90, 120, 150, 180])
    expected = [2, 1.9319, 1.7321, 1.4142, 1, 0.5176, 0]
    assert redirect.resultant_n(1.0, 1.0, angle) == pytest.approx(expected, abs=6e-5)


@pytest.mark.published
@pytest.mark.parametrize(
    ("q", "expected"),
    [
        (1.15, [1.8696, 1.8062, 1.6204, 1.3252, 0.9416]),
        (1.3, [1.7692, 1.7100, 1.5365, 1.2616, 0.9069]),
        (1.5, [1.6667, 1.6122, 1.4530, 1.2019, 0.8819]),
        (2.0, [1.5, 1.4547, 1.3229, 1.1180, 0.8660]),
        (3.0, [1.3333, 1.2994, 1.2019, 1.0541, 0.8819]),
    ],
)
def test_g2_resultants_with_friction(q, expected):
    got = redirect.resultant_n(1.0, q, np.radians([0, 30, 60, 90, 120]))
    assert got == pytest.approx(expected, abs=6e-5)


@pytest.mark.published
def test_g3_direction_of_the_resultant():
    got = np.degrees(redirect.resultant_angle_rad(np.array([1.0, 1.5, 2.0]), np.radians(60.0)))
    assert got == pytest.approx([30.0, 23.41, 19.11], abs=0.006)


@pytest.mark.published
def test_g4_capstan():
    mu = np.array([0.15, 0.20, 0.25, 0.30, 0.35])
    assert friction.capstan_ratio(mu, TURN) == pytest.approx(
        [2.566, 3.514, 4.810, 6.586, 9.017], abs=6e-4
    )
    assert friction.capstan_ratio(mu, 3 * TURN) == pytest.approx(
        [16.90, 43.38, 111.3, 285.7, 733.1], rel=6e-4
    )


@pytest.mark.published
def test_g5_wraps_to_hold():
    got = friction.wraps_to_hold(5000.0, 200.0, np.array([0.15, 0.25]))
    assert got == pytest.approx([3.415, 2.049], abs=6e-4)


G6 = [
    ("G6a", 98, 50, 90, 0.2142), ("G6b", 88, 35, 180, 0.1467), ("G6c", 89, 49, 90, 0.1900),
    ("G6d", 92, 53, 90, 0.1755), ("G6e", 87, 36, 180, 0.1404), ("G6f", 103, 47, 90, 0.2497),
    ("G6g", 125, 37, 180, 0.1938), ("G6h", 92, 47, 90, 0.2138), ("G6i", 127, 29, 180, 0.2351),
    ("G6j", 140, 31, 180, 0.2400), ("G6k", 179, 17, 180, 0.3747), ("G6l", 140, 15, 180, 0.3555),
    ("G6m", 135, 34, 90, 0.4389),
]  # fmt: skip


@pytest.mark.published
@pytest.mark.parametrize(("name", "up", "down", "angle", "mu"), G6)
def test_g6_delaney_2022_p88(name, up, down, angle, mu):
    got = friction.friction_from_pair(up, down, np.radians(angle))
    assert got == pytest.approx(mu, abs=6e-5), name
    assert 0.6 * 75 < np.sqrt(up * down) < 75  # raising and lowering are not symmetric


@pytest.mark.published
def test_g6_delaney_2022_turns_on_aluminium():
    turns = np.array([0.25, 0.5, 1, 2, 3, 4])
    got = friction.capstan_ratio(0.175, turns * TURN)
    assert got == pytest.approx([1.32, 1.73, 3.00, 9.02, 27.1, 81.3], rel=3e-3)


@pytest.mark.published
def test_g7_plain_bearing_sheaves():
    # shaft / tread radii of three blocks, mm, Arboric. Urban For. table page 13024
    ratio = np.array([9.525 / 27.559, 9.525 / 52.324, 9.3898 / 29.21])
    assert ratio == pytest.approx([0.3456, 0.1820, 0.3215], abs=6e-5)
    assert friction.sheave_ratio(0.2, ratio) == pytest.approx([1.1485, 1.0756, 1.1374], abs=6e-5)


@pytest.mark.published
def test_g8_kimbell_1981_notched_stump():
    assert friction.capstan_ratio(0.1768, TURN) == pytest.approx(3.04, abs=0.006)
    got = friction.groove_ratio(0.1768, TURN, np.radians(30.0))
    assert got == pytest.approx(9.22, abs=0.01)


@settings(deadline=None, max_examples=60)
@given(q=st.floats(1, 5), beta=st.floats(0, np.pi), tension=st.floats(0, 1e5))
def test_resultant_is_the_vector_sum(q, beta, tension):
    lead = tension * np.array([1.0, 0.0])
    fall = tension / q * np.array([np.cos(beta), np.sin(beta)])
    total = lead + fall
    size = float(redirect.resultant_n(tension, q, beta))
    assert size == pytest.approx(float(np.hypot(*total)), rel=1e-6, abs=1e-4 * (1 + tension) * 1e-2)
    if size > 1e-3 * tension:
        angle = float(redirect.resultant_angle_rad(q, beta))
        assert [np.cos(angle), np.sin(angle)] == pytest.approx(total / np.hypot(*total), abs=1e-6)


@settings(deadline=None, max_examples=40)
@given(tension=st.floats(300, 1e5), hand=st.floats(20, 250), mu=st.floats(0.05, 0.6))
def test_wraps_hold_what_the_capstan_says(tension, hand, mu):
    wraps = float(friction.wraps_to_hold(tension, hand, mu))
    assert friction.capstan_ratio(mu, wraps * TURN) * hand == pytest.approx(tension, rel=1e-9)


def test_120_degrees_without_friction_carries_the_tension_itself():
    assert redirect.resultant_n(1.0, 1.0, np.radians(120.0)) == pytest.approx(1.0, abs=1e-12)


def test_less_wrap_less_friction():
    got = friction.ratio_at_angle(1.44, np.radians([0.0, 90.0, 180.0]))
    assert got == pytest.approx([1.44, 1.2, 1.0])


@pytest.mark.parametrize("q", [0.9, 0.0, -1.0, float("nan")])
def test_a_friction_ratio_below_one_is_refused(q):
    with pytest.raises(InvalidInputError, match="friction ratio"):
        redirect.resultant_n(1.0, q, 0.1)


def test_swapped_readings_are_refused():
    with pytest.raises(InvalidInputError, match="swapped"):
        friction.friction_from_pair(50.0, 98.0, 1.0)
