"""Limbs turned aside on their hinge while a line carries them, and pieces that slide off a slant.

A face that aims sideways and some way below level lets gravity turn the limb along the face;
a level face leaves the whole sag to the hinge wood, which lets the limb drop early.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.mechanics.inputs import within
from treescan.motion.body import RigidPiece, rigid_piece
from treescan.motion.fall import hinge_across
from treescan.motion.hinge import Hinge, turned
from treescan.motion.on_line import SAMPLE_S, Start, path_on_line
from treescan.motion.over_blocks import Beyond
from treescan.motion.rig import Rig, checked_rig
from treescan.motion.swing import ROPE_STIFFNESS_N_M
from treescan.motion.types import Path
from treescan.pointcloud.cloud import Ground
from treescan.units import G_M_S2
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

TURN_RATE_RAD_S = 0.3
"""Rate at which a limb is let turn on its hinge: common practice, no source. [rad/s]"""

WOOD_FRICTION = 0.4
"""Of green wood on green wood along a saw cut: assumption, of the order 0.3 to 0.5. [-]"""

MOST_HOLD_IN_WEIGHTS = 3.0


@dataclass(frozen=True)
class TurnOnHinge:
    """A limb turned on its hinge under a line that carries its sag.

    Attributes
    ----------
    path : Path
        The turn, then the release, swing and descent.
    angle_rad : ndarray, shape (k,)
    hold_n : ndarray, shape (k,)
        Line tension with which the hinge wood carries no sag. [N]
    pull_n : float
        Greatest pull at the tip, square to the limb, that the turn needs; 0 when it turns
        by itself. [N]
    warnings : tuple of str
    """

    path: Path
    angle_rad: Floats
    hold_n: Floats
    pull_n: float
    warnings: tuple[str, ...]


def turned_on_hinge(  # noqa: PLR0913 - a rig and a face
    piece: Piece,
    tie_m: Floats,
    anchor_m: Floats,
    ground: Ground,
    *,
    hinge_azimuth_deg: float,
    below_level_deg: float,
    turn_deg: float = 60.0,
    rope_stiffness_n_m: float = ROPE_STIFFNESS_N_M,
    run_m: float = 0.0,
    lower_to: Floats | None = None,
    hold_swing: bool = True,
    beyond: Beyond | None = None,
    mass_kg: float | None = None,
) -> TurnOnHinge:
    """Lift-and-turn: the line takes the sag, the limb turns on its hinge, then it is parted.

    Parameters
    ----------
    piece : Piece
        A limb, within 60 degrees of level.
    tie_m : ndarray, shape (3,) or (1, 3)
    anchor_m : ndarray, shape (3,)
    ground : Ground
    hinge_azimuth_deg, below_level_deg : float
        Where the face aims: sideways of the limb, some way below level. [degrees]
    turn_deg : float
        Turn on the hinge before it is cut through. [degrees]
    rope_stiffness_n_m, run_m, lower_to, hold_swing, beyond, mass_kg
        As in :func:`treescan.motion.swing.lowered`.

    Raises
    ------
    InvalidInputError
        If the limb is too upright, the face aims along it, or the line cannot hold it.
    """
    options = {
        "tie_m": np.atleast_2d(np.asarray(tie_m, dtype=np.float64)),
        "anchor_m": np.asarray(anchor_m, dtype=np.float64),
        "hinge_azimuth_deg": hinge_azimuth_deg,
        "below_level_deg": below_level_deg,
        "turn_deg": turn_deg,
        "rope_stiffness_n_m": rope_stiffness_n_m,
        "run_m": run_m,
        "lower_to": lower_to,
        "hold_swing": hold_swing,
        "beyond": beyond,
        "mass_kg": mass_kg,
    }
    rigid = rigid_piece(piece, mass_kg)
    if abs(float(piece.axis[2])) > np.sin(np.radians(60.0)):
        raise InvalidInputError(
            f"limb at node {piece.butt_node} stands within 30 degrees of plumb: turn a limb, "
            "tip a leader."
        )
    rig = checked_rig(
        Rig(tie_m, anchor_m, rope_stiffness_n_m, 0.0, run_m, None, hold_swing, beyond=beyond)
    )
    hinge = hinge_across(piece, rigid, hinge_azimuth_deg, below_level_deg)
    steps = int(np.ceil(np.radians(turn_deg) / (TURN_RATE_RAD_S * SAMPLE_S)))
    angle = np.linspace(0.0, np.radians(within("turn", turn_deg, 1.0, 150.0)), steps + 1)
    centre, rotation = turned(hinge, rigid.centre_m, angle)
    hold, opening, axis = _moments(rigid, piece, hinge, rig, (centre, rotation))
    pull, reach = 0.0, np.linalg.norm(np.cross(axis * piece.length_m, hinge.axis), axis=1)
    pull = float(np.max(np.maximum(-opening, 0.0) / np.maximum(reach, 0.2)))
    time: Floats = np.linspace(0.0, steps * SAMPLE_S, steps + 1)
    start = Start(time, centre, rotation, hold, np.zeros(3), np.zeros(3))
    held = replace(rig, slack_m=_slack_at(rigid, rig, (centre[-1], rotation[-1]), hold[-1]))
    path = path_on_line(piece, rigid, held, start, ground, lower_to)
    weight = rigid.body.mass * G_M_S2
    warnings = _turn_warnings(pull, weight, hold, below_level_deg)
    path = replace(path, notes=(*path.notes, *warnings), recipe=("turned_on_hinge", options))
    return TurnOnHinge(path, angle, hold, pull, warnings)


def turned_path(piece: Piece, tie_m: Floats, anchor_m: Floats, ground: Ground, **way: Any) -> Path:
    """Path alone of :func:`turned_on_hinge`, with its options; tie and anchor (3,). [m]

    ``tie_m`` and ``anchor_m`` are points before the cut.
    """
    return turned_on_hinge(piece, tie_m, anchor_m, ground, **way).path


def _moments(
    rigid: RigidPiece, piece: Piece, hinge: Hinge, rig: Rig, poses: tuple[Floats, Floats]
) -> tuple[Floats, Floats, Floats]:
    """Holding tension (k,), opening moment (k,) and limb axes (k, 3) along the turn."""
    centre, rotation = poses
    weight = np.array([0.0, 0.0, -rigid.body.mass * G_M_S2])
    axis = rotation @ np.asarray(piece.axis, dtype=np.float64)
    arm = centre - hinge.point_m
    tie = centre + rotation @ (rig.tie_m[0] - rigid.centre_m)
    toward = rig.anchor_m - tie
    toward /= np.maximum(np.linalg.norm(toward, axis=1), 1e-9)[:, None]
    across = np.cross(axis, [0.0, 0.0, 1.0])
    across /= np.maximum(np.linalg.norm(across, axis=1), 1e-9)[:, None]
    sag = np.einsum("ka,ka->k", across, np.cross(arm, weight))
    lift = np.einsum("ka,ka->k", across, np.cross(tie - hinge.point_m, toward))
    weak = np.abs(lift) < 0.05 * np.linalg.norm(tie - hinge.point_m, axis=1)
    hold = np.where(weak, np.inf, -sag / np.where(weak, 1.0, lift))
    most = MOST_HOLD_IN_WEIGHTS * np.linalg.norm(weight)
    if (hold < 0.0).any() or (hold > most).any():
        raise InvalidInputError(
            f"limb at node {piece.butt_node}: the line cannot carry its sag all the way round "
            f"(needs {np.abs(hold).max() / 1e3:.1f} kN). Tie farther out, use a higher anchor, or "
            "turn less."
        )
    total = np.cross(arm, weight) + np.cross(tie - hinge.point_m, hold[:, None] * toward)
    return hold, total @ hinge.axis, axis


def _slack_at(rigid: RigidPiece, rig: Rig, pose: tuple[Floats, Floats], hold_n: float) -> float:
    """Slack against the lead before the cut with which it holds so hard at the release. [m]"""
    centre, rotation = pose
    tie = centre + rotation @ (rig.tie_m[0] - rigid.centre_m)
    now = float(np.linalg.norm(tie - rig.anchor_m)) - hold_n / rig.stiffness_n_m
    return now - float(np.linalg.norm(rig.tie_m[0] - rig.anchor_m))


def _turn_warnings(
    pull: float, weight: float, hold: Floats, below_level_deg: float
) -> tuple[str, ...]:
    notes = [f"line holds about {hold.max():.0f} N while the limb turns"]
    if pull > 1.0:
        notes.append(f"does not turn by itself: a tag line at the tip pulls up to {pull:.0f} N")
    if below_level_deg < 5.0:
        notes.append("a level hinge lets the limb drop early if the line gives")
    if hold.max() > 1.5 * weight:
        notes.append("the tie is close in: the line holds more than 1.5 times the weight")
    return tuple(notes)


def slid_off(  # noqa: PLR0913 - a rig and a slanted cut
    piece: Piece,
    tie_m: Floats,
    anchor_m: Floats,
    ground: Ground,
    *,
    slope_azimuth_deg: float,
    slant_deg: float = 45.0,
    friction: float = WOOD_FRICTION,
    rope_stiffness_n_m: float = ROPE_STIFFNESS_N_M,
    lead_slack_m: float = 0.0,
    run_m: float = 0.0,
    lower_to: Floats | None = None,
    hold_swing: bool = False,
    beyond: Beyond | None = None,
    mass_kg: float | None = None,
) -> Path:
    """Piece held on its line whose butt is cut at a slant, so that it slides off past the stem.

    Parameters
    ----------
    piece : Piece
    tie_m : ndarray, shape (j, 3)
    anchor_m : ndarray, shape (3,)
    ground : Ground
    slope_azimuth_deg : float
        Which way the cut falls away, clockwise from +y. [degrees]
    slant_deg : float
        Slope of the cut from level. [degrees]
    friction : float
        Of the cut faces on each other.
    rope_stiffness_n_m, lead_slack_m, run_m, lower_to, hold_swing, beyond, mass_kg
        As in :func:`treescan.motion.swing.lowered`.

    Raises
    ------
    InvalidInputError
        If the slant is not steep enough for the piece to slide.

    Notes
    -----
    It slides without turning until its butt is clear of the stump, one diameter along the
    slope, and leaves with the speed v² = 2 g s (sin a - mu cos a).
    """
    slant = np.radians(within("slant", slant_deg, 5.0, 80.0, unit="degrees"))
    gain = float(np.sin(slant) - friction * np.cos(slant))
    if gain <= 0.0:
        least = np.degrees(np.arctan(friction))
        raise InvalidInputError(
            f"a cut at {slant_deg:.0f} degrees does not let the piece slide (friction "
            f"{friction:.2f} holds up to {least:.0f} degrees). Cut steeper or pull it off."
        )
    rigid = rigid_piece(piece, mass_kg)
    rig = checked_rig(
        Rig(
            tie_m,
            anchor_m,
            rope_stiffness_n_m,
            lead_slack_m,
            run_m,
            None,
            hold_swing,
            beyond=beyond,
        )
    )
    way = float(piece.butt_diameter_m / np.cos(slant))
    start = _slide(rigid.centre_m, float(slant), float(np.radians(slope_azimuth_deg)), gain, way)
    path = path_on_line(piece, rigid, rig, start, ground, lower_to)
    options = {
        "tie_m": rig.tie_m,
        "anchor_m": rig.anchor_m,
        "slope_azimuth_deg": slope_azimuth_deg,
        "slant_deg": slant_deg,
        "friction": friction,
        "rope_stiffness_n_m": rope_stiffness_n_m,
        "lead_slack_m": lead_slack_m,
        "run_m": run_m,
        "lower_to": lower_to,
        "hold_swing": hold_swing,
        "beyond": beyond,
        "mass_kg": mass_kg,
    }
    note = (
        f"its butt slides {way:.1f} m down a cut slanting {slant_deg:.0f} degrees, then it is free"
    )
    return replace(path, notes=(note, *path.notes), recipe=("slid_off", options))


def _slide(centre_m: Floats, slant: float, azimuth: float, gain: float, way_m: float) -> Start:
    """A piece that has slid ``way_m`` down its cut without turning; angles in radians."""
    down = np.array(
        [np.cos(slant) * np.sin(azimuth), np.cos(slant) * np.cos(azimuth), -np.sin(slant)]
    )
    lasts = float(np.sqrt(2.0 * way_m / (G_M_S2 * gain)))
    time = np.append(np.arange(0.0, lasts, SAMPLE_S), lasts)
    gone = 0.5 * G_M_S2 * gain * time**2
    return Start(
        time,
        centre_m + gone[:, None] * down,
        np.repeat(np.eye(3)[None], len(time), axis=0),
        np.zeros(len(time)),
        float(np.sqrt(2.0 * G_M_S2 * gain * way_m)) * down,
        np.zeros(3),
    )
