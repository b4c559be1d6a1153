"""Scan points for the 3-D view: thinned once in a process of its own, sent in fair blocks.

``python -m treescan.page.view_points JOB`` reads the scan of a job and writes
``JOB/view/points.bin`` and ``points.json``.  The points are shuffled with a fixed seed, so that
any first part of them is an even sample of the whole: a phone takes a short part, a laptop a
long one.  Every point knows the node of the tree it lies on, so that the points of a piece that
is down can be hidden with it.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from treescan.errors import TreescanError
from treescan.pipeline.scale_check import with_corrected_scale
from treescan.pointcloud.cloud import Float32s, PointCloud
from treescan.pointcloud.reading import read_scan
from treescan.report.tree_json import read_tree
from treescan.site.reading import read_site
from treescan.skeleton.graph import TreeGraph

Json = dict[str, Any]
Floats = npt.NDArray[np.float64]
Bytes8 = npt.NDArray[np.uint8]

MOST_POINTS = 2_000_000
AROUND_M = 15.0
"""Points farther from the crown than this are left out. [m]"""

BESIDE_WOOD_M = 0.25
"""Points this near the surface of the wood count as the tree's: leaves and spread. [m]"""

NO_NODE = 65_535
FOLDER, BLOCK, ABOUT = "view", "points.bin", "points.json"


@dataclass(frozen=True)
class PointBlock:
    """Points made ready to send.

    ``share`` (n, 3) uint16 shares of the box, ``node`` (n,) uint16, ``tone`` (n, 4) uint8.
    """

    share: npt.NDArray[np.uint16]
    node: npt.NDArray[np.uint16]
    tone: Bytes8
    corner_m: Floats
    extent_m: Floats
    total: int


def make_block(
    xyz_m: Float32s, rgb: Bytes8 | None, graph: TreeGraph, *, seed: int = 0
) -> PointBlock:
    """Thin, shuffle and pack the points around a tree.

    Parameters
    ----------
    xyz_m : ndarray, shape (n, 3), float32
        In the frame of ``graph``.
    rgb : ndarray, shape (n, 3), uint8, or None
    """
    low, high = graph.position_m.min(0) - AROUND_M, graph.position_m.max(0) + AROUND_M
    rows = np.flatnonzero(((xyz_m >= low) & (xyz_m <= high)).all(axis=1))
    total = len(rows)
    rows = np.random.default_rng(seed).permutation(rows)[:MOST_POINTS]
    xyz = np.asarray(xyz_m[rows], dtype=np.float64)
    if not len(xyz):
        xyz = graph.position_m[:1]
    corner = xyz.min(axis=0)
    extent = np.maximum(xyz.max(axis=0) - corner, 1e-3)
    node = _nearest_node(xyz, graph)
    colours = None if rgb is None or not len(rows) else rgb[rows]
    return PointBlock(
        np.round((xyz - corner) / extent * 65535).astype(np.uint16),
        node,
        _tones(xyz, colours, node),
        corner,
        extent,
        total,
    )


def _nearest_node(xyz: Floats, graph: TreeGraph) -> npt.NDArray[np.uint16]:
    """Node whose wood each point lies on; :data:`NO_NODE` for the ground and what stands around."""
    far = float(graph.radius_m.max()) + BESIDE_WOOD_M
    gap, node = cKDTree(graph.position_m).query(xyz, distance_upper_bound=far, workers=1)
    on = np.isfinite(gap)
    on[on] = gap[on] <= graph.radius_m[node[on]] + BESIDE_WOOD_M
    on &= node < NO_NODE
    return np.where(on, node, NO_NODE).astype(np.uint16)


def _tones(xyz: Floats, rgb: Bytes8 | None, node: npt.NDArray[np.uint16]) -> Bytes8:
    """Colour of each point: the scan's own, else green on the tree and grey elsewhere by height."""
    tone = np.full((len(xyz), 4), 255, dtype=np.uint8)
    if rgb is not None and rgb.any():
        tone[:, :3] = rgb
        return tone
    tall = (xyz[:, 2] - xyz[:, 2].min()) / max(float(np.ptp(xyz[:, 2])), 1e-6)
    on = (node != NO_NODE)[:, None]
    base = np.where(on, [72.0, 104.0, 62.0], [112.0, 108.0, 100.0])
    tone[:, :3] = np.round(base * (0.75 + 0.5 * tall[:, None]))
    return tone


def write_block(block: PointBlock, folder: Path, mark: str) -> None:
    """Write the points, then what says that they are there."""
    folder.mkdir(parents=True, exist_ok=True)
    partial = folder / f".{BLOCK}.partial"
    with partial.open("wb") as file:
        file.write(block.share.tobytes())
        file.write(block.node.tobytes())
        file.write(block.tone.tobytes())
    partial.replace(folder / BLOCK)
    about = {
        "state": "ready",
        "mark": mark,
        "count": len(block.node),
        "total": block.total,
        "corner": np.round(block.corner_m, 4).tolist(),
        "extent": np.round(block.extent_m, 4).tolist(),
    }
    (folder / ABOUT).write_text(json.dumps(about), encoding="utf-8")


def read_about(folder: Path) -> Json | None:
    """Return what is written of the points, or None."""
    try:
        about = json.loads((folder / ABOUT).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    return about if isinstance(about, dict) else None


def part_of_block(folder: Path, first: int, many: int) -> bytes | None:
    """Bytes of ``many`` points from ``first`` on: shares, nodes, tones; None when out of range."""
    about = read_about(folder)
    if about is None or about.get("state") != "ready":
        return None
    count = int(about["count"])
    if not (0 <= first < count and 0 < many <= count - first):
        return None
    parts = []
    with (folder / BLOCK).open("rb") as file:
        start = 0
        for each in (6, 2, 4):
            file.seek(start + each * first)
            parts.append(file.read(each * many))
            start += each * count
    return b"".join(parts)


def scan_mark(scans: Sequence[str], tree: Path) -> str:
    """Text that changes when the scan or the measured tree does."""
    parts = []
    for path in (*map(Path, scans), tree):
        try:
            facts = path.stat()
        except OSError:
            parts.append("gone")
            continue
        parts.append(f"{facts.st_size:x}-{facts.st_mtime_ns:x}")
    return ".".join(parts)


class PointSource:
    """Has the points of a job made when they are first asked for."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.process: subprocess.Popen[bytes] | None = None
        self.mark = ""

    def about(self, scans: Sequence[str], tree: Path) -> Json:
        """State of the points: ``ready``, ``reading`` or ``none`` with the reason."""
        if not scans or not all(Path(name).is_file() for name in scans):
            return {"state": "none", "why": "no scan at hand: wood only"}
        mark = scan_mark(scans, tree)
        known = read_about(self.folder / FOLDER)
        if known is not None and known.get("mark") == mark:
            return known
        if self.mark != mark and not self._running():
            self.mark = mark
            command = [sys.executable, "-m", "treescan.page.view_points", str(self.folder), mark]
            self.process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL
            )
        if self._running():
            return {"state": "reading"}
        return {"state": "none", "why": "the scan's points could not be read: wood only"}

    def close(self) -> None:
        """End the process that makes the points; what is not whole is made anew later."""
        if self.process is not None:
            if self.process.poll() is None:
                self.process.terminate()
            self.process.wait(10)
            self.process = None

    def _running(self) -> bool:
        return self.process is not None and self.process.poll() is None


def run(folder: Path, mark: str) -> int:
    """Make the points of a job here; returns the exit status."""
    view = folder / FOLDER
    view.mkdir(parents=True, exist_ok=True)
    try:
        state = json.loads((folder / "page.json").read_text(encoding="utf-8"))
        graph, _ = read_tree(_tree_file(folder))
        cloud = _scan_of(folder, state)
    except (TreescanError, OSError, ValueError, KeyError) as fault:
        about = {"state": "none", "mark": mark, "why": f"scan points: {fault}"[:300]}
        (view / ABOUT).write_text(json.dumps(about), encoding="utf-8")
        return 2
    shift = (cloud.origin_m - graph.origin_m).astype(np.float32)
    write_block(make_block(cloud.xyz + shift, cloud.rgb, graph), view, mark)
    return 0


def _scan_of(folder: Path, state: Json) -> PointCloud:
    scans = [Path(name) for name in state["scans"]]
    cloud = read_scan(scans, scan_units=state.get("scan_units"), up=state.get("up"))
    site = folder / "site.toml"
    return with_corrected_scale(cloud, read_site(site))[0] if site.is_file() else cloud


def _tree_file(folder: Path) -> Path:
    found = [folder / name / "tree.json" for name in ("plan", "tree")]
    return next((path for path in found if path.is_file()), found[-1])


if __name__ == "__main__":
    sys.exit(run(Path(sys.argv[1]), sys.argv[2]))
