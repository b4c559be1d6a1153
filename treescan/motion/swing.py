"""Pieces on the line: swing to the plumb line under the anchor, hang, and be lowered."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from treescan.motion.body import rigid_piece
from treescan.motion.fall import hinge_across
from treescan.motion.hinge import open_hinge, sampled, turned
from treescan.motion.on_line import SAMPLE_S, Start, at_rest, path_on_line
from treescan.motion.over_blocks import Beyond
from treescan.motion.rig import Rig, checked_rig
from treescan.motion.types import Path
from treescan.pointcloud.cloud import Ground
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

ROPE_STIFFNESS_N_M = 20_000.0
"""Default: 360 kN of modulus (handbook B2) over 18 m of line in service. [N/m]"""


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
    leg_m: Floats | None = None,
    lower_to: Floats | None = None,
    hold_swing: bool = False,
    second_tie_m: Floats | None = None,
    second_anchor_m: Floats | None = None,
    beyond: Beyond | None = None,
    mass_kg: float | None = None,
) -> Path:
    """Motion of a piece cut free on the line (handbook 6.2 to 6.4), then lowered.

    Parameters
    ----------
    piece : Piece
    tie_m : ndarray, shape (j, 3)
        Where the line holds the piece: one row, or two for a two-leg tie (butt side first)
        whose legs meet in a ring at the end of the lead.
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
    leg_m : ndarray, shape (2,), optional
        Free lengths of the two legs; by default those with which the piece hangs as it lies.
    lower_to : ndarray, shape (2,) or (3,), optional
        Where the tag line guides it down; plumb under the anchor by default. [m]
    hold_swing : bool
        A tag line holds the swing back, so that it does not pass plumb freely.
    second_tie_m, second_anchor_m : ndarray, shape (3,), optional
        A second line from another anchor, taut at the cut: the piece comes to hang between
        the two, and ``tension_n`` is that of the tighter line.
    beyond : Beyond, optional
        Lengths of the line behind the anchor's block and redirects, their friction, and how the
        anchor gives: the line then stretches, slips and springs back over its blocks.  Without
        it the line is one spring without loss on a stiff anchor.
    mass_kg : float, optional
        The high mass unless given.

    Raises
    ------
    InvalidInputError
        If ties, legs or anchor cannot be used, or the stiffness is not positive.

    Notes
    -----
    ``tension_n`` is that of the lead of a locked line whatever ``run_m``; without ``beyond``
    a lossless one.  The first three quarters of a swing lose nothing but to the blocks; then
    the crew steadies the piece.
    """
    rigid = rigid_piece(piece, mass_kg)
    slack = lead_slack_m - max(pretension_n, 0.0) / max(rope_stiffness_n_m, 1e-9)
    rig = checked_rig(
        Rig(
            tie_m,
            anchor_m,
            rope_stiffness_n_m,
            slack,
            max(run_m, 0.0),
            leg_m,
            hold_swing,
            second_tie_m,
            second_anchor_m,
            beyond,
        )
    )
    options = {
        "tie_m": rig.tie_m,
        "anchor_m": rig.anchor_m,
        "lead_slack_m": lead_slack_m,
        "pretension_n": pretension_n,
        "rope_stiffness_n_m": rope_stiffness_n_m,
        "run_m": run_m,
        "leg_m": leg_m,
        "lower_to": lower_to,
        "hold_swing": hold_swing,
        "second_tie_m": second_tie_m,
        "second_anchor_m": second_anchor_m,
        "beyond": beyond,
        "mass_kg": mass_kg,
    }
    path = path_on_line(piece, rigid, rig, at_rest(rigid), ground, lower_to)
    notes = (*_leg_notes(rig, rigid.centre_m), *path.notes)
    return replace(path, recipe=("lowered", options), notes=notes)


def _leg_notes(rig: Rig, centre_m: Floats) -> tuple[str, ...]:
    """What must be said of two legs: the centre of mass belongs between them (E5)."""
    if len(rig.tie_m) < 2:
        return ()
    along = rig.tie_m[1] - rig.tie_m[0]
    share = float((centre_m - rig.tie_m[0]) @ along / max(float(along @ along), 1e-9))
    if 0.0 <= share <= 1.0:
        return ()
    end = "butt" if share < 0.0 else "tip"
    return (f"its weight lies outside the two ties, toward the {end}: it tips and one leg slacks",)


def caught(  # noqa: PLR0913 - the ways to rig one piece
    piece: Piece,
    tie_m: Floats,
    block_m: Floats,
    ground: Ground,
    *,
    hinge_azimuth_deg: float,
    below_level_deg: float = 0.0,
    break_angle_deg: float = 85.0,
    lead_slack_m: float = 0.0,
    rope_stiffness_n_m: float = ROPE_STIFFNESS_N_M,
    run_m: float = 0.0,
    lower_to: Floats | None = None,
    beyond: Beyond | None = None,
    mass_kg: float | None = None,
) -> Path:
    """Spar wood tipped over its hinge and caught on a block below the cut (handbook 6.2).

    Parameters
    ----------
    piece : Piece
    tie_m : ndarray, shape (3,)
        The tie on the piece, above the cut. [m]
    block_m : ndarray, shape (3,)
        The block on the stem, below the cut. [m]
    hinge_azimuth_deg, below_level_deg, break_angle_deg
        As in :func:`treescan.motion.fall.hinge_fall`.
    ground, lead_slack_m, rope_stiffness_n_m, run_m, lower_to, beyond, mass_kg
        As in :func:`lowered`.

    Notes
    -----
    The speed at the hinge's break is carried over to the fall on the line, so the fall of
    the centre of mass is the whole L + 2 b of a log (E13).
    """
    rigid = rigid_piece(piece, mass_kg)
    rig = checked_rig(
        Rig(tie_m, block_m, rope_stiffness_n_m, lead_slack_m, max(run_m, 0.0), beyond=beyond)
    )
    hinge = hinge_across(piece, rigid, hinge_azimuth_deg, below_level_deg)
    opened = open_hinge(hinge, rigid.body.mass, float(np.radians(break_angle_deg)))
    time, angle, rate = sampled(*opened, SAMPLE_S)
    centre, rotation = turned(hinge, rigid.centre_m, angle)
    spin = rate[-1] * hinge.axis
    velocity = np.cross(spin, centre[-1] - hinge.point_m)
    start = Start(time, centre, rotation, np.zeros(len(time)), velocity, spin)
    options = {
        "tie_m": rig.tie_m,
        "block_m": rig.anchor_m,
        "hinge_azimuth_deg": hinge_azimuth_deg,
        "below_level_deg": below_level_deg,
        "break_angle_deg": break_angle_deg,
        "lead_slack_m": lead_slack_m,
        "rope_stiffness_n_m": rope_stiffness_n_m,
        "run_m": run_m,
        "lower_to": lower_to,
        "beyond": beyond,
        "mass_kg": mass_kg,
    }
    path = path_on_line(piece, rigid, rig, start, ground, lower_to)
    return replace(path, recipe=("caught", options))
