"""E57 files with one or several posed scans (ASTM E2807-11: metres, right-handed, z up)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from treescan.errors import ScanError
from treescan.pointcloud.cloud import Floats
from treescan.pointcloud.source import CHUNK_POINTS, Chunk, FileFacts, rgb_bytes

CARTESIAN = ("cartesianX", "cartesianY", "cartesianZ")
SPHERICAL = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")
COLOURS = ("colorRed", "colorGreen", "colorBlue")


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
        """Every k-th point of each scan, shape (n, 3), in file units."""
        step = max(1, self.count // max(points, 1))
        return np.concatenate([chunk.stored[::step] for chunk, _ in self.chunks()])

    def chunks(self) -> Iterator[tuple[Chunk, float]]:
        """Scan by scan, so many points at a time.

        Raises
        ------
        ScanError
            If a scan cannot be decoded: names it.
        """
        done = 0
        for number in range(self._file.scan_count):
            blocks = self._blocks(number)
            while True:
                try:
                    chunk, read = next(blocks)
                except StopIteration:
                    break
                except Exception as fault:
                    text = (str(fault).strip().splitlines() or [type(fault).__name__])[0][:120]
                    raise ScanError(
                        f"{self.path}: scan {number + 1} of the E57 file cannot be read ({text}); "
                        "copy or export it again"
                    ) from fault
                done += read
                yield chunk, min(done / max(self.count, 1), 1.0)

    def _blocks(self, number: int) -> Iterator[tuple[Chunk, int]]:
        """Blocks of one scan as points in the file's frame, and how many records they were."""
        header = self._file.get_header(number)
        there = set(header.point_fields)
        axes = CARTESIAN if CARTESIAN[0] in there else SPHERICAL
        invalid = "cartesianInvalidState" if axes is CARTESIAN else "sphericalInvalidState"
        wanted = [*axes, *(name for name in (invalid, "intensity", *COLOURS) if name in there)]
        data, buffers = self._file.make_buffers(wanted, CHUNK_POINTS)
        reader = header.points.reader(buffers)
        full = _full_colour(header)
        while (count := int(reader.read())) > 0:
            block = {name: np.asarray(values[:count]) for name, values in data.items()}
            if invalid in block:  # 0 is a whole point, 1 a direction alone, 2 nothing
                good = block[invalid] == 0
                block = {name: values[good] for name, values in block.items()}
            xyz = np.column_stack([np.asarray(block[name], dtype=np.float64) for name in axes])
            xyz = xyz if axes is CARTESIAN else from_sphere(xyz)
            if header.has_pose():
                xyz = self._file.to_global(xyz, header.rotation, header.translation)
            rgb = None
            if COLOURS[0] in block:
                rgb = rgb_bytes(np.column_stack([block[name] for name in COLOURS]), full)
            tone = block.get("intensity")
            yield Chunk(xyz, rgb, None if tone is None else tone.astype(np.float32)), count


def from_sphere(range_azimuth_elevation: Floats) -> Floats:
    """Cartesian coordinates of range, azimuth from x toward y, elevation (E2807-11, 5.6).

    ``range_azimuth_elevation`` (n, 3) in file units and radians; the result is (n, 3).

    >>> from_sphere(np.array([[2.0, np.pi / 2, 0.0]])).round(6).tolist()
    [[0.0, 2.0, 0.0]]
    """
    away, azimuth, elevation = range_azimuth_elevation.T
    level = away * np.cos(elevation)
    points: Floats = np.column_stack(
        (level * np.cos(azimuth), level * np.sin(azimuth), away * np.sin(elevation))
    )
    return points


def _full_colour(header: Any) -> float:
    """Value of full red as the scan states it, else 255."""
    try:
        stated = float(header.node["colorLimits"]["colorRedMaximum"].value())
    except Exception:  # noqa: BLE001 - an absent or odd node, however the library says so
        return 255.0
    return stated if 0.0 < stated < 1e6 else 255.0


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
