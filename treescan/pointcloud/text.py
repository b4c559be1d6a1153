"""Points as text: XYZ, CSV, TXT, PTS and PTX-like tables, any usual separator and header."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from treescan.errors import ScanError
from treescan.pointcloud.cloud import Floats
from treescan.pointcloud.source import Chunk, FileFacts, rgb_bytes

BLOCK_BYTES = 32_000_000
MAX_COLUMNS = 64
_SPLIT = re.compile(r"[\s,;|]+")
_X_NAMES = ("x", "easting", "east", "e", "pos_x", "px", "coordx", "x_m", "lon")
_Y_NAMES = ("y", "northing", "north", "n", "pos_y", "py", "coordy", "y_m", "lat")
_Z_NAMES = ("z", "height", "elevation", "elev", "h", "pos_z", "pz", "coordz", "z_m", "alt")


@dataclass(frozen=True)
class Layout:
    """Which column is what (-1 = absent) and how rows are written."""

    columns: int
    x: int
    y: int
    z: int
    red: int = -1
    intensity: int = -1
    decimal_comma: bool = False
    skip_lines: int = 0


class TextSource:
    """A table of points, read in blocks of bytes."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with path.open("rb") as file:
            head = file.read(1_000_000)
        self.size = path.stat().st_size
        self.layout = find_layout(head.decode("utf-8", errors="replace"), path)
        self.bad_rows = 0
        rows = max(head.count(b"\n"), 1)
        self.count = int(rows * self.size / max(len(head), 1))
        self.facts = FileFacts(format_name="text table")

    def sample(self, points: int) -> Floats:
        """Rows of blocks spread over the file, shape (n, 3), in file units.

        Raises
        ------
        ScanError
            If there are no rows of numbers.
        """
        blocks = 16
        width = max(self.size // max(self.count, 1), 8) * max(points // blocks, 1)
        if width * blocks * 2 >= self.size:
            rows = [chunk.stored for chunk, _ in self.chunks()]
            if not rows:
                raise ScanError(f"{self.path}: no rows of numbers were found; check the file")
            everything = np.concatenate(rows)
            return everything[:: max(1, len(everything) // points)]
        found = []
        with self.path.open("rb") as file:
            for start in np.linspace(0, self.size - width, blocks).astype(np.int64):
                file.seek(int(start))
                text = file.read(width)
                first, last = text.find(b"\n"), text.rfind(b"\n")
                if 0 <= first < last:
                    found.append(self._parsed(text[first + 1 : last])[0])
        if not found:
            raise ScanError(f"{self.path}: no rows of numbers were found; check the file")
        return np.concatenate(found)

    def chunks(self) -> Iterator[tuple[Chunk, float]]:
        """All rows; those that are no points are left out, and a note of the facts counts them.

        Raises
        ------
        ScanError
            If a line is longer than 100 MB.
        """
        self.bad_rows = 0
        rest = b""
        done = 0
        skip = self.layout.skip_lines
        with self.path.open("rb") as file:
            while True:
                block = file.read(BLOCK_BYTES)
                done += len(block)
                text = rest + block
                if block:
                    cut = text.rfind(b"\n") + 1
                    if cut == 0 and len(text) > 4 * BLOCK_BYTES:
                        raise ScanError(f"{self.path}: a line is longer than 100 MB; no scan text")
                    rest, text = text[cut:], text[:cut]
                if skip:
                    text, skip = _without_lines(text, skip)
                if text.strip():
                    yield self._chunk(text), min(done / max(self.size, 1), 1.0)
                if not block:
                    break
        if self.bad_rows:
            said = f"{self.bad_rows:,} rows that are no points were left out of {self.path.name}"
            self.facts = replace(self.facts, notes=(said,))

    def _chunk(self, text: bytes) -> Chunk:
        layout = self.layout
        xyz, table = self._parsed(text)
        rgb = None
        if layout.red >= 0 and len(table):
            rgb = rgb_bytes(table[:, layout.red : layout.red + 3])
        tone = table[:, layout.intensity].astype(np.float32) if layout.intensity >= 0 else None
        return Chunk(xyz, rgb, tone)

    def _parsed(self, text: bytes) -> tuple[Floats, Floats]:
        table, bad = parse_rows(text, self.layout)
        self.bad_rows += bad
        layout = self.layout
        return np.ascontiguousarray(table[:, [layout.x, layout.y, layout.z]]), table


def parse_rows(text: bytes, layout: Layout) -> tuple[Floats, int]:
    """Numbers of a block of lines, (n, columns) in any units, and the number of bad rows.

    The fast way parses the whole block at once; when the count does not fit the rows, each line
    is looked at.
    """
    if layout.decimal_comma:
        text = text.replace(b",", b".")
        plain = text.translate(bytes.maketrans(b";|\t\r", b"    "))
    else:
        plain = text.translate(bytes.maketrans(b",;|\t\r", b"     "))
    lines = plain.count(b"\n") + (0 if plain.endswith(b"\n") else 1)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", DeprecationWarning)
            flat = np.fromstring(plain, dtype=np.float64, sep=" ")
        if flat.size == lines * layout.columns:
            return flat.reshape(lines, layout.columns), 0
    except (DeprecationWarning, ValueError):
        pass
    return _line_by_line(plain, layout.columns)


def _line_by_line(plain: bytes, columns: int) -> tuple[Floats, int]:
    rows: list[list[float]] = []
    bad = 0
    for line in plain.splitlines():
        fields = line.split()
        if not fields or fields[0].startswith((b"#", b"//")):
            continue
        try:
            values = [float(part) for part in fields[:columns]]
        except ValueError:
            bad += 1
            continue
        if len(values) < columns:
            bad += len(values) > 1
            continue
        rows.append(values)
    return np.asarray(rows, dtype=np.float64).reshape(len(rows), columns), bad


def find_layout(head: str, path: Path) -> Layout:
    """Columns and separators from the first lines.

    Raises
    ------
    ScanError
        When no three columns of numbers are there.
    """
    lines = head.splitlines()
    if len(head) > 100_000:
        lines = lines[:-1]
    decimal_comma = _decimal_comma(lines)
    names: list[str] = []
    skip = 0
    for number, line in enumerate(lines):
        fields = _fields(line, decimal_comma)
        if _all_numbers(fields) and len(fields) >= 3:
            rows = [
                row
                for row in (_fields(later, decimal_comma) for later in lines[number : number + 400])
                if len(row) >= 3 and _all_numbers(row)
            ]
            columns = int(np.median([len(row) for row in rows]))
            if columns > MAX_COLUMNS:
                break
            table = np.asarray([row[:columns] for row in rows if len(row) >= columns], dtype=float)
            return _named(names, table, decimal_comma, skip)
        words = [word.strip('"').lower() for word in fields]
        if len(words) >= 3:
            names = [word.lstrip("#/") for word in words if word.lstrip("#/")]
        skip = number + 1
    raise ScanError(
        f"{path}: no rows of three numbers (x y z) were found in the text; "
        "export the scan as XYZ, CSV or PTS with one point a line"
    )


def _named(names: list[str], table: Floats, decimal_comma: bool, skip: int) -> Layout:
    columns = table.shape[1]
    if len(names) == columns:
        x, y, z = (_first(names, wanted) for wanted in (_X_NAMES, _Y_NAMES, _Z_NAMES))
        if min(x, y, z) >= 0:
            red = _first(names, ("r", "red", "r8", "diffuse_red"))
            tone = _first(names, ("i", "intensity", "reflectance", "scalar_intensity"))
            if red >= 0 and red + 2 >= columns:
                red = -1
            return Layout(columns, x, y, z, red, tone, decimal_comma, skip)
    red, tone = _colour_by_values(table)
    return Layout(columns, 0, 1, 2, red, tone, decimal_comma, skip)


def _colour_by_values(table: Floats) -> tuple[int, int]:
    columns = table.shape[1]
    whole = [
        bool(np.all(table[:, c] == np.rint(table[:, c])) and table[:, c].min() >= 0)
        and table[:, c].max() <= 65535
        for c in range(columns)
    ]
    if columns >= 7 and all(whole[4:7]):
        return 4, 3
    if columns >= 6 and all(whole[3:6]):
        return 3, (6 if columns >= 7 else -1)
    return -1, (3 if columns in (4, 5) else -1)


def _first(names: list[str], wanted: tuple[str, ...]) -> int:
    for name in wanted:
        if name in names:
            return names.index(name)
    return -1


def _decimal_comma(lines: list[str]) -> bool:
    """Whether a comma is the decimal sign: "1,5;2,5;3,5" or "1,5 2,5 3,5" throughout."""
    tested = [line for line in lines[:200] if re.match(r"^\s*[-+]?\d", line)]
    if not tested or any("." in line for line in tested):
        return False
    pattern = re.compile(r"^\s*[-+]?\d+,\d+(?:[;\s|]+[-+]?\d+(?:,\d+)?){2,}\s*;?\s*$")
    return sum(bool(pattern.match(line)) for line in tested) > 0.5 * len(tested)


def _fields(line: str, decimal_comma: bool) -> list[str]:
    if decimal_comma:
        return [part for part in re.split(r"[\s;|]+", line.replace(",", ".").strip()) if part]
    return [part for part in _SPLIT.split(line.strip()) if part]


def _all_numbers(fields: list[str]) -> bool:
    try:
        for part in fields:
            float(part)
    except ValueError:
        return False
    return bool(fields)


def _without_lines(text: bytes, skip: int) -> tuple[bytes, int]:
    for _ in range(skip):
        cut = text.find(b"\n")
        if cut < 0:
            return b"", skip
        text = text[cut + 1 :]
        skip -= 1
    return text, 0
