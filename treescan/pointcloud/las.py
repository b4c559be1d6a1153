"""LAS, LAZ and COPC files, read in chunks.

The stored integers are scaled as the LAS 1.4 R15 specification says (section 2.4, "X scale
factor"): coordinate = integer x scale + offset, in float64, so that national-grid coordinates
keep their last digit.  Header bounds are never used: many writers leave them zero.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import laspy
import numpy as np

from treescan.errors import ScanError
from treescan.pointcloud.cloud import Floats
from treescan.pointcloud.crs import unit_from_geokeys, unit_from_wkt
from treescan.pointcloud.source import CHUNK_POINTS, Chunk, FileFacts, rgb_bytes

SAMPLE_BLOCKS = 24
COLOUR_FORMATS = frozenset({2, 3, 5, 7, 8, 10})


class LasSource:
    """A LAS or LAZ file (COPC is a LAZ file with an index, read as such)."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with _opened(path) as reader:
            header = reader.header
            self.count = int(header.point_count)
            self.facts = _facts(header, path)
            self._wide_colour: bool | None = None
            self._has_colour = header.point_format.id in COLOUR_FORMATS
            if self.count == 0:
                raise ScanError(
                    f"{path}: the LAS header says 0 points; export the scan again with its points"
                )
            if not np.all(np.isfinite(header.scales)) or np.any(np.asarray(header.scales) == 0):
                raise ScanError(
                    f"{path}: the LAS header has a scale factor of zero or not a number; "
                    "write the file again with valid scales (for example 0.001)"
                )

    def sample(self, points: int) -> Chunk:
        """Blocks spread over the file: a LAZ reader can jump to its chunks."""
        if self.count <= 2 * points:
            blocks = [chunk for chunk, _ in self.chunks()]
            return _joined(blocks)
        size = max(points // SAMPLE_BLOCKS, 1)
        starts = np.linspace(0, self.count - size, SAMPLE_BLOCKS).astype(np.int64)
        found = []
        with _opened(self.path) as reader:
            for start in starts:
                try:
                    reader.seek(int(start))
                    found.append(self._chunk(reader.read_points(size), reader.header))
                except Exception as fault:
                    raise _cut_short(self.path, int(start), self.count, fault) from fault
        return _joined(found)

    def chunks(self) -> Iterator[tuple[Chunk, float]]:
        """All points in file order."""
        done = 0
        with _opened(self.path) as reader:
            while done < self.count:
                try:
                    record = reader.read_points(min(CHUNK_POINTS, self.count - done))
                except Exception as fault:
                    raise _cut_short(self.path, done, self.count, fault) from fault
                if len(record) == 0:
                    raise _cut_short(self.path, done, self.count, None)
                done += len(record)
                yield self._chunk(record, reader.header), done / self.count

    def _chunk(self, record: Any, header: Any) -> Chunk:
        array = record.array
        xyz = scaled(array["X"], array["Y"], array["Z"], header.scales, header.offsets)
        rgb = None
        if self._has_colour and "red" in (array.dtype.names or ()):
            colours = np.column_stack((array["red"], array["green"], array["blue"]))
            if self._wide_colour is None and colours.any():
                self._wide_colour = bool(colours.max() > 255)
            if self._wide_colour is not None:
                rgb = (colours >> 8).astype(np.uint8) if self._wide_colour else rgb_bytes(colours)
            else:
                rgb = np.zeros(colours.shape, dtype=np.uint8)
        return Chunk(xyz, rgb, array["intensity"].astype(np.float32))


def scaled(x: Any, y: Any, z: Any, scales: Floats, offsets: Floats) -> Floats:
    """Coordinates from stored integers (LAS 1.4 R15, section 2.4), shape (n, 3)."""
    xyz = np.empty((len(x), 3), dtype=np.float64)
    with np.errstate(over="ignore", invalid="ignore"):  # counted as not finite later
        for axis, stored in enumerate((x, y, z)):
            np.multiply(stored, float(scales[axis]), out=xyz[:, axis])
            xyz[:, axis] += float(offsets[axis])
    return xyz


def _opened(path: Path) -> Any:
    _check_header(path)
    try:
        return laspy.open(str(path), laz_backend=laspy.LazBackend.LazrsParallel)
    except Exception as fault:
        raise _damaged(path, _short(fault)) from fault


def _check_header(path: Path) -> None:
    """Refuse counts that the file is too small for: the reader would loop over all of them.

    Places of the fields: LAS 1.4 R15, table 3.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(375)
    if len(head) < 227:
        raise _damaged(path, "it ends too early")
    header_size, data_at, records = struct.unpack_from("<HII", head, 94)
    if data_at > size or header_size < 227 or records * 54 > max(0, data_at - header_size):
        raise _damaged(path, f"{records:,} header records do not fit before the points")
    if head[25] >= 4 and len(head) >= 375:
        start, extended = struct.unpack_from("<QI", head, 235)
        if extended * 60 > max(0, size - start):
            raise _damaged(path, f"{extended:,} extended records do not fit in the file")


def _damaged(path: Path, why: str) -> ScanError:
    return ScanError(
        f"{path}: the LAS/LAZ header cannot be read ({why}); "
        "the file is damaged or cut short: copy or export it again"
    )


def _cut_short(path: Path, done: int, count: int, fault: BaseException | None) -> ScanError:
    cause = f" ({_short(fault)})" if fault is not None else ""
    return ScanError(
        f"{path}: the file is cut short or damaged after about {done:,} of {count:,} points"
        f"{cause}; copy or export it again"
    )


def _short(fault: BaseException) -> str:
    return (str(fault).strip().splitlines() or [type(fault).__name__])[0][:120]


def _joined(chunks: list[Chunk]) -> Chunk:
    chunks = [chunk for chunk in chunks if len(chunk)]
    if len(chunks) == 1:
        return chunks[0]
    rgbs = [chunk.rgb for chunk in chunks if chunk.rgb is not None]
    tones = [chunk.intensity for chunk in chunks if chunk.intensity is not None]
    return Chunk(
        np.concatenate([chunk.xyz for chunk in chunks]),
        np.concatenate(rgbs) if len(rgbs) == len(chunks) else None,
        np.concatenate(tones) if len(tones) == len(chunks) else None,
    )


def _facts(header: Any, path: Path) -> FileFacts:
    version = f"{header.version.major}.{header.version.minor}"
    kind = "LAZ" if header.are_points_compressed else "LAS"
    crs, unit, reason = "", None, ""
    geo_keys: Any = None
    double_values: Any = ()
    for record in [*header.vlrs, *(header.evlrs or [])]:
        if record.record_id == 2112 and hasattr(record, "string"):
            crs = str(record.string).strip("\x00 ")
        elif record.record_id == 34735 and hasattr(record, "geo_keys"):
            geo_keys = record.geo_keys
        elif record.record_id == 34736 and hasattr(record, "doubles"):
            double_values = record.doubles
        elif record.record_id == 1 and str(record.user_id).startswith("copc"):
            kind = "COPC"
    if crs:
        unit, reason = unit_from_wkt(crs)
    if unit is None and geo_keys is not None:
        unit, reason, code = unit_from_geokeys(geo_keys, double_values)
        crs = crs or code
    if unit == "degree":
        raise ScanError(
            f"{path}: the coordinates are degrees ({reason}); project them to metres "
            "(for example the UTM zone) before planning"
        )
    return FileFacts(
        format_name=f"{kind} {version}",
        unit=unit,
        unit_reason=reason,
        up="z",
        up_reason="LAS files are z-up",
        crs=crs,
    )
