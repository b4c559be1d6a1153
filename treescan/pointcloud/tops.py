"""Tree tops, for scans from the air that show no stem at breast height."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from treescan.pointcloud.cloud import Float32s, Floats, StemSeed

RASTER_M = 0.5
WINDOW_M = 6.0
LOWEST_TOP_M = 4.0
DEEP = 0.7
"""Two crowns are told apart when the canopy between them falls below this share of the higher."""


def tree_tops(centre_m: Float32s, above_m: Floats) -> tuple[StemSeed, ...]:
    """Crowns told apart by the valleys between them, highest first.

    Parameters
    ----------
    centre_m : ndarray, shape (m, 3)
        Cells that stand above the ground and belong to no building. [m]
    above_m : ndarray, shape (m,)

    Returns
    -------
    tuple of StemSeed
        Placed under each crown's middle; ``diameter_m`` is 0, since no stem was seen.
    """
    if not len(centre_m):
        return ()
    corner = centre_m[:, :2].min(axis=0)
    ij = ((centre_m[:, :2] - corner) / np.float32(RASTER_M)).astype(np.int64) + 1
    canopy = np.zeros(ij.max(axis=0) + 2)
    np.maximum.at(canopy, (ij[:, 0], ij[:, 1]), above_m)
    canopy = ndimage.grey_closing(canopy, size=3)
    highest = ndimage.maximum_filter(canopy, size=int(WINDOW_M / RASTER_M))
    crown = (canopy > DEEP * highest) & (canopy > LOWEST_TOP_M)
    labels, count = ndimage.label(crown)
    tops = []
    for label in range(1, count + 1):
        cells = np.argwhere(labels == label)
        if len(cells) * RASTER_M**2 < 1.0:
            continue
        heights = canopy[cells[:, 0], cells[:, 1]]
        x, y = corner + (np.average(cells, axis=0, weights=heights) - 0.5) * RASTER_M
        inside = (labels == label)[ij[:, 0], ij[:, 1]]
        ground = float(np.median((centre_m[:, 2] - above_m)[inside]))
        tops.append(StemSeed(float(x), float(y), ground, 0.0, int(inside.sum()), heights.max()))
    return tuple(sorted(tops, key=lambda top: -top.height_m))
