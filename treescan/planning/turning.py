"""Limbs folded up or turned aside on their hinge under the line, before they part.

The hinge is aimed so that the limb moves away from what lies below it; the line carries it
while it turns, and it hangs with little swing once it parts (handbook 6.5 for the pull).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from treescan.motion.types import Path
from treescan.units import G_M_S2
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

UP_DEG = 72.0
ASIDE_DEG = 80.0
BELOW_LEVEL_DEG = 15.0
TURN_DEG_S = 15.0
SAMPLE_S = 0.05
FLATTEST_LIFT_DEG = 50.0


def turns(piece: Piece, lean_deg: float) -> list[tuple[Floats, float, float, float]]:
    """Axis, angle, aim and tilt of the face for folding up and for turning to both sides.

    The axis is a unit vector (3,), the angle in radians, aim and tilt below level in degrees.
    """
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

    ``tie_m``, ``anchor_m`` and the unit vector ``axis`` are (3,).
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


def shifted(piece: Piece, by_m: Floats) -> Piece:
    """Copy of a piece moved by ``by_m`` (3,) without a turn."""
    return replace(
        piece,
        centre_m=piece.centre_m + by_m,
        cut_m=piece.cut_m + by_m,
        outline_m=piece.outline_m + by_m,
    )


def about(cut_m: Floats, points_m: Floats, axis: Floats, angle_rad: float) -> Floats:
    """``points_m`` (k, 3) turned about the unit vector ``axis`` (3,) through ``cut_m`` (3,). [m]"""
    turn = Rotation.from_rotvec(axis * angle_rad).as_matrix()
    return np.asarray(cut_m + (points_m - cut_m) @ turn.T)


def rotated(piece: Piece, turn: Floats) -> Piece:
    """Copy of a piece turned about the centre of its cut by the rotation matrix ``turn`` (3, 3)."""
    cut = piece.cut_m
    return replace(
        piece,
        centre_m=cut + turn @ (piece.centre_m - cut),
        inertia_kg_m2=turn @ piece.inertia_kg_m2 @ turn.T,
        axis=turn @ piece.axis,
        outline_m=cut + (piece.outline_m - cut) @ turn.T,
    )


def after_turning(
    piece: Piece,
    turn: tuple[Floats, float],
    after: Path,
    pull_n: float,
    note: str,
    *,
    carried_m: Floats | None = None,
) -> Path:
    """A slow turn about the cut, then the path of the piece in its turned pose.

    ``carried_m`` (3,) is how far a piece held by hand is moved while it turns.

    ``turn`` is the axis, a unit vector (3,), and the angle [rad].
    """
    axis, full = turn
    lasts = max(float(np.degrees(full)) / TURN_DEG_S, SAMPLE_S)
    time = np.append(np.arange(0.0, lasts, SAMPLE_S), lasts)
    angle = full * 0.5 * (1.0 - np.cos(np.pi * time / lasts))
    rotation = Rotation.from_rotvec(angle[:, None] * axis).as_matrix()
    centre = piece.cut_m + rotation @ (piece.centre_m - piece.cut_m)
    if carried_m is not None:
        centre = centre + (angle / full)[:, None] * carried_m
    final = rotation[-1]
    return replace(
        after,
        time_s=np.concatenate([time, lasts + after.time_s[1:]]),
        centre_m=np.concatenate([centre, after.centre_m[1:]]),
        rotation=np.concatenate([rotation, after.rotation[1:] @ final]),
        tension_n=np.concatenate([np.full(len(time), pull_n), after.tension_n[1:]]),
        contact_time_s=after.contact_time_s + lasts,
        notes=(note, *after.notes) if note else after.notes,
        recipe=(
            "after_turning",
            {
                "axis": axis,
                "angle_rad": full,
                "carried_m": carried_m,
                "pull_n": pull_n,
                "then": after.recipe,
            },
        ),
    )


def pose_after(piece: Piece, turn: tuple[Floats, float], carried_m: Floats | None) -> Piece:
    """Copy of a piece as a turn about its cut, and a carry by hand, leave it.

    ``turn`` is the axis, a unit vector (3,), and the angle [rad]; ``carried_m`` is (3,).
    """
    pose = rotated(piece, Rotation.from_rotvec(turn[0] * turn[1]).as_matrix())
    return pose if carried_m is None else shifted(pose, carried_m)


def fold_up(piece: Piece) -> tuple[Floats, float] | None:
    """Axis (3,) and angle [rad] that fold a limb up about its cut; None when it stands already."""
    lean = float(np.degrees(np.arcsin(np.clip(piece.axis[2], -1.0, 1.0))))
    if lean > FLATTEST_LIFT_DEG:
        return None
    axis, angle, _, _ = turns(piece, lean)[0]
    return axis, float(angle)
