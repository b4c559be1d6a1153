"""The girth of sections that are no circles, against the exact hull."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from treescan.mensuration.breast_height import slice_fit

UP, MIDDLE = np.array([0.0, 0.0, 1.0]), np.array([0.0, 0.0, 1.3])


def section(radius_m, lobes, noise_m=0.002, unseen_deg=0.0, seed=4, count=3000):
    """Points of a slice with harmonics {number: share}, and the girth of its hull over 2 pi."""
    rng = np.random.default_rng(seed)
    turn = rng.uniform(-np.pi, np.pi, count)

    def outline(angle):
        wave = np.zeros(len(angle))
        for k, a in lobes.items():
            wave += a * np.cos(k * angle + 0.7 * k)
        return radius_m * (1.0 + wave)

    all_round = np.linspace(-np.pi, np.pi, 2000)
    ring = outline(all_round)[:, None] * np.column_stack([np.cos(all_round), np.sin(all_round)])
    seen = turn[np.abs(turn) > np.radians(unseen_deg) / 2]
    rho = outline(seen) + rng.normal(0, noise_m, len(seen))
    z = 1.3 + rng.uniform(-0.08, 0.08, len(seen))
    points = np.column_stack([rho * np.cos(seen), rho * np.sin(seen), z])
    return points, float(ConvexHull(ring).area / (2 * np.pi))


@given(radius=st.floats(0.06, 0.6), seed=st.integers(0, 50))
@settings(max_examples=15, deadline=None)
def test_a_round_stem_reads_its_radius(radius, seed):
    points, true = section(radius, {}, seed=seed)
    found, sd = slice_fit(points, MIDDLE, UP, 1.1 * radius)
    assert found == pytest.approx(true, abs=0.0025 + 0.004 * radius)
    assert sd < 0.02 * radius + 0.004


@given(seed=st.integers(0, 50), size=st.floats(0.02, 0.05))
@settings(max_examples=15, deadline=None)
def test_a_lobed_butt_reads_the_girth_of_its_hull(seed, size):
    # A circle through the sharpest crowd of such a section is up to a lobe too small or too wide.
    points, true = section(0.5, {2: 0.5 * size, 3: size, 5: 0.6 * size}, seed=seed)
    found, _ = slice_fit(points, MIDDLE, UP, 0.48)
    assert found == pytest.approx(true, rel=0.012)


@pytest.mark.parametrize("unseen_deg", [60.0, 120.0, 200.0])
def test_doubt_grows_with_the_part_of_an_uneven_round_that_was_not_seen(unseen_deg):
    lobes = {2: 0.03, 3: 0.03}
    whole, part = section(0.4, lobes), section(0.4, lobes, unseen_deg=unseen_deg)
    _, sd_whole = slice_fit(whole[0], MIDDLE, UP, 0.4)
    found, sd = slice_fit(part[0], MIDDLE, UP, 0.4)
    assert sd > sd_whole
    assert abs(found - part[1]) < 3 * sd


@given(radius=st.floats(0.1, 0.3), seed=st.integers(0, 20))
@settings(max_examples=10, deadline=None)
def test_noise_of_a_phone_is_not_taken_for_ridges_of_bark(radius, seed):
    points, true = section(radius, {}, noise_m=0.010, seed=seed, count=20_000)
    found, sd = slice_fit(points, MIDDLE, UP, radius)
    assert found == pytest.approx(true, abs=0.002 + 0.005 * radius)
    assert sd < 0.01


def test_a_butt_that_widens_within_the_slice_has_no_ridges_for_it():
    rng = np.random.default_rng(2)
    height, turn = rng.uniform(0.7, 2.6, 60_000), rng.uniform(-np.pi, np.pi, 60_000)
    radius = 0.4 * (1 + 0.45 * np.exp(-height / 0.7))
    rho = radius + rng.normal(0, 0.001, len(height))
    points = np.column_stack([rho * np.cos(turn), rho * np.sin(turn), height])
    found, _ = slice_fit(points, MIDDLE, UP, 0.42)
    assert found == pytest.approx(0.4 * (1 + 0.45 * np.exp(-1.3 / 0.7)), abs=0.001)


def double_walled(radius_m, seed, apart_m=0.02, stations=5):
    """Points of 1.2 m of stem, the part of the round that each station saw moved as a whole."""
    rng = np.random.default_rng(seed)
    count = 12_000
    facing = 2 * np.pi / stations * np.arange(stations)
    shift = apart_m * rng.normal(size=(stations, 2))
    k = rng.integers(0, stations, count)
    turn = facing[k] + rng.uniform(-1.15, 1.15, count)
    rho = radius_m + rng.normal(0, 0.0015, count)
    at = rho[:, None] * np.column_stack([np.cos(turn), np.sin(turn)]) + shift[k]
    return np.column_stack([at, 1.3 + rng.uniform(-0.6, 0.6, count)])


@pytest.mark.parametrize("radius", [0.1, 0.2])
def test_stations_that_disagree_do_not_make_a_stem_thicker(radius):
    off, sds = [], []
    for seed in range(10):
        found, sd = slice_fit(double_walled(radius, seed), MIDDLE, UP, radius)
        off.append(found - radius)
        sds.append(sd)
    assert abs(np.median(off)) < 0.003
    assert np.mean(np.abs(off) < 2 * np.array(sds)) >= 0.8
