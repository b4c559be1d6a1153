"""A piece on its line: integration from release to hanging at rest, descent, path."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.motion.body import (
    Grid,
    RigidPiece,
    axis_attitude_deg,
    ground_grid,
    lowest_ball,
    lowest_gaps,
)
from treescan.motion.landing import Resting, lay_down, lying_outline, outline_of_discs
from treescan.motion.rig import Rig, as_soft_as_matters, lines_of
from treescan.motion.rigid_body import Lines, simulate
from treescan.motion.types import Path
from treescan.pointcloud.cloud import Ground
from treescan.units import G_M_S2
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

STEP_S = 0.005
"""Longest step; stiff lines and light ends take shorter ones. [s]"""

SAMPLE_S = 0.025
LOWER_SAMPLE_S = 0.05
LOWERING_SPEED_M_S = 0.8
"""Speed at which the ground crew lowers: common practice, no source. [m/s]"""

SET_DOWN_M = 0.5
"""Allowance around a piece set down on the line: our choice, no source. [m]"""

SLIP_IN_WEIGHTS = 2.0
"""Lead tension, in weights of the piece, at which a brake hand lets line run (C4). [-]"""

LONGEST_SWING_S = 12.0

GROUNDS_M = 0.3
"""A part that would swing this far below the ground strikes it and ends the swing; less than
that are leaves that brush it. [m]"""

SLIDE_FRICTION = 0.5
"""Of a piece dragged over grass or soil: assumption. [-]"""

LONGEST_SLIDE_M = 4.0

STRETCH_SPREAD = 0.3
"""Share by which the stiffness of the line in service is unsure: our choice."""

RUN_SPREAD = 0.5
"""Share by which the run let out may differ from the one agreed: our choice."""

HOLD_SPREAD = 0.2
"""Share by which a brake hand may let go below :data:`SLIP_IN_WEIGHTS`: our choice."""


@dataclass(frozen=True)
class Start:
    """Motion before the piece is free; the last pose is that of the release.

    ``time_s`` (k,), ``centre_m`` (k, 3), ``rotation`` (k, 3, 3), ``tension_n`` (k,);
    ``velocity`` and ``spin`` (3,) are those of release, in room axes.
    """

    time_s: Floats
    centre_m: Floats
    rotation: Floats
    tension_n: Floats
    velocity: Floats
    spin: Floats


def at_rest(rigid: RigidPiece) -> Start:
    """Start of a piece cut free where it lies."""
    zero = np.zeros(3)
    return Start(np.zeros(1), rigid.centre_m[None].copy(), np.eye(3)[None], np.zeros(1), zero, zero)


def steps_a_sample(rigid: RigidPiece, lines: Lines) -> int:
    """Steps per sample that the stiffest motion of the tied piece needs.

    A tie's apparent mass is 1 / (1/m + arm² / I) at its least; steps stay under 0.3 of the
    fastest oscillation's 1 / omega.
    """
    stiffness = lines.leg_stiffness if len(lines.leg) else lines.stiffness
    if len(lines.leg) and len(lines.beyond):
        stiffness = np.maximum(stiffness, lines.stiffness[0])
    arm = np.linalg.norm(lines.tie, axis=1)
    light = 1.0 / rigid.body.mass + arm**2 / float(np.sort(rigid.body.moments)[1])
    fastest = float(np.sqrt((stiffness * light).sum()))
    return int(np.ceil(SAMPLE_S / min(STEP_S, 0.3 / fastest)))


def swing_steps(time_s: Floats) -> int | None:
    """How many time steps of a path are swing, before people let the piece down; None for all.

    The way down is sampled every ``LOWER_SAMPLE_S``, the swing more often.

    Parameters
    ----------
    time_s : ndarray, shape (t,)
        [s]
    """
    slow = np.flatnonzero(np.diff(time_s) > 0.6 * LOWER_SAMPLE_S)
    return int(slow[0]) if len(slow) else None


def slip_n(rigid: RigidPiece) -> float:
    """Lead tension at which the brake hand lets line run. [N]"""
    return SLIP_IN_WEIGHTS * rigid.body.mass * G_M_S2


def swing(rigid: RigidPiece, lines: Lines, start: Start, rig: Rig) -> tuple[Floats, Floats]:
    """States (k, 13) and tensions (k,) [N] from release to hanging at rest.

    The line runs where the tension passes what a brake hand holds, as far as agreed.  Three
    quarters of a swing are without loss (unless it is held), then the crew steadies it.
    """
    every = steps_a_sample(rigid, lines)
    step = SAMPLE_S / every
    run_m = rig.run_m
    slip = slip_n(rigid) if run_m > 0.0 else np.inf
    lines = lines._replace(
        free_length=lines.free_length.copy(),
        ring=lines.ring.copy(),
        moved=lines.moved.copy(),
        slip_n=slip,
        run_max=run_m,
    )
    turn = start.rotation[-1]
    spin = rigid.axes.T @ (turn.T @ start.spin)
    state = np.concatenate([start.centre_m[-1], start.velocity, rigid.attitude(turn), spin])
    arm = float(np.linalg.norm(lines.tie, axis=1).max() + lines.free_length[0] + run_m)
    if len(lines.leg):
        arm += float(lines.leg.max())
    period = 2.0 * np.pi * np.sqrt(max(arm, 0.5) / G_M_S2)
    free = min(0.75 * period, 0.6 * LONGEST_SWING_S)
    body = rigid.body
    if rig.hold_swing:
        body = body._replace(drag_rate=2.0 * np.pi / period, spin_drag_rate=1.0)
    first, pull, used = simulate(state, body, lines, step, int(free / SAMPLE_S) * every, every)
    steady = _as_one_spring(rig, lines)
    every = steps_a_sample(rigid, steady)
    step = SAMPLE_S / every
    critical = 2.0 * np.sqrt(steady.stiffness * rigid.body.mass)
    steady = steady._replace(damping=0.3 * critical, run_max=max(run_m - used, 0.0))
    calm = body._replace(drag_rate=4.0 * np.pi / period, spin_drag_rate=3.0)
    left = max(min(1.5 * period, LONGEST_SWING_S - free), 2.0)
    second, late, _ = simulate(state, calm, steady, step, int(left / SAMPLE_S) * every, every)
    return np.concatenate([first, second[1:]]), np.concatenate([pull, late[1:]])


def _as_one_spring(rig: Rig, lines: Lines) -> Lines:
    """The line without its blocks, for the calm while the crew steadies the piece."""
    if rig.beyond is None:
        return lines
    none = np.empty(0)
    stiffness, free = lines.stiffness.copy(), lines.free_length.copy()
    stiffness[0] = 1.0 / (1.0 / rig.stiffness_n_m + rig.beyond.give_m_n)
    free[0] += lines.moved[-1]
    return lines._replace(
        stiffness=stiffness, free_length=free, beyond=none, ratio=none, moved=none, lead=none
    )


@dataclass(frozen=True)
class Descent:
    """From hanging to lying.

    ``time_s`` (k,) counts from hanging, ``centre_m`` is (k, 3), ``rotation`` (k, 3, 3);
    ``aside_m`` is how far off plumb the tag line holds it. [m]
    """

    time_s: Floats
    centre_m: Floats
    rotation: Floats
    resting: Resting
    aside_m: float


def descend(
    rigid: RigidPiece,
    pose: tuple[Floats, Floats],
    lower_to: Floats | None,
    outward: Floats,
    grid: Grid,
) -> Descent:
    """Straight way from hanging down to the ground, aside to ``lower_to`` if given.

    A piece that comes down on end is laid over ``outward``, away from the stem.

    ``pose`` is the centre of mass (3,) [m] and the rotation (3, 3); ``lower_to`` a plan point
    (2,) or longer [m]; ``outward`` a direction (3,).
    """
    centre, rotation = pose
    goal = centre[:2] if lower_to is None else np.asarray(lower_to, dtype=np.float64)[:2]
    over, _ = lowest_ball(
        np.array([goal[0], goal[1], centre[2]]), rotation, rigid.offset_m, rigid.radius_m, grid
    )
    end = np.array([goal[0], goal[1], centre[2] - max(over, 0.0)])
    steps = max(int(np.ceil(max(over, 0.0) / (LOWERING_SPEED_M_S * LOWER_SAMPLE_S))), 1)
    share = np.arange(1, steps + 1, dtype=np.float64)[:, None] / steps
    way = np.asarray(centre + share * (end - centre), dtype=np.float64)
    aside = float(np.linalg.norm(goal - centre[:2]))
    aside_way = goal - centre[:2] if aside > 0.3 else outward[:2]
    resting = lay_down(rigid, end, rotation, np.append(aside_way, 0.0), grid)
    time = np.arange(1, steps + 1, dtype=np.float64) * LOWER_SAMPLE_S
    return Descent(time, way, np.repeat(rotation[None], steps, axis=0), resting, aside)


def path_on_line(
    piece: Piece,
    rigid: RigidPiece,
    rig: Rig,
    start: Start,
    ground: Ground,
    lower_to: Floats | None,
) -> Path:
    """Path of a rigged piece from the cut over swing, hanging and descent to rest.

    ``lower_to`` (2,) is the plan point where it is set down, if not straight below. [m]

    Raises
    ------
    InvalidInputError
        If the motion runs away: names mass and stiffness.
    """
    grid = ground_grid(ground)
    rig = as_soft_as_matters(rig, rigid.body.mass)
    record, tension = swing(rigid, lines_of(rigid, rig), start, rig)
    if not np.isfinite(record).all():
        raise InvalidInputError(
            f"piece at node {piece.butt_node}: its motion on the line could not be followed "
            f"(mass {rigid.body.mass:.0f} kg, line {rig.stiffness_n_m:.0f} N/m). Check both."
        )
    time = start.time_s[-1] + np.arange(len(record)) * SAMPLE_S
    rotation = np.concatenate([start.rotation, rigid.rotations(record[1:, 6:10])])
    centre = np.ascontiguousarray(np.concatenate([start.centre_m, record[1:, :3]]))
    gaps = lowest_gaps(centre, rotation, rigid.offset_m, rigid.radius_m, grid)
    runs = rig.run_m > 0.0 and float(tension.max()) > (1.0 - HOLD_SPREAD) * slip_n(rigid)
    sway = STRETCH_SPREAD * float(tension.max()) / rig.stiffness_n_m
    sway += RUN_SPREAD * rig.run_m if runs else 0.0
    time = np.concatenate([start.time_s, time[1:]])
    tension = np.concatenate([start.tension_n, tension[1:]])
    strikes = np.flatnonzero(gaps < -GROUNDS_M)
    if len(strikes) and gaps[0] > 0.0 and strikes[0] > 1:
        end = int(strikes[0])
        before = (time[: end + 1], centre[: end + 1], rotation[: end + 1], tension[: end + 1])
        grounded = _grounded(piece, rigid, before, float(gaps.min()), grid)
        return replace(grounded, sway_m=sway, runs=runs)
    outward = rigid.centre_m - rig.anchor_m
    down = descend(rigid, (centre[-1], rotation[-1]), lower_to, outward, grid)
    path = assembled(piece, rigid, rig, (time, centre, rotation, tension), down, gaps)
    return replace(path, sway_m=sway, runs=runs)


def _grounded(
    piece: Piece,
    rigid: RigidPiece,
    before: tuple[Floats, Floats, Floats, Floats],
    lowest_m: float,
    grid: Grid,
) -> Path:
    """Path of a piece that strikes the ground while it swings: it tips over there and slides.

    It slides on along its way until friction has taken its level speed.
    """
    time, centre, rotation, tension = before
    span = max(float(time[-1] - time[-2]), 1e-6)
    velocity = (centre[-1] - centre[-2]) / span
    step = rotation[-1] @ rotation[-2].T
    spin = float(np.arccos(np.clip(0.5 * (np.trace(step) - 1.0), -1.0, 1.0))) / span
    energy = 0.5 * rigid.body.mass * float(velocity @ velocity)
    energy += 0.5 * float(rigid.body.moments[-1]) * spin**2
    resting = lay_down(rigid, centre[-1], rotation[-1], velocity, grid)
    slid = _slide(velocity)
    laid = np.concatenate([resting.centre_m, resting.centre_m[-1] + slid])
    final, turn = laid[-1], resting.rotation[-1]
    first = lying_outline(rigid, resting.centre_m[-1], turn, SET_DOWN_M)
    outline = np.concatenate([first, first + slid[-1, :2]])
    outline = outline_of_discs(outline, np.full(len(outline), 1e-3))
    more = np.arange(1, len(laid) + 1, dtype=np.float64) * SAMPLE_S
    return Path(
        time_s=np.concatenate([time, time[-1] + more]),
        centre_m=np.concatenate([centre, laid]),
        rotation=np.concatenate(
            [rotation, resting.rotation, np.repeat(turn[None], len(slid), axis=0)]
        ),
        tension_n=np.concatenate([tension, np.zeros(len(laid))]),
        kind="lower",
        landing_m=final,
        landing_radius_m=float(np.linalg.norm(outline - final[:2], axis=1).max()),
        impact_energy_j=energy,
        lowest_m=lowest_m,
        notes=(
            f"strikes the ground while swinging, at {float(np.linalg.norm(velocity)):.1f} m/s: "
            f"{-lowest_m:.1f} m too long for its anchor",
        ),
        footprint_m=outline,
        contact_time_s=float(time[-1]),
        contact_attitude_deg=axis_attitude_deg(piece, rotation[-1]),
    )


def _slide(velocity: Floats) -> Floats:
    """Shifts (k, 3) of a piece that slides on level ground until friction has stopped it."""
    speed = float(np.hypot(velocity[0], velocity[1]))
    slide = min(speed**2 / (2.0 * SLIDE_FRICTION * G_M_S2), LONGEST_SLIDE_M)
    ahead = np.array([velocity[0], velocity[1], 0.0]) / max(speed, 1e-9)
    parts = max(int(np.ceil(slide / 0.1)), 1)
    return np.linspace(0.0, slide, parts + 1)[1:, None] * ahead


def assembled(
    piece: Piece,
    rigid: RigidPiece,
    rig: Rig,
    before: tuple[Floats, Floats, Floats, Floats],
    down: Descent,
    gaps: Floats,
) -> Path:
    """Path from (time, centre, rotation, tension) up to the descent, the descent, and rest.

    ``before`` are time (k,) [s], centre (k, 3) [m], rotation (k, 3, 3) and tension (k,) [N];
    ``gaps`` (k,) is the height of the outline above the ground [m].
    """
    time, centre, rotation, tension = before
    laid = np.arange(1, len(down.resting.centre_m) + 1) * LOWER_SAMPLE_S
    touch = float(time[-1] + down.time_s[-1])
    weight = rigid.body.mass * G_M_S2
    final, turn = down.resting.centre_m[-1], down.resting.rotation[-1]
    outline = lying_outline(rigid, final, turn, SET_DOWN_M)
    notes: tuple[str, ...] = ()
    if down.aside_m > 0.3:
        rope = max(float(rig.anchor_m[2] - final[2]), 0.5)
        notes += (
            f"tag line holds it {down.aside_m:.1f} m off plumb: about "
            f"{weight * down.aside_m / rope:.0f} N at the ground",
        )
    if gaps.min() < 0.0 and gaps[0] > 0.0:
        notes += (f"reaches {-gaps.min():.1f} m below the ground's level while swinging",)
    return Path(
        time_s=np.concatenate([time, time[-1] + down.time_s, touch + laid]),
        centre_m=np.concatenate([centre, down.centre_m, down.resting.centre_m]),
        rotation=np.concatenate([rotation, down.rotation, down.resting.rotation]),
        tension_n=np.concatenate([tension, np.full(len(down.time_s), weight), np.zeros(len(laid))]),
        kind="lower",
        landing_m=final,
        landing_radius_m=float(np.linalg.norm(outline - final[:2], axis=1).max()),
        impact_energy_j=0.0,
        lowest_m=float(gaps.min()),
        notes=notes,
        footprint_m=outline,
        contact_time_s=touch,
        contact_attitude_deg=axis_attitude_deg(piece, down.rotation[-1]),
    )
