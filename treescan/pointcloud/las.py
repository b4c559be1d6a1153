"""LAS, LAZ and COPC files, read in chunks.

The stored integers are scaled as the LAS 1.4 R15 specification says (section 2.4, "X scale
factor"): coordinate = integer x scale + offset, in float64 and less the cloud's origin, so that
national-grid coordinates keep their last digit.  Header bounds are never used: many writers leave
them zero.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import laspy
import lazrs
import numpy as np
import numpy.typing as npt

from treescan.errors import ScanError
from treescan.pointcloud.cloud import Floats
from treescan.pointcloud.crs import unit_from_geokeys, unit_from_wkt
from treescan.pointcloud.source import CHUNK_POINTS, Chunk, FileFacts

SAMPLE_BLOCKS = 24
VARIES = 0xFFFFFFFF
"""Chunk size of LAZ files whose chunks vary."""
LARGEST_CHUNK = 10_000_000
"""The decoder makes room for a whole chunk: 50,000 points are usual."""
LAYERED = 6
"""From this point format on each field of a LAZ chunk is compressed by itself."""
LAYERS = {6: 9, 7: 10, 8: 11, 9: 10, 10: 12}
"""Compressed layers of a chunk by point format, before one for each extra byte [from memory: LAZ
1.4: nine of the point, one of its colours, one of its infrared, one of its wave packet]."""
COLOUR_FORMATS = frozenset({2, 3, 5, 7, 8, 10})
WANTED = (
    laspy.DecompressionSelection.XY_RETURNS_CHANNEL
    | laspy.DecompressionSelection.Z
    | laspy.DecompressionSelection.INTENSITY
    | laspy.DecompressionSelection.RGB
)
"""Fields decoded; point formats 6 to 10 are stored in layers, and the other layers are skipped."""


class LasSource:
    """A LAS or LAZ file (COPC is a LAZ file with an index, read as such)."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with _opened(path) as reader:
            header = reader.header
            self.count = int(header.point_count)
            self.facts = _facts(header, path)
            self._wide_colour = False
            self._chunk_size = _chunk_size(header, path)
            self._has_colour = header.point_format.id in COLOUR_FORMATS
            if header.are_points_compressed and header.point_format.id >= LAYERED:
                _check_layers(header, path)
            if self.count == 0:
                raise ScanError(
                    f"{path}: the LAS header says 0 points; export the scan again with its points"
                )
            if not np.all(np.isfinite(header.scales)) or np.any(np.asarray(header.scales) == 0):
                raise ScanError(
                    f"{path}: the LAS header has a scale factor of zero or not a number; "
                    "write the file again with valid scales (for example 0.001)"
                )

    def sample(self, points: int) -> Floats:
        """Points (n, 3) of blocks spread over the file: a LAZ reader can jump to its chunks.

        In file units.
        """
        if self.count <= 2 * points:
            return np.concatenate([chunk.coordinates() for chunk, _ in self.chunks()])
        size = max(points // SAMPLE_BLOCKS, 1)
        starts = np.linspace(0, self.count - size, SAMPLE_BLOCKS).astype(np.int64)
        starts -= starts % self._chunk_size  # to get inside a chunk its head must be decoded too
        found = []
        with _opened(self.path, laspy.LazBackend.Lazrs) as reader:  # the other decodes whole chunks
            for start in starts:
                with _refusing(partial(_cut_short, self.path, int(start), self.count)):
                    reader.seek(int(start))
                    record = reader.read_points(size)
                    found.append(self._chunk(record, reader.header).coordinates())
        return np.concatenate(found)

    def chunks(self) -> Iterator[tuple[Chunk, float]]:
        """All points in file order."""
        done = 0
        with _opened(self.path) as reader:
            while done < self.count:
                with _refusing(partial(_cut_short, self.path, done, self.count)):
                    record = reader.read_points(min(CHUNK_POINTS, self.count - done))
                if len(record) == 0:
                    raise _cut_short(self.path, done, self.count, None)
                done += len(record)
                yield self._chunk(record, reader.header), done / self.count

    def _chunk(self, record: Any, header: Any) -> Chunk:
        array = record.array
        rgb = None
        if self._has_colour and "red" in (array.dtype.names or ()):
            rgb = _side_by_side(array, "red", "<u2")
            self._wide_colour = self._wide_colour or int(rgb.max(initial=0)) > 255
        return Chunk(
            _side_by_side(array, "X", "<i4"),
            rgb,
            array["intensity"],
            scale=tuple(float(v) for v in header.scales),  # type: ignore[arg-type]
            offset=tuple(float(v) for v in header.offsets),  # type: ignore[arg-type]
            rgb_shift=8 if self._wide_colour else 0,
        )


def _chunk_size(header: Any, path: Path) -> int:
    """Points a chunk of a LAZ file holds; 1 for LAS and for chunks of varying size."""
    for record in header.vlrs:
        if record.record_id == 22204 and hasattr(record, "record_data"):
            size = int.from_bytes(record.record_data[12:16], "little")
            if size == VARIES:
                return 1
            if size > max(LARGEST_CHUNK, int(header.point_count)):
                raise _damaged(path, f"chunks of {size:,} points")
            return size if 0 < size < 1_000_000 else 1
    return 1


def _side_by_side(array: npt.NDArray[Any], first: str, kind: str) -> npt.NDArray[Any]:
    """Three columns that lie beside each other in every record, shape (n, 3), not copied."""
    if len(array) == 0:
        return np.empty((0, 3), dtype=kind)
    width = np.dtype(kind).itemsize
    dtypes: Any = array.dtype.fields
    return np.ndarray(
        (len(array), 3),
        dtype=kind,
        buffer=array.data,
        offset=int(dtypes[first][1]),
        strides=(array.strides[0], width),
    )


def _opened(path: Path, backend: Any = laspy.LazBackend.LazrsParallel) -> Any:
    _check_header(path)
    with _refusing(lambda fault: _damaged(path, _short(fault))):
        return laspy.open(str(path), laz_backend=backend, decompression_selection=WANTED)


@contextmanager
def _refusing(refusal: Callable[[BaseException], ScanError]) -> Iterator[None]:
    """Turn whatever the decoder raises into a refusal; a panic inside it is no Exception."""
    try:
        yield
    except (KeyboardInterrupt, SystemExit, GeneratorExit):
        raise
    except BaseException as fault:
        raise refusal(fault) from fault


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
    if head[104] & 0x80:
        _check_chunk_table(path, size, data_at)


def _check_chunk_table(path: Path, size: int, data_at: int) -> None:
    """Refuse a table of more LAZ chunks than fit: the decoder makes room for all of them.

    Every chunk begins with a whole point of at least 20 bytes (M. Isenburg 2013, LASzip: lossless
    compression of lidar data, Photogramm. Eng. Remote Sens. 79:209-217).
    """
    with path.open("rb") as file:
        file.seek(data_at)
        table_at = int.from_bytes(file.read(8), "little", signed=True)
        if table_at == -1:  # written without going back: the place is at the end
            file.seek(max(size - 8, 0))
            table_at = int.from_bytes(file.read(8), "little", signed=True)
        if not data_at + 8 <= table_at <= size - 8:
            return  # the decoder goes without it, or refuses it itself
        file.seek(table_at + 4)
        chunks = int.from_bytes(file.read(4), "little")
    if chunks * 20 > table_at - data_at:
        raise _damaged(path, f"{chunks:,} compressed chunks do not fit in the file")


def _check_layers(header: Any, path: Path) -> None:
    """Refuse chunks whose layers are longer than the chunk: the decoder makes room for them.

    A chunk is a whole point, the number of its points and the length of each layer, all of four
    bytes, then the layers; the chunk table says how long it is.
    """
    layout = header.point_format
    layers = LAYERS[layout.id] + layout.num_extra_bytes
    packed = (r for r in header.vlrs if r.record_id == 22204 and hasattr(r, "record_data"))
    record = next(packed, None)
    if record is None:
        raise _damaged(path, "the record of its compression is missing")
    with path.open("rb") as file:
        file.seek(header.offset_to_point_data)
        try:
            table = lazrs.read_chunk_table(file, lazrs.LazVlr(record.record_data))
        except (lazrs.LazrsError, OSError):  # cut short
            table = []
        at = int(header.offset_to_point_data) + 8
        for _, length in table or [(0, path.stat().st_size)]:
            file.seek(at + layout.size + 4)
            head = file.read(4 * layers)
            if len(head) == 4 * layers and sum(struct.unpack(f"<{layers}I", head)) > length:
                if not table:
                    raise _cut_short(path, 0, int(header.point_count), None)
                raise _damaged(path, f"layers longer than the {length:,} bytes of their chunk")
            at += int(length)


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
