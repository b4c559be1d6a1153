"""Any scan a crew brings, as one cloud in local metres with z up."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numba import njit
from scipy.spatial import cKDTree

from treescan.errors import ScanError
from treescan.pointcloud.cloud import Float32s, Floats, PointCloud
from treescan.pointcloud.las import LasSource
from treescan.pointcloud.meshes import read_mesh
from treescan.pointcloud.ply_pcd import ply_is_mesh, read_pcd, read_ply_points
from treescan.pointcloud.scale import UNIT_M, Frame, decide_frame, middle, vertical_extent
from treescan.pointcloud.sniffing import file_kind
from treescan.pointcloud.source import Source, read_ahead
from treescan.pointcloud.text import TextSource
from treescan.pointcloud.thinning import Thinned, VoxelThinner

MIN_POINTS = 1000
"""Fewer points than this carry no tree."""

SAMPLE_POINTS = 200_000
LARGE = 300_000


def read_scan(
    paths: Sequence[Path],
    *,
    scan_units: str | None = None,
    up: str | None = None,
    voxel_m: float = 0.01,
    max_voxels: int = 12_000_000,
    progress: Callable[[float], None] | None = None,
) -> PointCloud:
    """Read one or several files as one scan, thinned to one point per voxel.

    Parameters
    ----------
    paths : sequence of Path
        Files of one scan in one coordinate system.
    scan_units, up : str, optional
        Overrule the unit ("m", "ft", "us-ft", "mm", "cm", "in") and the up axis ("z", "y").
    voxel_m : float
        Side of the thinning voxels; grows when more than ``max_voxels`` are filled. [m]
    progress : callable, optional
        Told the share done, 0..1.

    Raises
    ------
    ScanError
        One line: which file, what is wrong, how to mend it.
    """
    if not paths:
        raise ScanError("no scan file was given; name at least one")
    with np.errstate(over="ignore", invalid="ignore"):  # dropped and counted by the thinner
        sources = [_source(Path(path)) for path in paths]
        expected = sum(min(s.count, s.path.stat().st_size) for s in sources)  # a byte a point
        make = partial(VoxelThinner, voxel_m, max_voxels=max_voxels, expected=expected)
        return _read(sources, scan_units, up, make, progress)


def _read(
    sources: list[Source],
    scan_units: str | None,
    up: str | None,
    make: Callable[[], VoxelThinner],
    progress: Callable[[float], None] | None,
) -> PointCloud:
    samples = [source.sample(max(SAMPLE_POINTS // len(sources), 1000)) for source in sources]
    for source, sample in zip(sources, samples, strict=True):
        if not np.any(np.all(np.isfinite(sample), axis=1)):
            _refuse_if_no_numbers(source)
    frames = _frames(sources, samples, scan_units, up)
    thinned, origin = _thinned(sources, samples, frames, make(), progress)
    if (height := _whole_height(thinned, frames)) is not None:
        decided = _frames(sources, samples, scan_units, up, height)
        if decided[0].unit != frames[0].unit:  # the sample had missed the top
            thinned, origin = _thinned(sources, samples, decided, make(), progress)
        frames = decided
    facts = [source.facts for source in sources]
    notes = [note for fact in facts for note in fact.notes]
    return PointCloud(
        xyz=thinned.xyz,
        origin_m=origin,
        rgb=thinned.rgb,
        intensity=thinned.intensity,
        spacing_m=spacing(thinned.xyz),
        decisions=(*_said(sources, frames), *notes, *_dirt(thinned)),
        crs=next((fact.crs for fact in facts if fact.crs), ""),
        source_name=_names(sources),
    )


def _names(sources: list[Source]) -> str:
    return ", ".join(str(source.path) for source in sources)


def _frames(
    sources: list[Source],
    samples: list[Floats],
    scan_units: str | None,
    up: str | None,
    height: float | None = None,
) -> list[Frame]:
    """Frame of each file; files that do not state their unit have one height together."""
    frames = [
        _frame(source, sample, scan_units, up, height)
        for source, sample in zip(sources, samples, strict=True)
    ]
    if height is None and sum(frame.guessed for frame in frames) > 1:
        upright = [
            sample[:, [0, 1, 2] if frame.up == "z" else [0, 2, 1]]
            for sample, frame in zip(samples, frames, strict=True)
            if frame.guessed
        ]
        together = vertical_extent(np.concatenate(upright), "z")
        return _frames(sources, samples, scan_units, up, together)
    return frames


def _whole_height(thinned: Thinned, frames: list[Frame]) -> float | None:
    """Height of all points in the files' unit, where it was guessed from the sample's."""
    if len({frame.unit for frame in frames}) > 1 or not all(frame.guessed for frame in frames):
        return None
    points = thinned.xyz[:: max(1, len(thinned.xyz) // LARGE)]
    return vertical_extent(points, "z") / UNIT_M[frames[0].unit]


def _thinned(
    sources: list[Source],
    samples: list[Floats],
    frames: list[Frame],
    thinner: VoxelThinner,
    progress: Callable[[float], None] | None,
) -> tuple[Thinned, Floats]:
    """All points of all files, and the origin of their local frame."""
    origin = middle(np.concatenate([f.metres(s) for f, s in zip(frames, samples, strict=True)]))
    has_rgb, has_tone = _feed(sources, frames, origin, thinner, progress)
    thinned = thinner.result(with_rgb=has_rgb, with_intensity=has_tone)
    _refuse_if_too_few(thinned, _names(sources))
    return thinned, origin


def _source(path: Path) -> Source:
    kind = file_kind(path)
    if kind == "las":
        return LasSource(path)
    if kind == "text":
        return TextSource(path)
    if kind == "pcd":
        return read_pcd(path)
    if kind == "ply" and not ply_is_mesh(path):
        return read_ply_points(path)
    if kind == "e57":
        from treescan.pointcloud.e57 import E57Source

        return E57Source(path)
    return read_mesh(path, kind)


def _frame(
    source: Source, sample: Floats, scan_units: str | None, up: str | None, height: float | None
) -> Frame:
    facts = source.facts
    return decide_frame(
        sample,
        stated_unit=facts.unit,
        unit_reason=facts.unit_reason,
        stated_up=facts.up,
        up_reason=facts.up_reason,
        scan_units=scan_units,
        up=up,
        height=height,
    )


def _feed(
    sources: list[Source],
    frames: list[Frame],
    origin: Floats,
    thinner: VoxelThinner,
    progress: Callable[[float], None] | None,
) -> tuple[bool, bool]:
    has_rgb = has_tone = False
    sizes = [source.path.stat().st_size for source in sources]
    before = 0
    for source, frame, size in zip(sources, frames, sizes, strict=True):
        for chunk, share in read_ahead(source.chunks(), thinner.begun):
            local = frame.local(chunk, origin)
            has_rgb = has_rgb or (chunk.rgb is not None and bool(chunk.rgb.any()))
            has_tone = has_tone or chunk.intensity is not None
            thinner.add(local, chunk.rgb, chunk.intensity, rgb_shift=chunk.rgb_shift)
            if progress is not None:
                progress((before + share * size) / max(sum(sizes), 1))
        before += size
    return has_rgb, has_tone


def _refuse_if_no_numbers(source: Source) -> None:
    for chunk, _ in source.chunks():
        if np.any(np.all(np.isfinite(chunk.coordinates()), axis=1)):
            return
    raise ScanError(f"{source.path}: every coordinate is NaN or infinite; export the scan again")


def _refuse_if_too_few(thinned: Thinned, name: str) -> None:
    good = thinned.points_in - thinned.not_finite - thinned.duplicates - thinned.far
    if good < MIN_POINTS:
        raise ScanError(
            f"{name}: only {good:,} usable points ({thinned.points_in:,} read); a tree needs at "
            f"least {MIN_POINTS:,}: scan again, closer or with more stations"
        )


def _said(sources: list[Source], frames: list[Frame]) -> list[str]:
    if len(sources) == 1:
        return list(frames[0].decisions)
    lines: list[str] = []
    for source, frame in zip(sources, frames, strict=True):
        for text in frame.decisions:
            mark = "WARNING: " if text.startswith("WARNING: ") else ""
            lines.append(f"{mark}{source.path.name}: {text.removeprefix(mark)}")
    return lines


def _dirt(thinned: Thinned) -> list[str]:
    lines = [
        f"{thinned.points_in:,} points read, {len(thinned.xyz):,} kept, one per "
        f"{thinned.voxel_m * 100:.3g} cm voxel"
    ]
    if thinned.not_finite:
        lines.append(f"{thinned.not_finite:,} points without finite coordinates were dropped")
    if thinned.duplicates:
        lines.append(f"{thinned.duplicates:,} exact duplicates were dropped")
    if thinned.far:
        lines.append(f"{thinned.far:,} points more than 10 km away were dropped")
    return lines


def spacing(xyz: Float32s, *, tested: int = 4000) -> float:
    """Median distance to the nearest neighbour, from a sample of the points. [m]

    ``xyz`` is (n, 3).  Of a large cloud only some half-metre cubes are looked at, each
    with all its points.
    """
    if len(xyz) < 2:
        return 0.01
    points = xyz
    if len(xyz) > LARGE:
        some = np.linspace(0, len(xyz) - 1, 80).astype(np.int64)
        points = xyz[_in_cubes(xyz, np.unique(_cubes(xyz[some], 0.5)), 0.5)]
    step = max(1, len(points) // tested)
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
    distances, _ = tree.query(points[::step], k=2, workers=-1)
    return float(np.median(distances[:, 1]))


@njit(inline="always")
def _cube(x: Any, y: Any, z: Any, side_m: float) -> Any:
    i = np.int64(np.floor(x / side_m)) + 65536
    j = np.int64(np.floor(y / side_m)) + 65536
    k = np.int64(np.floor(z / side_m)) + 65536
    return (i * 131072 + j) * 131072 + k


@njit(cache=True)
def _cubes(xyz: Any, side_m: float) -> Any:
    """Number of the cube each point lies in, shape (n,)."""
    cube = np.empty(xyz.shape[0], dtype=np.int64)
    for i in range(xyz.shape[0]):
        cube[i] = _cube(xyz[i, 0], xyz[i, 1], xyz[i, 2], side_m)
    return cube


@njit(cache=True)
def _in_cubes(xyz: Any, wanted: Any, side_m: float) -> Any:
    """Whether each point lies in one of the cubes, whose numbers are sorted, shape (n,)."""
    inside = np.zeros(xyz.shape[0], dtype=np.bool_)
    for i in range(xyz.shape[0]):
        cube = _cube(xyz[i, 0], xyz[i, 1], xyz[i, 2], side_m)
        at = np.searchsorted(wanted, cube)
        inside[i] = at < wanted.size and wanted[at] == cube
    return inside
