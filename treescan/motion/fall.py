"""Pieces that fall: dropped limbs, hinge-felled tops and stem sections."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.motion.body import (
    Grid,
    RigidPiece,
    axis_attitude_deg,
    ground_grid,
    lowest_ball,
    lowest_gaps,
    rigid_piece,
)
from treescan.motion.hinge import Hinge, face_direction, make_hinge, open_hinge, sampled, turned
from treescan.motion.landing import (
    FLAT_WITHIN_DEG,
    Resting,
    lay_down,
    lying_outline,
    outline_of_discs,
)
from treescan.motion.rigid_body import drift_on, rotation_of
from treescan.motion.types import Path
from treescan.pointcloud.cloud import Ground
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

FLIGHT_STEP_S = 0.005
SAMPLE_S = 0.025
BOUNCE_M = 1.0
"""Bounce and roll beside the lying piece on level turf: our choice, no source. [m]"""

ROLLS_FROM_DEG, ROLL_M_PER_DEG, LONGEST_ROLL_M = 8.0, 0.4, 8.0
"""On ground steeper than the first a clean log may roll on downhill, so far for each degree
beyond it: our choice, no source.  Brush stays where it lands."""

LOG_WIDTH_SHARE = 1.5
"""An outline nowhere wider than its butt times this is a clean log: our choice."""

HINGE_SWAY_SHARE = 0.15
"""Shift of a hinge-felled piece by an aim off by 5 degrees and a break 5 degrees early or
late, over its throw: half of it is the median of the worst shifts of 80 pieces whose break
angle was changed by 10 degrees (0.35).  [own simulation]"""

DROP_SWAY_SHARE = 0.1
"""Shift of a dropped limb whose last fibres part early or late, over its length: the mean
over targets all around in 120 cases was 0.07 (half of them less), the worst 0.15. [own
simulation]"""

HINGE_FORWARD_SHARE = 0.2
"""Hinge line ahead of the stem's centre, as a share of the diameter: a face cut of about a
third of it with a hinge behind it [common practice, no source]."""

FLOPS = "lands on an end and may flop to any side"


@dataclass(frozen=True)
class _Flight:
    time_s: Floats
    centre_m: Floats
    rotation: Floats
    velocity: Floats
    energy_j: float


def hinge_fall(
    piece: Piece,
    ground: Ground,
    *,
    hinge_azimuth_deg: float,
    below_level_deg: float = 0.0,
    break_angle_deg: float = 55.0,
    bounce_m: float = BOUNCE_M,
    mass_kg: float | None = None,
) -> Path:
    """Top or stem section felled on a hinge, then falling freely (handbook 9.1, 10.1).

    Parameters
    ----------
    piece : Piece
    ground : Ground
    hinge_azimuth_deg : float
        Where the face aims, clockwise from +y (north). [deg]
    below_level_deg : float
        How far below level the face aims. [deg]
    break_angle_deg : float
        Turn at which the face closes and the hinge parts. [deg]  Early failure of the hinge
        is the same call with a small angle.
    bounce_m : float
        Allowance around the lying piece. [m]
    mass_kg : float, optional
        The high mass unless given.

    Raises
    ------
    InvalidInputError
        If the face aims along the piece.
    """
    rigid = rigid_piece(piece, mass_kg)
    hinge = hinge_across(piece, rigid, hinge_azimuth_deg, below_level_deg)
    notes = _balance_notes(hinge)
    opening = np.radians(break_angle_deg)
    path = _fall(piece, rigid, ground, (hinge, opening), "hinge fall", bounce_m, notes)
    options = {
        "hinge_azimuth_deg": hinge_azimuth_deg,
        "below_level_deg": below_level_deg,
        "break_angle_deg": break_angle_deg,
        "bounce_m": bounce_m,
        "mass_kg": mass_kg,
    }
    throw = float(np.linalg.norm(path.landing_m[:2] - np.asarray(piece.cut_m)[:2]))
    return replace(path, recipe=("hinge_fall", options), sway_m=HINGE_SWAY_SHARE * throw)


def hinge_across(
    piece: Piece, rigid: RigidPiece, azimuth_deg: float, below_level_deg: float
) -> Hinge:
    """Hinge of a face that aims so; its line lies ahead of the middle of the cut."""
    facing = face_direction(azimuth_deg, below_level_deg)
    level = np.array([facing[0], facing[1], 0.0])
    size = float(np.linalg.norm(level))
    ahead = level / size if size > 1e-6 else facing
    point = np.asarray(piece.cut_m) + HINGE_FORWARD_SHARE * piece.butt_diameter_m * ahead
    return make_hinge(rigid, point, np.asarray(piece.axis, dtype=np.float64), facing)


def free_fall(
    piece: Piece,
    ground: Ground,
    *,
    release_speed_m_s: float = 0.0,
    break_angle_deg: float = 20.0,
    push_azimuth_deg: float | None = None,
    bounce_m: float = BOUNCE_M,
    mass_kg: float | None = None,
) -> Path:
    """Limb dropped by a parting cut: it sags on its last fibres, then falls (handbook 10.2).

    Parameters
    ----------
    piece : Piece
    ground : Ground
    release_speed_m_s : float
        Speed of a push along ``push_azimuth_deg`` (the limb's own azimuth by default). [m/s]
    break_angle_deg : float
        Sag at which the last fibres part; 0 for a clean cut. [deg]
    push_azimuth_deg : float, optional
    bounce_m, mass_kg : see :func:`hinge_fall`

    Notes
    -----
    A piece that stands or hangs within 20 degrees of plumb has no sag: it drops as it is.
    While sagging the centre of mass gains speed toward the stem: the climber's hazard.
    """
    rigid = rigid_piece(piece, mass_kg)
    axis = np.asarray(piece.axis, dtype=np.float64)
    hinge_opening: tuple[Hinge, float] | None = None
    level = float(np.hypot(axis[0], axis[1]))
    if level > np.sin(np.radians(20.0)) and break_angle_deg > 0.0:
        facing = np.array([0.0, 0.0, -1.0]) + axis[2] * axis
        facing /= np.linalg.norm(facing)
        point = np.asarray(piece.cut_m) + 0.5 * piece.butt_diameter_m * facing
        hinge = make_hinge(rigid, point, axis, facing)
        room = max(float(np.arccos(np.clip(-axis[2], -1.0, 1.0))) - 0.05, 0.0)
        if hinge.cosine_m > 0.0 and room > 0.0:
            hinge_opening = (hinge, min(np.radians(break_angle_deg), room))
    push = _push(piece, release_speed_m_s, push_azimuth_deg)
    path = _fall(piece, rigid, ground, hinge_opening, "free fall", bounce_m, (), push)
    options = {
        "release_speed_m_s": release_speed_m_s,
        "break_angle_deg": break_angle_deg,
        "push_azimuth_deg": push_azimuth_deg,
        "bounce_m": bounce_m,
        "mass_kg": mass_kg,
    }
    sway = DROP_SWAY_SHARE * piece.length_m * level
    return replace(path, recipe=("free_fall", options), sway_m=sway)


def _push(piece: Piece, speed: float, azimuth_deg: float | None) -> Floats:
    if azimuth_deg is not None:
        direction = face_direction(azimuth_deg, 0.0)
    else:
        direction = np.array([piece.axis[0], piece.axis[1], 0.0], dtype=np.float64)
        direction /= max(float(np.linalg.norm(direction)), 1e-9)
    return speed * direction


def _balance_notes(hinge: Hinge) -> tuple[str, ...]:
    balance = hinge.balance_rad
    if not np.isfinite(balance):
        return ("gravity holds this hinge shut: it opens only under a pull",)
    if balance > np.radians(2.0):
        return (f"must be pulled or wedged over {np.degrees(balance):.0f} degrees first",)
    return ()


def _fall(
    piece: Piece,
    rigid: RigidPiece,
    ground: Ground,
    hinge_opening: tuple[Hinge, float] | None,
    kind: str,
    bounce_m: float,
    notes: tuple[str, ...],
    push: Floats | None = None,
) -> Path:
    grid = ground_grid(ground)
    flight, on_hinge = _until_touch(rigid, grid, hinge_opening, push)
    attitude = axis_attitude_deg(piece, flight.rotation[-1])
    resting = lay_down(rigid, flight.centre_m[-1], flight.rotation[-1], flight.velocity, grid)
    if on_hinge:
        notes = (*notes, "touches the ground before the hinge parts")
    path = _path(rigid, flight, resting, (kind, attitude, bounce_m, notes))
    clean = 2.0 * float(rigid.radius_m.max()) <= LOG_WIDTH_SHARE * piece.butt_diameter_m
    return _with_roll(path, ground, bounce_m / BOUNCE_M) if clean else path


def _with_roll(path: Path, ground: Ground, liveliness: float) -> Path:
    """Path whose footprint reaches downhill where the ground is steep over 4 m."""
    x, y = float(path.landing_m[0]), float(path.landing_m[1])
    east, west, north, south = ground.height([x + 2, x - 2, x, x], [y, y, y + 2, y - 2])
    uphill = np.array([east - west, north - south]) / 4.0
    steep = float(np.degrees(np.arctan(np.hypot(*uphill))))
    if steep <= ROLLS_FROM_DEG or path.footprint_m is None:
        return path
    roll = min(liveliness * ROLL_M_PER_DEG * (steep - ROLLS_FROM_DEG), LONGEST_ROLL_M)
    down = -uphill / np.hypot(*uphill)
    both = np.concatenate([path.footprint_m, path.footprint_m + roll * down])
    outline = outline_of_discs(both, np.full(len(both), 1e-3))
    return replace(
        path,
        footprint_m=outline,
        landing_radius_m=float(np.linalg.norm(outline - path.landing_m[:2], axis=1).max()),
        notes=(*path.notes, f"ground falls {steep:.0f} degrees: may roll {roll:.1f} m downhill"),
    )


def _until_touch(
    rigid: RigidPiece, grid: Grid, hinge_opening: tuple[Hinge, float] | None, push: Floats | None
) -> tuple[_Flight, bool]:
    """Motion from the cut to the first touch; and whether it touched while on its hinge."""
    time, centre = np.zeros(1), rigid.centre_m[None, :]
    rotation = np.eye(3)[None]
    velocity = np.zeros(3) if push is None else push.astype(np.float64)
    spin = np.zeros(3)
    if hinge_opening is not None:
        hinge, opening = hinge_opening
        time, angle, rate = sampled(*open_hinge(hinge, rigid.body.mass, opening), SAMPLE_S)
        centre, rotation = turned(hinge, rigid.centre_m, angle)
        gaps = lowest_gaps(centre, rotation, rigid.offset_m, rigid.radius_m, grid)
        down = np.flatnonzero(gaps < min(gaps[0], 0.0) - 0.01)
        end = int(down[0]) if len(down) else len(time) - 1
        time, centre, rotation = time[: end + 1], centre[: end + 1], rotation[: end + 1]
        swing = rate[end] * hinge.axis
        velocity = velocity + np.cross(swing, centre[-1] - hinge.point_m)
        spin = rigid.axes.T @ (rotation[-1].T @ swing)
        if len(down):
            energy = 0.5 * hinge.inertia_kg_m2 * float(rate[end]) ** 2
            return _Flight(time, centre, rotation, velocity, energy), True
    return _flight(rigid, grid, (time, centre, rotation), velocity, spin), False


def _flight(
    rigid: RigidPiece,
    grid: Grid,
    before: tuple[Floats, Floats, Floats],
    velocity: Floats,
    spin: Floats,
) -> _Flight:
    time, centre, rotation = before
    state = np.concatenate([centre[-1], velocity, rigid.attitude(rotation[-1]), spin])
    gap, _ = lowest_ball(centre[-1], rotation[-1], rigid.offset_m, rigid.radius_m, grid)
    body_offset = np.ascontiguousarray(rigid.offset_m @ rigid.axes)
    record, times = fly(
        state, rigid.body.moments, (body_offset, rigid.radius_m), grid, FLIGHT_STEP_S,
        int(SAMPLE_S / FLIGHT_STEP_S + 0.5), min(gap, 0.0),
    )  # fmt: skip
    last = record[-1]
    moments = np.asarray(rigid.body.moments)
    energy = 0.5 * rigid.body.mass * float(last[3:6] @ last[3:6])
    energy += 0.5 * float((moments * last[10:13] ** 2).sum())
    return _Flight(
        np.concatenate([time, time[-1] + times[1:]]),
        np.concatenate([centre, record[1:, :3]]),
        np.concatenate([rotation, rigid.rotations(record[1:, 6:10])]),
        last[3:6],
        energy,
    )


@njit(cache=True)
def fly(
    state: Floats,
    moments: Floats,
    outline: tuple[Floats, Floats],
    grid: Grid,
    dt: float,
    every: int,
    start_gap: float,
) -> tuple[Floats, Floats]:
    """Free flight until the outline touches the ground (or 60 s).

    Returns the recorded states (k, 13) and their times (k,); the last is at the touch.

    ``state`` (13,) and principal ``moments`` (3,) [kg m²] of the body; ``outline`` are the
    offsets (j, 3) and radii (j,) of its balls [m]; ``start_gap`` is the height of the lowest of
    them at the start where it is below the ground, else 0 [m]; ``dt`` is the step [s].
    """
    offset, radius = outline
    most = int(60.0 / dt)
    record = np.empty((most // every + 2, 13))
    times = np.empty(most // every + 2)
    work = np.empty((5, 13))
    now, previous = state.copy(), state.copy()
    record[0], times[0] = now, 0.0
    count, number, gap_before, step = 1, 0, start_gap, dt
    clear = _clear_height(offset, radius, grid)
    while number <= most:
        previous[:] = now
        drift_on(now, moments, step, work)
        if step < dt:
            record[count], times[count] = now, number * dt + step
            return record[: count + 1], times[: count + 1]
        gap = now[2] - clear
        if gap < 0.0:
            gap, _ = lowest_ball(now[:3], rotation_of(now[6:10]), offset, radius, grid)
        if gap < start_gap - 1e-6 and now[5] < 0.0:
            fallen = max(gap_before - gap, 1e-12)
            step = min(max((gap_before - start_gap) / fallen, 0.0), 1.0 - 1e-9) * dt
            now[:] = previous
            continue
        gap_before = gap
        number += 1
        if number % every == 0:
            record[count], times[count] = now, number * dt
            count += 1
    return record[:count], times[:count]


@njit(cache=True)
def _clear_height(offset: Floats, radius: Floats, grid: Grid) -> float:
    """Height of the centre of mass above which no turn of the outline can touch ground. [m]"""
    reach, top = 0.0, -np.inf
    for row in range(len(radius)):
        a, b, c = offset[row, 0], offset[row, 1], offset[row, 2]
        reach = max(reach, np.sqrt(a * a + b * b + c * c) + radius[row])
    for i in range(grid.z.shape[0]):
        for j in range(grid.z.shape[1]):
            top = max(top, grid.z[i, j])
    return top + reach


def _path(
    rigid: RigidPiece,
    flight: _Flight,
    resting: Resting,
    rest: tuple[str, float, float, tuple[str, ...]],
) -> Path:
    kind, attitude, bounce, notes = rest
    tipping = np.arange(1, len(resting.centre_m) + 1) * SAMPLE_S
    centre = np.concatenate([flight.centre_m, resting.centre_m])
    final, turn = resting.centre_m[-1], resting.rotation[-1]
    outline = lying_outline(rigid, final, turn, bounce)
    if abs(attitude - 90.0) > FLAT_WITHIN_DEG:
        outline = _any_way_down(rigid, resting, outline, bounce)
        notes = (*notes, FLOPS)
    radius = float(np.linalg.norm(outline - final[:2], axis=1).max())
    time = np.concatenate([flight.time_s, flight.time_s[-1] + tipping])
    return Path(
        time_s=time,
        centre_m=centre,
        rotation=np.concatenate([flight.rotation, resting.rotation]),
        tension_n=np.zeros(len(time)),
        kind=kind,
        landing_m=final,
        landing_radius_m=radius,
        impact_energy_j=flight.energy_j,
        lowest_m=0.0,
        notes=notes,
        footprint_m=outline,
        contact_time_s=float(flight.time_s[-1]),
        contact_attitude_deg=attitude,
    )


def _any_way_down(rigid: RigidPiece, resting: Resting, outline: Floats, bounce: float) -> Floats:
    """Footprint of a piece that may flop to any side of where its end struck.

    A disc about the contact, as wide as the piece reaches from there [handbook 10.1: a
    length beyond the contact point in every horizontal direction].
    """
    balls = resting.centre_m[-1] + rigid.offset_m @ resting.rotation[-1].T
    away = np.linalg.norm(balls - resting.contact_m, axis=1) + rigid.radius_m
    centres = np.vstack([resting.contact_m[:2], outline])
    radii = np.zeros(len(centres))
    radii[0] = float(away.max()) + bounce
    return outline_of_discs(centres, radii)
