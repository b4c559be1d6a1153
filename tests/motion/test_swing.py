"""Pieces on the line: pendulum checks of handbook section 6.4 and energy."""

import numpy as np
import pytest

from tests.motion.pieces import flat_ground, rod
from treescan.motion.rigid_body import Body, Lines, energy, simulate
from treescan.motion.swing import hang_screen, lowered

FLAT = flat_ground()


@pytest.mark.published
@pytest.mark.parametrize(
    ("release_deg", "expected"),
    [(15, 1.068), (30, 1.268), (45, 1.586), (60, 2.0), (75, 2.482), (90, 3.0)],
)
def test_f1_peak_of_a_taut_pendulum(release_deg, expected):
    a0 = np.radians(release_deg)
    centre = [[5 * np.sin(a0), 0, 14 - 5 * np.cos(a0)]]
    screen = hang_screen(centre, centre, [[0, 0, 14]], [0.0])
    assert screen.tension_w[0] == pytest.approx(expected, abs=6e-4)


@pytest.mark.published
def test_f4_swing_of_a_small_log():
    """Anchor (0, 14), tie (4, 11): 1.80 W, lowest tie at 9, far point (-4, 11)."""
    piece = rod((4, 0, 11), (0, 0, -1), 0.02, 100, diameter=0.02, balls=2)
    path = lowered(
        piece, piece.centre_m, np.array([0, 0, 14.0]), FLAT,
        rope_stiffness_n_m=2e6, pretension_n=0.6 * 981.0,
    )  # fmt: skip
    assert path.tension_n.max() / 981.0 == pytest.approx(1.80, rel=0.01)
    swing = path.time_s < 3.0
    assert path.centre_m[swing, 2].min() == pytest.approx(9.0, abs=0.03)
    assert path.centre_m[swing, 0].min() == pytest.approx(-4.0, abs=0.03)


def test_comes_to_rest_under_its_anchor():
    piece = rod((4, 1, 11), (1, 0.5, 0.2), 4, 200, diameter=0.2)
    path = lowered(piece, piece.cut_m + 0.3 * piece.axis, np.array([0, 0, 14.0]), FLAT)
    hanging = path.centre_m[np.argmin(np.abs(path.centre_m[:, 2] - 5.0))]
    np.testing.assert_allclose(hanging[:2], [0, 0], atol=0.1)
    assert path.lowest_m > 0
    assert path.centre_m[-1, 2] < 0.5


def test_energy_is_kept_within_a_thousandth():
    state = np.zeros(13)
    state[[0, 2, 6]] = 4.0, 11.0, 1.0
    body = Body(150.0, np.array([5.0, 440.0, 450.0]), 0.0, 0.0)
    lines = Lines(
        np.array([[0.3, 0.2, 14.0]]), np.array([[-2.0, 0.1, 0.05]]), np.array([3.5]),
        np.array([16_667.0]), np.zeros(1), np.inf, 0.0,
    )  # fmt: skip
    before = energy(state, body, lines)
    record, _, _ = simulate(state, body, lines, 0.005, 2000, 5)
    kept = np.array([energy(row, body, lines) for row in record])
    assert np.abs(kept - before).max() < 1e-3 * 150 * 9.81 * 5


def test_running_line_hangs_lower():
    piece = rod((4, 0, 11), (1, 0, 0), 4, 200, diameter=0.2)
    tie, anchor = piece.cut_m + 0.3 * piece.axis, np.array([0, 0, 14.0])
    held = lowered(piece, tie, anchor, FLAT)
    run = lowered(piece, tie, anchor, FLAT, run_m=1.0)
    assert held.lowest_m - 1.1 < run.lowest_m < held.lowest_m - 0.1
