"""Open ground and low plants, as outlines from a plan raster."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from shapely import LineString, MultiPoint, Polygon, box
from shapely.ops import split, unary_union

from treescan.pointcloud.cloud import Float32s, Floats, Ground

RASTER_M = 0.5
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Patch:
    """An outline (k, 2), its area and the height of what stands on it. [m, m²]"""

    outline_m: Floats
    area_m2: float
    height_m: float


def open_ground(
    ground: Ground,
    blocked_xy: Float32s,
    centre: tuple[float, float],
    *,
    reach_m: float = 20.0,
    smallest_m2: float = 12.0,
) -> list[Patch]:
    """Seen ground with nothing standing on it, near the tree, largest first.

    Parameters
    ----------
    ground : Ground
    blocked_xy : ndarray, shape (n, 2)
        Plan positions of everything that stands there. [m]
    centre : tuple of float
        The tree's foot. [m]
    """
    x = np.arange(centre[0] - reach_m, centre[0] + reach_m, RASTER_M)
    y = np.arange(centre[1] - reach_m, centre[1] + reach_m, RASTER_M)
    seen = _seen_on(ground, x, y)
    i = np.floor((blocked_xy[:, 0] - x[0]) / RASTER_M).astype(np.int64)
    j = np.floor((blocked_xy[:, 1] - y[0]) / RASTER_M).astype(np.int64)
    inside = (i >= 0) & (i < len(x)) & (j >= 0) & (j < len(y))
    count = np.zeros(seen.shape, dtype=np.int64)
    np.add.at(count, (j[inside], i[inside]), 1)
    blocked = ndimage.binary_dilation(count >= 3, iterations=1)
    away = np.hypot(x[None, :] - centre[0], y[:, None] - centre[1])
    free = seen & ~blocked & (away < reach_m) & (away > 1.0)
    free = ndimage.binary_opening(free, structure=np.ones((4, 4)))
    labels, number = ndimage.label(free)
    patches: list[Patch] = []
    for label in range(1, number + 1):
        if (labels == label).sum() * RASTER_M**2 >= smallest_m2:
            patches += _outlines(labels == label, x[0], y[0], smallest_m2)
    return sorted(patches, key=lambda patch: -patch.area_m2)[:6]


def _seen_on(ground: Ground, x: Floats, y: Floats) -> Bools:
    """Raster cells where ground was seen, small holes closed."""
    ny, nx = ground.z_m.shape
    ix = np.rint((x + RASTER_M / 2 - ground.x0_m) / ground.cell_m).astype(np.int64)
    iy = np.rint((y + RASTER_M / 2 - ground.y0_m) / ground.cell_m).astype(np.int64)
    good = ((ix >= 0) & (ix < nx))[None, :] & ((iy >= 0) & (iy < ny))[:, None]
    wide = ndimage.binary_dilation(ground.seen, iterations=max(1, round(0.3 / ground.cell_m)))
    found = wide[np.clip(iy, 0, ny - 1)[:, None], np.clip(ix, 0, nx - 1)[None, :]]
    result: Bools = good & found
    return result


def _outlines(mask: Bools, x0: float, y0: float, smallest_m2: float) -> Iterable[Patch]:
    jy, ix = np.nonzero(mask)
    tiles = box(
        x0 + ix * RASTER_M, y0 + jy * RASTER_M, x0 + (ix + 1) * RASTER_M, y0 + (jy + 1) * RASTER_M
    )
    shape = unary_union(list(tiles)).buffer(-0.05)
    parts = list(shape.geoms) if hasattr(shape, "geoms") else [shape]
    for part in parts:
        for whole in without_holes(part):
            slim = whole.simplify(0.4)
            slim = slim if slim.is_valid and isinstance(slim, Polygon) else whole
            if slim.area >= smallest_m2:
                yield Patch(np.asarray(slim.exterior.coords)[:-1], float(slim.area), 0.0)


def without_holes(shape: Polygon) -> list[Polygon]:
    """Cut a polygon through its holes until none is left; holes under 1 m² go first."""
    shape = Polygon(shape.exterior, [r for r in shape.interiors if Polygon(r).area > 0.2])
    if not shape.interiors:
        return [shape]
    west, south, east, north = shape.bounds
    middle = Polygon(shape.interiors[0]).centroid
    knife = (
        LineString([(middle.x, south - 1), (middle.x, north + 1)])
        if east - west > north - south
        else LineString([(west - 1, middle.y), (east + 1, middle.y)])
    )
    whole: list[Polygon] = []
    for part in split(shape, knife).geoms:
        whole += without_holes(part)
    return whole


def low_plants(points: Float32s, above_m: Floats, *, smallest_m2: float = 0.3) -> list[Patch]:
    """Clumps of low things that are neither flat nor part of a tree.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        What stands lower than about 3 m and belongs to nothing else. [m]
    above_m : ndarray, shape (n,)
        Their height above ground. [m]
    """
    if len(points) < 30:
        return []
    plan = points[:, :2].astype(np.float64)
    corner = plan.min(axis=0)
    ij = ((plan - corner) / 0.2).astype(np.int64) + 1
    count = np.zeros(ij.max(axis=0) + 3, dtype=np.int64)
    np.add.at(count, (ij[:, 0], ij[:, 1]), 1)
    labels, number = ndimage.label(
        ndimage.binary_closing(count >= 2, iterations=1), structure=np.ones((3, 3))
    )
    of_point = labels[ij[:, 0], ij[:, 1]]
    patches = []
    for label in range(1, number + 1):
        own = of_point == label
        if own.sum() < 30 or (labels == label).sum() * 0.04 < smallest_m2:
            continue
        height = float(np.percentile(above_m[own], 98))
        hull = MultiPoint(plan[own]).convex_hull
        if isinstance(hull, Polygon) and height > 0.35:
            outline = hull.simplify(0.1)
            patches.append(
                Patch(np.asarray(outline.exterior.coords)[:-1], float(hull.area), height)
            )
    return sorted(patches, key=lambda patch: -patch.area_m2)[:30]
