"""A voxel thinner that is fed in chunks and keeps one measured point per voxel.

Kept is the point nearest the running mean of its voxel, so that range noise shrinks but no
surface moves: points are never averaged.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.pointcloud.cloud import Float32s

HALF_SPAN = 1 << 20
"""Voxels on each side of the origin along an axis."""
TAG_BITS = 6
"""Bits of the hash kept beside a row number, so that few other rows are looked at in vain."""
AHEAD = 32
"""Points whose places in memory are fetched together."""
MOST_ROWS = (1 << (32 - TAG_BITS)) - 2


@dataclass(frozen=True)
class Thinned:
    """What is left after thinning.

    Attributes
    ----------
    xyz : ndarray, shape (n, 3), float32
    rgb : ndarray, shape (n, 3), uint8, or None
    intensity : ndarray, shape (n,), float32, or None
    voxel_m : float
        Side of the voxels at the end. [m]
    points_in, not_finite, duplicates, far : int
        Points fed; of these dropped as not finite, as exact copies of a kept point, and as
        farther than the grid reaches (10 km at 1 cm).
    """

    xyz: Float32s
    rgb: npt.NDArray[np.uint8] | None
    intensity: Float32s | None
    voxel_m: float
    points_in: int
    not_finite: int
    duplicates: int
    far: int


class _Rows(NamedTuple):
    """Kept points; only the first so many rows are filled.

    ``data`` has x, y, z, mean x, mean y, mean z, intensity and a word side by side, so that a
    point touches one cache line.  ``words`` are the same bytes: the last of a row holds red,
    green, blue and how many points the mean is of (255 for more).
    """

    data: Any
    words: Any


def _rows_of(size: int) -> _Rows:
    data = np.zeros((size, 8), dtype=np.float32)
    return _Rows(data, data.view(np.uint32))


def _table_of(size: int) -> Any:
    """Hash table by open addressing: row + 1 and a tag of the hash (0 = empty), shape (size,)."""
    return np.zeros(size, dtype=np.uint32)


def _power_of_two(size: float) -> int:
    return 1 << max(18, int(np.ceil(np.log2(max(size, 1.0)))))


class VoxelThinner:
    """Feed chunks with :meth:`add`, then take :meth:`result`.

    Parameters
    ----------
    voxel_m : float
        Side of a voxel. [m]
    max_voxels : int
        When more are filled, the side grows by half and all is thinned again.
    expected : int
        Points that will come, as far as known: room for half as many voxels is made at once.
    """

    def __init__(self, voxel_m: float, *, max_voxels: int = 12_000_000, expected: int = 0) -> None:
        self.voxel_m = float(voxel_m)
        self.max_voxels = min(max_voxels, MOST_ROWS)
        self.filled = 0
        self.points_in = 0
        self.counts = np.zeros(3, dtype=np.int64)
        room = min(expected // 2, self.max_voxels)
        self._rows = _rows_of(max(1 << 16, int(room / 0.9) + 1))
        self._table = _table_of(_power_of_two(room / 0.45))

    def add(
        self,
        xyz: Float32s,
        rgb: npt.NDArray[np.uint8] | npt.NDArray[np.uint16] | None = None,
        intensity: npt.NDArray[Any] | None = None,
        *,
        rgb_shift: int = 0,
    ) -> None:
        """Take more points; colours and intensities of any layout in memory are not copied.

        Parameters
        ----------
        xyz : ndarray, shape (n, 3), float32
            Local coordinates. [m]
        rgb : ndarray, shape (n, 3), uint8 or uint16, optional
        intensity : ndarray, shape (n,), optional
        rgb_shift : int
            Bits by which colours are shifted right to become bytes.
        """
        self.points_in += len(xyz)
        points = np.ascontiguousarray(xyz)
        colours = np.empty((0, 3), np.uint8) if rgb is None else rgb
        tones = np.empty(0, np.float32) if intensity is None else intensity
        start = 0
        while start < len(points):
            self._make_room()
            start, self.filled = _insert(
                (points, colours, tones, rgb_shift),
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
            larger.data[: self.filled] = self._rows.data[: self.filled]
            self._rows = larger
        if self.filled >= 0.45 * len(self._table):
            self._table = _table_of(2 * len(self._table))
            _rehash(self._rows, self.filled, 1.0 / self.voxel_m, self._table)

    def _coarsen(self) -> None:
        while self.filled >= 0.8 * self.max_voxels:
            self.voxel_m *= 1.5
            self._table.fill(0)
            self.filled = _merge(self._rows, self.filled, 1.0 / self.voxel_m, self._table)

    def result(self, *, with_rgb: bool = True, with_intensity: bool = True) -> Thinned:
        """The kept points, in the order in which their voxels were first met."""
        n = self.filled
        rgb = None
        if with_rgb:
            # red, green and blue are the upper bytes of a little-endian word
            rgb = (
                self._rows.words[:n, 7].astype("<u4").view(np.uint8).reshape(n, 4)[:, :0:-1].copy()
            )
        return Thinned(
            self._rows.data[:n, :3].copy(),
            rgb,
            self._rows.data[:n, 6].copy() if with_intensity else None,
            self.voxel_m,
            self.points_in,
            int(self.counts[0]),
            int(self.counts[1]),
            int(self.counts[2]),
        )


@njit(inline="always")
def _hash(x: Any, y: Any, z: Any) -> Any:
    """Blocks of 2 x 2 x 2 voxels are hashed whole, so that neighbours share cache lines."""
    block = (
        np.uint64((x >> 1) + HALF_SPAN) * np.uint64(0x9E3779B97F4A7C15)
        ^ np.uint64((y >> 1) + HALF_SPAN) * np.uint64(0xC2B2AE3D27D4EB4F)
        ^ np.uint64((z >> 1) + HALF_SPAN) * np.uint64(0x165667B19E3779F9)
    )
    block ^= block >> np.uint64(29)
    block *= np.uint64(0xBF58476D1CE4E5B9)
    return block ^ (block >> np.uint64(32))


@njit(inline="always")
def _slot(block: Any, x: Any, y: Any, z: Any, mask: Any) -> Any:
    """Where the search for a voxel begins; the eight voxels of a block lie side by side."""
    inner = np.uint64(((x & 1) << 2) | ((y & 1) << 1) | (z & 1))
    return np.int64(((block << np.uint64(3)) | inner) & np.uint64(mask))


@njit(inline="always")
def _find(x: Any, y: Any, z: Any, per_m: Any, data: Any, table: Any) -> Any:
    """Slot of a voxel (its own or the empty one for it), its row or -1, and the tag."""
    block = _hash(x, y, z)
    tag = np.uint32(block >> np.uint64(64 - TAG_BITS))
    mask = table.shape[0] - 1
    at = _slot(block, x, y, z, mask)
    while True:
        entry = table[at]
        if entry == 0:
            return at, np.int64(-1), tag
        if (entry & np.uint32((1 << TAG_BITS) - 1)) == tag:
            row = np.int64(entry >> np.uint32(TAG_BITS)) - 1
            if (
                np.int64(np.floor(data[row, 0] * per_m)) == x
                and np.int64(np.floor(data[row, 1] * per_m)) == y
                and np.int64(np.floor(data[row, 2] * per_m)) == z
            ):
                return at, row, tag
        at = (at + 1) & mask


@njit(inline="always")
def _fetch(xyz: Any, start: Any, stop: Any, per_m: Any, data: Any, table: Any, near: Any) -> None:
    """Touch the slots and rows of the next points, all at once rather than one after the other.

    What is touched then lies in the cache; ``near`` only keeps the reads from being left out.
    """
    mask = table.shape[0] - 1
    for i in range(start, stop):
        x = np.int64(np.floor(xyz[i, 0] * per_m))
        y = np.int64(np.floor(xyz[i, 1] * per_m))
        z = np.int64(np.floor(xyz[i, 2] * per_m))
        near[i - start] = table[_slot(_hash(x, y, z), x, y, z, mask)]
    touched = np.float32(0.0)
    for k in range(stop - start):
        row = max(np.int64(near[k] >> np.uint32(TAG_BITS)) - 1, 0)
        touched += data[row, 0]
    near[0] = np.uint32(touched > np.float32(0.0))


@njit(inline="always")
def _entry(row: Any, tag: Any) -> Any:
    return np.uint32((row + 1) << TAG_BITS) | tag


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
    xyz, rgb, tone, shift = points
    data = rows.data
    full = min(np.int64(data.shape[0] * 0.9), np.int64(table.shape[0] * 0.5))
    with_rgb = rgb.shape[0] > 0
    with_tone = tone.shape[0] > 0
    reach = HALF_SPAN - 1
    near = np.empty(AHEAD, dtype=np.uint32)
    for i in range(start, xyz.shape[0]):
        if (i - start) % AHEAD == 0:
            _fetch(xyz, i, min(i + AHEAD, xyz.shape[0]), per_m, data, table, near)
        px, py, pz = xyz[i, 0], xyz[i, 1], xyz[i, 2]
        if not (np.isfinite(px) and np.isfinite(py) and np.isfinite(pz)):
            counts[0] += 1
            continue
        fx, fy, fz = np.floor(px * per_m), np.floor(py * per_m), np.floor(pz * per_m)
        if not (abs(fx) < reach and abs(fy) < reach and abs(fz) < reach):
            counts[2] += 1
            continue
        x, y, z = np.int64(fx), np.int64(fy), np.int64(fz)
        at, row, tag = _find(x, y, z, per_m, data, table)
        if row < 0:
            if filled >= full:
                return i, filled
            row = np.int64(filled)
            table[at] = _entry(row, tag)
            data[row, 3], data[row, 4], data[row, 5] = px, py, pz
            rows.words[row, 7] = 1
            filled += 1
        else:
            kept = data[row]
            if kept[0] == px and kept[1] == py and kept[2] == pz:
                counts[1] += 1
                continue
            hits = min(rows.words[row, 7] & np.uint32(255), np.uint32(254)) + np.uint32(1)
            rows.words[row, 7] = (rows.words[row, 7] & np.uint32(0xFFFFFF00)) | np.uint32(hits)
            share = np.float32(1.0) / np.float32(hits)
            kept[3] += share * (px - kept[3])
            kept[4] += share * (py - kept[4])
            kept[5] += share * (pz - kept[5])
            if not _is_nearer_mean(px, py, pz, kept):
                continue
        data[row, 0], data[row, 1], data[row, 2] = px, py, pz
        if with_rgb:
            word = rows.words[row, 7] & np.uint32(255)
            for k in range(3):
                word |= np.uint32((rgb[i, k] >> shift) & 255) << np.uint32(24 - 8 * k)
            rows.words[row, 7] = word
        if with_tone:
            data[row, 6] = tone[i]
    return xyz.shape[0], filled


@njit(cache=True, nogil=True)
def _rehash(rows: Any, filled: Any, per_m: Any, table: Any) -> None:
    data = rows.data
    for row in range(filled):
        x = np.int64(np.floor(data[row, 0] * per_m))
        y = np.int64(np.floor(data[row, 1] * per_m))
        z = np.int64(np.floor(data[row, 2] * per_m))
        at, _, tag = _find(x, y, z, per_m, data, table)
        table[at] = _entry(row, tag)


@njit(cache=True, nogil=True)
def _merge(rows: Any, filled: Any, per_m: Any, table: Any) -> Any:
    """Thin the kept rows again in place with larger voxels; the number left."""
    left = 0
    data = rows.data
    for row in range(filled):
        x = np.int64(np.floor(data[row, 0] * per_m))
        y = np.int64(np.floor(data[row, 1] * per_m))
        z = np.int64(np.floor(data[row, 2] * per_m))
        at, into, tag = _find(x, y, z, per_m, data, table)
        if into < 0:
            table[at] = _entry(left, tag)
            rows.words[left] = rows.words[row]
            left += 1
            continue
        kept = data[into]
        old = rows.words[into, 7] & np.uint32(255)
        more = rows.words[row, 7] & np.uint32(255)
        share = np.float32(more) / np.float32(old + more)
        for k in range(3, 6):
            kept[k] += share * (data[row, k] - kept[k])
        colour = rows.words[into, 7]
        if _is_nearer_mean(data[row, 0], data[row, 1], data[row, 2], kept):
            kept[0], kept[1], kept[2] = data[row, 0], data[row, 1], data[row, 2]
            kept[6] = data[row, 6]
            colour = rows.words[row, 7]
        hits = min(old + more, np.uint32(255))
        rows.words[into, 7] = (colour & np.uint32(0xFFFFFF00)) | np.uint32(hits)
    return left
