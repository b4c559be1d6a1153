"""Geometry of one lift: legs, angles, fall and turning, from a :class:`LoadCase`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.mechanics.drop import line_stiffness_n_m
from treescan.mechanics.friction import ratio_at_angle
from treescan.rigging.types import LoadCase

Floats = npt.NDArray[np.float64]

SPARE_LINE_M = 3.0
"""Line kept for the knot, the device and the hands [judgement]."""
ACROSS_COSINE = 0.9
LEAD_MIN_M = 0.3
"""A lead is never taken shorter than this: sling, block and knot [judgement]."""


@dataclass(frozen=True)
class Lift:
    """Geometry of a case.

    Attributes
    ----------
    lead_m : float
        Line between piece and anchor when taut. [m]
    legs_m : ndarray, shape (r + 1,)
        Line from the anchor over the redirects to the device. [m]
    points_m : ndarray, shape (r + 2, 3)
        Anchor, redirects, device. [m]
    ratio : ndarray, shape (r + 1,)
        Tension ratio at the anchor and at each redirect, for their angles.
    stiffness_n_m : float
        Of the line in service. [N/m]
    fall_m : float
        Fall of the centre of mass before the line is taut. [m]
    rest_fall_m : float
        Further fall of the centre of mass to the plumb line (swing and turning). [m]
    arm_m, gyration_m : float
        Tie to centre of mass, and radius of gyration about the latter. [m]
    start_rad : float
        Centre of mass from straight below the tie, positive on the lead's side. [rad]
    sideways : bool
        The piece lies more than 25 deg out of the plane of its swing.
    directions : ndarray, shape (d, 3)
        Unit vectors of the lead's pull on the anchor to be checked, plumb line first.
    angles_rad : ndarray, shape (d,)
        Their angles from the plumb line.
    hanging_m : float
        Piece below its tie when it hangs. [m]
    """

    lead_m: float
    legs_m: Floats
    points_m: Floats
    ratio: Floats
    stiffness_n_m: float
    fall_m: float
    rest_fall_m: float
    arm_m: float
    gyration_m: float
    start_rad: float
    sideways: bool
    directions: Floats
    angles_rad: Floats
    hanging_m: float


def lift_of(case: LoadCase) -> Lift:
    """Work out the geometry of a case.

    Raises
    ------
    InvalidInputError
        The tie lies above the anchor but the stated drop is less than the piece must fall;
        the centre of mass lies outside a two-leg tie; a number is out of range.
    """
    _check(case)
    tie = _tie(case)
    anchor = case.anchor.position_m
    offset = tie - anchor
    aside, below = float(np.hypot(*offset[:2])), float(-offset[2])
    inverted = below < 0.0
    arm = float(np.linalg.norm(case.piece.centre_m - tie))
    lead = _lead(case, tie, aside, below)
    hang_fall = float(case.piece.centre_m[2] - (anchor[2] - lead - arm))
    if inverted and case.drop_m < hang_fall - 0.05:
        raise InvalidInputError(
            f"the tie is {-below:.1f} m above its anchor: the centre of mass falls "
            f"{hang_fall:.1f} m before the line is taut, drop_m says {case.drop_m:.1f}. Give the "
            "whole fall, or an anchor above the tie."
        )
    points = case.fall_m
    legs = np.linalg.norm(np.diff(points, axis=0), axis=1)
    directions, angles = _directions(case, offset, aside, lead, inverted)
    ratio = _ratios(case, points, directions[0])
    stiff_length = lead + float((legs / np.cumprod(ratio)).sum())
    start, gyration, sideways = _start(case, tie, arm, directions[1])
    return Lift(
        lead_m=lead,
        legs_m=legs,
        points_m=points,
        ratio=ratio,
        stiffness_n_m=float(line_stiffness_n_m(case.gear.line.modulus_n, stiff_length)),
        fall_m=case.drop_m,
        rest_fall_m=0.0 if inverted else max(hang_fall - case.drop_m, 0.0),
        arm_m=arm,
        gyration_m=gyration,
        start_rad=start,
        sideways=sideways,
        directions=directions,
        angles_rad=angles,
        hanging_m=_hanging(case, tie),
    )


def line_forces_n(lift: Lift, lead_n: float, direction: Floats) -> Floats:
    """Pull of the line on anchor, redirects and device, shape (r + 2, 3). [N]

    Parameters
    ----------
    lift : Lift
    lead_n : float
        Tension of the lead. [N]
    direction : ndarray, shape (3,)
        Unit vector of the lead's pull on the anchor.
    """
    ways = np.diff(lift.points_m, axis=0) / np.maximum(lift.legs_m, 1e-9)[:, None]
    tension = lead_n / np.cumprod(lift.ratio)
    force = np.zeros_like(lift.points_m)
    force[0] = lead_n * direction
    force[:-1] += tension[:, None] * ways
    force[1:] -= tension[:, None] * ways
    return force


def line_needed_m(lift: Lift, case: LoadCase) -> float:
    """Line from the device over the anchor to the tie with the piece down beside the device.

    Redirect legs, the height of the anchor above the device, the lead out to the tie if that
    is longer, and spare for knot and hands. [m]

    Parameters
    ----------
    lift : Lift
    case : LoadCase
    """
    down = float(case.anchor.position_m[2] - case.device_m[2])
    return float(lift.legs_m.sum() + max(lift.lead_m, down) + SPARE_LINE_M)


def two_leg_tensions(case: LoadCase) -> tuple[float, float]:
    """Share of the weight in each leg of a two-leg tie, gathered above the centre of mass.

    The gathering point is taken as high above the piece as half the distance between the
    ties, so that the legs stand at 45 deg or steeper.

    Raises
    ------
    InvalidInputError
        The centre of mass lies outside the legs: the piece tips.
    """
    first, second = case.tie_m[0], case.tie_m[1]
    span = float(np.linalg.norm(second - first))
    if span < 0.2:
        raise InvalidInputError("two-leg tie: the legs are less than 0.2 m apart. Use one tie.")
    along = (second - first) / span
    centre = float((case.piece.centre_m - first) @ along)
    if not 0.0 < centre < span:
        raise InvalidInputError(
            f"two-leg tie: the centre of mass lies {centre:.1f} m along legs {span:.1f} m apart, "
            "outside them; the piece tips. Move a leg beyond it."
        )
    height = 0.5 * span
    t1, t2 = np.arctan2(centre, height), np.arctan2(span - centre, height)
    return float(np.sin(t2) / np.sin(t1 + t2)), float(np.sin(t1) / np.sin(t1 + t2))


def _check(case: LoadCase) -> None:
    numbers = [case.drop_m, case.swing_rad, case.run_m, *case.piece.mass_kg.as_dict(9).values()]
    numbers += [*np.ravel(case.tie_m), *case.device_m, *case.anchor.position_m]
    if not np.isfinite(numbers).all():
        raise InvalidInputError("a number of the load case is not finite. Check piece and ties.")
    if case.tie not in ("butt", "tip", "two-leg"):
        raise InvalidInputError(f"tie {case.tie!r} is not known; use butt, tip or two-leg.")
    if case.drop_m < 0.0 or case.swing_rad < 0.0 or case.run_m < 0.0:
        raise InvalidInputError("drop, swing and run must not be negative.")
    if case.piece.mass_kg.low <= 0.0:
        raise InvalidInputError("the piece has no mass. Check the cut.")
    if case.swing_rad > np.pi / 2:
        raise InvalidInputError(
            f"release angle {np.degrees(case.swing_rad):.0f} deg: beyond 90 deg the line is slack; "
            "give the fall of the centre of mass as a drop."
        )


def _tie(case: LoadCase) -> Floats:
    """Tie point; for two legs the point of the piece under the gathering point."""
    ties = np.reshape(case.tie_m, (-1, 3))
    if case.tie == "two-leg":
        if len(ties) != 2:
            raise InvalidInputError("a two-leg tie needs two tie points, butt side first.")
        two_leg_tensions(case)
        return np.asarray(case.piece.centre_m, dtype=np.float64)
    if len(ties) != 1:
        raise InvalidInputError(f"a {case.tie} tie needs one tie point.")
    return np.asarray(ties[0], dtype=np.float64)


def _lead(case: LoadCase, tie: Floats, aside: float, below: float) -> float:
    """Lead when taut: straight to the tie, or as the fall beside the anchor stretches it."""
    straight = float(np.hypot(aside, below))
    if below >= 0.0:
        length = float(np.hypot(aside, below + case.drop_m))
    else:
        arm = float(np.linalg.norm(case.piece.centre_m - tie))
        taut = float(case.piece.centre_m[2] - (case.anchor.position_m[2] - straight - arm))
        length = straight + max(case.drop_m - taut, 0.0)
    return max(length, LEAD_MIN_M)


def _directions(
    case: LoadCase, offset: Floats, aside: float, lead: float, inverted: bool
) -> tuple[Floats, Floats]:
    """Plumb line, and the lead's way from release through the swing to the far side."""
    flat = np.array([offset[0], offset[1], 0.0])
    side = flat / aside if aside > 1e-6 else np.array([1.0, 0.0, 0.0])
    release = case.swing_rad
    if not inverted:
        release = max(release, float(np.arcsin(min(aside / lead, 1.0))))
    angles = np.array([0.0, 1.0, 0.75, 0.5, 0.25, -0.5, -1.0]) * release
    vectors = np.sin(angles)[:, None] * side - np.cos(angles)[:, None] * np.array([0.0, 0.0, 1.0])
    return vectors, angles


def _ratios(case: LoadCase, points: Floats, lead_direction: Floats) -> Floats:
    """Tension ratio at the anchor and each redirect, for the angle the line turns there."""
    ways = np.diff(points, axis=0)
    ways = ways / np.maximum(np.linalg.norm(ways, axis=1), 1e-9)[:, None]
    incoming = np.vstack([lead_direction[None], -ways[:-1]])
    cosine = np.clip(np.einsum("ij,ij->i", incoming, ways), -1.0, 1.0)
    result: Floats = ratio_at_angle(case.gear.block.friction_ratio, np.arccos(cosine))
    return np.atleast_1d(result)


def _start(case: LoadCase, tie: Floats, arm: float, lead: Floats) -> tuple[float, float, bool]:
    """Start angle of the centre of mass about the tie, radius of gyration, across the swing?"""
    mass = case.piece.mass_kg.likely
    if arm < 1e-3:
        turn = float(np.linalg.eigvalsh(case.piece.inertia_kg_m2)[-1])
        return 0.0, float(np.sqrt(max(turn / mass, 1e-4))), False
    way = (case.piece.centre_m - tie) / arm
    start = float(np.arccos(np.clip(-way[2], -1.0, 1.0)))
    along = float(way[:2] @ lead[:2])
    flat = float(np.linalg.norm(way[:2]) * np.linalg.norm(lead[:2]))
    sideways = flat > 1e-6 and abs(along) < ACROSS_COSINE * flat
    side = -1.0 if along < 0.0 else 1.0
    across = np.cross(way, np.array([0.0, 0.0, 1.0]))
    size = float(np.linalg.norm(across))
    axis = across / size if size > 1e-6 else np.array([1.0, 0.0, 0.0])
    inertia = float(axis @ case.piece.inertia_kg_m2 @ axis)
    return side * start, float(np.sqrt(max(inertia / mass, 1e-4))), sideways


def _hanging(case: LoadCase, tie: Floats) -> float:
    """Reach of the piece below its tie once it hangs: farthest outline from the tie."""
    if not len(case.piece.outline_m):
        return float(case.piece.length_m)
    away = np.linalg.norm(case.piece.outline_m - tie, axis=1) + case.piece.outline_radius_m
    return float(away.max())
