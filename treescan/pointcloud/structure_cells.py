"""All that belongs to a wall or a roof, its narrow strips and its edges too.

A roof is seen whole on the side of the instrument and in strips and single lines of points on
the other, between what stands before it.  Those are flat, or in one plane, but none is large
enough to be told from a limb by itself.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.spatial import cKDTree

from treescan.pointcloud.cloud import Float32s, Floats, Ints
from treescan.pointcloud.planes import (
    MAX_THICKNESS_M,
    MIN_AREA_M2,
    SAME_PLANE_COS,
    SMALLEST_CELLS,
    Groups,
    flat_groups,
    flat_pieces,
)

JOINED_M = 0.3
"""Strips nearer to a wall or a roof than this may be part of it. [m]"""
STRIPS_APART_M = 2.5
"""Farthest that strips of one plane lie from each other. [m]"""
OFF_PLANE_M = 0.06
GAP_M = 1.0
"""Half the widest gap in a surface across which it goes on. [m]"""
RASTER_M = 0.1

Bools = npt.NDArray[np.bool_]


def structure_cells(centre_m: Float32s, cell_m: float, near: Ints) -> Bools:
    """Cells of walls, roofs, fences and paving, shape (m,).

    Parameters
    ----------
    centre_m : ndarray, shape (m, 3)
        One point per cell. [m]
    cell_m : float
    near : ndarray, shape (m, k)
        Nearest cells of each cell, as in :func:`treescan.pointcloud.planes.flat_pieces`.
    """
    result = np.zeros(len(centre_m), dtype=bool)
    if len(centre_m) < SMALLEST_CELLS:
        return result
    groups = flat_groups(centre_m, cell_m, near)
    pieces = [piece.cells for piece in flat_pieces(centre_m, cell_m, near, groups)]
    for rows in pieces:
        result[rows] = True
    if pieces:
        pieces = _with_strips(centre_m, cell_m, groups, pieces)
    for rows in pieces:
        result[rows] = True
        result[_in_surface(centre_m, rows)] = True
    return result


def _with_strips(
    centre_m: Float32s, cell_m: float, groups: Groups, pieces: list[Ints]
) -> list[Ints]:
    """The pieces with the small flat groups in their planes, and planes made of such alone."""
    normal, label, flat = groups
    found = np.zeros(len(flat), dtype=bool)
    found[np.concatenate(pieces)] = True
    rows = np.flatnonzero(flat & ~found)
    rows = rows[np.bincount(label[rows], minlength=label.max() + 1)[label[rows]] >= SMALLEST_CELLS]
    if not len(rows):
        return pieces
    points, across, group = (
        centre_m[rows],
        normal[rows],
        np.unique(label[rows], return_inverse=True)[1],
    )
    free = np.ones(len(rows), dtype=bool)
    planes = []
    for piece in pieces:
        on = _coplanar(points, across, group, free, centre_m[piece])
        planes.append(np.concatenate((piece, rows[on])))
        free &= ~on
    structure = cKDTree(centre_m[np.concatenate(planes)], balanced_tree=False)
    beside, _ = structure.query(points, distance_upper_bound=JOINED_M, workers=-1)
    seeds, sizes = np.unique(group[free & np.isfinite(beside)], return_counts=True)
    for seed in seeds[np.argsort(-sizes)]:
        start = free & (group == seed)
        if start.sum() >= SMALLEST_CELLS:
            on = start | _coplanar(points, across, group, free, points[start])
            if on.sum() * cell_m**2 >= MIN_AREA_M2 and plane_of(points[on])[2] <= MAX_THICKNESS_M:
                planes.append(rows[on])
                free &= ~on
    return planes


def _coplanar(points: Float32s, normal: Floats, group: Ints, free: Bools, base: Float32s) -> Bools:
    """Groups in the plane of ``base`` that lie near it or near each other."""
    whole = np.bincount(group)
    on = np.zeros(len(points), dtype=bool)
    for _ in range(3):
        middle, across, _ = plane_of(np.concatenate((base, points[on])))
        alike = free & (np.abs((points - middle) @ across) < 2.0 * MAX_THICKNESS_M)
        alike &= np.abs(normal @ across) > SAME_PLANE_COS
        alike &= (np.bincount(group[alike], minlength=len(whole)) > 0.8 * whole)[group]
        if not alike.any():
            break
        reach = cKDTree(np.concatenate((base, points[on])), balanced_tree=False)
        away, _ = reach.query(points[alike], distance_upper_bound=STRIPS_APART_M, workers=-1)
        near = np.zeros(len(whole), dtype=bool)
        near[group[alike][np.isfinite(away)]] = True
        on = alike & near[group]
    return on


def plane_of(points: Float32s) -> tuple[Floats, Floats, float]:
    """Middle (3,), normal (3,) and root mean square distance of points from their plane. [m]"""
    middle = points.mean(axis=0, dtype=np.float64)
    values, vectors = np.linalg.eigh(np.cov((points - middle).T))
    return middle, vectors[:, 0], float(np.sqrt(max(values[0], 0.0)))


def _in_surface(centre_m: Float32s, rows: Ints) -> Ints:
    """Cells in the plane of a piece and within its outline, gaps closed."""
    middle, across, _ = plane_of(centre_m[rows])
    side = np.cross(across, np.eye(3)[int(np.argmin(np.abs(across)))])
    side /= np.linalg.norm(side)
    axes = np.column_stack((side, np.cross(across, side)))
    near = np.flatnonzero(np.abs((centre_m - middle) @ across) < OFF_PLANE_M)
    width = round(GAP_M / RASTER_M)
    own = np.floor((centre_m[rows] - middle) @ axes / RASTER_M).astype(np.int64)
    corner = own.min(axis=0) - width - 1
    raster = np.zeros(own.max(axis=0) - corner + width + 2, dtype=bool)
    raster[tuple((own - corner).T)] = True
    reach = ndimage.distance_transform_edt(~raster) <= width
    closed = ndimage.distance_transform_edt(reach) > width
    closed = ndimage.binary_dilation(closed | raster, iterations=1)
    at = np.floor((centre_m[near] - middle) @ axes / RASTER_M).astype(np.int64) - corner
    inside = np.all((at >= 0) & (at < raster.shape), axis=1)
    near, at = near[inside], at[inside]
    return np.asarray(near[closed[tuple(at.T)]], dtype=np.int64)
