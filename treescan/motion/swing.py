"""Pieces on the line: swing to the plumb line under the anchor, hang, and be lowered."""

from __future__ import annotations

from dataclasses import dataclass

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
    rigid_piece,
)
from treescan.motion.landing import Resting, lay_down, lying_outline
from treescan.motion.rigid_body import Lines, simulate
from treescan.motion.types import Path
from treescan.pointcloud.cloud import Ground
from treescan.units import G_M_S2
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

ROPE_STIFFNESS_N_M = 20_000.0
"""Default: 360 kN of modulus (handbook B2) over 18 m of line in service. [N/m]"""

STEP_S = 0.005
SAMPLE_S = 0.025
LOWER_SAMPLE_S = 0.05
LOWERING_SPEED_M_S = 0.8
"""Speed at which the ground crew lowers: common practice, no source. [m/s]"""

SET_DOWN_M = 0.5
"""Allowance around a piece set down on the line: our choice, no source. [m]"""

SLIP_IN_WEIGHTS = 2.0
"""Lead tension, in weights of the piece, at which a brake hand lets line run (C4). [-]"""

LONGEST_SWING_S = 12.0


@dataclass(frozen=True)
class Hang:
    """What the closed forms say of a piece hanging under its anchor.

    ``plumb_m`` (n, 2) is where it comes to hang, ``lowest_m`` (n,) the height of its lowest
    end while hanging, ``radius_m`` (n,) the length from anchor to centre of mass when
    hanging, ``far_m`` (n, 3) the far end of the centre's arc, ``tension_w`` (n,) the peak
    tension in weights (energy bound: all fall of the centre of mass, rigid line).
    """

    plumb_m: Floats
    lowest_m: Floats
    radius_m: Floats
    far_m: Floats
    tension_w: Floats


def hang_screen(
    centre_m: npt.ArrayLike,
    tie_m: npt.ArrayLike,
    anchor_m: npt.ArrayLike,
    reach_below_m: npt.ArrayLike,
    slack_m: npt.ArrayLike = 0.0,
) -> Hang:
    """Closed forms for many single-tied pieces at once: screens options before simulation.

    Parameters
    ----------
    centre_m, tie_m, anchor_m : array_like, shape (n, 3)
    reach_below_m : array_like, shape (n,)
        Greatest distance from the centre of mass to the outline (hangs below it).
    slack_m : array_like, shape (n,)
        Slack in the lead, and run let out.

    Notes
    -----
    The piece hangs with its centre of mass plumb below the tie (handbook 6.2); released at
    a0 from plumb a rigid pendulum peaks at W (3 - 2 cos a0) (6.4, F1) whatever its length.
    """
    centre, tie, anchor = (
        np.atleast_2d(np.asarray(v, dtype=np.float64)) for v in (centre_m, tie_m, anchor_m)
    )
    slack = np.asarray(slack_m, dtype=np.float64)
    lead = np.linalg.norm(tie - anchor, axis=1) + slack
    arm = np.linalg.norm(centre - tie, axis=1)
    radius = lead + arm
    out = centre[:, :2] - anchor[:, :2]
    start_depth = anchor[:, 2] - centre[:, 2]
    cosine = np.clip(start_depth / np.maximum(radius, 1e-9), -1.0, 1.0)
    across = np.linalg.norm(out, axis=1)
    side = np.divide(out, across[:, None], out=np.zeros_like(out), where=across[:, None] > 1e-9)
    reach = radius * np.sqrt(1.0 - cosine**2)
    far = np.column_stack([anchor[:, :2] - side * reach[:, None], centre[:, 2]])
    lowest = anchor[:, 2] - radius - np.asarray(reach_below_m, dtype=np.float64)
    return Hang(anchor[:, :2].copy(), lowest, radius, far, 3.0 - 2.0 * cosine)


def lowered(  # noqa: PLR0913 - the ways to rig one piece
    piece: Piece,
    tie_m: Floats,
    anchor_m: Floats,
    ground: Ground,
    *,
    lead_slack_m: float = 0.0,
    pretension_n: float = 0.0,
    rope_stiffness_n_m: float = ROPE_STIFFNESS_N_M,
    run_m: float = 0.0,
    lower_to: Floats | None = None,
    hold_swing: bool = False,
    mass_kg: float | None = None,
) -> Path:
    """Motion of a piece cut free on the line (handbook 6.2 to 6.4), then lowered.

    Parameters
    ----------
    piece : Piece
    tie_m : ndarray, shape (j, 3)
        Where the line holds the piece: one row, or two for a two-leg tie (butt side first).
    anchor_m : ndarray, shape (3,)
        The block that the lead hangs from.
    ground : Ground
    lead_slack_m : float
        Slack in the lead at the cut. [m]
    pretension_n : float
        Tension held in a taut lead before the cut; without it the line takes up the weight
        suddenly, which adds to the peak. [N]
    rope_stiffness_n_m : float
        Of the whole line in service, as felt at the lead. [N/m]
    run_m : float
        Line that may run through the friction device before it holds. [m]
    lower_to : ndarray, shape (2,) or (3,), optional
        Where the tag line guides it down; plumb under the anchor by default. [m]
    hold_swing : bool
        A tag line or second line holds the swing back, so that it does not pass plumb freely.
    mass_kg : float, optional
        The high mass unless given.

    Raises
    ------
    InvalidInputError
        If ties or anchor have a wrong shape, or the stiffness is not positive.

    Notes
    -----
    ``tension_n`` is that of the lossless, locked line whatever ``run_m``.  The first three
    quarters of a swing are without any loss; after that the swing is damped as the crew
    steadies it.  The two legs of a two-leg tie run from the anchor, each with half of the
    line's stiffness.
    """
    ties, anchor = _checked(tie_m, anchor_m, rope_stiffness_n_m)
    rigid = rigid_piece(piece, mass_kg)
    grid = ground_grid(ground)
    slack = lead_slack_m - max(pretension_n, 0.0) / rope_stiffness_n_m
    lines = _lines(rigid, ties, anchor, slack, rope_stiffness_n_m)
    record, tension = _swing(rigid, lines, hold_swing)
    if run_m > 0.0:
        slip = SLIP_IN_WEIGHTS * rigid.body.mass * G_M_S2
        running = lines._replace(slip_n=slip, run_max=run_m)
        record, _ = _swing(rigid, running, hold_swing, len(record))
    rotation = rigid.rotations(record[:, 6:10])
    centre = np.ascontiguousarray(record[:, :3])
    gaps = lowest_gaps(centre, rotation, rigid.offset_m, rigid.radius_m, grid)
    outward = rigid.centre_m - anchor
    down = _lower(rigid, (centre[-1], rotation[-1]), lower_to, outward, grid)
    return _lowered_path(piece, rigid, (centre, rotation, tension, gaps), down, anchor)


def _checked(tie_m: Floats, anchor_m: Floats, stiffness: float) -> tuple[Floats, Floats]:
    ties = np.atleast_2d(np.asarray(tie_m, dtype=np.float64))
    anchor = np.asarray(anchor_m, dtype=np.float64)
    if ties.shape not in {(1, 3), (2, 3)} or anchor.shape != (3,):
        raise InvalidInputError(
            f"tie points of shape {ties.shape} at an anchor of shape {anchor.shape}: one or two "
            "rows of x, y, z and one anchor are needed."
        )
    if not stiffness > 0.0:
        raise InvalidInputError(f"line stiffness {stiffness:g} N/m: it must be positive.")
    return ties, anchor


def _lines(
    rigid: RigidPiece, ties: Floats, anchor: Floats, slack_m: float, stiffness: float
) -> Lines:
    count = len(ties)
    length = np.linalg.norm(ties - anchor, axis=1) + slack_m
    return Lines(
        anchor=np.ascontiguousarray(np.broadcast_to(anchor, (count, 3))),
        tie=np.ascontiguousarray((ties - rigid.centre_m) @ rigid.axes),
        free_length=length,
        stiffness=np.full(count, stiffness / count),
        damping=np.zeros(count),
        slip_n=np.inf,
        run_max=0.0,
    )


def _swing(
    rigid: RigidPiece, lines: Lines, hold_swing: bool, count: int | None = None
) -> tuple[Floats, Floats]:
    """States (k, 13) and tensions (k,) from the cut to hanging at rest."""
    every = int(SAMPLE_S / STEP_S + 0.5)
    lines = lines._replace(free_length=lines.free_length.copy())
    state = np.concatenate([rigid.centre_m, np.zeros(3), rigid.attitude(np.eye(3)), np.zeros(3)])
    arm = float(np.linalg.norm(lines.tie[0]) + lines.free_length[0] + max(lines.run_max, 0.0))
    period = 2.0 * np.pi * np.sqrt(max(arm, 0.5) / G_M_S2)
    free = min(0.75 * period, 0.6 * LONGEST_SWING_S)
    body = rigid.body
    if hold_swing:
        body = body._replace(drag_rate=2.0 * np.pi / period, spin_drag_rate=1.0)
    first, pull, used = simulate(state, body, lines, STEP_S, int(free / SAMPLE_S) * every, every)
    critical = 2.0 * np.sqrt(lines.stiffness * rigid.body.mass)
    steady = lines._replace(damping=0.3 * critical, run_max=max(lines.run_max - used, 0.0))
    calm = body._replace(drag_rate=4.0 * np.pi / period, spin_drag_rate=3.0)
    left = max(min(1.5 * period, LONGEST_SWING_S - free), 2.0)
    second, pull_late, _ = simulate(
        state, calm, steady, STEP_S, int(left / SAMPLE_S) * every, every
    )
    record = np.concatenate([first, second[1:]])
    tension = np.concatenate([pull, pull_late[1:]])
    return (record, tension) if count is None else (record[:count], tension[:count])


@dataclass(frozen=True)
class _Descent:
    time_s: npt.NDArray[np.floating]
    centre_m: Floats
    rotation: Floats
    resting: Resting
    offset_m: float
    """Horizontal distance the tag line has to hold it off plumb. [m]"""


def _lower(
    rigid: RigidPiece,
    pose: tuple[Floats, Floats],
    lower_to: Floats | None,
    outward: Floats,
    grid: Grid,
) -> _Descent:
    """Straight way from hanging down to the ground, aside to ``lower_to`` if given.

    A piece that comes down on end is laid over ``outward``, away from the stem.
    """
    centre, rotation = pose
    goal = centre[:2] if lower_to is None else np.asarray(lower_to, dtype=np.float64)[:2]
    over, _ = lowest_ball(
        np.array([goal[0], goal[1], centre[2]]), rotation, rigid.offset_m, rigid.radius_m, grid
    )
    end = np.array([goal[0], goal[1], centre[2] - max(over, 0.0)])
    steps = max(int(np.ceil(max(over, 0.0) / (LOWERING_SPEED_M_S * LOWER_SAMPLE_S))), 1)
    share = np.linspace(0.0, 1.0, steps + 1)[1:, None]
    way = centre + share * (end - centre)
    rotations = np.repeat(rotation[None], steps, axis=0)
    aside = float(np.linalg.norm(goal - centre[:2]))
    aside_way = goal - centre[:2] if aside > 0.3 else outward[:2]
    resting = lay_down(rigid, end, rotation, np.append(aside_way, 0.0), grid)
    time = np.arange(1, steps + 1) * LOWER_SAMPLE_S
    return _Descent(time, np.asarray(way, dtype=np.float64), rotations, resting, aside)


def _lowered_path(
    piece: Piece,
    rigid: RigidPiece,
    swing: tuple[Floats, Floats, Floats, Floats],
    down: _Descent,
    anchor: Floats,
) -> Path:
    centre, rotation, tension, gaps = swing
    swing_time = np.arange(len(centre)) * SAMPLE_S
    laid = np.arange(1, len(down.resting.centre_m) + 1) * LOWER_SAMPLE_S
    touch = float(swing_time[-1] + down.time_s[-1])
    weight = rigid.body.mass * G_M_S2
    final, turn = down.resting.centre_m[-1], down.resting.rotation[-1]
    outline = lying_outline(rigid, final, turn, SET_DOWN_M)
    hanging = np.full(len(down.time_s), weight)
    notes: tuple[str, ...] = ()
    if down.offset_m > 0.3:
        rope = max(float(anchor[2] - final[2]), 0.5)
        notes += (
            f"tag line holds it {down.offset_m:.1f} m off plumb: about "
            f"{weight * down.offset_m / rope:.0f} N at the ground",
        )
    if gaps.min() < 0.0 and gaps[0] > 0.0:
        notes += (f"reaches {-gaps.min():.1f} m below the ground's level while swinging",)
    return Path(
        time_s=np.concatenate([swing_time, swing_time[-1] + down.time_s, touch + laid]),
        centre_m=np.concatenate([centre, down.centre_m, down.resting.centre_m]),
        rotation=np.concatenate([rotation, down.rotation, down.resting.rotation]),
        tension_n=np.concatenate([tension, hanging, np.zeros(len(laid))]),
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
