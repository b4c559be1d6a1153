"""Pieces on the line: pendulum checks of handbook section 6.4 and energy."""

import numpy as np
import pytest

from tests.motion.energy import energy
from tests.motion.pieces import flat_ground, rod
from treescan.errors import InvalidInputError
from treescan.mechanics.drop import drop_tension_n
from treescan.motion.body import rigid_piece
from treescan.motion.on_line import SAMPLE_S, steps_a_sample
from treescan.motion.rig import Rig, lines_of
from treescan.motion.rigid_body import Body, one_line, simulate
from treescan.motion.swing import caught, lowered

FLAT = flat_ground()


@pytest.mark.published
@pytest.mark.parametrize(
    ("release_deg", "expected"),
    [(15, 1.068), (30, 1.268), (45, 1.586), (60, 2.0), (75, 2.482), (90, 3.0)],
)
def test_f1_peak_of_a_taut_pendulum(release_deg, expected):
    """A small log let go so far from plumb on a stiff line that carries it already."""
    a0 = np.radians(release_deg)
    log = rod((5 * np.sin(a0), 0, 14 - 5 * np.cos(a0)), (0, 0, -1), 0.02, 100, balls=2)
    path = lowered(
        log, log.centre_m, np.array([0, 0, 14.0]), FLAT,
        rope_stiffness_n_m=2e6, pretension_n=np.cos(a0) * 981.0,
    )  # fmt: skip
    assert path.tension_n.max() / 981.0 == pytest.approx(expected, rel=0.01)


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
    lines = one_line(np.array([0.3, 0.2, 14.0]), np.array([-2.0, 0.1, 0.05]), 3.5, 16_667.0)
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


def hanging_pose(path):
    """Last pose before it is let down (from there on time goes in longer steps)."""
    return int(np.flatnonzero(np.diff(path.time_s) > 0.04)[0])


def test_two_legs_let_a_limb_hang_as_it_lay():
    piece = rod((3, 0, 11), (1, 0.2, 0.1), 5, 200, diameter=0.2)
    ties = np.array([piece.cut_m + 0.5 * piece.axis, piece.cut_m + 4 * piece.axis])
    path = lowered(piece, ties, np.array([0, 0, 16.0]), FLAT)
    row = hanging_pose(path)
    np.testing.assert_allclose(path.centre_m[row, :2], [0, 0], atol=0.1)
    axis = path.rotation[row] @ piece.axis
    assert axis[2] == pytest.approx(piece.axis[2], abs=0.03)
    longer_tip_leg = lowered(piece, ties, np.array([0, 0, 16.0]), FLAT, leg_m=np.array([3.15, 3.2]))
    row = hanging_pose(longer_tip_leg)
    assert (longer_tip_leg.rotation[row] @ piece.axis)[2] < piece.axis[2] - 0.1


def test_energy_is_kept_with_two_legs_and_a_ring():
    piece = rod((3, 0, 11), (1, 0.2, 0.1), 5, 200, diameter=0.2)
    ties = np.array([piece.cut_m + 0.5 * piece.axis, piece.cut_m + 4 * piece.axis])
    rigid = rigid_piece(piece)
    lines = lines_of(rigid, Rig(ties, np.array([0, 0, 16.0]), 20e3))
    state = np.concatenate(
        [rigid.centre_m, np.zeros(3), rigid.attitude(np.eye(3)), np.zeros(3)]
    )  # fmt: skip
    before = energy(state, rigid.body, lines)
    every = steps_a_sample(rigid, lines)
    record, _, _ = simulate(state, rigid.body, lines, SAMPLE_S / every, 160 * every, every)
    kept = np.array([energy(row, rigid.body, lines) for row in record])
    assert np.abs(kept - before).max() < 1e-3 * 200 * 9.81 * 5


@pytest.mark.published
@pytest.mark.parametrize(
    ("length", "below", "expected"),
    [(1.5, 0.3, 2.1), (2, 0.3, 2.6), (3, 0.4, 3.8)],
)
def test_e13_e14_e15_fall_of_a_log_caught_below_its_cut(length, below, expected):
    """COM drop is L + 2 b, whatever the height of the tie; the stretch comes on top."""
    log = rod((0, 0, 12), (0, 0, 1), length, 150, diameter=0.002)
    for tie_above in (0.3, 0.5):
        path = caught(
            log, log.cut_m + tie_above * log.axis, np.array([0, 0, 12 - below]), FLAT,
            hinge_azimuth_deg=90.0, rope_stiffness_n_m=50e3,
        )  # fmt: skip
        row = hanging_pose(path)
        drop = log.centre_m[2] - path.centre_m[row, 2]
        assert drop == pytest.approx(expected + 150 * 9.81 / 50e3, abs=0.02)


def test_catching_costs_less_than_the_energy_bound_and_more_than_twice_the_weight():
    log = rod((0, 0, 12), (0, 0, 1), 2.0, 150, diameter=0.002)
    path = caught(
        log, log.cut_m + 0.4 * log.axis, np.array([0, 0, 11.7]), FLAT,
        hinge_azimuth_deg=90.0, rope_stiffness_n_m=20_590.0,
    )  # fmt: skip
    bound = float(drop_tension_n(150 * 9.81, 2.6, 20_590.0))
    assert 2.0 * 150 * 9.81 < path.tension_n.max() < bound


def test_tension_follows_mass_when_the_line_is_scaled_with_it():
    small = rod((4, 0, 11), (1, 0, 0), 4, 100, diameter=0.2)
    large = rod((4, 0, 11), (1, 0, 0), 4, 300, diameter=0.2)
    paths = [
        lowered(p, p.cut_m, np.array([0, 0, 14.0]), FLAT, rope_stiffness_n_m=k)
        for p, k in ((small, 10e3), (large, 30e3))
    ]
    np.testing.assert_allclose(paths[0].centre_m, paths[1].centre_m, atol=1e-6)
    np.testing.assert_allclose(3 * paths[0].tension_n, paths[1].tension_n, rtol=1e-6, atol=1e-3)


def test_swing_is_mirrored_when_the_piece_is():
    paths = [
        lowered(
            rod((4, side * 1.0, 11), (1, side * 0.4, 0.1), 4, 100, diameter=0.2),
            np.array([4.0, side * 1.0, 11.0]), np.array([0, 0, 14.0]), FLAT,
        )
        for side in (1, -1)
    ]  # fmt: skip
    early = paths[0].time_s < 3.0
    np.testing.assert_allclose(
        paths[0].centre_m[early] * [1, -1, 1], paths[1].centre_m[early], atol=1e-5
    )


@pytest.mark.published
@pytest.mark.parametrize(
    ("share", "expected"), [(0.5, 2.5), (0.4, 2.315), (0.3, 2.039), (0.25, 1.857), (0.2, 1.649)]
)
def test_e16_turning_about_a_tie_on_a_stiff_short_lead(share, expected):
    """Rod from level, tied at d from its centre: W (1 + 2 / (1 + L² / 12 d²)).

    The tie hangs on a stiff lead of 2 mm that starts with the tension just after release
    (E17), so that it hardly rings.
    """
    length, mass = 2.0, 100.0
    piece = rod((0, 0, 9), (1, 0, 0), length, mass, diameter=0.0005, balls=2)
    rigid = rigid_piece(piece)
    tie = piece.centre_m - np.array([share * length, 0, 0])
    arm, spread = (share * length) ** 2, length**2 / 12
    stiffness, weight = 4e6, mass * 9.81
    start = weight * spread / (spread + arm)
    lines = one_line(
        tie + np.array([0, 0, 0.002]), (tie - rigid.centre_m) @ rigid.axes,
        0.002 - start / stiffness, stiffness,
    )  # fmt: skip
    state = np.concatenate([rigid.centre_m, np.zeros(3), rigid.attitude(np.eye(3)), np.zeros(3)])
    _, tension, _ = simulate(state, rigid.body, lines, 1e-4, 12_000, 1)
    smooth = np.convolve(tension, np.full(300, 1 / 300), mode="valid")
    assert smooth.max() / weight == pytest.approx(expected, rel=0.02)


def test_limb_longer_than_its_tie_is_high_strikes_the_ground():
    limb = rod((2, 0, 5), (1, 0, 0.1), 6, 200, diameter=0.2)
    path = lowered(limb, limb.cut_m, np.array([0, 0, 7.0]), FLAT)
    assert path.lowest_m < -0.3
    assert path.impact_energy_j > 0.0
    assert "strikes the ground while swinging" in path.notes[0]
    assert path.centre_m[:, 2].min() > -0.5
    assert path.centre_m[-1, 2] < 1.0
    assert np.diff(path.time_s).max() <= 0.05


def test_every_path_has_arrays_of_one_length():
    limb = rod((2, 0, 5), (1, 0, 0.1), 6, 200, diameter=0.2)
    high = rod((2, 0, 11), (1, 0, 0.1), 3, 200, diameter=0.2)
    for piece, top in ((limb, 7.0), (high, 15.0)):
        path = lowered(piece, piece.cut_m, np.array([0, 0, top]), FLAT, run_m=0.4)
        sizes = {len(path.time_s), len(path.centre_m), len(path.rotation), len(path.tension_n)}
        assert len(sizes) == 1
        assert (np.diff(path.time_s) > 0).all()
        np.testing.assert_allclose(np.linalg.det(path.rotation), 1.0, atol=1e-6)


@pytest.mark.published
@pytest.mark.parametrize(
    ("one", "two", "shares"),
    [(30, 30, (0.5774, 0.5774)), (20, 40, (0.7422, 0.3949)), (10, 60, (0.9216, 0.1848)),
     (60, 60, (1.0, 1.0))],
    ids=["e6", "e7", "e8", "e9"],
)  # fmt: skip
def test_e6_to_e9_pulls_of_two_lines_to_one_point(one, two, shares):
    """A small log on two lines, let settle: T1 = W sin t2 / sin(t1 + t2)."""
    log = rod((0, 0, 8), (0, 0, -1), 0.02, 100, diameter=0.02, balls=2)
    tie, stiff = log.centre_m, 4e6
    anchors = [
        tie + 5.0 * np.array([side * np.sin(np.radians(t)), 0, np.cos(np.radians(t))])
        for side, t in ((-1, one), (1, two))
    ]
    path = lowered(
        log, tie, anchors[0], FLAT, rope_stiffness_n_m=stiff,
        second_tie_m=tie, second_anchor_m=anchors[1],
    )  # fmt: skip
    row = hanging_pose(path)
    place = path.centre_m[row]
    found = [stiff * (np.linalg.norm(place - anchor) - 5.0) / 981.0 for anchor in anchors]
    np.testing.assert_allclose(found, shares, rtol=0.01)


def test_piece_hangs_between_its_two_anchors():
    limb = rod((1, 0, 9), (1, 0, 0.2), 3, 100, diameter=0.2)
    path = lowered(
        limb, limb.cut_m, np.array([0, 0, 14.0]), FLAT, second_tie_m=limb.cut_m,
        second_anchor_m=np.array([8.0, 0, 13.0]), hold_swing=True,
    )  # fmt: skip
    assert 0.5 < path.centre_m[hanging_pose(path), 0] < 6.0
    with pytest.raises(InvalidInputError, match="second line"):
        lowered(limb, limb.cut_m, np.array([0, 0, 14.0]), FLAT, second_tie_m=limb.cut_m)


@pytest.mark.published
def test_e12_lowest_point_of_a_butt_tied_limb():
    """Anchor 14, lead 3, L 4, tie 0.5 from the butt: 7.5 m without stretch."""
    limb = rod((0.0, 0, 11), (0.6, 0, 0.8), 4, 100, diameter=0.002, balls=40)
    tie = limb.cut_m + 0.5 * limb.axis
    limb_up = np.array([tie[0], tie[1], tie[2] + 3.0])
    shift = np.array([0.0, 0.0, 14.0 - limb_up[2]])
    limb = rod(limb.cut_m + shift, limb.axis, 4, 100, diameter=0.002, balls=40)
    path = lowered(limb, tie + shift, limb_up + shift, FLAT, rope_stiffness_n_m=1e6)
    row = hanging_pose(path)
    ends = path.centre_m[row] + (limb.outline_m - limb.centre_m) @ path.rotation[row].T
    assert ends[:, 2].min() == pytest.approx(7.5, abs=0.02)


@pytest.mark.published
def test_f3_period_and_time_to_plumb():
    """Lead 8 m released at 60 degrees: plumb after 1.522 s, a period of 5.674 x 1.0732 s."""
    a0 = np.radians(60)
    piece = rod(
        (8 * np.sin(a0), 0, 20 - 8 * np.cos(a0)), (0, 0, -1), 0.002, 100, diameter=0.004, balls=2
    )
    path = lowered(
        piece, piece.centre_m, np.array([0, 0, 20.0]), FLAT,
        rope_stiffness_n_m=3e6, pretension_n=0.5 * 981,
    )  # fmt: skip
    x = path.centre_m[:, 0]
    first = int(np.argmax(x < 0))
    share = x[first - 1] / (x[first - 1] - x[first])
    assert path.time_s[first - 1] + share * 0.025 == pytest.approx(1.522, abs=0.01)
    far = path.time_s[np.argmin(x[: np.searchsorted(path.time_s, 4.0)])]
    assert far == pytest.approx(0.5 * 5.674 * 1.0732, abs=0.05)


@pytest.mark.published
def test_e11_hang_angle_of_a_piece_tied_above_its_axis():
    """Tie 0.2 m along and 0.25 m above the centre: 38.7 degrees from level."""
    piece = rod((5, 0, 11), (1, 0, 0), 3, 100, diameter=0.5, balls=20)
    tie = piece.centre_m + np.array([-0.2, 0, 0.25])
    path = lowered(piece, tie, np.array([5.0, 0, 15]), FLAT, hold_swing=True)
    axis = path.rotation[hanging_pose(path)] @ piece.axis
    assert abs(np.degrees(np.arcsin(axis[2]))) == pytest.approx(38.7, abs=1.0)


def test_e5_centre_outside_the_legs_is_flagged():
    piece = rod((3, 0, 11), (1, 0, 0), 5, 200, diameter=0.2)
    inside = piece.cut_m + np.outer([1.0, 4.0], piece.axis)
    outside = piece.cut_m + np.outer([0.2, 2.0], piece.axis)
    anchor = np.array([0, 0, 16.0])
    assert not any("outside" in note for note in lowered(piece, inside, anchor, FLAT).notes)
    assert any("outside" in note for note in lowered(piece, outside, anchor, FLAT).notes)
