"""Flat pieces of a scan: walls, roofs, fences, paving."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from treescan.pointcloud.cloud import Float32s, Floats, Ints

SMALLEST_CELLS = 20
MIN_AREA_M2 = 1.5
MAX_THICKNESS_M = 0.045
MOST_SPLITS = 6
SAME_PLANE_COS = 0.978
"""Neighbouring normals up to 12 degrees apart belong together."""


@dataclass(frozen=True)
class FlatPiece:
    """One flat piece.

    Attributes
    ----------
    cells : ndarray, shape (k,), int64
        Rows of the input.
    centre_m, normal : ndarray, shape (3,)
    area_m2 : float
    """

    cells: Ints
    centre_m: Floats
    normal: Floats
    area_m2: float


Groups = tuple[Floats, npt.NDArray[Any], npt.NDArray[np.bool_]]


def flat_pieces(
    centre_m: Float32s, cell_m: float, near: Ints, groups: Groups | None = None
) -> list[FlatPiece]:
    """Connected flat pieces of at least 1.5 square metres.

    Parameters
    ----------
    centre_m : ndarray, shape (m, 3)
        One point per cell. [m]
    cell_m : float
    near : ndarray, shape (m, k)
        Nearest cells of each cell, about 24 of them, itself first; m stands for none.
    groups : tuple, optional
        As :func:`flat_groups` gives; found here otherwise.
    """
    if len(centre_m) < 4 * SMALLEST_CELLS:
        return []
    return _pieces(centre_m, *(groups or flat_groups(centre_m, cell_m, near)), cell_m)


def flat_groups(centre_m: Float32s, cell_m: float, near: Ints) -> Groups:
    """Normal (m, 3), group (m,) and whether it is flat (m,) of each cell.

    Neighbouring flat cells with like normals are one group.  ``centre_m`` (m, 3) and ``near``
    (m, k) are as for :func:`flat_pieces`.
    """
    values, vectors = local_shape(centre_m, near)
    normal = vectors[:, :, 0]
    thin = np.sqrt(np.maximum(values[:, 0], 0.0))
    wide = np.sqrt(np.maximum(values[:, 1], 1e-12))
    flat = (thin < 0.35 * wide) & (thin < 0.5 * cell_m) & (wide > 0.6 * cell_m)
    first = np.repeat(np.arange(len(centre_m)), near.shape[1])
    second = near.ravel()
    good = second < len(centre_m)
    first, second = first[good], second[good]
    good = flat[first] & flat[second]
    first, second = first[good], second[good]
    alike = np.abs(np.einsum("nd,nd->n", normal[first], normal[second])) > SAME_PLANE_COS
    first, second = first[alike], second[alike]
    size = len(centre_m)
    links = coo_matrix((np.ones(len(first), dtype=np.int8), (first, second)), shape=(size, size))
    _, label = connected_components(links, directed=False)
    return normal, label, flat


def local_shape(points: Float32s, other: Ints) -> tuple[Floats, Floats]:
    """Variances (n, 3) [m²], rising, and their directions (n, 3, 3) of each row's neighbours.

    Parameters
    ----------
    points : ndarray, shape (m, 3)
    other : ndarray, shape (n, k)
        Rows of ``points``; m stands for none.  Fewer than 4 neighbours give a round shape.
    """
    values, vectors = np.linalg.eigh(_covariances(points, other))
    return values, vectors


def _pieces(
    centre_m: Float32s,
    normal: Floats,
    label: npt.NDArray[Any],
    flat: npt.NDArray[np.bool_],
    cell_m: float,
) -> list[FlatPiece]:
    sizes = np.bincount(label)
    found: list[FlatPiece] = []
    order = np.argsort(label, kind="stable")
    starts = np.r_[0, np.cumsum(sizes)]
    for group in np.flatnonzero(sizes * cell_m**2 >= 0.7 * MIN_AREA_M2):
        rows = order[starts[group] : starts[group + 1]]
        rows = rows[flat[rows]]
        piece = _piece(centre_m, rows, cell_m)
        found += [piece] if piece is not None else _split(centre_m, normal, rows, cell_m)
    return found


def _piece(centre_m: Float32s, rows: Ints, cell_m: float) -> FlatPiece | None:
    points = centre_m[rows].astype(np.float64)
    area = len(points) * cell_m**2
    if len(points) < SMALLEST_CELLS or area < MIN_AREA_M2:
        return None
    middle = points.mean(axis=0)
    values, vectors = np.linalg.eigh(np.cov((points - middle).T))
    thickness = float(np.sqrt(max(values[0], 0.0)))
    if thickness > MAX_THICKNESS_M:
        return None
    return FlatPiece(rows, middle, vectors[:, 0], area)


def _split(centre_m: Float32s, normal: Floats, rows: Ints, cell_m: float) -> list[FlatPiece]:
    """Flat pieces of a group that turns a rounded corner, as a wall into its roof."""
    found: list[FlatPiece] = []
    rng = np.random.default_rng(0)
    left = rows
    for _ in range(MOST_SPLITS):
        if len(left) * cell_m**2 < MIN_AREA_M2:
            break
        best = np.empty(0, dtype=np.int64)
        for seed in rng.choice(left, size=12):
            alike = np.abs(normal[left] @ normal[seed]) > SAME_PLANE_COS
            offset = np.abs((centre_m[left] - centre_m[seed]) @ normal[seed])
            on = left[alike & (offset < 2.0 * MAX_THICKNESS_M)]
            best = on if len(on) > len(best) else best
        piece = _piece(centre_m, best, cell_m)
        if piece is None or len(best) < 0.1 * len(rows):
            break
        found.append(piece)
        left = np.setdiff1d(left, best)
    # a curved surface also holds flat strips; only groups that are mostly flat count
    return found if len(left) < 0.4 * len(rows) else []


@njit(cache=True)
def _covariances(points: Any, other: Any) -> Any:
    count, k = other.shape
    none = points.shape[0]
    result = np.zeros((count, 3, 3))
    for i in range(count):
        mean = np.zeros(3)
        used = 0
        for j in range(k):
            at = other[i, j]
            if at < none:
                used += 1
                for d in range(3):
                    mean[d] += points[at, d]
        mean /= max(used, 1)
        for j in range(k):
            at = other[i, j]
            if at < none:
                for d in range(3):
                    for e in range(3):
                        result[i, d, e] += (points[at, d] - mean[d]) * (points[at, e] - mean[e])
        result[i] /= max(used, 1)
        if used < 4:  # too few to say: make it round
            for d in range(3):
                result[i, d, d] += 1.0
    return result
