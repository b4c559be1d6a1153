"""Walls that stations set apart: the radius is that of the parts, not of what holds them all."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treescan.skeleton.circles import fit_circles
from treescan.skeleton.shells import fit_shells, wall_tol_m

WINDOWS, STEP_M = 24, 0.12
NOISE_M, POINTS = 0.0015, 1200


def scanned(seed: int, radius: np.ndarray, apart_m: float, stations: int = 5):
    """Points of a stem's windows (x, y, z), each station's third of the round moved as a whole."""
    rng = np.random.default_rng(seed)
    shift = apart_m * rng.normal(size=(stations, 2))
    facing = 2 * np.pi / stations * (np.arange(stations) + rng.uniform(-0.2, 0.2, stations))
    rows, window = [], []
    for w, r in enumerate(radius):
        k = rng.integers(0, stations, POINTS)
        turn = facing[k] + rng.uniform(-1.15, 1.15, POINTS)
        rho = r + NOISE_M * rng.normal(size=POINTS)
        at = np.column_stack([rho * np.cos(turn), rho * np.sin(turn)]) + shift[k]
        z = STEP_M * (w + rng.uniform(-0.5, 0.5, POINTS))
        order = np.argsort(z)
        rows.append(np.column_stack([at, z])[order])
        window.append((POINTS * w, POINTS * (w + 1)))
    apart = shift - shift.mean(axis=0)
    return np.concatenate(rows), np.array(window).T, float(np.sqrt((apart**2).mean()))


def fitted(points: np.ndarray, window: np.ndarray, radius: np.ndarray):
    """One circle a window, then circles of one radius."""
    u, v = points[:, 0].copy(), points[:, 1].copy()
    asked = np.vstack([window, np.full(len(radius), 160)])
    limits = np.column_stack([0.4 * radius, 1.5 * radius + 0.05])
    circle = fit_circles(u, v, asked, np.full(len(radius), 0.04), limits, 240)
    tol = wall_tol_m(points, window, circle[:, 2])
    assert tol is not None
    first = np.array([0, len(radius)])
    return circle[:, 2], fit_shells(u, v, window, circle[:, :3].copy(), first, tol, 240)


@pytest.mark.parametrize("base_m", [0.10, 0.20])
def test_radius_of_walls_that_stand_apart(base_m: float) -> None:
    """Stations some 2 cm apart: the radius errs by less than half of what one circle errs by."""
    radius = base_m * np.linspace(1.0, 0.8, WINDOWS)
    off_one, off_walls, told = [], [], []
    for seed in range(12):
        points, window, apart = scanned(seed, radius, 0.02)
        one, walls = fitted(points, window, radius)
        parted = walls[:, 0] > 0
        assert parted.mean() > 0.9
        off_one.append(np.median(one / radius) - 1.0)
        off_walls.append(np.median(walls[parted, 0] / radius[parted]) - 1.0)
        told.append(np.median(walls[parted, 3]) / apart)
    assert np.square(off_walls).mean() < 0.25 * np.square(off_one).mean()
    assert 0.7 < np.median(told) < 1.3


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10_000), base=st.floats(0.05, 0.3))
def test_one_wall_stays_what_it_is(seed: int, base: float) -> None:
    """Where stations agree the radius stays within 1 % and nothing stands apart."""
    radius = base * np.linspace(1.0, 0.8, WINDOWS)
    points, window, _ = scanned(seed, radius, 0.0)
    one, walls = fitted(points, window, radius)
    found = np.where(walls[:, 0] > 0, walls[:, 0], one)
    assert abs(float(np.median(found / radius)) - 1.0) < 0.01
    assert float(np.median(walls[:, 3])) < 0.003


def test_scans_that_scatter_too_much_are_left_alone() -> None:
    """With noise of a centimetre walls cannot be told apart: there is no tolerance for them."""
    rng = np.random.default_rng(1)
    points, window, _ = scanned(3, np.full(WINDOWS, 0.15), 0.02)
    points[:, :2] += 0.012 * rng.normal(size=(len(points), 2))
    assert wall_tol_m(points, window, np.full(WINDOWS, 0.15)) is None
