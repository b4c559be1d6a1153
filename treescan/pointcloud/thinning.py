"""A voxel thinner that is fed in chunks and keeps one measured point per voxel.

Kept is the point nearest the running mean of its voxel, so that range noise shrinks but no
surface moves: points are never averaged.  Hits per voxel are counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.pointcloud.cloud import Float32s

KEY_BITS = 21
HALF_SPAN = 1 << (KEY_BITS - 1)


@dataclass(frozen=True)
class Thinned:
    """What is left after thinning.

    Attributes
    ----------
    xyz : ndarray, shape (n, 3), float32
    rgb : ndarray, shape (n, 3), uint8, or None
    intensity : ndarray, shape (n,), float32, or None
    hits : ndarray, shape (n,), uint32
        Points of the scan in the voxel.
    voxel_m : float
        Side of the voxels at the end. [m]
    points_in, not_finite, duplicates, far : int
        Points fed; of these dropped as not finite, as exact copies of a kept point, and as
        farther than the grid reaches (10 km at 1 cm).
    """

    xyz: Float32s
    rgb: npt.NDArray[np.uint8] | None
    intensity: Float32s | None
    hits: npt.NDArray[np.uint32]
    voxel_m: float
    points_in: int
    not_finite: int
    duplicates: int
    far: int


class _Rows(NamedTuple):
    """Kept points; only the first so many rows are filled.

    ``data`` has x, y, z, mean x, mean y, mean z, intensity and hits side by side, so that a
    point touches one cache line.
    """

    data: Any
    rgb: Any


def _rows_of(size: int) -> _Rows:
    return _Rows(np.zeros((size, 8), dtype=np.float32), np.zeros((size, 3), dtype=np.uint8))


def _table_of(size: int) -> Any:
    """Hash table by open addressing: voxel key (-1 = empty) and row, shape (size, 2)."""
    return np.full((size, 2), -1, dtype=np.int64)


class VoxelThinner:
    """Feed chunks with :meth:`add`, then take :meth:`result`.

    Parameters
    ----------
    voxel_m : float
        Side of a voxel. [m]
    max_voxels : int
        When more are filled, the side grows by half and all is thinned again.
    """

    def __init__(self, voxel_m: float, *, max_voxels: int = 12_000_000) -> None:
        self.voxel_m = float(voxel_m)
        self.max_voxels = max_voxels
        self.filled = 0
        self.points_in = 0
        self.counts = np.zeros(3, dtype=np.int64)
        self._rows = _rows_of(1 << 16)
        self._table = _table_of(1 << 18)

    def add(
        self,
        xyz: Float32s,
        rgb: npt.NDArray[np.uint8] | None = None,
        intensity: Float32s | None = None,
    ) -> None:
        """Take more points.

        Parameters
        ----------
        xyz : ndarray, shape (n, 3), float32
            Local coordinates. [m]
        rgb : ndarray, shape (n, 3), uint8, optional
        intensity : ndarray, shape (n,), float32, optional
        """
        self.points_in += len(xyz)
        points = np.ascontiguousarray(xyz)
        colours = np.empty((0, 3), np.uint8) if rgb is None else np.ascontiguousarray(rgb)
        tones = np.empty(0, np.float32) if intensity is None else np.ascontiguousarray(intensity)
        start = 0
        while start < len(points):
            self._make_room()
            start, self.filled = _insert(
                (points, colours, tones),
                start,
                1.0 / self.voxel_m,
                self._rows,
                self._table,
                self.filled,
                self.counts,
            )

    def _make_room(self) -> None:
        if self.filled >= self.max_voxels:
            self._coarsen()
        if self.filled >= int(0.9 * len(self._rows.data)):
            larger = _rows_of(2 * len(self._rows.data))
            for new, old in zip(larger, self._rows, strict=True):
                new[: self.filled] = old[: self.filled]
            self._rows = larger
        if self.filled >= 0.45 * len(self._table):
            self._table = _table_of(2 * len(self._table))
            _rehash(self._rows, self.filled, 1.0 / self.voxel_m, self._table)

    def _coarsen(self) -> None:
        while self.filled >= 0.8 * self.max_voxels:
            self.voxel_m *= 1.5
            self._table.fill(-1)
            self.filled = _merge(self._rows, self.filled, 1.0 / self.voxel_m, self._table)

    def result(self, *, with_rgb: bool = True, with_intensity: bool = True) -> Thinned:
        """The kept points, in the order in which their voxels were first met."""
        n = self.filled
        return Thinned(
            self._rows.data[:n, :3].copy(),
            self._rows.rgb[:n].copy() if with_rgb else None,
            self._rows.data[:n, 6].copy() if with_intensity else None,
            self._rows.data[:n, 7].astype(np.uint32),
            self.voxel_m,
            self.points_in,
            int(self.counts[0]),
            int(self.counts[1]),
            int(self.counts[2]),
        )


@njit(inline="always")
def _voxel_key(x: Any, y: Any, z: Any) -> Any:
    return ((x + HALF_SPAN) << (2 * KEY_BITS)) | ((y + HALF_SPAN) << KEY_BITS) | (z + HALF_SPAN)


@njit(inline="always")
def _start_slot(x: Any, y: Any, z: Any, mask: Any) -> Any:
    """Blocks of 2 x 2 x 2 voxels are hashed whole, so that neighbours share cache lines."""
    block = (
        np.uint64((x >> 1) + HALF_SPAN) * np.uint64(0x9E3779B97F4A7C15)
        ^ np.uint64((y >> 1) + HALF_SPAN) * np.uint64(0xC2B2AE3D27D4EB4F)
        ^ np.uint64((z >> 1) + HALF_SPAN) * np.uint64(0x165667B19E3779F9)
    )
    block ^= block >> np.uint64(29)
    block *= np.uint64(0xBF58476D1CE4E5B9)
    block ^= block >> np.uint64(32)
    inner = ((x & 1) << 2) | ((y & 1) << 1) | (z & 1)
    return np.int64((block << np.uint64(3)) + np.uint64(inner)) & mask


@njit(inline="always")
def _slot_of(key: Any, x: Any, y: Any, z: Any, table: Any) -> Any:
    mask = table.shape[0] - 1
    at = _start_slot(x, y, z, mask)
    while table[at, 0] != key and table[at, 0] != -1:
        at = (at + 1) & mask
    return at


@njit(inline="always")
def _is_nearer_mean(px: Any, py: Any, pz: Any, row: Any) -> Any:
    """Whether a point is nearer the mean of a row than the point kept there."""
    new = (px - row[3]) ** 2 + (py - row[4]) ** 2 + (pz - row[5]) ** 2
    old = (row[0] - row[3]) ** 2 + (row[1] - row[4]) ** 2 + (row[2] - row[5]) ** 2
    return new < old


@njit(cache=True, nogil=True)
def _insert(
    points: Any, start: Any, per_m: Any, rows: Any, table: Any, filled: Any, counts: Any
) -> Any:
    """Insert from row ``start`` on; stops when the arrays are full and says where."""
    xyz, rgb, tone = points
    data = rows.data
    full = min(np.int64(data.shape[0] * 0.9), np.int64(table.shape[0] * 0.5))
    with_rgb = rgb.shape[0] > 0
    with_tone = tone.shape[0] > 0
    reach = HALF_SPAN - 1
    for i in range(start, xyz.shape[0]):
        px, py, pz = xyz[i, 0], xyz[i, 1], xyz[i, 2]
        if not (np.isfinite(px) and np.isfinite(py) and np.isfinite(pz)):
            counts[0] += 1
            continue
        fx, fy, fz = np.floor(px * per_m), np.floor(py * per_m), np.floor(pz * per_m)
        if not (abs(fx) < reach and abs(fy) < reach and abs(fz) < reach):
            counts[2] += 1
            continue
        x, y, z = np.int64(fx), np.int64(fy), np.int64(fz)
        key = _voxel_key(x, y, z)
        at = _slot_of(key, x, y, z, table)
        row = table[at, 1]
        if table[at, 0] == -1:
            if filled >= full:
                return i, filled
            table[at, 0] = key
            table[at, 1] = filled
            row = np.int64(filled)
            data[row, 3], data[row, 4], data[row, 5] = px, py, pz
            data[row, 7] = 1
            filled += 1
        else:
            kept = data[row]
            if kept[0] == px and kept[1] == py and kept[2] == pz:
                counts[1] += 1
                continue
            kept[7] += 1
            share = np.float32(1.0) / kept[7]
            kept[3] += share * (px - kept[3])
            kept[4] += share * (py - kept[4])
            kept[5] += share * (pz - kept[5])
            if not _is_nearer_mean(px, py, pz, kept):
                continue
        data[row, 0], data[row, 1], data[row, 2] = px, py, pz
        if with_rgb:
            for k in range(3):
                rows.rgb[row, k] = rgb[i, k]
        if with_tone:
            data[row, 6] = tone[i]
    return xyz.shape[0], filled


@njit(cache=True, nogil=True)
def _rehash(rows: Any, filled: Any, per_m: Any, table: Any) -> None:
    for row in range(filled):
        x = np.int64(np.floor(rows.data[row, 0] * per_m))
        y = np.int64(np.floor(rows.data[row, 1] * per_m))
        z = np.int64(np.floor(rows.data[row, 2] * per_m))
        key = _voxel_key(x, y, z)
        at = _slot_of(key, x, y, z, table)
        table[at, 0] = key
        table[at, 1] = row


@njit(cache=True, nogil=True)
def _merge(rows: Any, filled: Any, per_m: Any, table: Any) -> Any:
    """Thin the kept rows again in place with larger voxels; the number left."""
    left = 0
    data = rows.data
    for row in range(filled):
        x = np.int64(np.floor(data[row, 0] * per_m))
        y = np.int64(np.floor(data[row, 1] * per_m))
        z = np.int64(np.floor(data[row, 2] * per_m))
        key = _voxel_key(x, y, z)
        at = _slot_of(key, x, y, z, table)
        if table[at, 0] == -1:
            table[at, 0] = key
            table[at, 1] = left
            data[left] = data[row]
            rows.rgb[left] = rows.rgb[row]
            left += 1
            continue
        into = table[at, 1]
        kept = data[into]
        total = kept[7] + data[row, 7]
        share = data[row, 7] / total
        for k in range(3, 6):
            kept[k] += share * (data[row, k] - kept[k])
        kept[7] = total
        if _is_nearer_mean(data[row, 0], data[row, 1], data[row, 2], kept):
            kept[0], kept[1], kept[2] = data[row, 0], data[row, 1], data[row, 2]
            kept[6] = data[row, 6]
            rows.rgb[into] = rows.rgb[row]
    return left
