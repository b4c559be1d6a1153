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

from treescan.units import G_M_S2

Floats = npt.NDArray[np.float64]


class Lines(NamedTuple):
    """The lines of one body.

    ``anchor`` (j, 3), ``tie`` (j, 3) in body axes from the centre of mass, ``free_length`` (j,),
    ``stiffness`` (j,) [N/m], ``damping`` (j,) [N s/m]; ``slip_n`` the tension above which the
    friction device lets line run, up to ``run_max`` [m] in all.
    """

    anchor: Floats
    tie: Floats
    free_length: Floats
    stiffness: Floats
    damping: Floats
    slip_n: float
    run_max: float


class Body(NamedTuple):
    """Mass [kg], principal moments (3,) [kg m²], and drag: rates of decay [1/s]."""

    mass: float
    moments: Floats
    drag_rate: float
    spin_drag_rate: float


@njit(cache=True)
def rotation_of(q: Floats) -> Floats:
    """Rotation matrix of a unit quaternion (w, x, y, z): body axes to room axes, (3, 3)."""
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
def _rate(state: Floats, body: Body, lines: Lines, out: Floats) -> float:
    """Time derivative of the state into ``out`` (13,); returns the total tension. [N]"""
    vx, vy, vz = state[3], state[4], state[5]
    qw, qx, qy, qz = state[6], state[7], state[8], state[9]
    wx, wy, wz = state[10], state[11], state[12]
    r00 = 1.0 - 2.0 * (qy * qy + qz * qz)
    r01 = 2.0 * (qx * qy - qw * qz)
    r02 = 2.0 * (qx * qz + qw * qy)
    r10 = 2.0 * (qx * qy + qw * qz)
    r11 = 1.0 - 2.0 * (qx * qx + qz * qz)
    r12 = 2.0 * (qy * qz - qw * qx)
    r20 = 2.0 * (qx * qz - qw * qy)
    r21 = 2.0 * (qy * qz + qw * qx)
    r22 = 1.0 - 2.0 * (qx * qx + qy * qy)
    fx, fy, fz = 0.0, 0.0, -G_M_S2 * body.mass
    tx, ty, tz = 0.0, 0.0, 0.0  # torque, body axes
    total = 0.0
    for j in range(lines.free_length.shape[0]):
        bx, by, bz = lines.tie[j, 0], lines.tie[j, 1], lines.tie[j, 2]
        ux = lines.anchor[j, 0] - state[0] - (r00 * bx + r01 * by + r02 * bz)
        uy = lines.anchor[j, 1] - state[1] - (r10 * bx + r11 * by + r12 * bz)
        uz = lines.anchor[j, 2] - state[2] - (r20 * bx + r21 * by + r22 * bz)
        span = np.sqrt(ux * ux + uy * uy + uz * uz)
        stretch = span - lines.free_length[j]
        if stretch <= 0.0 or span < 1e-9:
            continue
        ux, uy, uz = ux / span, uy / span, uz / span
        # velocity of the tie, room axes
        sx, sy, sz = wy * bz - wz * by, wz * bx - wx * bz, wx * by - wy * bx
        px = vx + r00 * sx + r01 * sy + r02 * sz
        py = vy + r10 * sx + r11 * sy + r12 * sz
        pz = vz + r20 * sx + r21 * sy + r22 * sz
        stretching = -(px * ux + py * uy + pz * uz)
        pull = lines.stiffness[j] * stretch + lines.damping[j] * stretching
        if pull <= 0.0:
            continue
        total += pull
        ux, uy, uz = pull * ux, pull * uy, pull * uz
        fx, fy, fz = fx + ux, fy + uy, fz + uz
        gx = r00 * ux + r10 * uy + r20 * uz
        gy = r01 * ux + r11 * uy + r21 * uz
        gz = r02 * ux + r12 * uy + r22 * uz
        tx, ty, tz = tx + by * gz - bz * gy, ty + bz * gx - bx * gz, tz + bx * gy - by * gx
    ix, iy, iz = body.moments[0], body.moments[1], body.moments[2]
    out[0], out[1], out[2] = vx, vy, vz
    out[3] = fx / body.mass - body.drag_rate * vx
    out[4] = fy / body.mass - body.drag_rate * vy
    out[5] = fz / body.mass - body.drag_rate * vz
    out[6] = 0.5 * (-qx * wx - qy * wy - qz * wz)
    out[7] = 0.5 * (qw * wx + qy * wz - qz * wy)
    out[8] = 0.5 * (qw * wy - qx * wz + qz * wx)
    out[9] = 0.5 * (qw * wz + qx * wy - qy * wx)
    out[10] = (tx + (iy - iz) * wy * wz) / ix - body.spin_drag_rate * wx
    out[11] = (ty + (iz - ix) * wz * wx) / iy - body.spin_drag_rate * wy
    out[12] = (tz + (ix - iy) * wx * wy) / iz - body.spin_drag_rate * wz
    return total


@njit(cache=True)
def _step(state: Floats, body: Body, lines: Lines, dt: float, work: Floats) -> float:
    """Advance the state by one step in place; returns the tension at its start. [N]"""
    k1, k2, k3, k4, trial = work[0], work[1], work[2], work[3], work[4]
    tension = _rate(state, body, lines, k1)
    for i in range(13):
        trial[i] = state[i] + 0.5 * dt * k1[i]
    _rate(trial, body, lines, k2)
    for i in range(13):
        trial[i] = state[i] + 0.5 * dt * k2[i]
    _rate(trial, body, lines, k3)
    for i in range(13):
        trial[i] = state[i] + dt * k3[i]
    _rate(trial, body, lines, k4)
    for i in range(13):
        state[i] += dt / 6.0 * (k1[i] + 2.0 * (k2[i] + k3[i]) + k4[i])
    norm = np.sqrt(state[6] ** 2 + state[7] ** 2 + state[8] ** 2 + state[9] ** 2)
    for i in range(6, 10):
        state[i] /= norm
    return tension


@njit(cache=True)
def _let_run(tension: float, lines: Lines, used: float) -> float:
    """Pay out line so that the tension falls back to the slip value; returns the run. [m]"""
    if tension <= lines.slip_n or used >= lines.run_max:
        return used
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
    work = np.empty((5, 13))
    used, peak = 0.0, 0.0
    record[0] = state
    for number in range(1, steps + 1):
        pull = _step(state, body, lines, dt, work)
        peak = max(peak, pull)
        if lines.run_max > 0.0:
            used = _let_run(pull, lines, used)
        if number % every == 0:
            record[number // every] = state
            tension[number // every] = peak
            peak = 0.0
    return record, tension, used


@njit(cache=True)
def energy(state: Floats, body: Body, lines: Lines) -> float:
    """Kinetic, potential (zero at z = 0) and line energy. [J]"""
    r = rotation_of(state[6:10])
    total = body.mass * G_M_S2 * state[2]
    for i in range(3):
        total += 0.5 * body.mass * state[3 + i] ** 2 + 0.5 * body.moments[i] * state[10 + i] ** 2
    for j in range(lines.free_length.shape[0]):
        squared = 0.0
        for i in range(3):
            point = state[i]
            for m in range(3):
                point += r[i, m] * lines.tie[j, m]
            squared += (lines.anchor[j, i] - point) ** 2
        stretch = max(np.sqrt(squared) - lines.free_length[j], 0.0)
        total += 0.5 * lines.stiffness[j] * stretch**2
    return total


class Batch(NamedTuple):
    """Many pieces on lossless lines.

    ``state`` (n, 13) starting states; ``mass`` (n,) [kg]; ``moments`` (n, 3) principal
    [kg m²]; ``anchor``, ``tie`` (n, j, 3) [m], ties in body axes from the centre of mass;
    ``free_length`` (n, j) [m]; ``stiffness`` (n, j) [N/m], 0 leaves a line out.
    """

    state: Floats
    mass: Floats
    moments: Floats
    anchor: Floats
    tie: Floats
    free_length: Floats
    stiffness: Floats


@njit(cache=True, parallel=True)
def simulate_lowered_batch(
    batch: Batch, dt: float, steps: int, every: int
) -> tuple[Floats, Floats]:
    """Integrate many pieces on lossless lines at once.

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
            np.inf,
            0.0,
        )
        start = batch.state[row].copy()
        one, pull, _ = simulate(start, body, lines, dt, steps, every)
        record[row] = one
        tension[row] = pull
    return record, tension
