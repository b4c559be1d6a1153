"""What a reader gives: facts a file states about itself, and its points in chunks."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
import numpy.typing as npt

from treescan.pointcloud.cloud import Float32s, Floats

CHUNK_POINTS = 1_000_000
"""Points handled at a time: 24 MB of coordinates."""


@dataclass(frozen=True)
class Chunk:
    """Some points of a file, in the file's own units and axes.

    Attributes
    ----------
    xyz : ndarray, shape (n, 3), float64
        File units, file axes.
    rgb : ndarray, shape (n, 3), uint8, or None
    intensity : ndarray, shape (n,), float32, or None
        Scaled as in the file.
    """

    xyz: Floats
    rgb: npt.NDArray[np.uint8] | None = None
    intensity: Float32s | None = None

    def __len__(self) -> int:
        return len(self.xyz)

    def rows(self, keep: npt.NDArray[np.bool_] | npt.NDArray[np.int64] | slice) -> Chunk:
        """The chosen rows, all columns."""
        return Chunk(
            self.xyz[keep],
            None if self.rgb is None else self.rgb[keep],
            None if self.intensity is None else self.intensity[keep],
        )


@dataclass(frozen=True)
class FileFacts:
    """What the file or its format says; None or "" where it says nothing.

    Attributes
    ----------
    format_name : str
        For people, e.g. "LAZ 1.4".
    unit : str or None
        Name in :data:`treescan.pointcloud.scale.UNIT_M`.
    unit_reason, up_reason : str
        Why, in words.
    up : str or None
        "z" or "y".
    crs : str
    notes : tuple of str
        Anything of the file that people should know.
    """

    format_name: str
    unit: str | None = None
    unit_reason: str = ""
    up: str | None = None
    up_reason: str = ""
    crs: str = ""
    notes: tuple[str, ...] = ()


class Source(Protocol):
    """One opened scan file."""

    path: Path
    facts: FileFacts
    count: int
    """Points in the file, as far as known before reading (0 = unknown)."""

    def sample(self, points: int) -> Chunk:
        """About so many points spread over the whole file."""

    def chunks(self) -> Iterator[tuple[Chunk, float]]:
        """All points, each chunk with the share of the file read so far (0..1)."""


class ArraySource:
    """A file whose points are all in memory."""

    def __init__(self, path: Path, facts: FileFacts, points: Chunk) -> None:
        self.path = path
        self.facts = facts
        self.points = points
        self.count = len(points)

    def sample(self, points: int) -> Chunk:
        """Every k-th point."""
        step = max(1, self.count // max(points, 1))
        return self.points.rows(slice(None, None, step))

    def chunks(self) -> Iterator[tuple[Chunk, float]]:
        """Slices of the arrays; nothing is copied."""
        for start in range(0, self.count, CHUNK_POINTS):
            stop = min(start + CHUNK_POINTS, self.count)
            yield self.points.rows(slice(start, stop)), stop / self.count


def read_ahead(chunks: Iterator[tuple[Chunk, float]]) -> Iterator[tuple[Chunk, float]]:
    """The same chunks, the next one decoded while the last one is worked on."""
    with ThreadPoolExecutor(max_workers=1) as pool:
        ahead = pool.submit(next, chunks, None)
        while (item := ahead.result()) is not None:
            ahead = pool.submit(next, chunks, None)
            yield item


def rgb_bytes(columns: npt.NDArray[np.generic]) -> npt.NDArray[np.uint8]:
    """Colours as bytes, from bytes, 16-bit words or shares of one.

    Parameters
    ----------
    columns : ndarray, shape (n, 3)
    """
    values = np.nan_to_num(np.asarray(columns, dtype=np.float64), posinf=0.0, neginf=0.0)
    top = float(values.max(initial=0.0))
    if top > 255.0:
        values = values / 257.0
    elif top <= 1.0 and not np.issubdtype(columns.dtype, np.integer):
        values = values * 255.0
    result: npt.NDArray[np.uint8] = np.clip(np.rint(values), 0, 255).astype(np.uint8)
    return result
