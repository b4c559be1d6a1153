"""PLY and PCD files: ascii, binary of both byte orders, and PCD's LZF-compressed form.

Sources: G. Turk, The PLY Polygon File Format (1994); the PCD file format v0.7 text of the Point
Cloud Library's documentation; LZF as in liblzf.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.errors import ScanError
from treescan.pointcloud.source import Chunk, FileFacts, TableSource, full_colour, rgb_bytes

PLY_TYPE = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2",
    "ushort": "u2", "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
    "int64": "i8", "uint64": "u8", "long": "i8", "ulong": "u8",
}  # fmt: skip
_XYZ = (
    ("x", "y", "z"),
    ("px", "py", "pz"),
    ("posx", "posy", "posz"),
    ("pos_x", "pos_y", "pos_z"),
    ("position_x", "position_y", "position_z"),
    ("scalar_x", "scalar_y", "scalar_z"),
    ("easting", "northing", "height"),
    ("east", "north", "up"),
)
_RGB = (
    ("red", "green", "blue"),
    ("r", "g", "b"),
    ("diffuse_red", "diffuse_green", "diffuse_blue"),
)
_TONE = ("intensity", "scalar_intensity", "reflectance", "i", "scalar_reflectance")


@dataclass
class PlyElement:
    """One element of a PLY header: fixed properties as a dtype, lists by name."""

    name: str
    count: int
    fields: list[tuple[str, str]] = field(default_factory=list)
    lists: list[tuple[str, str, str]] = field(default_factory=list)


@dataclass(frozen=True)
class PlyHeader:
    """Format, elements and where the data begin."""

    order: str
    elements: tuple[PlyElement, ...]
    data_at: int
    comments: tuple[str, ...]

    def element(self, name: str) -> PlyElement | None:
        """The element of this name, if any."""
        return next((part for part in self.elements if part.name == name), None)


def ply_header(path: Path) -> PlyHeader:
    """Read the header.

    Raises
    ------
    ScanError
        When it does not end, or names unknown types or formats.
    """
    with path.open("rb") as file:
        head = file.read(200_000)
    end = head.find(b"end_header")
    line_end = head.find(b"\n", end)
    if end < 0:
        raise ScanError(f"{path}: the PLY header has no end_header line; the file is damaged")
    data_at = line_end + 1 if line_end >= 0 else len(head)
    order, elements, comments = "", [], []
    for line in head[:end].decode("ascii", errors="replace").splitlines():
        words = line.split()
        if not words:
            continue
        if words[0] == "format" and len(words) >= 2:
            order = {"ascii": "a", "binary_little_endian": "<", "binary_big_endian": ">"}.get(
                words[1], ""
            )
        elif words[0] == "comment":
            comments.append(line[8:])
        elif words[0] == "element":
            elements.append(PlyElement(words[1] if len(words) > 1 else "", _count(words, path)))
        elif words[0] == "property":
            _add_property(elements, words, path)
    if not order:
        raise ScanError(f"{path}: the PLY header names no known format (ascii or binary)")
    return PlyHeader(order, tuple(elements), data_at, tuple(comments))


def _count(words: list[str], path: Path) -> int:
    if len(words) >= 3 and words[2].isdigit():
        return int(words[2])
    raise ScanError(f"{path}: the PLY header line '{' '.join(words)[:60]}' has no valid count")


def _add_property(elements: list[PlyElement], words: list[str], path: Path) -> None:
    types = words[2:4] if len(words) == 5 and words[1] == "list" else words[1:2]
    if len(words) not in (3, 5) or not elements or any(t not in PLY_TYPE for t in types):
        raise ScanError(f"{path}: PLY header line '{' '.join(words)[:60]}' is not understood")
    if len(types) == 2:
        elements[-1].lists.append((words[4], PLY_TYPE[types[0]], PLY_TYPE[types[1]]))
        return
    name = words[2]
    taken = {known for known, _ in elements[-1].fields}
    while name in taken:
        name += "_"
    elements[-1].fields.append((name, PLY_TYPE[types[0]]))


def ply_is_mesh(path: Path) -> bool:
    """Whether the PLY has faces."""
    faces = ply_header(path).element("face")
    return faces is not None and faces.count > 0


def refuse_short_ply(path: Path) -> None:
    """Refuse an ascii PLY with fewer lines than it promises rows; binary ones are checked as read.

    Raises
    ------
    ScanError
        With both numbers.
    """
    header = ply_header(path)
    if header.order != "a":
        return
    rows, last = 0, b""
    with path.open("rb") as file:
        file.seek(header.data_at)
        while block := file.read(1 << 22):
            rows, last = rows + block.count(b"\n"), block
    rows += bool(last) and not last.endswith(b"\n")
    promised = sum(part.count for part in header.elements)
    if rows < promised:
        raise ScanError(
            f"{path}: the PLY promises {promised:,} rows but holds {rows:,}; it is cut short: "
            "copy or export it again"
        )


def read_ply_points(path: Path) -> TableSource:
    """Vertices of a PLY as points.

    Raises
    ------
    ScanError
        If there are none, they stand behind lists, or the file is cut short.
    """
    header = ply_header(path)
    if not header.elements:
        raise ScanError(f"{path}: the PLY has no elements; export the scan again")
    vertex = header.element("vertex") or header.elements[0]
    if header.elements.index(vertex) != 0 or vertex.lists:
        raise ScanError(
            f"{path}: the PLY keeps its points behind lists; write it again with vertices first"
        )
    if vertex.count == 0:
        raise ScanError(f"{path}: the PLY has 0 points; export the scan again")
    table = _ply_table(path, header, vertex)
    words = {"a": "ascii", "<": "binary", ">": "binary big-endian"}[header.order]
    return _table_source(path, f"PLY {words}", table)


def _ply_table(path: Path, header: PlyHeader, vertex: PlyElement) -> npt.NDArray[Any]:
    if header.order == "a":
        return _ascii_table(path, header.data_at, vertex.fields, vertex.count, "PLY")
    kind = np.dtype([(name, header.order + code) for name, code in vertex.fields])
    available = (path.stat().st_size - header.data_at) // max(kind.itemsize, 1)
    if available < vertex.count:
        raise ScanError(
            f"{path}: the PLY promises {vertex.count:,} points but holds {available:,}; "
            "it is cut short: copy or export it again"
        )
    return np.memmap(path, dtype=kind, mode="r", offset=header.data_at, shape=(vertex.count,))


def _ascii_table(
    path: Path, data_at: int, fields: list[tuple[str, str]], count: int, kind: str
) -> npt.NDArray[Any]:
    with path.open("rb") as file:
        file.seek(data_at)
        text = file.read()
    if count * 2 > len(text) + 2:
        raise _short_text(path, kind, count, len(text) // 2)
    try:
        flat = np.loadtxt(
            text.decode("ascii", errors="replace").splitlines()[:count],
            dtype=np.float64,
            usecols=range(len(fields)),
            ndmin=2,
            comments=None,
        )
    except ValueError as fault:
        raise ScanError(
            f"{path}: a row of the {kind} is not {len(fields)} numbers ({str(fault)[:80]}); "
            "export it again"
        ) from fault
    if len(flat) < count:
        raise _short_text(path, kind, count, len(flat))
    table = np.empty(count, dtype=[(name, "f8") for name, _ in fields])
    for column, (name, _) in enumerate(fields):
        table[name] = flat[:, column]
    return table


def _short_text(path: Path, kind: str, promised: int, found: int) -> ScanError:
    return ScanError(
        f"{path}: the {kind} promises {promised:,} points but holds about {found:,}; "
        "it is cut short: copy or export it again"
    )


@dataclass(frozen=True)
class _Columns:
    """Which column of a table is what, and the value of full colour."""

    xyz: tuple[str, str, str]
    rgb: tuple[str, ...] = ()
    intensity: str = ""
    full: float = 255.0

    def chunk(self, table: npt.NDArray[Any]) -> Chunk:
        """Rows of the table as points."""
        with np.errstate(over="ignore", invalid="ignore"):  # counted as not finite later
            xyz = np.column_stack([np.asarray(table[name], dtype=np.float64) for name in self.xyz])
            rgb = None
            if len(self.rgb) == 3:
                rgb = rgb_bytes(np.column_stack([table[name] for name in self.rgb]), self.full)
            elif self.rgb:
                rgb = _packed_colour(np.asarray(table[self.rgb[0]]))
            tone = np.asarray(table[self.intensity], np.float32) if self.intensity else None
            return Chunk(xyz, rgb, tone)


def _columns_of(table: npt.NDArray[Any], path: Path) -> _Columns:
    lower = {name.lower(): name for name in table.dtype.names or ()}
    axes = next((names for names in _XYZ if all(n in lower for n in names)), None)
    if axes is None:
        raise ScanError(
            f"{path}: no coordinates among the columns {sorted(lower)[:12]}; x, y and z are needed"
        )
    names = next((names for names in _RGB if all(n in lower for n in names)), ())
    rgb = tuple(lower[n] for n in names) or tuple(lower[n] for n in ("rgb", "rgba") if n in lower)
    some = table[:: max(1, len(table) // 100_000)]
    full = full_colour(np.column_stack([some[n] for n in rgb])) if len(rgb) == 3 else 255.0
    tone = next((lower[n] for n in _TONE if n in lower), "")
    x, y, z = (lower[n] for n in axes)
    return _Columns((x, y, z), rgb if len(rgb) == 3 else rgb[:1], tone, full)


def _table_source(path: Path, format_name: str, table: npt.NDArray[Any]) -> TableSource:
    columns = _columns_of(table, path)
    return TableSource(path, FileFacts(format_name=format_name), table, columns.chunk)


def _packed_colour(values: npt.NDArray[Any]) -> npt.NDArray[np.uint8] | None:
    if values.dtype.kind == "f":
        small = values.astype(np.float32)
        words = small.view(np.uint32)
        if np.all(np.abs(values) >= 1.0) and np.all(values == np.rint(values)):
            words = np.abs(values).astype(np.uint32)
    else:
        words = values.astype(np.uint32)
    return np.column_stack(((words >> 16) & 255, (words >> 8) & 255, words & 255)).astype(np.uint8)


def read_pcd(path: Path) -> TableSource:
    """Points of a PCD file.

    Raises
    ------
    ScanError
        When the header is not understood or the data are cut short.
    """
    header, data_at = _pcd_header(path)
    names, kinds, counts, points = _pcd_columns(header, path)
    storage = (header.get("DATA") or [""])[0].lower()
    fields: list[Any] = []
    for number, (name, kind, count) in enumerate(zip(names, kinds, counts, strict=True)):
        unique = name if name != "_" and name not in names[:number] else f"{name}_{number}"
        fields += [(unique if k == 0 else f"{unique}_{k}", kind) for k in range(count)]
    if storage == "ascii":
        table = _ascii_table(path, data_at, fields, points, "PCD")
    else:
        record = np.dtype(fields)
        raw = _pcd_bytes(path, data_at, storage, points * record.itemsize)
        table = (
            _by_columns(raw, kinds, counts, fields, points)
            if storage == "binary_compressed"
            else raw[: points * record.itemsize].view(record)
        )
    return _table_source(path, f"PCD {storage}", table)


def _pcd_header(path: Path) -> tuple[dict[str, list[str]], int]:
    header: dict[str, list[str]] = {}
    with path.open("rb") as file:
        for _ in range(200):
            line = file.readline(4096)
            if not line:
                break
            words = line.decode("ascii", errors="replace").split()
            if not words or words[0].startswith("#"):
                continue
            header[words[0].upper()] = words[1:]
            if words[0].upper() == "DATA":
                return header, file.tell()
    raise ScanError(f"{path}: the PCD header has no DATA line; the file is damaged")


def _pcd_columns(
    header: dict[str, list[str]], path: Path
) -> tuple[list[str], list[str], list[int], int]:
    names = [name.lower() for name in header.get("FIELDS", [])]
    try:
        sizes = [int(size) for size in header["SIZE"]]
        counts = [int(count) for count in header.get("COUNT", ["1"] * len(names))]
        kinds = [f"<{kind.lower()}{size}" for kind, size in zip(header["TYPE"], sizes, strict=True)]
        points = int((header.get("POINTS") or [""])[0] or 0) or (
            int(header["WIDTH"][0]) * int(header["HEIGHT"][0])
        )
        for kind in kinds:
            np.dtype(kind)
        if not (len(names) == len(kinds) == len(counts)) or min(counts, default=0) < 0:
            raise ValueError("FIELDS, SIZE, TYPE and COUNT differ in length")
        if sum(counts) > 4096 or points < 0:
            raise ValueError("implausible COUNT or POINTS")
    except (KeyError, ValueError, TypeError, IndexError, SyntaxError) as fault:
        raise ScanError(f"{path}: the PCD header is not understood ({fault})") from fault
    if points == 0:
        raise ScanError(f"{path}: the PCD has 0 points; export the scan again")
    return names, kinds, counts, points


def _pcd_bytes(path: Path, data_at: int, storage: str, expected: int) -> npt.NDArray[np.uint8]:
    """The points' bytes: of the file as it lies on the disk, or undone in memory."""
    empty = np.empty(0, dtype=np.uint8)
    there = path.stat().st_size > data_at
    data = np.memmap(path, dtype=np.uint8, mode="r", offset=data_at) if there else empty
    if storage == "binary":
        if len(data) < expected:
            raise ScanError(
                f"{path}: the PCD promises {expected:,} bytes of points but holds {len(data):,}; "
                "it is cut short: copy or export it again"
            )
        return data
    if storage != "binary_compressed":
        raise ScanError(f"{path}: PCD data kind '{storage[:20]}' is not known")
    if len(data) < 8:
        raise ScanError(f"{path}: the PCD is cut short: copy or export it again")
    packed, plain = struct.unpack("<II", data[:8].tobytes())
    if plain != expected or len(data) < 8 + packed:
        raise ScanError(
            f"{path}: the PCD's compressed block does not fit its header "
            f"({plain:,} bytes for {expected:,}); copy or export it again"
        )
    out = np.empty(plain, dtype=np.uint8)
    written = _lzf(np.asarray(data[8 : 8 + packed]), out)
    if written != plain:
        raise ScanError(f"{path}: the PCD's compressed block is damaged; copy or export it again")
    return out


def _by_columns(
    raw: npt.NDArray[np.uint8],
    kinds: list[str],
    counts: list[int],
    fields: list[Any],
    points: int,
) -> npt.NDArray[Any]:
    table = np.empty(points, dtype=np.dtype(fields))
    offset = column = 0
    for kind, count in zip(kinds, counts, strict=True):
        size = np.dtype(kind).itemsize
        block = raw[offset : offset + points * count * size].view(kind)
        for k in range(count):
            table[fields[column + k][0]] = block.reshape(points, count)[:, k]
        offset += points * count * size
        column += count
    return table


@njit(cache=True)
def _lzf(packed: Any, out: Any) -> int:
    """Undo LZF; the number of bytes written, or -1 for a damaged block."""
    read = 0
    write = 0
    while read < packed.size:
        control = int(packed[read])
        read += 1
        if control < 32:
            length = control + 1
            if read + length > packed.size or write + length > out.size:
                return -1
            for k in range(length):
                out[write + k] = packed[read + k]
            read += length
            write += length
            continue
        length = control >> 5
        if length == 7:
            if read >= packed.size:
                return -1
            length += int(packed[read])
            read += 1
        if read >= packed.size:
            return -1
        back = write - ((control & 31) << 8) - int(packed[read]) - 1
        read += 1
        length += 2
        if back < 0 or write + length > out.size:
            return -1
        for k in range(length):
            out[write + k] = out[back + k]
        write += length
    return write
