"""The ground a stem stands on, from the ground around it.

Close to a butt the height grid is drawn up by root flare, litter and the stem's own lowest
points.  The ground under the stem is therefore read from a plane through the ground seen in a
ring outside the flare.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from treescan.pointcloud.cloud import Ground

RING_M = 1.5
"""Width of the ring of ground that is used. [m]"""
FEWEST_CELLS = 8
LEAST_SCATTER_M = 0.02


@dataclass(frozen=True)
class Footing:
    """Plane of the ground about a stem.

    Attributes
    ----------
    height_m : float
        At the middle of the stem.
    slope : tuple of float
        Rise per metre toward x and toward y.
    """

    height_m: float
    slope: tuple[float, float]

    def uphill_m(self, radius_m: float) -> float:
        """Height at the uphill side of a stem of this radius. [m]"""
        return self.height_m + radius_m * float(np.hypot(*self.slope))


def footing(ground: Ground, x_m: float, y_m: float, radius_m: float) -> Footing:
    """Plane through the ground around a stem, shrubs and gaps left out.

    Parameters
    ----------
    x_m, y_m, radius_m : float
        The stem at the ground. [m]

    Returns
    -------
    Footing
        From the height grid at the stem itself where too little ground was seen around it.
    """
    inner = 1.3 * radius_m + 0.25
    reach = inner + max(RING_M, 2.0 * ground.cell_m)
    ny, nx = ground.z_m.shape
    x = ground.x0_m + np.arange(nx) * ground.cell_m - x_m
    y = ground.y0_m + np.arange(ny) * ground.cell_m - y_m
    cols, rows = np.flatnonzero(np.abs(x) < reach), np.flatnonzero(np.abs(y) < reach)
    east, north = np.meshgrid(x[cols], y[rows])
    away = np.hypot(east, north)
    use = (away > inner) & (away < reach) & ground.seen[np.ix_(rows, cols)]
    if use.sum() < FEWEST_CELLS or np.ptp(np.arctan2(north[use], east[use])) < np.pi / 2:
        return Footing(float(ground.height(x_m, y_m)), (0.0, 0.0))
    design = np.column_stack([np.ones(use.sum()), east[use], north[use]])
    z, base = ground.z_m[np.ix_(rows, cols)][use], 1.0 / away[use]
    weight, answer = base, np.zeros(3)
    for _ in range(8):
        root = np.sqrt(weight)
        answer = np.linalg.lstsq(design * root[:, None], z * root, rcond=None)[0]
        rest = z - design @ answer
        spread = max(1.4826 * float(np.median(np.abs(rest))), LEAST_SCATTER_M)
        # What stands on the ground draws up: points above the plane count for less.
        weight = base / (1.0 + (rest / np.where(rest > 0, spread, 2.0 * spread)) ** 2)
    return Footing(float(answer[0]), (float(answer[1]), float(answer[2])))
