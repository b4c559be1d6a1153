"""Butts with lobes, hollows and hidden sides: the radius of equal area, down to the ground."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treescan.skeleton.butt import _go_on
from treescan.skeleton.limbs import LimbAxes
from treescan.skeleton.outline import MOVED, circle, hand_down

STEP_M = 0.12
SLICES = 20


def swell(height):
    """Radius of equal area of the stem of these tests. [m]"""
    return 0.3 * (1.0 + 0.45 * np.exp(-height / 0.7))


def butt(lobes, size, noise_m=0.002, hidden_deg=0.0, seed=0, count=60_000):
    """Points of a butt 2.5 m high whose lobes fade upward."""
    rng = np.random.default_rng(seed)
    height, turn = rng.uniform(-0.1, 2.5, count), rng.uniform(-np.pi, np.pi, count)
    fade = size * np.exp(-np.maximum(height, 0) / 0.6)
    wave = (1 + fade * np.cos(lobes * turn + seed)) / np.sqrt(1 + fade**2 / 2)
    rho = swell(height) * wave + rng.normal(0, noise_m, count)
    points = np.column_stack([rho * np.cos(turn), rho * np.sin(turn), height])
    return points[np.abs(turn) > np.radians(hidden_deg) / 2]


def handed_down(points, first_radius_m=None):
    """Outlines from the top to the ground and their heights."""
    height = 2.4 - STEP_M * np.arange(SLICES)
    place = (
        np.column_stack([np.zeros((SLICES, 2)), height]),
        np.tile([0.0, 0.0, 1.0], (SLICES, 1)),
    )
    share = MOVED + 0.11 * np.maximum(1 - height / 1.2, 0)
    start = circle(first_radius_m or float(swell(2.4)))
    return hand_down(points, place, start, share), height


@given(lobes=st.integers(2, 6), size=st.floats(0.0, 0.22), seed=st.integers(0, 30))
@settings(max_examples=12, deadline=None)
def test_a_lobed_butt_has_the_radius_of_equal_area_at_every_height(lobes, size, seed):
    found, height = handed_down(butt(lobes, size, seed=seed))
    radius = np.array([outline.radius_m for outline in found])
    assert radius == pytest.approx(swell(height), rel=0.012)


@given(size=st.floats(0.05, 0.2), hidden_deg=st.floats(40.0, 150.0), seed=st.integers(0, 30))
@settings(max_examples=12, deadline=None)
def test_a_hidden_side_is_doubted_by_what_its_lobes_may_add(size, hidden_deg, seed):
    found, height = handed_down(butt(5, size, hidden_deg=hidden_deg, seed=seed))
    off = np.array([outline.radius_m for outline in found]) / swell(height) - 1
    doubt = np.array([outline.radius_sd_m for outline in found]) / swell(height)
    assert (np.abs(off) < 3 * doubt + 0.012).all()
    whole, _ = handed_down(butt(5, size, seed=seed))
    assert found[-1].radius_sd_m > whole[-1].radius_sd_m


def test_what_stands_about_a_butt_does_not_widen_it():
    points = butt(4, 0.1)
    rng = np.random.default_rng(1)
    turn, away = rng.uniform(0, 2 * np.pi, 4000), rng.uniform(0.55, 1.2, 4000)
    grass = np.column_stack([away * np.cos(turn), away * np.sin(turn), rng.uniform(0, 0.5, 4000)])
    found, height = handed_down(np.concatenate([points, grass]))
    radius = np.array([outline.radius_m for outline in found])
    assert radius == pytest.approx(swell(height), rel=0.02)


def test_slices_without_points_are_left_out_and_the_next_goes_on():
    points = butt(4, 0.1)
    gap = (points[:, 2] > 0.9) & (points[:, 2] < 1.2)
    found, height = handed_down(points[~gap])
    assert any(outline is None for outline in found)
    assert found[-1].radius_m == pytest.approx(swell(height[-1]), rel=0.015)


@given(st.floats(0.0, 0.6))
@settings(max_examples=10, deadline=None)
def test_below_what_was_seen_a_butt_goes_on_as_it_widened(per_m):
    n, last = 12, 3
    height = STEP_M * np.arange(n)
    axes = LimbAxes(
        np.column_stack([np.zeros((n, 2)), height]),
        np.array([0, n]),
        np.array([-1]),
        np.array([-1]),
        np.zeros(n, dtype=bool),
    )
    true = 0.4 * np.exp(-per_m * height)
    radius, sd, source = true.copy(), np.full(n, 0.004), np.zeros(n, dtype=np.int64)
    radius[:last] = 0.1
    _go_on(axes, last, radius, sd, source)
    assert radius == pytest.approx(true, rel=1e-6)
    assert (sd[:last] > sd[last]).all()
    assert (source[:last] == 1).all()
