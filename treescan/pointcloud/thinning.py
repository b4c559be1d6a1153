"""A voxel thinner that is fed in chunks and keeps one measured point per voxel.

Kept is the point nearest the running mean of its voxel, so that range noise shrinks but no
surface moves: points are never averaged.

The rows of the voxels are themselves the slots of a hash table, two to a cache line, so that a
point needs one line of memory; the lines of the next points are asked for together.
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
AHEAD = 256
"""Points whose places in memory are fetched together."""
FULL = 0.72
"""Share of the slots that may be filled."""
FEWEST_SLOTS = 1 << 16
LINE_BYTES = 64
COUNT = 0xFF
COLOUR = 0xFFFFFF00
"""Parts of the last word of a row."""


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


class _Table(NamedTuple):
    """Kept points in a hash table by open addressing; a power of two of slots.

    ``data`` has x, y, z, mean x, mean y, mean z, intensity and a word side by side.  ``words``
    are the same bytes: the last of a row holds red, green, blue and how many points the mean is
    of (255 for more, 0 in a free slot).  ``order`` has the slots in the order in which they were
    filled.
    """

    data: Any
    words: Any
    order: Any


def _table_of(slots: int) -> _Table:
    raw = np.zeros(slots * 8 + LINE_BYTES // 4, dtype=np.float32)
    skip = -raw.ctypes.data % LINE_BYTES // 4  # a row that lies across two lines costs both
    data = raw[skip : skip + slots * 8].reshape(slots, 8)
    return _Table(data, data.view(np.uint32), np.empty(int(FULL * slots) + 1, dtype=np.int32))


class VoxelThinner:
    """Feed chunks with :meth:`add`, then take :meth:`result`.

    Parameters
    ----------
    voxel_m : float
        Side of a voxel. [m]
    max_voxels : int
        When more are filled, the side grows by half and all is thinned again.
    expected : int
        Points that will come, as far as known: room for some voxels is made at once.
    """

    def __init__(self, voxel_m: float, *, max_voxels: int = 12_000_000, expected: int = 0) -> None:
        self.voxel_m = float(voxel_m)
        self.max_voxels = max_voxels
        self.filled = 0
        self.points_in = 0
        self.counts = np.zeros(4, dtype=np.int64)
        room = min(expected // 2, max_voxels)
        self._table = _table_of(max(FEWEST_SLOTS, 1 << max(room, 1).bit_length() - 1))

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
            most = self._make_room()
            start, self.filled = _insert(
                (points, colours, tones, rgb_shift),
                start,
                1.0 / self.voxel_m,
                self._table,
                self.filled,
                most,
                self.counts,
            )

    def begun(self) -> int:
        """How often points began to be put in, known from then on."""
        return int(self.counts[3])

    def _make_room(self) -> int:
        """How many voxels may be filled now, more than are."""
        if self.filled >= self.max_voxels:
            while self.filled >= 0.8 * self.max_voxels:
                self.voxel_m *= 1.5
                self._move_to(len(self._table.data))
        if self.filled >= int(FULL * len(self._table.data)):
            self._move_to(2 * len(self._table.data))
        return min(int(FULL * len(self._table.data)), self.max_voxels)

    def _move_to(self, slots: int) -> None:
        table = _table_of(slots)
        self.filled = _merge(self._table, self.filled, 1.0 / self.voxel_m, table)
        self._table = table

    def result(self, *, with_rgb: bool = True, with_intensity: bool = True) -> Thinned:
        """The kept points, in the order in which their voxels were first met."""
        n = self.filled
        xyz = np.empty((n, 3), dtype=np.float32)
        rgb = np.empty((n if with_rgb else 0, 3), dtype=np.uint8)
        tone = np.empty(n if with_intensity else 0, dtype=np.float32)
        _gather(self._table, n, xyz, rgb, tone)
        return Thinned(
            xyz,
            rgb if with_rgb else None,
            tone if with_intensity else None,
            self.voxel_m,
            self.points_in,
            int(self.counts[0]),
            int(self.counts[1]),
            int(self.counts[2]),
        )


@njit(inline="always")
def _slot(x: Any, y: Any, z: Any, mask: Any) -> Any:
    """Where the search for a voxel begins; negative when the grid does not reach so far.

    The coordinates are whole numbers of voxels.  Mixed by two rounds of shift and multiplication
    (G. L. Steele, D. Lea and C. H. Flood 2014, Fast splittable pseudorandom number generators,
    OOPSLA, ACM SIGPLAN Not. 49(10):453-472).
    """
    reach = HALF_SPAN - 1
    if not (abs(x) < reach and abs(y) < reach and abs(z) < reach):
        return np.int64(-1)
    key = (
        (np.uint64(np.int64(x) + HALF_SPAN) << np.uint64(42))
        | (np.uint64(np.int64(y) + HALF_SPAN) << np.uint64(21))
        | np.uint64(np.int64(z) + HALF_SPAN)
    )
    key = (key ^ (key >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    key = (key ^ (key >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return np.int64((key >> np.uint64(31)) & np.uint64(mask))


@njit(inline="always")
def _is_place(voxels: Any, k: Any, at: Any, per_m: Any, table: Any) -> Any:
    """Whether a slot is free or holds the k-th voxel."""
    data = table.data
    return (table.words[at, 7] == 0) | (
        (np.floor(data[at, 0] * per_m) == voxels[k, 0])
        & (np.floor(data[at, 1] * per_m) == voxels[k, 1])
        & (np.floor(data[at, 2] * per_m) == voxels[k, 2])
    )


@njit(cache=True, nogil=True)
def _look_up(voxels: Any, places: Any, many: Any, per_m: Any, table: Any) -> Any:
    """Move the places of voxels on from where their search begins to a slot that is theirs or free.

    Each round touches the cache lines of all that still search, so that they are fetched at once
    rather than one after the other, then looks at the two slots of the line.  The sum that is
    returned only keeps the reads from being left out.
    """
    mask = table.data.shape[0] - 1
    searching = np.empty(AHEAD, dtype=np.int64)
    left = 0
    for k in range(many):
        searching[left] = k
        left += 1 if places[k] >= 0 else 0
    touched = np.float32(0.0)
    while left > 0:
        for j in range(left):
            touched += table.data[places[searching[j]], 0]
        rest = 0
        for j in range(left):
            k = searching[j]
            at = places[k]
            second = at | 1  # in the same line
            in_first = _is_place(voxels, k, at, per_m, table)
            in_second = _is_place(voxels, k, second, per_m, table)
            places[k] = at if in_first else (second if in_second else (second + 1) & mask)
            searching[rest] = k
            rest += 0 if in_first | in_second else 1
        left = rest
    return touched


@njit(inline="always")
def _step_on(voxels: Any, k: Any, at: Any, per_m: Any, table: Any) -> Any:
    """The place of a voxel, when others may have been put in since it was looked up."""
    while not _is_place(voxels, k, at, per_m, table):
        at = (at + 1) & (table.data.shape[0] - 1)
    return at


@njit(inline="always")
def _squared(ax: Any, ay: Any, az: Any, bx: Any, by: Any, bz: Any) -> Any:
    return (ax - bx) ** 2 + (ay - by) ** 2 + (az - bz) ** 2


@njit(inline="always")
def _colour(rgb: Any, i: Any, shift: Any) -> Any:
    word = np.uint32(0)
    for k in range(3):
        word |= np.uint32((rgb[i, k] >> shift) & 255) << np.uint32(24 - 8 * k)
    return word


@njit(inline="always")
def _improve(
    data: Any, words: Any, at: Any, px: Any, py: Any, pz: Any, paint: Any, tone: Any
) -> Any:
    """Count a point in the mean of its voxel and keep it when it is nearer that mean.

    Without branches: which point is nearer is a matter of chance, and a wrong guess of the
    processor costs more than the work.
    """
    word = words[at, 7]
    hits = min(word & np.uint32(COUNT), np.uint32(COUNT - 1)) + np.uint32(1)
    share = np.float32(1.0) / np.float32(hits)
    kx, ky, kz = data[at, 0], data[at, 1], data[at, 2]
    mx, my, mz = data[at, 3], data[at, 4], data[at, 5]
    mx += share * (px - mx)
    my += share * (py - my)
    mz += share * (pz - mz)
    nearer = _squared(px, py, pz, mx, my, mz) < _squared(kx, ky, kz, mx, my, mz)
    data[at, 3], data[at, 4], data[at, 5] = mx, my, mz
    data[at, 0] = px if nearer else kx
    data[at, 1] = py if nearer else ky
    data[at, 2] = pz if nearer else kz
    data[at, 6] = tone if nearer else data[at, 6]
    words[at, 7] = (paint if nearer else word & np.uint32(COLOUR)) | hits


@njit(cache=True, nogil=True)
def _insert(
    points: Any, start: Any, per_m: Any, table: Any, filled: Any, most: Any, counts: Any
) -> Any:
    """Insert from row ``start`` on; stops when ``most`` voxels are filled and says where."""
    xyz, rgb, tones, shift = points
    data, words = table.data, table.words
    mask = data.shape[0] - 1
    places = np.empty(AHEAD, dtype=np.int64)
    voxels = np.empty((AHEAD, 3), dtype=np.float64)
    touched = np.float32(0.0)
    counts[3] += 1
    for first in range(start, xyz.shape[0], AHEAD):
        many = min(AHEAD, xyz.shape[0] - first)
        for k in range(many):
            i = first + k
            x, y, z = (
                np.floor(xyz[i, 0] * per_m),
                np.floor(xyz[i, 1] * per_m),
                np.floor(xyz[i, 2] * per_m),
            )
            voxels[k, 0], voxels[k, 1], voxels[k, 2] = x, y, z
            places[k] = _slot(x, y, z, mask)
        touched += _look_up(voxels, places, many, per_m, table)
        for k in range(many):
            i = first + k
            px, py, pz = xyz[i, 0], xyz[i, 1], xyz[i, 2]
            if places[k] < 0:
                finite = np.isfinite(px) and np.isfinite(py) and np.isfinite(pz)
                counts[2 if finite else 0] += 1
                continue
            at = _step_on(voxels, k, places[k], per_m, table)
            paint = _colour(rgb, i, shift) if rgb.shape[0] > 0 else words[at, 7] & np.uint32(COLOUR)
            tone = np.float32(tones[i]) if tones.shape[0] > 0 else data[at, 6]
            if words[at, 7] == 0:
                if filled >= most:
                    return i, filled
                table.order[filled] = at
                filled += 1
                data[at, 0], data[at, 1], data[at, 2] = px, py, pz
                data[at, 3], data[at, 4], data[at, 5] = px, py, pz
                data[at, 6] = tone
                words[at, 7] = paint | np.uint32(1)
            elif data[at, 0] == px and data[at, 1] == py and data[at, 2] == pz:
                counts[1] += 1
            else:
                _improve(data, words, at, px, py, pz, paint, tone)
    places[0] = np.int64(touched > np.float32(0.0))
    return xyz.shape[0], filled


@njit(cache=True, nogil=True)
def _merge(old: Any, filled: Any, per_m: Any, table: Any) -> Any:
    """Put all rows of a table into an empty one of other size or larger voxels; the number left."""
    data, words = table.data, table.words
    mask = data.shape[0] - 1
    places = np.empty(AHEAD, dtype=np.int64)
    voxels = np.empty((AHEAD, 3), dtype=np.float64)
    touched = np.float32(0.0)
    left = 0
    for first in range(0, filled, AHEAD):
        many = min(AHEAD, filled - first)
        for k in range(many):  # by itself, so that the rows are fetched at once
            touched += old.data[old.order[first + k], 0]
        for k in range(many):
            row = old.order[first + k]
            for axis in range(3):
                voxels[k, axis] = np.floor(old.data[row, axis] * per_m)
            places[k] = _slot(voxels[k, 0], voxels[k, 1], voxels[k, 2], mask)
        touched += _look_up(voxels, places, many, per_m, table)
        for k in range(many):
            row = old.order[first + k]
            at = _step_on(voxels, k, places[k], per_m, table)
            if words[at, 7] == 0:
                for word in range(8):  # many times faster here than a slice
                    words[at, word] = old.words[row, word]
                table.order[left] = at
                left += 1
            else:
                _join(data, words, at, old, row)
    places[0] = np.int64(touched > np.float32(0.0))
    return left


@njit(inline="always")
def _join(data: Any, words: Any, at: Any, old: Any, row: Any) -> Any:
    """Merge a row into that of its larger voxel; the point nearer the common mean is kept."""
    count = words[at, 7] & np.uint32(COUNT)
    more = old.words[row, 7] & np.uint32(COUNT)
    share = np.float32(more) / np.float32(count + more)
    for k in range(3, 6):
        data[at, k] += share * (old.data[row, k] - data[at, k])
    mx, my, mz = data[at, 3], data[at, 4], data[at, 5]
    px, py, pz = old.data[row, 0], old.data[row, 1], old.data[row, 2]
    colour = words[at, 7]
    if _squared(px, py, pz, mx, my, mz) < _squared(
        data[at, 0], data[at, 1], data[at, 2], mx, my, mz
    ):
        data[at, 0], data[at, 1], data[at, 2] = px, py, pz
        data[at, 6] = old.data[row, 6]
        colour = old.words[row, 7]
    words[at, 7] = (colour & np.uint32(COLOUR)) | min(count + more, np.uint32(COUNT))


@njit(cache=True, nogil=True)
def _gather(table: Any, filled: Any, xyz: Any, rgb: Any, tone: Any) -> None:
    """Copy the rows out in their order; colours and intensities only where there is room."""
    for k in range(filled):
        at = table.order[k]
        for axis in range(3):
            xyz[k, axis] = table.data[at, axis]
        if rgb.shape[0] > 0:
            for band in range(3):
                rgb[k, band] = np.uint8((table.words[at, 7] >> np.uint32(24 - 8 * band)) & 255)
        if tone.shape[0] > 0:
            tone[k] = table.data[at, 6]
