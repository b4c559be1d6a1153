"""Limbs turned on their hinge under the line of an anchor, as load cases to be answered."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from treescan.motion.types import Path
from treescan.planning.job import Job
from treescan.planning.leaning import hands_n
from treescan.planning.ties import (
    STEEPEST_SWING_RAD,
    Tie,
    lift_case,
    reachable_anchors,
    swing_rad,
    ties_of,
)
from treescan.planning.turning import (
    FLATTEST_LIFT_DEG,
    about,
    after_turning,
    pull_n,
    rotated,
    turns,
)
from treescan.rigging.types import LoadCase
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

HEAVIEST_KG = 100.0
"""Heavier limbs are not turned by people on a line: common practice, no source."""


@dataclass(frozen=True)
class Turned:
    """A limb in its pose at parting.

    Attributes
    ----------
    piece : Piece
        Rotated copy.
    case : LoadCase
        Of the rotated copy.
    tie : Tie
        Before the cut.
    axis : ndarray, shape (3,); angle_rad : float
        Turn about the cut that led there.
    azimuth_deg, below_level_deg : float
        Where the face aims; -90 is a face on top.
    pull_n : float
        Greatest pull needed on the line while it turns, high mass. [N]
    """

    piece: Piece
    case: LoadCase
    tie: Tie
    axis: Floats
    angle_rad: float
    azimuth_deg: float
    below_level_deg: float
    pull_n: float


def turned_cases(job: Job, piece: Piece) -> list[Turned]:
    """Ways of turning a limb under the line of each anchor, before parting it."""
    lean = float(np.degrees(np.arcsin(np.clip(piece.axis[2], -1.0, 1.0))))
    if piece.mass_kg.high > HEAVIEST_KG or lean > FLATTEST_LIFT_DEG:
        return []
    tie = next((t for t in ties_of(job.inputs.graph, piece) if t.kind == "tip"), None)
    if tie is None:
        return []
    hands = hands_n(job.inputs.site)
    result = []
    for axis, angle, azimuth, below in turns(piece, lean):
        pose = rotated(piece, Rotation.from_rotvec(axis * angle).as_matrix())
        hold = about(piece.cut_m, tie.points_m, axis, angle)
        for anchor in reachable_anchors(job, pose, gone=piece.butt_node):
            at = anchor.position_m
            swing = swing_rad(hold[0], at)
            if swing > STEEPEST_SWING_RAD or hold[0, 2] > at[2] - 0.3:
                continue
            pull = pull_n(piece, tie.points_m[0], at, axis)
            if not 0.0 < pull <= hands:
                continue
            at_parting = Tie("tip", hold)
            case = lift_case(job, pose, anchor, at_parting, swing_rad=swing)
            result.append(Turned(pose, case, tie, axis, angle, azimuth, below, pull))
    return result


def with_turn(piece: Piece, turned: Turned, after: Path) -> Path:
    """Path of the whole: turning on the hinge, then what follows the parting."""
    note = (
        f"turned {np.degrees(turned.angle_rad):.0f}° on its hinge under the line first: about"
        f" {turned.pull_n:.0f} N of pull"
    )
    return after_turning(piece, (turned.axis, turned.angle_rad), after, turned.pull_n, note)
