"""E57 files with one or several posed scans (ASTM E2807-11: metres, right-handed, z up)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from treescan.errors import ScanError
from treescan.pointcloud.cloud import Floats
from treescan.pointcloud.source import CHUNK_POINTS, Chunk, FileFacts, rgb_bytes


class E57Source:
    """All scans of an E57 file, each moved by its pose."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file = _opened(path)
        self.count = sum(
            int(self._file.get_header(k).point_count) for k in range(self._file.scan_count)
        )
        scans = self._file.scan_count
        if scans == 0 or self.count == 0:
            raise ScanError(f"{path}: the E57 file holds no points; export the scan again")
        self.facts = FileFacts(
            format_name="E57",
            unit="m",
            unit_reason="E57 lengths are metres (ASTM E2807)",
            up="z",
            up_reason="E57 files are z-up",
            notes=(f"{scans} scans were joined by the poses in the file",) if scans > 1 else (),
        )

    def sample(self, points: int) -> Floats:
        """Every k-th point of each scan."""
        step = max(1, self.count // points)
        return np.concatenate([chunk.stored[::step] for chunk, _ in self.chunks()])

    def chunks(self) -> Iterator[tuple[Chunk, float]]:
        """Scan by scan, cut into pieces."""
        done = 0
        for number in range(self._file.scan_count):
            chunk = self._scan(number)
            for start in range(0, len(chunk), CHUNK_POINTS):
                part = chunk.rows(slice(start, start + CHUNK_POINTS))
                done += len(part)
                yield part, min(done / max(self.count, 1), 1.0)

    def _scan(self, number: int) -> Chunk:
        try:
            header = self._file.get_header(number)
            names = set(header.point_fields)
            data = self._file.read_scan(
                number,
                ignore_missing_fields=True,
                colors="colorRed" in names,
                intensity="intensity" in names,
            )
        except Exception as fault:
            text = (str(fault).strip().splitlines() or [type(fault).__name__])[0][:120]
            raise ScanError(
                f"{self.path}: scan {number + 1} of the E57 file cannot be read ({text}); "
                "copy or export it again"
            ) from fault
        xyz = np.column_stack(
            [np.asarray(data[f"cartesian{axis}"], dtype=np.float64) for axis in "XYZ"]
        )
        rgb = None
        if "colorRed" in data:
            rgb = rgb_bytes(np.column_stack([data[f"color{c}"] for c in ("Red", "Green", "Blue")]))
        tone = np.asarray(data["intensity"], dtype=np.float32) if "intensity" in data else None
        return Chunk(xyz, rgb, tone)


def _opened(path: Path) -> Any:
    try:
        import pye57
    except ImportError as fault:
        raise ScanError(
            f"{path}: reading E57 needs the extra 'e57': pip install 'treescan[e57]'"
        ) from fault
    try:
        return pye57.E57(str(path))
    except Exception as fault:
        text = (str(fault).strip().splitlines() or [type(fault).__name__])[0][:120]
        raise ScanError(
            f"{path}: the E57 file cannot be opened ({text}); copy or export it again"
        ) from fault
