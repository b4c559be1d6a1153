"""Laws that every motion obeys, on random pieces: energy, scaling, the plumb line, the step."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import treescan.motion.on_line as on_line
from tests.motion.energy import energy
from tests.motion.pieces import flat_ground, rod
from treescan.motion.body import rigid_piece
from treescan.motion.fall import free_fall, hinge_fall
from treescan.motion.rig import Rig, lines_of
from treescan.motion.rigid_body import Batch, one_line, simulate, simulate_lowered_batch
from treescan.motion.swing import lowered

FLAT = flat_ground()
QUIET = settings(
    deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
angle = st.floats(0.0, 360.0)


def limb(azimuth, rise, length, mass, height=12.0):
    turn, up = np.radians(azimuth), np.radians(rise)
    axis = (np.cos(up) * np.sin(turn), np.cos(up) * np.cos(turn), np.sin(up))
    return rod((0.3, 0.2, height), axis, length, mass, diameter=0.2, balls=12)


@QUIET
@given(
    azimuth=angle, rise=st.floats(-50, 60), length=st.floats(1.0, 6.0), mass=st.floats(20, 500),
    tie=st.floats(0.0, 1.0), east=st.floats(-3, 3), up=st.floats(1, 5),
    stiffness=st.floats(5e3, 60e3), slack=st.floats(0, 1),
)  # fmt: skip
def test_energy_stays_within_a_thousandth(
    azimuth, rise, length, mass, tie, east, up, stiffness, slack
):
    piece = limb(azimuth, rise, length, mass)
    rigid = rigid_piece(piece)
    anchor = piece.cut_m + np.array([east, 0.5, up])
    rig = Rig((piece.cut_m + tie * length * piece.axis)[None], anchor, stiffness, slack)
    lines = lines_of(rigid, rig)
    every = on_line.steps_a_sample(rigid, lines)
    state = np.concatenate([rigid.centre_m, np.zeros(3), rigid.attitude(np.eye(3)), np.zeros(3)])
    before = energy(state, rigid.body, lines)
    record, _, _ = simulate(state, rigid.body, lines, 0.025 / every, 160 * every, every)
    kept = np.array([energy(row, rigid.body, lines) for row in record])
    fallen = mass * 9.81 * max(rigid.centre_m[2] - record[:, 2].min(), 0.5)
    assert np.abs(kept - before).max() < 1e-3 * fallen


@QUIET
@given(azimuth=angle, rise=st.floats(-40, 60), length=st.floats(1, 4), east=st.floats(-2, 2))
def test_a_piece_ends_under_its_anchor(azimuth, rise, length, east):
    piece = limb(azimuth, rise, length, 100.0, height=14.0)
    anchor = piece.cut_m + np.array([east, 0.4, 3.0])
    path = lowered(piece, piece.cut_m + 0.3 * piece.axis, anchor, FLAT)
    hanging = int(np.flatnonzero(np.diff(path.time_s) > 0.04)[0])
    assert np.linalg.norm(path.centre_m[hanging, :2] - anchor[:2]) < 0.25
    tie = piece.cut_m + 0.3 * piece.axis
    straight = np.linalg.norm(anchor - tie) + np.linalg.norm(piece.centre_m - tie)
    assert path.lowest_m >= anchor[2] - straight - rigid_piece(piece).reach_m - 0.5


@QUIET
@given(azimuth=angle, breaks=st.floats(35, 80), length=st.floats(1.5, 6), scale=st.floats(1.5, 3))
def test_a_scaled_fall_is_the_same_fall(azimuth, breaks, length, scale):
    """Lengths times s, times times sqrt(s): the same turn and landing, energy with mass g s."""
    small = rod((0, 0, 5), (0, 0, 1), length, 100, diameter=0.02, balls=9)
    large = rod((0, 0, 5 * scale), (0, 0, 1), length * scale, 100, diameter=0.02 * scale, balls=9)
    paths = [
        hinge_fall(p, FLAT, hinge_azimuth_deg=azimuth, break_angle_deg=breaks, bounce_m=0.0)
        for p in (small, large)
    ]
    assert paths[1].impact_energy_j == pytest.approx(scale * paths[0].impact_energy_j, rel=0.01)
    assert paths[1].contact_attitude_deg == pytest.approx(paths[0].contact_attitude_deg, abs=1.0)


@QUIET
@given(azimuth=angle, rise=st.floats(-80, 80), length=st.floats(0.5, 6), height=st.floats(7, 25))
def test_energy_at_the_ground_is_that_of_the_fall(azimuth, rise, length, height):
    piece = limb(azimuth, rise, length, 80.0, height)
    path = free_fall(piece, FLAT)
    touch = int(np.argmin(np.abs(path.time_s - path.contact_time_s)))
    fallen = piece.centre_m[2] - path.centre_m[touch, 2]
    assert path.impact_energy_j == pytest.approx(80 * 9.81 * fallen, rel=0.02)


def test_half_the_step_gives_the_same_swing(monkeypatch):
    piece = limb(40.0, 20.0, 4.0, 150.0)
    tie, anchor = piece.cut_m + 0.4 * piece.axis, np.array([1.0, -0.5, 16.0])
    coarse = lowered(piece, tie, anchor, FLAT)
    monkeypatch.setattr(on_line, "STEP_S", on_line.STEP_S / 2)
    fine = lowered(piece, tie, anchor, FLAT)
    early = coarse.time_s < 4.0
    np.testing.assert_allclose(coarse.centre_m[early], fine.centre_m[early], atol=0.01)
    assert coarse.tension_n.max() == pytest.approx(fine.tension_n.max(), rel=0.01)


def lowered_batch(count):
    rng = np.random.default_rng(5)
    state = np.zeros((count, 13))
    state[:, :3] = rng.uniform((2, -2, 9), (5, 2, 12), (count, 3))
    state[:, 6] = 1.0
    anchor = np.tile([[[0.0, 0.0, 15.0]]], (count, 1, 1))
    tie = np.zeros((count, 1, 3))
    tie[:, 0, 0] = rng.uniform(-2, -0.5, count)
    span = np.linalg.norm(anchor[:, 0] - state[:, :3] - tie[:, 0], axis=1)
    return Batch(
        state=state, mass=rng.uniform(50, 400, count), moments=np.tile([5.0, 300, 310], (count, 1)),
        anchor=anchor, tie=tie, free_length=span[:, None], stiffness=np.full((count, 1), 20e3),
        slip_n=np.full(count, np.inf), run_max=np.zeros(count),
    )  # fmt: skip


def test_batch_gives_what_one_by_one_gives():
    batch = lowered_batch(6)
    record, tension = simulate_lowered_batch(batch, 0.005, 800, 5)
    for row in range(6):
        body = rigid_piece(rod((0, 0, 9), (1, 0, 0), 1, 1)).body._replace(
            mass=float(batch.mass[row]), moments=batch.moments[row]
        )
        lines = one_line(batch.anchor[row, 0], batch.tie[row, 0], batch.free_length[row, 0], 20e3)
        one, pull, _ = simulate(batch.state[row].copy(), body, lines, 0.005, 800, 5)
        np.testing.assert_allclose(record[row], one, atol=1e-9)
        np.testing.assert_allclose(tension[row], pull, atol=1e-6)
