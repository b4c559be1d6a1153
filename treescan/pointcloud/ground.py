"""Height of the ground under and around a tree.

The lowest point per cell, freed of strays, is opened with growing windows (simple morphological
filter: Pingel, Clarke and McBride 2013, ISPRS J. Photogramm. 77:21-30) after the main slope is
taken out, and the surface is then laid through the middle of the ground points themselves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy import ndimage

from treescan.pointcloud.cloud import Float32s, Floats, Ground, PointCloud

CELL_M = 0.25
MAX_CELLS = 400_000
MAX_WINDOW_M = 18.0
"""Widest thing that stands on the ground and is not ground (a house). [m]"""
ROUGH_SLOPE = 0.25
"""Slope beyond the main slope that is still ground, as rise over run."""
COLUMN_LAYERS = 9
"""Layers of 0.2 m from 0.2 m to 2 m above the ground."""
TERRACE_M = 1.6
"""Highest step between two large pieces of ground. [m]"""
LITTLE_SEEN, LITTLE_M2 = 0.15, 40.0
"""Less of the grid and less area than this is doubted as ground when it is rough."""
ROUGH_PATCH_M = 0.3
"""Root mean square distance from a plane; ground seen in patches has 0.02 to 0.1. [m]"""
STEM_POINTS = 8
STEM_SPREAD_M = 0.5
MIN_GROUND_M2 = 0.75
"""Less ground than this is no ground: a flat one is assumed. [m²]"""

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class _Grid:
    x0: float
    y0: float
    cell: float
    nx: int
    ny: int


def find_ground(cloud: PointCloud) -> Ground:
    """Ground heights on a grid over the whole scan.

    Parameters
    ----------
    cloud : PointCloud

    Returns
    -------
    Ground
        ``seen`` is False where the height is filled in from around, and everywhere when the
        scan holds no ground at all: the ground is then level at the lowest points.
    """
    xyz = cloud.xyz
    grid = _grid(xyz)
    lowest = _lowest(xyz, grid)
    plane = _main_slope(lowest, grid)
    trend = _plane_heights(plane, grid)
    rest = lowest - trend
    rest[_strays_below(rest)] = np.nan
    bare = _bare_cells(rest, grid.cell)
    if bare.sum() * grid.cell**2 < MIN_GROUND_M2 or not _is_surface(rest, bare):
        return _flat(xyz, grid)
    first = fill_gaps(np.where(bare, rest, np.nan))
    middle, count = _through_the_points(xyz, first + trend, grid)
    seen = (count >= 3) & np.isfinite(middle)
    if not seen.any():
        return _flat(xyz, grid)
    seen = _without_columns(seen, _columns(xyz, middle, grid))
    height = fill_gaps(np.where(seen, middle - trend, np.nan)) + trend
    ground = Ground(grid.x0, grid.y0, grid.cell, height, seen)
    return _flat(xyz, grid) if _is_underside(ground) else ground


def _is_underside(ground: Ground) -> bool:
    """Whether what was taken for ground is the underside of a crown: a few rough patches."""
    iy, ix = np.nonzero(ground.seen)
    if ground.seen.mean() > LITTLE_SEEN or len(iy) * ground.cell_m**2 > LITTLE_M2:
        return False
    design = np.column_stack((ix, iy, np.ones(len(ix))))
    plane, *_ = np.linalg.lstsq(design, ground.z_m[iy, ix], rcond=None)
    rest = ground.z_m[iy, ix] - design @ plane
    return bool(np.sqrt(np.mean(rest**2)) > ROUGH_PATCH_M)


def _grid(xyz: Float32s) -> _Grid:
    low, high = np.percentile(xyz[:: max(1, len(xyz) // 500_000), :2], [0.02, 99.98], axis=0)
    low, high = low - 0.5, high + 0.5
    low = np.maximum(low, xyz[:, :2].min(axis=0) - 0.1)
    high = np.minimum(high, xyz[:, :2].max(axis=0) + 0.1)
    width, depth = (float(v) for v in np.maximum(high - low, 0.5))
    density = len(xyz) / (width * depth)
    cell = max(CELL_M, min(2.0, float(np.sqrt(4.0 / density))))
    cell = max(cell, float(np.sqrt(width * depth / MAX_CELLS)))
    return _Grid(
        float(low[0]),
        float(low[1]),
        cell,
        int(np.ceil(width / cell)) + 1,
        int(np.ceil(depth / cell)) + 1,
    )


def _lowest(xyz: Float32s, grid: _Grid) -> Floats:
    low = np.full((grid.ny, grid.nx), np.inf)
    _lowest_kernel(xyz, grid.x0, grid.y0, grid.cell, low)
    low[~np.isfinite(low)] = np.nan
    return low


@njit(cache=True)
def _lowest_kernel(xyz: Any, x0: float, y0: float, cell: float, low: Any) -> None:
    for i in range(xyz.shape[0]):
        ix = int(np.floor((xyz[i, 0] - x0) / cell + 0.5))
        iy = int(np.floor((xyz[i, 1] - y0) / cell + 0.5))
        if 0 <= ix < low.shape[1] and 0 <= iy < low.shape[0] and xyz[i, 2] < low[iy, ix]:
            low[iy, ix] = xyz[i, 2]


def _main_slope(lowest: Floats, grid: _Grid) -> Floats:
    """Plane a x + b y + c below almost all cells and through most of the low ones."""
    iy, ix = np.nonzero(np.isfinite(lowest))
    x, y, z = grid.x0 + ix * grid.cell, grid.y0 + iy * grid.cell, lowest[iy, ix]
    level = np.array([0.0, 0.0, float(np.percentile(z, 2)) if len(z) else 0.0])
    if len(z) < 30:
        return level
    rng = np.random.default_rng(0)
    pick = rng.permutation(len(z))[:1500]
    points = np.column_stack((x[pick], y[pick], np.ones(len(pick))))
    heights = z[pick]
    triples = rng.integers(0, len(pick), size=(1200, 3))
    matrices = points[triples]
    good = np.abs(np.linalg.det(matrices)) > 1.0
    if not good.any():
        return level
    planes = np.linalg.solve(matrices[good], heights[triples[good]][..., None])[..., 0]
    planes = planes[np.hypot(planes[:, 0], planes[:, 1]) < 0.9]
    planes = np.vstack((level, planes))
    rest = heights[None, :] - planes @ points.T
    inside = (np.abs(rest) < 0.3).sum(axis=1)
    below = (rest < -0.5).mean(axis=1)
    inside[below > 0.03] = 0
    best = int(np.argmax(inside))
    if inside[best] < max(12, 0.05 * len(pick)):
        return level
    near = np.abs(rest[best]) < 0.3
    plane, *_ = np.linalg.lstsq(points[near], heights[near], rcond=None)
    return np.asarray(plane, dtype=np.float64)


def _plane_heights(plane: Floats, grid: _Grid) -> Floats:
    x = grid.x0 + np.arange(grid.nx) * grid.cell
    y = grid.y0 + np.arange(grid.ny) * grid.cell
    heights: Floats = plane[0] * x[None, :] + plane[1] * y[:, None] + plane[2]
    return heights


def _strays_below(rest: Floats) -> Bools:
    """Cells whose lowest point is far below everything around: reflections and range noise."""
    filled = fill_gaps(rest)
    around = ndimage.percentile_filter(filled, 20, size=5, mode="nearest")
    strays: Bools = filled < around - 0.6
    # a whole low terrace is no stray: only small islands are
    labels, _ = ndimage.label(strays)
    sizes = np.bincount(labels.ravel())
    small: Bools = strays & (sizes[labels] <= 4)
    return small


def _bare_cells(rest: Floats, cell: float) -> Bools:
    """Cells whose lowest point is ground, by openings with growing windows."""
    surface = fill_gaps(rest, fill_high=True)
    is_object = np.zeros(rest.shape, dtype=bool)
    last = surface
    radius = 1
    limit = max(2, int(0.5 * MAX_WINDOW_M / cell))
    while radius <= limit:
        opened = ndimage.grey_opening(last, size=(2 * radius + 1,) * 2, mode="nearest")
        rise = ROUGH_SLOPE * radius * cell
        is_object |= (last - opened) > max(0.12, rise)
        last = opened
        radius = max(radius + 1, int(radius * 1.4))
    bare: Bools = ~is_object & np.isfinite(rest)
    return bare & ~_islands_above(rest, bare, cell)


def _islands_above(rest: Floats, bare: Bools, cell: float) -> Bools:
    """Bare cells apart from the main ground and too high for it: roofs and trunks seen alone.

    An island may rise with its distance, and a large one may be a terrace of up to 1.6 m.
    """
    together = ndimage.binary_dilation(bare, iterations=max(1, round(0.4 / cell)))
    labels, count = ndimage.label(together)
    labels = np.where(bare, labels, 0)
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    sizes[0] = 0
    accepted: Bools = labels == int(np.argmax(sizes))
    above = np.zeros(rest.shape, dtype=bool)
    for label in np.argsort(-sizes)[1 : np.count_nonzero(sizes)]:
        island = labels == label
        away, nearest = ndimage.distance_transform_edt(~accepted, return_indices=True)
        iy, ix = np.nonzero(island)
        order = np.argsort(away[iy, ix])[: max(4, len(iy) // 4)]
        iy, ix = iy[order], ix[order]
        rise = rest[iy, ix] - rest[nearest[0][iy, ix], nearest[1][iy, ix]]
        step = TERRACE_M if sizes[label] * cell**2 > 10.0 else 0.35
        if np.median(rise - np.minimum(0.1 * away[iy, ix] * cell, 1.0)) > step:
            above |= island
        elif sizes[label] * cell**2 > 2.0:
            accepted |= island
    return above


def _is_surface(rest: Floats, bare: Bools) -> bool:
    """Whether the bare cells lie together like ground, not like the foot of a single trunk."""
    heights = rest[bare]
    if len(heights) < 8:
        return False
    lower = heights[heights <= np.percentile(heights, 80)]
    return bool(np.subtract(*np.percentile(lower, [75, 25])) < 1.5)


def _flat(xyz: Float32s, grid: _Grid) -> Ground:
    """Level ground at the lowest 0.3 m that hold more than strays, or at the foot of a stem."""
    heights = np.sort(xyz[:, 2])
    few = max(10, len(heights) // 2000)
    above = np.searchsorted(heights, heights + np.float32(0.3)) - np.arange(len(heights))
    solid = np.flatnonzero(above > few)
    height = float(heights[solid[0]]) if len(solid) else float(heights[0])
    height = _foot_of_a_stem(xyz[xyz[:, 2] < height + 0.9], height)
    shape = (grid.ny, grid.nx)
    return Ground(
        grid.x0, grid.y0, grid.cell, np.full(shape, height), np.zeros(shape, dtype=np.bool_)
    )


def _foot_of_a_stem(low: Float32s, height: float) -> float:
    """Where a thin stem that few points show begins, below a height; else that height. [m]

    Strays are scattered; a stem has points in every 0.3 m, one above the other.
    """
    order = np.argsort(low[:, 2])
    low = low[order]
    z = low[:, 2]
    for start in np.arange(float(z[0]) if len(z) else height, height, 0.05):
        ends = np.searchsorted(z, start + np.array([0.0, 0.3, 0.6, 0.9]))
        if np.diff(ends).min() < STEM_POINTS or z[ends[0]] > start + 0.1:
            continue
        plan = low[ends[0] : ends[3], :2]
        if np.median(np.hypot(*(plan - np.median(plan, axis=0)).T)) < STEM_SPREAD_M:
            return float(start)
    return height


def _columns(xyz: Float32s, surface: Floats, grid: _Grid) -> Bools:
    """Cells in which something stands without a gap from the ground to 2 m: stems and walls."""
    layers = np.zeros((grid.ny, grid.nx), dtype=np.int64)
    _layers_kernel(xyz, surface, grid.x0, grid.y0, grid.cell, layers)
    filled = np.zeros(layers.shape, dtype=np.int64)
    for layer in range(COLUMN_LAYERS):
        filled += (layers >> layer) & 1
    columns: Bools = filled >= COLUMN_LAYERS - 1
    return columns


@njit(cache=True)
def _layers_kernel(xyz: Any, surface: Any, x0: float, y0: float, cell: float, layers: Any) -> None:
    for i in range(xyz.shape[0]):
        ix = int(np.floor((xyz[i, 0] - x0) / cell + 0.5))
        iy = int(np.floor((xyz[i, 1] - y0) / cell + 0.5))
        if 0 <= ix < layers.shape[1] and 0 <= iy < layers.shape[0]:
            layer = int((xyz[i, 2] - surface[iy, ix] - 0.2) * 5.0)
            if 0 <= layer < COLUMN_LAYERS:
                layers[iy, ix] |= 1 << layer


def _without_columns(seen: Bools, columns: Bools) -> Bools:
    """Ground cells off the feet of stems and walls, where enough others are left around."""
    wide = ndimage.binary_dilation(columns, structure=np.ones((3, 3)))
    for blocked in (wide, columns):
        left: Bools = seen & ~blocked
        near = ndimage.binary_dilation(left, iterations=3)
        if left.sum() >= 8 and near[seen & blocked].all():
            return left
    return seen


def _through_the_points(
    xyz: Float32s, surface: Floats, grid: _Grid
) -> tuple[Floats, npt.NDArray[np.int64]]:
    """Median height of the points near a surface, cell by cell, and their number."""
    ground = Ground(grid.x0, grid.y0, grid.cell, surface, np.ones(surface.shape, dtype=np.bool_))
    middle = surface
    count = np.zeros(surface.shape, dtype=np.int64)
    for below, above in ((-0.20, 0.25), (-0.12, 0.12), (-0.08, 0.08)):
        ground = Ground(grid.x0, grid.y0, grid.cell, middle, ground.seen)
        near = _near_surface(xyz, middle, grid.x0, grid.y0, grid.cell, below, above)
        points = xyz[near]
        ix = np.floor((points[:, 0] - grid.x0) / grid.cell + 0.5).astype(np.int64)
        iy = np.floor((points[:, 1] - grid.y0) / grid.cell + 0.5).astype(np.int64)
        rest = heights_above(points, ground)
        cells = iy * grid.nx + ix
        count = np.bincount(cells, minlength=middle.size).reshape(middle.shape)
        shift = _medians(cells, rest, middle.size).reshape(middle.shape)
        middle = middle + np.where(count >= 3, np.nan_to_num(shift), 0.0)
    return middle, count


@njit(cache=True)
def _near_surface(
    xyz: Any, surface: Any, x0: float, y0: float, cell: float, below: float, above: float
) -> Any:
    near = np.zeros(xyz.shape[0], dtype=np.bool_)
    ny, nx = surface.shape
    for i in range(xyz.shape[0]):
        fx = (xyz[i, 0] - x0) / cell
        fy = (xyz[i, 1] - y0) / cell
        if fx < -0.5 or fy < -0.5 or fx >= nx - 0.5 or fy >= ny - 0.5:
            continue
        fx = min(max(fx, 0.0), nx - 1.0)
        fy = min(max(fy, 0.0), ny - 1.0)
        ix = min(int(fx), max(nx - 2, 0))
        iy = min(int(fy), max(ny - 2, 0))
        jx, jy = min(ix + 1, nx - 1), min(iy + 1, ny - 1)
        u, v = fx - ix, fy - iy
        z = (surface[iy, ix] * (1 - u) + surface[iy, jx] * u) * (1 - v) + (
            surface[jy, ix] * (1 - u) + surface[jy, jx] * u
        ) * v
        rest = xyz[i, 2] - z
        near[i] = below <= rest <= above
    return near


def heights_above(xyz: Float32s, ground: Ground) -> Floats:
    """Height of each point above the ground, shape (n,), as ``ground.height`` gives it. [m]

    ``xyz`` (n, 3) are points in the local frame.
    """
    result = np.empty(len(xyz), dtype=np.float64)
    _heights_kernel(xyz, ground.z_m, ground.x0_m, ground.y0_m, ground.cell_m, result)
    return result


@njit(cache=True)
def _heights_kernel(xyz: Any, z: Any, x0: float, y0: float, cell: float, result: Any) -> None:
    ny, nx = z.shape
    for i in range(xyz.shape[0]):
        fx = min(max((np.float64(xyz[i, 0]) - x0) / cell, 0.0), nx - 1.0)
        fy = min(max((np.float64(xyz[i, 1]) - y0) / cell, 0.0), ny - 1.0)
        ix, iy = min(int(fx), max(nx - 2, 0)), min(int(fy), max(ny - 2, 0))
        jx, jy = min(ix + 1, nx - 1), min(iy + 1, ny - 1)
        u, v = fx - ix, fy - iy
        low = z[iy, ix] * (1 - u) + z[iy, jx] * u
        top = z[jy, ix] * (1 - u) + z[jy, jx] * u
        result[i] = xyz[i, 2] - (low * (1 - v) + top * v)


def _medians(groups: npt.NDArray[np.int64], values: Floats, size: int) -> Floats:
    """Median of the values, each within 0.5 of zero, of each group; NaN for empty groups."""
    result = np.full(size, np.nan)
    if not len(values):
        return result
    # values lie within half a metre of zero: one sort of group + value orders both
    ranked = np.sort(groups + (values + 0.5))
    sorted_groups = ranked.astype(np.int64)
    ranked -= sorted_groups + 0.5
    starts = np.flatnonzero(np.r_[True, np.diff(sorted_groups) > 0])
    counts = np.diff(np.r_[starts, len(ranked)])
    low, high = starts + (counts - 1) // 2, starts + counts // 2
    result[sorted_groups[starts]] = 0.5 * (ranked[low] + ranked[high])
    return result


def fill_gaps(values: Floats, *, fill_high: bool = False) -> Floats:
    """Fill NaN cells from the cells around, coarse to fine; filled cells are smooth.

    Parameters
    ----------
    values : ndarray, shape (ny, nx)
        With NaN where unknown; any unit.
    fill_high : bool
        Take the nearest known cell instead of an average (for openings).
    """
    known = np.isfinite(values)
    if known.all():
        return values.copy()
    if not known.any():
        return np.zeros_like(values)
    if fill_high:
        nearest = ndimage.distance_transform_edt(
            ~known, return_distances=False, return_indices=True
        )
        return np.asarray(values[tuple(nearest)], dtype=np.float64)
    total = np.where(known, values, 0.0)
    weight = known.astype(np.float64)
    result = np.where(known, values, np.nan)
    width = 1.0
    while not np.isfinite(result).all():
        blurred = ndimage.gaussian_filter(total, width, mode="constant", truncate=3.0)
        share = ndimage.gaussian_filter(weight, width, mode="constant", truncate=3.0)
        usable = ~np.isfinite(result) & (share > 1e-3)
        result[usable] = blurred[usable] / share[usable]
        width *= 2.0
        if width > 4 * max(values.shape):
            result[~np.isfinite(result)] = float(total.sum() / weight.sum())
    return result
