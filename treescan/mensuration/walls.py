"""Radius of a stem about breast height where stations set its walls apart.

See `treescan.skeleton.shells`: the walls of several slices are circles of one radius a slice,
their centres handed from slice to slice.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SLICES, SPACING_M, HALF_M = 9, 0.12, 0.08
"""Slices looked at, the middle one at the height asked for. [m]"""
FEWEST = 40
POINTS = 600
LEFT = 0.35
"""Share of how far walls stand apart that the radius may still be off. [judgement]"""
CLEARER = 2.0
"""Walls are believed where one outline leaves more than so many times their misfit. [judgement]"""


def walls_radius_m(
    across: Floats, along: Floats, circle: Floats, tol_m: float, scatter_m: float
) -> tuple[float, float] | None:
    """Radius and sd from walls that stand apart; None where one outline does. [m]

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
    scatter_m : float
        What the points of the middle slice scatter about their one outline. [m]
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
    if walls[0] <= 0 or apart == 0.0 or scatter_m < CLEARER * walls[2]:
        return None
    # Part of how far stations stand apart is left in the radius.
    sd = float(np.sqrt(walls[1] ** 2 + (LEFT * apart) ** 2 + 0.0015**2))
    return float(walls[0] - walls[2] ** 2 / (2 * walls[0])), sd
