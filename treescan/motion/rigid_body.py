"""Motion of one free rigid body held by up to two elastic lines that pull but cannot push.

State of a body: centre (3), velocity (3), attitude quaternion w, x, y, z (4), spin in body
axes (3).  Body axes are the principal axes of inertia.  Integrated by the classical
Runge-Kutta scheme of fourth order with a fixed step; all bodies of a batch in parallel.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit, prange

from treescan.motion.over_blocks import paid_out, settled
from treescan.motion.ring import find_ring
from treescan.units import G_M_S2

Floats = npt.NDArray[np.float64]

KINK_PARTS = 16


class Lines(NamedTuple):
    """The lines of one body.

    ``anchor`` (j, 3), ``tie`` (j, 3) in body axes from the centre of mass, ``free_length`` (j,),
    ``stiffness`` (j,) [N/m], ``damping`` (j,) [N s/m]; ``slip_n`` the tension above which the
    friction device lets line run, up to ``run_max`` [m] in all.

    With two legs from a ring, ``leg`` (2,) and ``leg_stiffness`` (2,) hold their free lengths
    and stiffness, ``tie`` has two rows, the other arrays one, and ``ring`` (3,) is where the
    massless ring was last found.  Without a ring ``leg`` is empty.

    With friction at blocks ``beyond`` (s,) holds the lengths of the parts of the line behind each
    block, ``ratio`` (s,) the tension ratio there, ``moved`` (s + 1,) the line that has passed each
    block toward the piece and run out of the device, and ``lead`` (2,) the line's modulus [N] and
    the anchor's compliance [m/N]; :mod:`treescan.motion.over_blocks`.  They are of the first line;
    empty, the line is one spring of the given stiffness.
    """

    anchor: Floats
    tie: Floats
    free_length: Floats
    stiffness: Floats
    damping: Floats
    slip_n: float
    run_max: float
    leg: Floats
    leg_stiffness: Floats
    ring: Floats
    beyond: Floats
    ratio: Floats
    moved: Floats
    lead: Floats


class Body(NamedTuple):
    """Mass [kg], principal moments (3,) [kg m²], and drag: rates of decay [1/s]."""

    mass: float
    moments: Floats
    drag_rate: float
    spin_drag_rate: float


def one_line(anchor: Floats, tie: Floats, free_length_m: float, stiffness_n_m: float) -> Lines:
    """Lossless line from ``anchor`` (3,) in the room to ``tie`` (3,) in body axes. [m]"""
    return Lines(
        anchor=np.ascontiguousarray(anchor, dtype=np.float64).reshape(1, 3),
        tie=np.ascontiguousarray(tie, dtype=np.float64).reshape(1, 3),
        free_length=np.array([free_length_m]),
        stiffness=np.array([stiffness_n_m]),
        damping=np.zeros(1),
        slip_n=np.inf,
        run_max=0.0,
        leg=np.empty(0),
        leg_stiffness=np.empty(0),
        ring=np.zeros(3),
        beyond=np.empty(0),
        ratio=np.empty(0),
        moved=np.empty(0),
        lead=np.empty(0),
    )


@njit(cache=True)
def rotation_of(q: Floats) -> Floats:
    """Rotation (3, 3), body to room axes, of a unit quaternion ``q`` (4,) as (w, x, y, z)."""
    w, x, y, z = q[0], q[1], q[2], q[3]
    r = np.empty((3, 3))
    r[0, 0] = 1.0 - 2.0 * (y * y + z * z)
    r[0, 1] = 2.0 * (x * y - w * z)
    r[0, 2] = 2.0 * (x * z + w * y)
    r[1, 0] = 2.0 * (x * y + w * z)
    r[1, 1] = 1.0 - 2.0 * (x * x + z * z)
    r[1, 2] = 2.0 * (y * z - w * x)
    r[2, 0] = 2.0 * (x * z - w * y)
    r[2, 1] = 2.0 * (y * z + w * x)
    r[2, 2] = 1.0 - 2.0 * (x * x + y * y)
    return r


@njit(cache=True)
def lead_stiffness_n_m(lines: Lines) -> float:
    """Stiffness of the lead alone, as long as it is now, on an anchor that gives. [N/m]"""
    return 1.0 / (max(lines.free_length[0] + lines.moved[0], 0.05) / lines.lead[0] + lines.lead[1])


@njit(cache=True)
def beyond_stiffness_n_m(lines: Lines) -> Floats:
    """Stiffness of the parts behind the blocks, as long as they are now, shape (s,). [N/m]"""
    stiff = np.empty(lines.beyond.shape[0])
    for j in range(len(stiff)):
        length = lines.beyond[j] - lines.moved[j] + lines.moved[j + 1]
        stiff[j] = lines.lead[0] / max(length, 0.05)
    return stiff


@njit(cache=True)
def _over_blocks(far: float, lines: Lines, now: Floats) -> tuple[float, float, float]:
    """Tension, slope and slip of a line over blocks, at a distance ``far`` from its anchor."""
    return settled(
        far - lines.free_length[0], lead_stiffness_n_m(lines), beyond_stiffness_n_m(lines),
        lines.ratio, lines.moved, now,
    )  # fmt: skip


@njit(cache=True)
def _leg_pulls(state: Floats, r: Floats, lines: Lines, pulls: Floats) -> tuple[float, float]:
    """Pull of the two legs on the body, room axes, into ``pulls`` (2, 3).

    Returns the lead's tension [N] and its distance from anchor to ring [m].
    """
    ends, length, stiffness = np.empty((3, 3)), np.empty(3), np.empty(3)
    for i in range(3):
        ends[2, i] = lines.anchor[0, i]
    length[2], stiffness[2] = lines.free_length[0], lines.stiffness[0]
    for j in range(2):
        length[j], stiffness[j] = lines.leg[j], lines.leg_stiffness[j]
        for i in range(3):
            ends[j, i] = state[i]
            for m in range(3):
                ends[j, i] += r[i, m] * lines.tie[j, m]
    find_ring(ends, length, stiffness, lines.ring)
    if lines.beyond.shape[0] > 0:
        now, before = np.empty(lines.moved.shape[0]), -1.0
        for _ in range(8):
            far = 0.0
            for i in range(3):
                far += (lines.ring[i] - ends[2, i]) ** 2
            far = np.sqrt(far)
            pull, slope, _ = _over_blocks(far, lines, now)
            if abs(pull - before) <= 1e-4 * max(pull, 1.0):
                break
            before = pull
            length[2], stiffness[2] = far - pull / slope, slope
            find_ring(ends, length, stiffness, lines.ring)
    lead, far = 0.0, 0.0
    for j in range(3):
        squared = 0.0
        for i in range(3):
            squared += (lines.ring[i] - ends[j, i]) ** 2
        far = np.sqrt(squared)
        lead = stiffness[j] * max(far - length[j], 0.0)
        if j < 2:
            for i in range(3):
                pulls[j, i] = lead * (lines.ring[i] - ends[j, i]) / max(far, 1e-9)
    return lead, far


@njit(cache=True)
def _line_pulls(state: Floats, r: Floats, lines: Lines, pulls: Floats) -> float:
    """Pull of each line on the body, room axes, into ``pulls`` (j, 3); the greatest. [N]"""
    most = 0.0
    wx, wy, wz = state[10], state[11], state[12]
    for j in range(lines.free_length.shape[0]):
        b = lines.tie[j]
        sx, sy, sz = wy * b[2] - wz * b[1], wz * b[0] - wx * b[2], wx * b[1] - wy * b[0]
        squared, stretching = 0.0, 0.0
        for i in range(3):
            tied = state[i] + r[i, 0] * b[0] + r[i, 1] * b[1] + r[i, 2] * b[2]
            pulls[j, i] = lines.anchor[j, i] - tied
            squared += pulls[j, i] ** 2
            stretching -= pulls[j, i] * (state[3 + i] + r[i, 0] * sx + r[i, 1] * sy + r[i, 2] * sz)
        span = np.sqrt(squared)
        stretch = span - lines.free_length[j]
        pull = 0.0
        if j == 0 and lines.beyond.shape[0] > 0:
            pull, _, _ = _over_blocks(span, lines, np.empty(lines.moved.shape[0]))
            if pull > 0.0:
                pull = max(pull + lines.damping[0] * stretching / max(span, 1e-9), 0.0)
        elif stretch > 0.0 and span > 1e-9:
            pull = lines.stiffness[j] * stretch + lines.damping[j] * stretching / span
            pull = max(pull, 0.0)
        for i in range(3):
            pulls[j, i] *= pull / max(span, 1e-9)
        most = max(most, pull)
    return most


@njit(cache=True)
def _rate(state: Floats, body: Body, lines: Lines, out: Floats) -> float:
    """Time derivative of the state into ``out``; returns the lead tension. [N]

    ``out`` is (14,): the thirteen rates, and the number of taut lines.
    """
    r = rotation_of(state[6:10])
    qw, qx, qy, qz = state[6], state[7], state[8], state[9]
    wx, wy, wz = state[10], state[11], state[12]
    fx, fy, fz = 0.0, 0.0, -G_M_S2 * body.mass
    tx, ty, tz = 0.0, 0.0, 0.0  # torque, body axes
    count = lines.tie.shape[0]
    tension, taut = 0.0, 0.0
    if count > 0:
        pulls = np.empty((count, 3))
        if lines.leg.shape[0] == 2:
            tension, _ = _leg_pulls(state, r, lines, pulls)
        else:
            tension = _line_pulls(state, r, lines, pulls)
        for j in range(count):
            ux, uy, uz = pulls[j, 0], pulls[j, 1], pulls[j, 2]
            if ux != 0.0 or uy != 0.0 or uz != 0.0:
                taut += 1.0
            bx, by, bz = lines.tie[j, 0], lines.tie[j, 1], lines.tie[j, 2]
            fx, fy, fz = fx + ux, fy + uy, fz + uz
            gx = r[0, 0] * ux + r[1, 0] * uy + r[2, 0] * uz
            gy = r[0, 1] * ux + r[1, 1] * uy + r[2, 1] * uz
            gz = r[0, 2] * ux + r[1, 2] * uy + r[2, 2] * uz
            tx, ty, tz = tx + by * gz - bz * gy, ty + bz * gx - bx * gz, tz + bx * gy - by * gx
    ix, iy, iz = body.moments[0], body.moments[1], body.moments[2]
    for i in range(3):
        out[i] = state[3 + i]
    out[3] = fx / body.mass - body.drag_rate * state[3]
    out[4] = fy / body.mass - body.drag_rate * state[4]
    out[5] = fz / body.mass - body.drag_rate * state[5]
    out[6] = 0.5 * (-qx * wx - qy * wy - qz * wz)
    out[7] = 0.5 * (qw * wx + qy * wz - qz * wy)
    out[8] = 0.5 * (qw * wy - qx * wz + qz * wx)
    out[9] = 0.5 * (qw * wz + qx * wy - qy * wx)
    out[10] = (tx + (iy - iz) * wy * wz) / ix - body.spin_drag_rate * wx
    out[11] = (ty + (iz - ix) * wz * wx) / iy - body.spin_drag_rate * wy
    out[12] = (tz + (ix - iy) * wx * wy) / iz - body.spin_drag_rate * wz
    out[13] = taut
    return tension


@njit(cache=True)
def advance(state: Floats, body: Body, lines: Lines, dt: float, work: Floats) -> float:
    """Advance the state by one step in place; returns the tension at its start. [N]

    A step in which a line goes taut or slack is taken again in :data:`KINK_PARTS` parts, as
    the scheme is of low order across the kink.  ``work`` is (5, 14).
    """
    tension, parts, number = 0.0, 1, 0
    while number < parts:
        part = dt / parts
        for stage in range(4):
            ahead = 0.0 if stage == 0 else (part if stage == 3 else 0.5 * part)
            for i in range(13):
                work[4, i] = state[i] + (ahead * work[stage - 1, i] if stage > 0 else 0.0)
            pull = _rate(work[4], body, lines, work[stage])
            if stage == 0 and number == 0:
                tension = pull
        if parts == 1 and work[0, 13] != work[3, 13]:
            parts = KINK_PARTS
            continue
        for i in range(13):
            state[i] += part / 6.0 * (work[0, i] + 2.0 * (work[1, i] + work[2, i]) + work[3, i])
        number += 1
        if lines.beyond.shape[0] > 0:
            _pass_over(state, lines)
    norm = np.sqrt(state[6] ** 2 + state[7] ** 2 + state[8] ** 2 + state[9] ** 2)
    for i in range(6, 10):
        state[i] /= norm
    return tension


@njit(cache=True)
def _lead_span(state: Floats, lines: Lines) -> float:
    """Distance from the anchor to the first tie, or to the ring. [m]"""
    r = rotation_of(state[6:10])
    if lines.leg.shape[0] == 2:
        _, far = _leg_pulls(state, r, lines, np.empty((2, 3)))
        return far
    squared = 0.0
    for i in range(3):
        point = state[i]
        for m in range(3):
            point += r[i, m] * lines.tie[0, m]
        squared += (lines.anchor[0, i] - point) ** 2
    return np.sqrt(squared)


@njit(cache=True)
def _pass_over(state: Floats, lines: Lines) -> None:
    """Keep what has passed the blocks by the end of a step, in ``lines.moved``."""
    now = np.empty(lines.moved.shape[0])
    _over_blocks(_lead_span(state, lines), lines, now)
    lines.moved[:] = now


@njit(cache=True)
def _spin_rate(state: Floats, moments: Floats, out: Floats) -> None:
    """Rates of attitude and spin (last 7 of a state) of a body without torque (Euler)."""
    qw, qx, qy, qz = state[6], state[7], state[8], state[9]
    wx, wy, wz = state[10], state[11], state[12]
    out[6] = 0.5 * (-qx * wx - qy * wy - qz * wz)
    out[7] = 0.5 * (qw * wx + qy * wz - qz * wy)
    out[8] = 0.5 * (qw * wy - qx * wz + qz * wx)
    out[9] = 0.5 * (qw * wz + qx * wy - qy * wx)
    out[10] = (moments[1] - moments[2]) * wy * wz / moments[0]
    out[11] = (moments[2] - moments[0]) * wz * wx / moments[1]
    out[12] = (moments[0] - moments[1]) * wx * wy / moments[2]


@njit(cache=True)
def drift_on(state: Floats, moments: Floats, dt: float, work: Floats) -> None:
    """Advance a body in free flight by one step in place: a parabola, and a free spin.

    ``state`` (13,) is place [m], velocity [m/s], quaternion (w, x, y, z) and spin in body axes
    [rad/s]; ``moments`` (3,) are the principal ones [kg m²]; ``work`` (5, 13) is room to reckon
    in.
    """
    for stage in range(4):
        ahead = 0.0 if stage == 0 else (dt if stage == 3 else 0.5 * dt)
        for i in range(6, 13):
            work[4, i] = state[i] + (ahead * work[stage - 1, i] if stage > 0 else 0.0)
        _spin_rate(work[4], moments, work[stage])
    for i in range(6, 13):
        state[i] += dt / 6.0 * (work[0, i] + 2.0 * (work[1, i] + work[2, i]) + work[3, i])
    norm = np.sqrt(state[6] ** 2 + state[7] ** 2 + state[8] ** 2 + state[9] ** 2)
    for i in range(6, 10):
        state[i] /= norm
    state[2] -= 0.5 * G_M_S2 * dt * dt
    for i in range(3):
        state[i] += dt * state[3 + i]
    state[5] -= G_M_S2 * dt


@njit(cache=True)
def _let_run(tension: float, lines: Lines, used: float) -> float:
    """Pay out line so that the tension falls back to the slip value; returns the run. [m]"""
    if tension <= lines.slip_n or used >= lines.run_max:
        return used
    if lines.beyond.shape[0] > 0:
        paid = paid_out(
            tension, lines.slip_n, lines.run_max - used, lead_stiffness_n_m(lines),
            beyond_stiffness_n_m(lines), lines.ratio,
        )  # fmt: skip
        lines.moved[-1] += paid
        return used + paid
    compliance = 0.0
    for j in range(lines.free_length.shape[0]):
        compliance = max(compliance, 1.0 / lines.stiffness[j])
    paid = min((tension - lines.slip_n) * compliance, lines.run_max - used)
    for j in range(lines.free_length.shape[0]):
        lines.free_length[j] += paid
    return used + paid


@njit(cache=True)
def simulate(
    state: Floats, body: Body, lines: Lines, dt: float, steps: int, every: int
) -> tuple[Floats, Floats, float]:
    """Integrate one body, changing ``state`` in place.

    Returns
    -------
    record : ndarray, shape (steps // every + 1, 13)
        States at times 0, every dt, 2 every dt, ...
    tension : ndarray, shape (steps // every + 1,)
        Largest total tension within each interval that ends there. [N]
    run : float
        Line let run. [m]
    """
    count = steps // every + 1
    record = np.empty((count, 13))
    tension = np.zeros(count)
    work = np.empty((5, 14))
    used, peak = 0.0, 0.0
    record[0] = state
    for number in range(1, steps + 1):
        pull = advance(state, body, lines, dt, work)
        peak = max(peak, pull)
        if lines.run_max > 0.0:
            used = _let_run(pull, lines, used)
        if number % every == 0:
            record[number // every] = state
            tension[number // every] = peak
            peak = 0.0
    return record, tension, used


class Batch(NamedTuple):
    """Many pieces on lines without loss but where they run.

    ``state`` (n, 13) starting states; ``mass`` (n,) [kg]; ``moments`` (n, 3) principal
    [kg m²]; ``anchor``, ``tie`` (n, j, 3) [m], ties in body axes from the centre of mass;
    ``free_length`` (n, j) [m]; ``stiffness`` (n, j) [N/m], 0 leaves a line out; ``slip_n`` (n,)
    the tension above which a line runs [N], ``run_max`` (n,) how far [m].
    """

    state: Floats
    mass: Floats
    moments: Floats
    anchor: Floats
    tie: Floats
    free_length: Floats
    stiffness: Floats
    slip_n: Floats
    run_max: Floats


@njit(cache=True, parallel=True)
def simulate_lowered_batch(
    batch: Batch, dt: float, steps: int, every: int
) -> tuple[Floats, Floats]:
    """Integrate many pieces on their lines at once.

    Parameters
    ----------
    batch : Batch
        Not changed.
    dt : float
        Step; a tenth of the stiffest line's period over 2 pi is safe. [s]
    steps, every : int
        Number of steps; record each ``every``-th state.

    Returns
    -------
    record : ndarray, shape (n, steps // every + 1, 13)
    tension : ndarray, shape (n, steps // every + 1)
        Largest tension in each interval. [N]
    """
    n, count = len(batch.state), steps // every + 1
    record = np.empty((n, count, 13))
    tension = np.empty((n, count))
    for row in prange(n):
        body = Body(batch.mass[row], batch.moments[row], 0.0, 0.0)
        lines = Lines(
            batch.anchor[row],
            batch.tie[row],
            batch.free_length[row].copy(),
            batch.stiffness[row],
            np.zeros(batch.free_length.shape[1]),
            batch.slip_n[row],
            batch.run_max[row],
            np.empty(0),
            np.empty(0),
            np.zeros(3),
            np.empty(0),
            np.empty(0),
            np.empty(0),
            np.empty(0),
        )
        start = batch.state[row].copy()
        one, pull, _ = simulate(start, body, lines, dt, steps, every)
        record[row] = one
        tension[row] = pull
    return record, tension
