"""Radius of a stem about breast height where stations set its walls apart.

See `treescan.skeleton.shells`: the walls of several slices are circles of one radius a slice,
their centres handed from slice to slice.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SLICES, SPACING_M, HALF_M = 9, 0.12, 0.08
"""Slices looked at, the middle one at the height asked for. [m]"""
FEWEST = 40
POINTS = 600
LEFT = 0.35
"""Share of how far walls stand apart that the radius may still be off. [judgement]"""
ROUND_ENOUGH = 0.08
"""Lobes and ovals bend arcs as well: walls that stand apart by a smaller share of the radius leave
the radius to the outline. [judgement]"""
CLEARER = 2.0
"""Walls are believed where one outline leaves more than so many times their misfit. [judgement]"""


class Walls(NamedTuple):
    """Walls that stand apart: their radius and its sd, how far apart, and their misfit. [m]"""

    radius_m: float
    sd_m: float
    apart_m: float
    misfit_m: float

    def shown_by(self, scatter_m: float) -> bool:
        """Whether points scatter so much about one outline that walls must stand apart."""
        return scatter_m > CLEARER * self.misfit_m

    def rule(self, radius_m: float) -> bool:
        """Whether they tell the radius better than one outline of about ``radius_m`` does."""
        return self.apart_m > ROUND_ENOUGH * radius_m


def find_walls(across: Floats, along: Floats, circle: Floats, tol_m: float) -> Walls | None:
    """Walls of a stem that stand apart; None where they cannot be told from each other.

    Parameters
    ----------
    across : ndarray, shape (n, 2)
        Points about the stem, across its axis. [m]
    along : ndarray, shape (n,)
        The same along it, 0 at the height asked for. [m]
    circle : ndarray, shape (3,)
        Centre and radius of the circle fitted there. [m]
    tol_m : float
        Points farther than this from a first circle are not of it. [m]
    """
    from treescan.skeleton.circles import fit_circles  # compiled: a tree file needs none of it
    from treescan.skeleton.shells import disagreement_m, fit_shells, wall_tol_m

    radius = float(circle[2])
    near = np.hypot(*(across - circle[:2]).T) < 1.4 * radius + 0.06
    across, along = across[near], along[near]
    order = np.lexsort((across[:, 1], across[:, 0], along))
    across, along = across[order], along[order]
    middle = SPACING_M * (np.arange(SLICES) - SLICES // 2)
    window = np.searchsorted(along, np.stack([middle - HALF_M, middle + HALF_M]))
    full = np.diff(window, axis=0)[0] >= FEWEST
    window = window[:, full]
    here = np.flatnonzero(middle[full] == 0.0)
    if not len(here):
        return None
    u, v = across[:, 0].copy(), across[:, 1].copy()
    k = window.shape[1]
    asked = np.vstack([window, np.full(k, 200)])
    limits = np.tile([0.5 * radius, 1.3 * radius], (k, 1))
    found = fit_circles(u, v, asked, np.full(k, tol_m), limits, POINTS)
    points = np.column_stack([across, along])
    tol = wall_tol_m(points, window, found[:, 2])
    if tol is None or (found[:, 2] <= 0).any():
        return None
    first = np.array([0, k])
    walls = fit_shells(u, v, window, found[:, :3].copy(), first, tol, POINTS)[here[:1]]
    apart = float(disagreement_m(walls[:, 3], walls[:, 0], tol)[0])
    walls = walls[0]
    if walls[0] <= 0 or apart == 0.0:
        return None
    # Part of how far stations stand apart is left in the radius.
    sd = float(np.sqrt(walls[1] ** 2 + (LEFT * apart) ** 2 + 0.0015**2))
    return Walls(float(walls[0] - walls[2] ** 2 / (2 * walls[0])), sd, apart, float(walls[2]))
