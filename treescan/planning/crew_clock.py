"""The clock of a crew over a fixed order of cuts: climber, ground crew, loader, chipper.

One kernel for the schedule that is printed and for the cost of an order that is searched, so
that a ground crew which falls behind counts in both.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.float64]

START, ALOFT, GROUND, LOADED, CHIPPED, WAITED = range(6)
"""Columns of :func:`lay_out`."""


class Handling(NamedTuple):
    """Work below for each step, in the order of the cuts, each shape (n,).

    ``ground_min`` of the ground crew, ``loader_min`` of the loader, ``chipper_min``, and
    ``kg`` that lies in the landing until both ground crew and loader are through.
    """

    ground_min: Floats
    loader_min: Floats
    chipper_min: Floats
    kg: Floats


@njit(cache=True)
def lay_out(
    aloft_min: Floats,
    move_min: Floats,
    below: Handling,
    pile_pieces: int,
    pile_kg: float,
    start_min: float,
) -> Floats:
    """Times of every step, shape (n, 6). [min]

    Columns: start aloft, end aloft, end of ground work, end of loading, end of chipping, and
    how long the climber waited before the step.

    Parameters
    ----------
    aloft_min, move_min : ndarray, shape (n,)
        Work aloft, and moves of anchor and climber before it.
    below : Handling
    pile_pieces, pile_kg
        Work aloft waits while so many pieces lie in the landing, or more than so much.
    start_min : float
        When work aloft may begin.
    """
    n = len(aloft_min)
    out = np.zeros((n, 6))
    climber = start_min
    ground = start_min
    loader = start_min
    chipper = start_min
    oldest = 0
    cleared = np.zeros(n)
    for i in range(n):
        climber += move_min[i]
        ready = climber
        while oldest < i and cleared[oldest] <= ready:
            oldest += 1
        lying = 0.0
        for k in range(oldest, i):
            lying += below.kg[k]
        while oldest < i and (i - oldest >= pile_pieces or lying > pile_kg):
            ready = max(ready, cleared[oldest])
            lying -= below.kg[oldest]
            oldest += 1
        out[i, 0] = ready
        out[i, 5] = ready - climber
        climber = ready + aloft_min[i]
        out[i, 1] = climber
        ground = max(ground, climber) + below.ground_min[i]
        loader = max(loader, climber) + below.loader_min[i] if below.loader_min[i] > 0.0 else loader
        chipper = max(chipper, ground) + below.chipper_min[i]
        out[i, 2] = ground
        out[i, 3] = loader if below.loader_min[i] > 0.0 else climber
        out[i, 4] = chipper
        cleared[i] = max(ground, out[i, 3])
        if i > 0:
            cleared[i] = max(cleared[i], cleared[i - 1])
    return out
