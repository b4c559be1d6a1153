"""What a reader gives: facts a file states about itself, and its points in chunks."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from treescan.pointcloud.cloud import Floats

CHUNK_POINTS = 1_000_000
"""Points handled at a time: 24 MB of coordinates."""
WAIT_S, LONGEST_WAITS = 0.0005, 40
"""How often it is looked whether work on a chunk has begun. [s]"""


@dataclass(frozen=True)
class Chunk:
    """Some points of a file as they are stored, in the file's own units and axes.

    Attributes
    ----------
    stored : ndarray, shape (n, 3)
        Stored numbers of any type and layout in memory; ``stored * scale + offset`` are file
        coordinates.
    rgb : ndarray, shape (n, 3), uint8 or uint16, or None
        ``rgb >> rgb_shift`` are bytes.
    intensity : ndarray, shape (n,), or None
        Scaled as in the file.
    scale, offset : tuple of 3 float
    """

    stored: npt.NDArray[Any]
    rgb: npt.NDArray[np.uint8] | npt.NDArray[np.uint16] | None = None
    intensity: npt.NDArray[Any] | None = None
    scale: tuple[float, float, float] = (1.0, 1.0, 1.0)
    offset: tuple[float, float, float] = (0.0, 0.0, 0.0)
    rgb_shift: int = 0

    def __len__(self) -> int:
        return len(self.stored)

    def coordinates(self) -> Floats:
        """File coordinates, shape (n, 3), float64, in file units."""
        with np.errstate(over="ignore", invalid="ignore"):  # counted as not finite later
            result: Floats = np.asarray(self.stored, dtype=np.float64)
            if self.scale != (1.0, 1.0, 1.0) or self.offset != (0.0, 0.0, 0.0):
                result = result * np.array(self.scale) + np.array(self.offset)
        return result

    def rows(self, keep: npt.NDArray[np.bool_] | npt.NDArray[np.int64] | slice) -> Chunk:
        """The chosen rows, all columns; ``keep`` is a mask (n,), row numbers or a slice."""
        return replace(
            self,
            stored=self.stored[keep],
            rgb=None if self.rgb is None else self.rgb[keep],
            intensity=None if self.intensity is None else self.intensity[keep],
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

    def sample(self, points: int) -> Floats:
        """File coordinates of about so many points spread over the whole file, shape (n, 3).

        In file units.
        """

    def chunks(self) -> Iterator[tuple[Chunk, float]]:
        """All points, each chunk with the share of the file read so far (0..1)."""


class ArraySource:
    """A file whose points are all in memory."""

    def __init__(self, path: Path, facts: FileFacts, points: Chunk) -> None:
        self.path = path
        self.facts = facts
        self.points = points
        self.count = len(points)

    def sample(self, points: int) -> Floats:
        """Every k-th point, shape (n, 3), in file units."""
        step = max(1, self.count // max(points, 1))
        return self.points.rows(slice(None, None, step)).coordinates()

    def chunks(self) -> Iterator[tuple[Chunk, float]]:
        """Slices of the arrays; nothing is copied."""
        for start in range(0, self.count, CHUNK_POINTS):
            stop = min(start + CHUNK_POINTS, self.count)
            yield self.points.rows(slice(start, stop)), stop / self.count


def read_ahead(
    chunks: Iterator[tuple[Chunk, float]], begun: Callable[[], int]
) -> Iterator[tuple[Chunk, float]]:
    """The same chunks, the next one decoded while the last one is worked on.

    The LAZ decoder keeps Python's lock from its start to its end: whoever needs the lock to begin
    would wait for all of the next chunk.  So the decoder waits a little until the work has begun.

    Parameters
    ----------
    begun : callable
        A count that grows when work on a chunk goes on without Python's lock.
    """

    def following(last: int) -> tuple[Chunk, float] | None:
        for _ in range(LONGEST_WAITS):
            if begun() != last:
                break
            time.sleep(WAIT_S)
        return next(chunks, None)

    with ThreadPoolExecutor(max_workers=1) as pool:
        ahead = pool.submit(next, chunks, None)
        while (item := ahead.result()) is not None:
            ahead = pool.submit(following, begun())
            yield item


def full_colour(columns: npt.NDArray[np.generic]) -> float:
    """Value of full colour: 255 for bytes, 65535 for 16-bit words, 1 for shares of one.

    Parameters
    ----------
    columns : ndarray, shape (n, 3)
    """
    values = np.nan_to_num(np.asarray(columns, dtype=np.float64), posinf=0.0, neginf=0.0)
    top = float(values.max(initial=0.0))
    if top > 255.0:
        return 65535.0
    return 1.0 if top <= 1.0 and not np.issubdtype(columns.dtype, np.integer) else 255.0


def rgb_bytes(columns: npt.NDArray[np.generic], full: float | None = None) -> npt.NDArray[np.uint8]:
    """Colours as bytes, from bytes, 16-bit words or shares of one.

    Parameters
    ----------
    columns : ndarray, shape (n, 3)
    full : float, optional
        Value of full colour; found from the columns otherwise.
    """
    values = np.nan_to_num(np.asarray(columns, dtype=np.float64), posinf=0.0, neginf=0.0)
    values = values * (255.0 / (full_colour(columns) if full is None else full))
    result: npt.NDArray[np.uint8] = np.clip(np.rint(values), 0, 255).astype(np.uint8)
    return result


class TableSource:
    """Rows of named columns, perhaps still on the disk; converted a chunk at a time."""

    def __init__(
        self,
        path: Path,
        facts: FileFacts,
        table: npt.NDArray[Any],
        as_chunk: Callable[[npt.NDArray[Any]], Chunk],
    ) -> None:
        self.path = path
        self.facts = facts
        self.table = table
        self.as_chunk = as_chunk
        self.count = len(table)

    def sample(self, points: int) -> Floats:
        """Every k-th row, shape (n, 3), in file units."""
        return self.as_chunk(self.table[:: max(1, self.count // max(points, 1))]).coordinates()

    def chunks(self) -> Iterator[tuple[Chunk, float]]:
        """Row by row, so many at a time."""
        for start in range(0, self.count, CHUNK_POINTS):
            stop = min(start + CHUNK_POINTS, self.count)
            yield self.as_chunk(self.table[start:stop]), stop / self.count
