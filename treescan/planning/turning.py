"""Limbs folded up or turned aside on their hinge under the line, before they part.

The hinge is aimed so that the limb moves away from what lies below it; the line carries it
while it turns, and it hangs with little swing once it parts (handbook 6.5 for the pull).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from treescan.motion.types import Path
from treescan.planning.job import Job
from treescan.planning.ties import STEEPEST_SWING_RAD, Tie, reachable_anchors, swing_rad, ties_of
from treescan.rigging.types import LoadCase
from treescan.units import G_M_S2
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

HEAVIEST_KG = 100.0
"""Heavier limbs are not turned by people on a line: common practice, no source."""

UP_DEG = 72.0
ASIDE_DEG = 80.0
BELOW_LEVEL_DEG = 15.0
TURN_DEG_S = 15.0
SAMPLE_S = 0.05
PURCHASE = 3.0
"""A pulley system at the foot multiplies the hands by about this: common practice."""

FLATTEST_LIFT_DEG = 50.0


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
    hands = job.inputs.site.gear.hand_force_n * job.inputs.site.crew.ground * PURCHASE
    result = []
    for axis, angle, azimuth, below in _turns(piece, lean):
        pose = rotated(piece, Rotation.from_rotvec(axis * angle).as_matrix())
        hold = _about(piece.cut_m, tie.points_m, axis, angle)
        for anchor in reachable_anchors(job, pose, gone=piece.butt_node):
            at = anchor.position_m
            swing = swing_rad(hold[0], at)
            if swing > STEEPEST_SWING_RAD or hold[0, 2] > at[2] - 0.3:
                continue
            pull = pull_n(piece, tie.points_m[0], at, axis)
            if not 0.0 < pull <= hands:
                continue
            case = LoadCase(
                piece=pose,
                anchor=anchor,
                tie="tip",
                tie_m=hold,
                redirects_m=np.zeros((0, 3)),
                device_m=job.device_m,
                gear=job.inputs.gear,
                drop_m=0.0,
                swing_rad=swing,
            )
            result.append(Turned(pose, case, tie, axis, angle, azimuth, below, pull))
    return result


def _turns(piece: Piece, lean_deg: float) -> list[tuple[Floats, float, float, float]]:
    """Axis, angle, aim and tilt of the face for folding up and for turning to both sides."""
    flat = np.array([piece.axis[0], piece.axis[1], 0.0])
    flat /= max(float(np.linalg.norm(flat)), 1e-9)
    along = float(np.degrees(np.arctan2(flat[0], flat[1]))) % 360.0
    up = np.array([0.0, 0.0, 1.0])
    side = np.cross(flat, up)
    found = [(side, np.radians(UP_DEG - lean_deg), (along + 180.0) % 360.0, -90.0)]
    for sign in (1.0, -1.0):
        aim = (along + 90.0 * -sign) % 360.0
        found.append((sign * up, np.radians(ASIDE_DEG), aim, BELOW_LEVEL_DEG))
    return found


def pull_n(piece: Piece, tie_m: Floats, anchor_m: Floats, axis: Floats) -> float:
    """Pull on the line that carries a limb on its hinge about ``axis``, high mass. [N]

    Moments about the cut: T times the line's lever against W times the horizontal distance of
    the centre of mass (handbook 6.5, F7); a sideways turn is carried like a level limb.
    Infinite when the line has no lever.
    """
    weight = G_M_S2 * piece.mass_kg.high
    arm = piece.centre_m - piece.cut_m
    line = anchor_m - tie_m
    line = line / max(float(np.linalg.norm(line)), 1e-9)
    level = axis if abs(axis[2]) < 0.5 else np.cross(np.array([arm[0], arm[1], 0.0]), [0, 0, 1.0])
    level = level / max(float(np.linalg.norm(level)), 1e-9)
    lever = abs(float(np.cross(tie_m - piece.cut_m, line) @ level))
    moment = weight * float(np.hypot(arm[0], arm[1]))
    return moment / lever if lever > 0.05 else float("inf")


def _about(cut_m: Floats, points_m: Floats, axis: Floats, angle_rad: float) -> Floats:
    turn = Rotation.from_rotvec(axis * angle_rad).as_matrix()
    return np.asarray(cut_m + (points_m - cut_m) @ turn.T)


def rotated(piece: Piece, turn: Floats) -> Piece:
    """Copy of a piece turned about the centre of its cut."""
    cut = piece.cut_m
    return replace(
        piece,
        centre_m=cut + turn @ (piece.centre_m - cut),
        inertia_kg_m2=turn @ piece.inertia_kg_m2 @ turn.T,
        axis=turn @ piece.axis,
        outline_m=cut + (piece.outline_m - cut) @ turn.T,
    )


def with_turn(piece: Piece, turned: Turned, after: Path) -> Path:
    """Path of the whole: turning on the hinge, then what follows the parting."""
    lasts = float(np.degrees(turned.angle_rad)) / TURN_DEG_S
    time = np.append(np.arange(0.0, lasts, SAMPLE_S), lasts)
    angle = turned.angle_rad * 0.5 * (1.0 - np.cos(np.pi * time / lasts))
    rotation = Rotation.from_rotvec(angle[:, None] * turned.axis).as_matrix()
    centre = piece.cut_m + rotation @ (piece.centre_m - piece.cut_m)
    final = rotation[-1]
    note = (
        f"turned {np.degrees(turned.angle_rad):.0f}° on its hinge under the line first: about"
        f" {turned.pull_n:.0f} N of pull"
    )
    return replace(
        after,
        time_s=np.concatenate([time, lasts + after.time_s[1:]]),
        centre_m=np.concatenate([centre, after.centre_m[1:]]),
        rotation=np.concatenate([rotation, after.rotation[1:] @ final]),
        tension_n=np.concatenate([np.full(len(time), turned.pull_n), after.tension_n[1:]]),
        contact_time_s=after.contact_time_s + lasts,
        notes=(note, *after.notes),
    )
