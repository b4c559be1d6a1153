"""The ring of a two-legged tie: where it hangs so that lead and legs are in balance."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.float64]


@njit(cache=True)
def _ring_force(ends: Floats, length: Floats, stiffness: Floats, ring: Floats, out: Floats) -> None:
    """Gradient (first 3) and Hessian (next 6: xx, yy, zz, xy, xz, yz) of the lines' energy."""
    for i in range(9):
        out[i] = 0.0
    for row in range(3):
        ux, uy, uz = ring[0] - ends[row, 0], ring[1] - ends[row, 1], ring[2] - ends[row, 2]
        far = np.sqrt(ux * ux + uy * uy + uz * uz)
        if far <= length[row] or far < 1e-9:
            continue
        ux, uy, uz = ux / far, uy / far, uz / far
        pull = stiffness[row] * (far - length[row])
        out[0] += pull * ux
        out[1] += pull * uy
        out[2] += pull * uz
        across = pull / far
        along = stiffness[row] - across
        out[3] += across + along * ux * ux
        out[4] += across + along * uy * uy
        out[5] += across + along * uz * uz
        out[6] += along * ux * uy
        out[7] += along * ux * uz
        out[8] += along * uy * uz


@njit(cache=True)
def find_ring(ends: Floats, length: Floats, stiffness: Floats, ring: Floats) -> None:
    """Move a massless ring in place to where the three lines that meet in it balance.

    ``ends`` (3, 3) [m], ``length`` (3,) [m], ``stiffness`` (3,) [N/m], ``ring`` (3,) [m]: the
    energy of lines that cannot push is convex, so Newton's steps, cut while they do not help,
    end in the balance.
    """
    work, trial = np.empty(9), np.empty(3)
    stiffest = max(stiffness[0], stiffness[1], stiffness[2])
    keep = 1e-5 * stiffest
    for _ in range(40):
        _ring_force(ends, length, stiffness, ring, work)
        size = np.sqrt(work[0] ** 2 + work[1] ** 2 + work[2] ** 2)
        if size < 1e-7 * stiffest:
            return
        a, b, c = work[3] + keep, work[4] + keep, work[5] + keep
        d, e, f = work[6], work[7], work[8]
        g0, g1, g2 = work[0], work[1], work[2]
        det = a * (b * c - f * f) - d * (d * c - f * e) + e * (d * f - b * e)
        sx = (g0 * (b * c - f * f) - d * (g1 * c - f * g2) + e * (g1 * f - b * g2)) / det
        sy = (a * (g1 * c - f * g2) - g0 * (d * c - f * e) + e * (d * g2 - g1 * e)) / det
        sz = (a * (b * g2 - g1 * f) - d * (d * g2 - g1 * e) + g0 * (d * f - b * e)) / det
        share = 1.0
        for _ in range(12):
            trial[0] = ring[0] - share * sx
            trial[1] = ring[1] - share * sy
            trial[2] = ring[2] - share * sz
            _ring_force(ends, length, stiffness, trial, work)
            now = np.sqrt(work[0] ** 2 + work[1] ** 2 + work[2] ** 2)
            if now < size:
                break
            share *= 0.5
        ring[0], ring[1], ring[2] = trial[0], trial[1], trial[2]
