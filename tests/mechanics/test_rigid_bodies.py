"""Drops, swings and hung pieces against an independent rigid-body engine (MuJoCo)."""

import mujoco
import numpy as np
import pytest

from treescan.mechanics.drop import drop_tension_n, two_leg_stiffness_n_m
from treescan.mechanics.hung import _peak_factors, hung_peak_n, whole_fall_m
from treescan.mechanics.swing import (
    slack_swing,
    swing_peak_factor,
    swing_period_s,
    swing_speed_m_s,
)
from treescan.mechanics.ties import turning_factor_from

G = 9.81


def stepped(xml, time_s, read):
    """Run a model; the greatest of ``read(model, data)`` over the time, shape of read."""
    model = mujoco.MjModel.from_xml_string(xml)
    data = mujoco.MjData(model)
    mujoco.mj_forward(model, data)
    rows = []
    while data.time < time_s:
        mujoco.mj_step(model, data)
        rows.append(read(data))
    return np.array(rows)


def lined_xml(place, mass, inertia, tie, length, stiffness, step=2e-4):
    """A free rigid body on a one-sided spring to the origin."""
    turn = " ".join(f"{v:.9g}" for v in inertia)
    return f"""<mujoco><option gravity="0 0 -{G}" timestep="{step}" integrator="RK4"/>
    <worldbody><site name="anchor" pos="0 0 0"/>
    <body pos="{place[0]} {place[1]} {place[2]}"><freejoint/>
    <inertial pos="0 0 0" mass="{mass}" diaginertia="{turn}"/>
    <site name="tie" pos="{tie[0]} {tie[1]} {tie[2]}"/></body></worldbody>
    <tendon><spatial name="line" stiffness="{stiffness}" springlength="0 {length}">
    <site site="anchor"/><site site="tie"/></spatial></tendon></mujoco>"""


def line_peak(place, mass, inertia, tie, length, stiffness, time_s):
    xml = lined_xml(place, mass, inertia, tie, length, stiffness)
    rows = stepped(xml, time_s, lambda d: d.ten_length[0])
    return stiffness * max(rows.max() - length, 0.0)


@pytest.mark.parametrize(
    ("mass", "fall", "modulus", "length"),
    [(100, 2, 250e3, 15), (200, 1, 360e3, 20), (50, 3, 112e3, 25), (300, 0, 340e3, 12)],
)
def test_drop_peak(mass, fall, modulus, length):
    stiffness = modulus / length
    got = line_peak((0, 0, -length + fall), mass, (1, 1, 1), (0, 0, 0), length, stiffness, 1.5)
    assert got == pytest.approx(float(drop_tension_n(mass * G, fall, stiffness)), rel=0.03)


@pytest.mark.parametrize("ratio", [1.15, 1.5])
def test_drop_over_an_anchor_with_friction(ratio):
    # the lead and the fall leg, softened by the friction ratio, as two springs in series
    lead, fall_leg, modulus, mass, fall = 1.5, 13.5, 250e3, 100.0, 2.0
    stiffness = 1.0 / (lead / modulus + fall_leg / ratio / modulus)
    length = 1.5
    got = line_peak((0, 0, -length + fall), mass, (1, 1, 1), (0, 0, 0), length, stiffness, 1.5)
    mine = drop_tension_n(mass * G, fall, two_leg_stiffness_n_m(modulus, lead, fall_leg, ratio))
    assert got == pytest.approx(float(mine), rel=0.03)


@pytest.mark.parametrize("release", [20.0, 45.0, 60.0, 85.0])
def test_taut_swing(release):
    length, mass, angle = 6.0, 80.0, np.radians(release)
    xml = f"""<mujoco><option gravity="0 0 -{G}" timestep="5e-4" integrator="RK4"/><worldbody>
    <body pos="0 0 0" euler="0 {-release} 0"><joint type="hinge" axis="0 1 0"/>
    <inertial pos="0 0 -{length}" mass="{mass}" diaginertia="1e-4 1e-4 1e-4"/>
    <site name="top"/></body></worldbody><sensor><force site="top"/></sensor></mujoco>"""
    rows = stepped(
        xml, float(swing_period_s(length, angle)) / 2, lambda d: (*d.sensordata[:3], d.qvel[0])
    )
    tension = np.linalg.norm(rows[:, :3], axis=1).max()
    speed = np.abs(rows[:, 3]).max() * length
    assert tension == pytest.approx(float(swing_peak_factor(angle)) * mass * G, rel=0.03)
    assert speed == pytest.approx(float(swing_speed_m_s(length, angle)), rel=0.03)
    plumb = 5e-4 * int(np.argmax(np.abs(rows[:, 3])))
    assert plumb == pytest.approx(float(swing_period_s(length, angle)) / 4, rel=0.03)


@pytest.mark.parametrize(("arm", "start"), [(1.9, 90.0), (0.5, 90.0), (1.0, 150.0), (2.5, 60.0)])
def test_turning_about_a_fixed_tie(arm, start):
    mass, gyration = 200.0, np.sqrt(3.0)
    turn = mass * gyration**2
    xml = f"""<mujoco><option gravity="0 0 -{G}" timestep="5e-4" integrator="RK4"/><worldbody>
    <body pos="0 0 0" euler="0 {-start} 0"><joint type="hinge" axis="0 1 0"/>
    <inertial pos="0 0 -{arm}" mass="{mass}" diaginertia="{turn} {turn} {turn / 20}"/>
    <site name="tie"/></body></worldbody><sensor><force site="tie"/></sensor></mujoco>"""
    rows = stepped(xml, 4.0, lambda d: np.linalg.norm(d.sensordata[:3]))
    factor = float(turning_factor_from(arm, gyration, np.radians(start)))
    assert rows.max() == pytest.approx(factor * mass * G, rel=0.03)


def test_slack_swing_stays_below_the_energy_of_the_whole_fall():
    offset, depth, length, mass = 3.0, 1.0, 5.0, 100.0
    got = slack_swing(offset, depth, length)
    for stiffness in (10e3, 40e3):
        peak = line_peak((offset, 0, -depth), mass, (1, 1, 1), (0, 0, 0), length, stiffness, 1.2)
        jerk = float(drop_tension_n(mass * G, got.jerk_fall_m, stiffness))
        whole = float(drop_tension_n(mass * G, length - depth, stiffness))
        assert 0.75 * jerk < peak < whole


def random_hangs(seed, count):
    rng = np.random.default_rng(seed)
    length = rng.uniform(1.5, 8.0, count)
    return {
        "lead": rng.uniform(1.0, 10.0, count),
        "arm": length * rng.uniform(0.0, 0.45, count),
        "gyration": length / np.sqrt(12.0),
        "release": np.radians(rng.uniform(0.0, 70.0, count)),
        "start": np.radians(rng.uniform(-120.0, 120.0, count)),
        "stiffness": 340e3 / rng.uniform(15.0, 40.0, count),
        "mass": rng.uniform(40.0, 400.0, count),
    }


def test_hung_pieces_match_the_engine():
    hang = random_hangs(3, 12)
    rows = np.stack(
        [*(hang[k] for k in ("lead", "arm", "gyration", "release", "start")),
         hang["stiffness"] / hang["mass"]], axis=1,
    )  # fmt: skip
    mine = _peak_factors(rows)
    for i, (lead, arm, gyration, release, start, _) in enumerate(rows):
        place = (
            lead * np.sin(release) + arm * np.sin(start),
            0.0,
            -lead * np.cos(release) - arm * np.cos(start),
        )
        tie = (-arm * np.sin(start), 0.0, arm * np.cos(start))
        turn = hang["mass"][i] * gyration**2
        window = 0.75 * 2 * np.pi * np.sqrt((lead + arm) / G)
        other = line_peak(
            place, hang["mass"][i], (turn, turn, turn), tie, lead, hang["stiffness"][i], window
        ) / (hang["mass"][i] * G)
        assert mine[i] == pytest.approx(other, rel=0.03), i


def test_the_energy_bound_holds_for_every_hung_piece():
    hang = random_hangs(5, 400)
    rows = np.stack(
        [*(hang[k] for k in ("lead", "arm", "gyration", "release", "start")),
         hang["stiffness"] / hang["mass"]], axis=1,
    )  # fmt: skip
    weight = hang["mass"] * G
    fall = whole_fall_m(hang["lead"], hang["arm"], hang["release"], hang["start"])
    bound = drop_tension_n(weight, fall, hang["stiffness"])
    assert (_peak_factors(rows) * weight <= bound * 1.003).all()


def test_the_raised_peak_covers_a_start_a_little_off():
    hang = random_hangs(7, 400)
    weight = hang["mass"] * G

    def peak(lead=1.0, start=0.0, raised=True):
        rows = (hang["lead"] * lead, hang["arm"], hang["gyration"], hang["release"],
                hang["start"] + start)  # fmt: skip
        if raised:
            return hung_peak_n(weight, *rows, hang["stiffness"])
        return _peak_factors(np.stack([*rows, hang["stiffness"] / hang["mass"]], axis=1)) * weight

    high = peak()
    off = [peak(lead, np.radians(s), False) for lead in (0.97, 1.03) for s in (-5.0, 5.0)]
    assert np.mean(np.max(off, axis=0) <= high * 1.001) >= 0.90


def test_adding_swing_and_turning_up_undershoots_the_whip():
    # why the motion is integrated: 7 m lead, 7 m limb tied near its butt, 27 deg off plumb
    weight = 85.0 * G
    factor = float(swing_peak_factor(np.radians(27.0))) - 1.0
    factor += float(turning_factor_from(2.75, 2.04, np.radians(53.0)))
    got = hung_peak_n(weight, 7.1, 2.75, 2.04, np.radians(27.0), np.radians(-53.0), 15e3)
    assert got > 2.5 * factor * weight


def test_a_piece_hung_at_its_centre_is_a_pendulum():
    # a line starting taut but unloaded bounces by W cos(a0) about the pendulum's tension
    release = np.radians(60.0)
    for stiffness in (10e3, 30e3, 100e3):
        got = float(hung_peak_n(981.0, 8.0, 0.0, 1.0, release, 0.0, stiffness)) / 981.0
        assert 2.0 < got < 2.0 + np.cos(release) + 0.01


def rod_pose(arm, tie, start, azimuth):
    """Centre of mass and attitude of a rod whose axis runs from its tie to its centre."""
    way = np.array(
        [np.sin(start) * np.cos(azimuth), np.sin(start) * np.sin(azimuth), -np.cos(start)]
    )
    x = np.cross([0.0, 1.0, 0.0], way)
    x /= np.linalg.norm(x)
    turn = np.stack([x, np.cross(way, x), way], axis=1)
    quat = np.zeros(4)
    mujoco.mju_mat2Quat(quat, turn.ravel())
    return tie + arm * way, quat


def test_a_piece_across_its_swing_stays_below_the_greater_plane_peak():
    hang = random_hangs(11, 25)
    azimuth = np.random.default_rng(11).uniform(0.0, 2 * np.pi, 25)
    for i in range(25):
        lead, arm, gyration = (hang[k][i] for k in ("lead", "arm", "gyration"))
        release, start = hang["release"][i], abs(hang["start"][i])
        mass, stiffness = hang["mass"][i], hang["stiffness"][i]
        tie = lead * np.array([np.sin(release), 0.0, -np.cos(release)])
        place, quat = rod_pose(arm, tie, start, azimuth[i])
        turn = mass * gyration**2
        xml = lined_xml(place, mass, (turn, turn, turn / 100), (0, 0, -arm), lead, stiffness)
        pose = " ".join(f"{v:.9g}" for v in quat)
        xml = xml.replace(
            f'pos="{place[0]} {place[1]} {place[2]}"',
            f'pos="{place[0]} {place[1]} {place[2]}" quat="{pose}"',
        )
        window = 0.75 * 2 * np.pi * np.sqrt((lead + arm) / G)
        rows = stepped(xml, window, lambda d: d.ten_length[0])
        peak = stiffness * max(rows.max() - lead, 0.0)
        bound = max(
            float(hung_peak_n(mass * G, lead, arm, gyration, release, sign * start, stiffness))
            for sign in (1.0, -1.0)
        )
        assert peak <= bound, i
