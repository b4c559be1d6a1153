"""The same cases in MuJoCo, an independent rigid-body engine, at a fine step."""

import mujoco
import numpy as np
import pytest

from tests.motion.pieces import flat_ground
from treescan.motion.body import rigid_piece
from treescan.motion.fall import FLIGHT_STEP_S, hinge_fall
from treescan.motion.hinge import START_RATE_RAD_S, face_direction, make_hinge
from treescan.motion.rig import Rig, checked_rig, lines_of
from treescan.motion.swing import lowered
from treescan.units import Band
from treescan.wood.types import Piece

FLAT = flat_ground()
FEW, ALL = range(10), range(10, 210)


def random_piece(rng, upright):
    """Lumps along a bent limb: an uneven body with off-diagonal inertia."""
    length = rng.uniform(1.0, 7.0)
    height = rng.uniform(length + 4.0, length + 14.0)
    axis = rng.normal(size=3) * (0.15 if upright else 1.0)
    axis[2] = 1.0 if upright else 0.4 * axis[2]
    axis /= np.linalg.norm(axis)
    cut = np.array([*rng.uniform(-2, 2, 2), height])
    share = np.linspace(0.05, 1.0, 9)
    bend = rng.normal(scale=0.15 * length, size=3)
    points = cut + share[:, None] * length * axis + share[:, None] ** 2 * bend
    lumps = rng.uniform(0.5, 1.5, 9) * np.linspace(2.0, 0.4, 9)
    lumps *= rng.uniform(30.0, 400.0) / lumps.sum()
    radius = 0.15
    centre = lumps @ points / lumps.sum()
    arm = points - centre
    inertia = np.einsum("i,ij,ik->jk", lumps, arm, arm)
    own = 0.4 * radius**2 * lumps.sum()
    inertia = np.trace(inertia) * np.eye(3) - inertia + own * np.eye(3)
    mass = float(lumps.sum())
    return Piece(
        butt_node=1, nodes=np.array([1], dtype=np.int32), limb=0,
        mass_kg=Band(mass, mass, mass), centre_m=centre, inertia_kg_m2=inertia, cut_m=cut,
        axis=axis, length_m=length, butt_diameter_m=0.3, top_diameter_m=0.1,
        outline_m=points, outline_radius_m=np.full(9, radius),
    )  # fmt: skip


def body_xml(piece, joint, extra=""):
    i = piece.inertia_kg_m2
    full = (i[0, 0], i[1, 1], i[2, 2], i[0, 1], i[0, 2], i[1, 2])
    balls = "".join(
        f'<geom type="sphere" size="{r}" pos="{" ".join(map(repr, map(float, p)))}" mass="0"/>'
        for p, r in zip(piece.outline_m - piece.centre_m, piece.outline_radius_m, strict=True)
    )
    at = " ".join(map(repr, map(float, piece.centre_m)))
    return (
        f'<body name="piece" pos="{at}">{joint}<inertial pos="0 0 0" mass="{piece.mass_kg.high}" '
        f'fullinertia="{" ".join(map(repr, map(float, full)))}"/>{balls}{extra}</body>'
    )


def model(piece, joint, extra="", world="", after=""):
    return mujoco.MjModel.from_xml_string(
        '<mujoco><option timestep="0.0005" integrator="RK4" gravity="0 0 -9.81"/>'
        '<compiler inertiafromgeom="false"/>'
        f'<worldbody><geom type="plane" size="99 99 1"/>{world}'
        f"{body_xml(piece, joint, extra)}</worldbody>{after}</mujoco>"
    )


def spaced(v):
    return " ".join(repr(float(x)) for x in v)


def run_free(piece, data_from):
    """Centre at the first touch of the ground."""
    free = model(piece, "<freejoint/>")
    data = mujoco.MjData(free)
    data.qpos[:], data.qvel[:] = data_from
    for _ in range(12_000):
        mujoco.mj_step(free, data)
        if data.ncon:
            return data.time, data.qpos[:3].copy()
    raise AssertionError("never lands")


def hinge_release(piece, point, axis, balance, break_rad):
    """State (qpos, qvel) of the free body when the hinge breaks."""
    arm = point - piece.centre_m
    joint = f'<joint type="hinge" pos="{spaced(arm)}" axis="{spaced(axis)}"/>'
    turning = model(piece, joint)
    data = mujoco.MjData(turning)
    data.qpos[0], data.qvel[0] = balance, START_RATE_RAD_S
    while data.qpos[0] < break_rad:
        mujoco.mj_step(turning, data)
        assert data.time < 30
    mujoco.mj_forward(turning, data)
    row = turning.body("piece").id
    velocity = np.zeros(6)
    mujoco.mj_objectVelocity(turning, data, mujoco.mjtObj.mjOBJ_BODY, row, velocity, 0)
    spin, speed = velocity[:3], velocity[3:]
    turn = data.xmat[row].reshape(3, 3)
    return (
        np.concatenate([data.xpos[row], data.xquat[row]]),
        np.concatenate([speed, turn.T @ spin]),
    )


def check_hinge_fall(seed):
    rng = np.random.default_rng([7, seed])
    piece = random_piece(rng, upright=True)
    azimuth = rng.uniform(0, 360)
    breaks = rng.uniform(40, 75)
    below = rng.uniform(0, 10)
    ours = hinge_fall(
        piece, FLAT, hinge_azimuth_deg=azimuth, below_level_deg=below, break_angle_deg=breaks
    )
    facing = face_direction(azimuth, below)
    level = facing * [1, 1, 0] / np.hypot(*facing[:2])
    hinge = make_hinge(
        rigid_piece(piece), piece.cut_m + 0.2 * piece.butt_diameter_m * level, piece.axis, facing
    )
    if hinge.balance_rad >= np.radians(breaks):
        return
    release = hinge_release(piece, hinge.point_m, hinge.axis, hinge.balance_rad, np.radians(breaks))
    _, centre = run_free(piece, release)
    touch = int(np.argmin(np.abs(ours.time_s - ours.contact_time_s)))
    fall = piece.centre_m[2]
    assert np.linalg.norm(ours.centre_m[touch] - centre) < 0.02 * fall + 0.02


def run_on_line(piece, tie, anchor, stiffness, length, seconds):
    at = spaced(tie - piece.centre_m)
    on_line = model(
        piece,
        "<freejoint/>",
        extra=f'<site name="tie" pos="{at}"/>',
        world=f'<site name="anchor" pos="{spaced(anchor)}"/>',
        after=f'<contact><exclude body1="world" body2="piece"/></contact>'
        f'<tendon><spatial name="line" stiffness="{stiffness}" springlength="0 {length}">'
        '<site site="anchor"/><site site="tie"/></spatial></tendon>',
    )
    on_line.geom_contype[:] = 0
    data = mujoco.MjData(on_line)
    record, pull = [], []
    while data.time < seconds:
        record.append(data.qpos[:3].copy())
        mujoco.mj_step(on_line, data)
        pull.append(stiffness * max(data.ten_length[0] - length, 0.0))
    return np.array(record), np.array(pull)


def check_lowered(seed):
    rng = np.random.default_rng([8, seed])
    piece = random_piece(rng, upright=False)
    tie = piece.cut_m + rng.uniform(0, 0.6) * (piece.outline_m[-1] - piece.cut_m)
    out = rng.uniform(0.5, 4.0)
    turn = rng.uniform(0, 2 * np.pi)
    anchor = tie + np.array([out * np.cos(turn), out * np.sin(turn), rng.uniform(1.0, 6.0)])
    slack = rng.choice([0.0, rng.uniform(0.0, 1.0)])
    stiffness = rng.uniform(8e3, 40e3)
    ours = lowered(piece, tie, anchor, FLAT, lead_slack_m=slack, rope_stiffness_n_m=stiffness)
    length = float(np.linalg.norm(tie - anchor)) + slack
    arm = length + float(np.linalg.norm(tie - piece.centre_m))
    seconds = 0.5 * 2 * np.pi * np.sqrt(arm / 9.81)
    record, pull = run_on_line(piece, tie, anchor, stiffness, length, seconds)
    times = np.arange(len(record)) * 0.0005
    rows = np.flatnonzero(ours.time_s < seconds - 0.03)
    theirs = np.column_stack([np.interp(ours.time_s[rows], times, record[:, i]) for i in range(3)])
    size = 2.0 * arm
    for i in range(3):
        mine = ours.centre_m[rows, i]
        assert abs(mine.max() - theirs[:, i].max()) < 0.02 * size
        assert abs(mine.min() - theirs[:, i].min()) < 0.02 * size
    peak = pull[times < ours.time_s[rows[-1]]].max()
    assert ours.tension_n[rows].max() == pytest.approx(peak, rel=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_two_legs_and_a_ring_agree_with_a_light_ring(seed):
    """The engine has no massless point: its ring weighs 0.2 kg, which hardly counts."""
    rng = np.random.default_rng([9, seed])
    piece = random_piece(rng, upright=False)
    ties = piece.cut_m + np.outer([0.15, 0.7], piece.outline_m[-1] - piece.cut_m)
    anchor = piece.centre_m + np.array([rng.uniform(-2, 2), rng.uniform(-2, 2), 6.0])
    stiffness = 15e3
    ours = lowered(piece, ties, anchor, FLAT, rope_stiffness_n_m=stiffness)
    lines = lines_of(rigid_piece(piece), checked_rig(Rig(ties, anchor, stiffness)))
    sites = "".join(
        f'<site name="tie{j}" pos="{spaced(tie - piece.centre_m)}"/>' for j, tie in enumerate(ties)
    )
    tendons = "".join(
        f'<spatial stiffness="{k}" springlength="0 {length}"><site site="{name}"/>'
        '<site site="ring"/></spatial>'
        for name, k, length in (
            ("anchor", stiffness, lines.free_length[0]),
            ("tie0", lines.leg_stiffness[0], lines.leg[0]),
            ("tie1", lines.leg_stiffness[1], lines.leg[1]),
        )
    )
    engine = model(
        piece, "<freejoint/>", extra=sites,
        world=f'<site name="anchor" pos="{spaced(anchor)}"/><body pos="{spaced(lines.ring)}">'
        '<freejoint/><inertial pos="0 0 0" mass="0.2" diaginertia="1e-3 1e-3 1e-3"/>'
        '<site name="ring"/></body>',
        after=f"<tendon>{tendons}</tendon>",
    )  # fmt: skip
    engine.geom_contype[:] = 0
    data = mujoco.MjData(engine)
    row = engine.body("piece").id
    centre, pull = [], []
    while data.time < 2.0:
        mujoco.mj_step(engine, data)
        centre.append(data.xipos[row].copy())
        pull.append(stiffness * max(data.ten_length[0] - lines.free_length[0], 0.0))
    times = 0.0005 * np.arange(1, len(centre) + 1)
    early = (ours.time_s > 0.01) & (ours.time_s < 1.9)
    theirs = np.column_stack(
        [np.interp(ours.time_s[early], times, np.array(centre)[:, i]) for i in range(3)]
    )
    assert np.abs(ours.centre_m[early] - theirs).max() < 0.02 * 2 * 6.0
    peak = max(pull[: int(1.9 / 0.0005)])
    assert ours.tension_n[early].max() == pytest.approx(peak, rel=0.08)


@pytest.mark.parametrize("seed", FEW)
def test_landing_point_agrees(seed):
    check_hinge_fall(seed)


@pytest.mark.parametrize("seed", FEW)
def test_swing_envelope_and_peak_tension_agree(seed):
    check_lowered(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", ALL)
def test_landing_point_agrees_200_cases(seed):
    check_hinge_fall(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", ALL)
def test_swing_envelope_and_peak_tension_agree_200_cases(seed):
    check_lowered(seed)


def test_time_step_is_small_enough():
    """Halving the flight step leaves the landing within a millimetre per metre of fall."""
    import treescan.motion.fall as fall

    piece = random_piece(np.random.default_rng(3), upright=True)
    coarse = hinge_fall(piece, FLAT, hinge_azimuth_deg=40.0)
    kept = fall.FLIGHT_STEP_S
    try:
        fall.FLIGHT_STEP_S = FLIGHT_STEP_S / 2.5
        fine = hinge_fall(piece, FLAT, hinge_azimuth_deg=40.0)
    finally:
        fall.FLIGHT_STEP_S = kept
    ends = [
        path.centre_m[int(np.argmin(np.abs(path.time_s - path.contact_time_s)))]
        for path in (coarse, fine)
    ]
    assert np.linalg.norm(ends[0] - ends[1]) < 1e-3 * piece.centre_m[2]
