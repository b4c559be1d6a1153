"""A plan picture of the scan to draw on: where each pixel lies in scan coordinates."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image

from treescan.planning.types import JobResult

PIXELS = 1000
MARGIN_M = 2.0
PICTURE, PLACE = "map.png", "map.json"


@dataclass(frozen=True)
class MapFrame:
    """Where the picture lies: upper left corner in scan coordinates, metres a pixel."""

    left_m: float
    top_m: float
    metres_per_pixel: float
    wide: int
    high: int

    def to_scan(self, x_px: float, y_px: float) -> tuple[float, float]:
        """Scan coordinates of a place in the picture. [m]"""
        return (
            self.left_m + x_px * self.metres_per_pixel,
            self.top_m - y_px * self.metres_per_pixel,
        )

    def to_pixel(self, x_m: float, y_m: float) -> tuple[float, float]:
        """Place in the picture of scan coordinates."""
        return (
            (x_m - self.left_m) / self.metres_per_pixel,
            (self.top_m - y_m) / self.metres_per_pixel,
        )


def write_map(result: JobResult, folder: Path) -> MapFrame:
    """Write ``map.png`` (height as brightness, the tree green) and ``map.json``."""
    xyz = np.asarray(result.display_xyz, dtype=np.float64)
    if not len(xyz):
        xyz = result.graph.position_m
    low, high = np.percentile(xyz[:, :2], 0.2, axis=0), np.percentile(xyz[:, :2], 99.8, axis=0)
    low, high = low - MARGIN_M, high + MARGIN_M
    scale = float(max(high - low)) / PIXELS
    wide, tall = (np.ceil((high - low) / scale)).astype(int)
    frame = MapFrame(
        float(low[0] + result.origin_m[0]),
        float(low[1] + tall * scale + result.origin_m[1]),
        scale,
        int(wide),
        int(tall),
    )
    above = xyz[:, 2] - result.ground.height(xyz[:, 0], xyz[:, 1])
    image = np.full((tall, wide, 3), 255, dtype=np.uint8)
    _paint(image, xyz, low, scale, _grey(above))
    tree = np.asarray(result.tree_xyz, dtype=np.float64)
    if len(tree):
        _paint(image, tree, low, scale, np.tile(np.array([90, 140, 80], np.uint8), (len(tree), 1)))
    Image.fromarray(image).save(folder / PICTURE)
    (folder / PLACE).write_text(json.dumps(asdict(frame)), encoding="utf-8")
    return frame


def read_map(folder: Path) -> MapFrame | None:
    """Read ``map.json``; None when there is no picture."""
    path = folder / PLACE
    if not path.is_file() or not (folder / PICTURE).is_file():
        return None
    return MapFrame(**json.loads(path.read_text(encoding="utf-8")))


def _grey(above_m: npt.NDArray[np.float64]) -> npt.NDArray[np.uint8]:
    tone = 225.0 - 150.0 * np.clip(above_m / 6.0, 0.0, 1.0)
    return np.repeat(tone[:, None], 3, axis=1).astype(np.uint8)


def _paint(
    image: npt.NDArray[np.uint8],
    xyz: npt.NDArray[np.float64],
    low: npt.NDArray[np.float64],
    scale: float,
    colour: npt.NDArray[np.uint8],
) -> None:
    """Put points on the picture, higher ones over lower ones, three pixels wide."""
    tall, wide = image.shape[:2]
    order = np.argsort(xyz[:, 2], kind="stable")
    column = ((xyz[order, 0] - low[0]) / scale).astype(int)
    row = tall - 1 - ((xyz[order, 1] - low[1]) / scale).astype(int)
    for dx in (-1, 0, 1):
        for dy in (-1, 0, 1):
            c, r = column + dx, row + dy
            inside = (c >= 0) & (c < wide) & (r >= 0) & (r < tall)
            image[r[inside], c[inside]] = colour[order][inside]
