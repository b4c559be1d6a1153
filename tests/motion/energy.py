"""Energy of a piece on its lines: what the integration must keep."""

import numpy as np
from numba import njit

from treescan.motion.rigid_body import (
    Body,
    Lines,
    _leg_pulls,
    _over_blocks,
    beyond_stiffness_n_m,
    lead_stiffness_n_m,
    rotation_of,
)
from treescan.units import G_M_S2


@njit
def energy(state: np.ndarray, body: Body, lines: Lines) -> float:
    """Kinetic, potential (zero at z = 0) and line energy. [J]"""
    r = rotation_of(state[6:10])
    total = body.mass * G_M_S2 * state[2]
    for i in range(3):
        total += 0.5 * body.mass * state[3 + i] ** 2 + 0.5 * body.moments[i] * state[10 + i] ** 2
    if lines.leg.shape[0] == 2:
        pulls = np.empty((2, 3))
        _, far = _leg_pulls(state, r, lines, pulls)
        total += _lead_energy(far, lines)
        for j in range(2):
            total += 0.5 * (pulls[j] ** 2).sum() / lines.leg_stiffness[j]
        return total
    for j in range(lines.free_length.shape[0]):
        squared = 0.0
        for i in range(3):
            point = state[i]
            for m in range(3):
                point += r[i, m] * lines.tie[j, m]
            squared += (lines.anchor[j, i] - point) ** 2
        if j == 0:
            total += _lead_energy(np.sqrt(squared), lines)
            continue
        stretch = max(np.sqrt(squared) - lines.free_length[j], 0.0)
        total += 0.5 * lines.stiffness[j] * stretch**2
    return total


@njit
def _lead_energy(far: float, lines: Lines) -> float:
    """Energy in the first line, its parts behind the blocks and the anchor's give included. [J]"""
    if lines.beyond.shape[0] == 0:
        return 0.5 * lines.stiffness[0] * max(far - lines.free_length[0], 0.0) ** 2
    now = np.empty(lines.moved.shape[0])
    pull, _, _ = _over_blocks(far, lines, now)
    total = 0.5 * pull**2 / lead_stiffness_n_m(lines)
    stiff = beyond_stiffness_n_m(lines)
    for j in range(len(stiff)):
        total += 0.5 * stiff[j] * max(now[j] - now[j + 1], 0.0) ** 2
    return total
