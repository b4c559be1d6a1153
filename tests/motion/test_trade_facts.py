"""What crews know (common practice, no source), and free fall as the textbooks have it."""

import numpy as np
import pytest

from tests.motion.pieces import flat_ground, rod
from treescan.motion.body import rigid_piece
from treescan.motion.fall import free_fall, hinge_fall
from treescan.motion.on_line import steps_a_sample
from treescan.motion.rig import Rig, lines_of
from treescan.motion.rigid_body import simulate
from treescan.motion.ring import find_ring
from treescan.motion.swing import lowered
from treescan.motion.turned import turned_on_hinge
from treescan.units import G_M_S2

FLAT = flat_ground()
UP = np.array([0.0, 0.0, 1.0])


@pytest.mark.published
@pytest.mark.parametrize(
    ("height", "seconds", "speed"),
    [(1, 0.4515, 4.43), (2, 0.6386, 6.26), (3, 0.7821, 7.67), (5, 1.0096, 9.90),
     (8, 1.2771, 12.53), (10, 1.4278, 14.01), (15, 1.7487, 17.16), (20, 2.0193, 19.81)],
)  # fmt: skip
def test_l1_time_and_speed_of_a_free_fall(height, seconds, speed):
    """Handbook 10, L1 [exact]: a small ball whose lower side is so high."""
    ball = rod((0, 0, height + 0.05), (0, 0, 1), 1e-3, 20, diameter=0.1, balls=2)
    path = free_fall(ball, FLAT, break_angle_deg=0.0)
    assert path.contact_time_s == pytest.approx(seconds, abs=5e-4)
    assert np.sqrt(2.0 * path.impact_energy_j / 20.0) == pytest.approx(speed, abs=6e-3)


@pytest.mark.parametrize("length", [1.0, 2.0, 4.0])
def test_a_shorter_section_turns_more(length):
    """Turned by the first touch from 10 m, counted over whole turns."""
    turned = []
    for size in (length, 1.5 * length):
        log = rod((0, 0, 10), (0, 0, 1), size, 100)
        path = hinge_fall(log, FLAT, hinge_azimuth_deg=0.0, break_angle_deg=60.0)
        until = path.time_s <= path.contact_time_s + 1e-9
        axis = path.rotation[until] @ UP
        turned.append(np.unwrap(np.arctan2(axis[:, 1], axis[:, 2]))[-1])
    assert turned[0] > turned[1]


def test_the_leg_nearest_the_butt_carries_more():
    """A limb is heavier at its butt: ties at a tenth and at nine tenths of it, hanging level."""
    limb = rod((0, 0, 10), (1, 0, 0), 6.0, 200, diameter=0.2, cone=True)
    ties = limb.cut_m + np.array([[0.6, 0, 0], [5.4, 0, 0]])
    anchor = limb.centre_m + 7.0 * UP
    rigid = rigid_piece(limb)
    lines = lines_of(rigid, Rig(ties, anchor, 20e3))
    calm = lines._replace(damping=np.zeros(1))
    state = np.concatenate([rigid.centre_m, np.zeros(3), rigid.attitude(np.eye(3)), np.zeros(3)])
    every = steps_a_sample(rigid, calm)
    body = rigid.body._replace(drag_rate=1.5, spin_drag_rate=1.5)
    record, tension, _ = simulate(state, body, calm, 0.025 / every, 400 * every, every)
    turn = rigid.rotations(record[-1:, 6:10])[0]
    ends = record[-1, :3] + (ties - rigid.centre_m) @ turn.T
    three = np.vstack([ends, anchor])
    length = np.array([*lines.leg, lines.free_length[0]])
    stiff = np.array([*lines.leg_stiffness, lines.stiffness[0]])
    ring = lines.ring.copy()
    find_ring(three, length, stiff, ring)
    pulls = stiff[:2] * np.maximum(np.linalg.norm(ends - ring, axis=1) - length[:2], 0.0)
    assert tension[-1] == pytest.approx(200 * G_M_S2, rel=0.02)
    assert pulls[0] > 1.5 * pulls[1] > 0.0


def test_a_level_hinge_lets_the_limb_drop_early():
    limb = rod((0, 0, 8), (1, 0, 0), 4.0, 120, diameter=0.18)
    tie = limb.cut_m + 2.4 * limb.axis
    turns = [
        turned_on_hinge(limb, tie, tie + 4.0 * UP, FLAT, hinge_azimuth_deg=0.0,
                        below_level_deg=below, turn_deg=30.0)
        for below in (0.0, 20.0, 45.0)
    ]  # fmt: skip
    warned = [any("drop early" in note for note in turn.warnings) for turn in turns]
    assert warned == [True, False, False]


def test_a_limb_longer_than_its_tie_is_high_touches_the_ground():
    for height, touches in ((4.0, True), (12.0, False)):
        limb = rod((0, 0, height), (1, 0, 0), 6.0, 150, diameter=0.18)
        path = lowered(limb, limb.cut_m + 0.4 * limb.axis, limb.cut_m + 1.0 * UP, FLAT)
        assert (path.lowest_m < 0.0) == touches
