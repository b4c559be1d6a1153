"""A plan picture of the scan to draw on, and how high the scan is at each of its pixels."""

from __future__ import annotations

import json
import zipfile
from dataclasses import asdict, dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image
from scipy.spatial import cKDTree

from treescan.page.file_checks import is_number
from treescan.planning.types import JobResult

PIXELS = 1200
MARGIN_M = 2.0
REACH_M = 45.0
"""Farther from the stem than this the picture does not go. [m]"""
NEAR_TREE_M = 0.12
"""Scan points nearer than this to a point of the tree are the tree's. [m]"""
PICTURE, PLACE, HEIGHTS = "map.png", "map.json", "map_heights.npz"
TREE_COLOUR = np.array([40, 130, 60], dtype=np.float64)
TREE_OPACITY = 0.45
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class MapFrame:
    """Where the picture lies: upper left corner in scan coordinates, metres a pixel."""

    left_m: float
    top_m: float
    metres_per_pixel: float
    wide: int
    high: int

    def usable(self) -> bool:
        """Whether a frame that was read is one of a picture."""
        sides = (self.wide, self.high)
        places = (self.left_m, self.top_m, self.metres_per_pixel)
        return (
            all(type(n) is int and 0 < n <= 4 * PIXELS for n in sides)
            and all(is_number(value) for value in places)
            and self.metres_per_pixel > 0.0
        )

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


@dataclass(frozen=True)
class SiteMap:
    """The picture's frame and its heights.

    ``ground_m`` and ``top_m`` (high, wide) are scan heights of the ground and of the highest
    thing that is not the tree; NaN where the scan has no point.
    """

    frame: MapFrame
    ground_m: npt.NDArray[np.float32]
    top_m: npt.NDArray[np.float32]

    @cached_property
    def _lowest_ground(self) -> float:
        return float(np.nanmedian(self.ground_m))

    def ground_at(self, x_m: float, y_m: float) -> float:
        """Height of the ground in scan coordinates. [m]"""
        row, column = self._pixel(x_m, y_m)
        value = float(self.ground_m[row, column])
        return value if np.isfinite(value) else self._lowest_ground

    def height_at(self, x_m: float, y_m: float, reach_m: float = 0.35) -> float | None:
        """Height above ground of the highest thing within ``reach_m``; None where nothing is."""
        row, column = self._pixel(x_m, y_m)
        n = max(1, round(reach_m / self.frame.metres_per_pixel))
        window = self.top_m[max(0, row - n) : row + n + 1, max(0, column - n) : column + n + 1]
        if not np.isfinite(window).any():
            return None
        return max(0.0, float(np.nanmax(window)) - self.ground_at(x_m, y_m))

    def height_within(self, corners_m: Any) -> float | None:
        """Height above ground that nearly all of what stands within an outline keeps below."""
        rows, columns = _inside(self.frame, corners_m)
        above = self.top_m[rows, columns] - self.ground_m[rows, columns]
        above = above[np.isfinite(above)]
        return float(np.percentile(above, 99)) if len(above) else None

    def _pixel(self, x_m: float, y_m: float) -> tuple[int, int]:
        x, y = self.frame.to_pixel(x_m, y_m)
        row, column = round(y), round(x)
        return min(max(row, 0), self.frame.high - 1), min(max(column, 0), self.frame.wide - 1)


def write_map(result: JobResult, folder: Path) -> MapFrame:
    """Write ``map.png`` (the higher the darker, the tree a green veil), its place and heights."""
    tree = np.asarray(result.tree_xyz, dtype=np.float64)
    every = np.asarray(result.display_xyz, dtype=np.float64)
    if not len(every):
        tree, every = result.graph.position_m, result.graph.position_m
    base = result.graph.position_m[0, :2]
    every = every[np.hypot(*(every[:, :2] - base).T) < REACH_M]
    rest = every[cKDTree(tree).query(every, distance_upper_bound=NEAR_TREE_M)[0] > NEAR_TREE_M]
    frame, low = _frame(every, result.origin_m)
    shape = (frame.high, frame.wide)
    ground = _ground(result, frame, low)
    top = np.full(shape, np.nan, dtype=np.float32)
    image = np.full((*shape, 3), 255.0)
    rows, columns, order = _places(rest, low, frame)
    above = rest[order, 2] - ground[rows, columns]
    image[rows, columns] = (228.0 - 168.0 * np.clip(above / 6.0, 0.0, 1.0))[:, None]
    top[rows, columns] = rest[order, 2]
    veil = np.zeros(shape, dtype=bool)
    veil[_places(tree, low, frame)[:2]] = True
    image[veil] = (1.0 - TREE_OPACITY) * image[veil] + TREE_OPACITY * TREE_COLOUR
    Image.fromarray(image.astype(np.uint8)).save(folder / PICTURE)
    lift = np.float32(result.origin_m[2])
    np.savez_compressed(folder / HEIGHTS, ground=ground + lift, top=top + lift)
    (folder / PLACE).write_text(json.dumps(asdict(frame)), encoding="utf-8")
    return frame


def read_map(folder: Path) -> SiteMap | None:
    """Read what :func:`write_map` wrote; None when there is no picture, or it cannot be used."""
    path = folder / PLACE
    if not path.is_file() or not (folder / PICTURE).is_file():
        return None
    try:
        frame = MapFrame(**json.loads(path.read_text(encoding="utf-8")))
        if not frame.usable():
            return None
        shape = (frame.high, frame.wide)
        ground = top = np.full(shape, np.nan, dtype=np.float32)
        if (folder / HEIGHTS).is_file():
            with zipfile.ZipFile(folder / HEIGHTS) as packed:
                if sum(part.file_size for part in packed.infolist()) > 8 * ground.size + 10_000:
                    return None  # it would unpack to more than two pictures of heights
            with np.load(folder / HEIGHTS) as heights:
                ground, top = heights["ground"], heights["top"]
    except (OSError, ValueError, TypeError, KeyError, EOFError, RecursionError, zipfile.error):
        return None
    good = all(part.shape == shape and part.dtype == np.float32 for part in (ground, top))
    return SiteMap(frame, ground, top) if good else None


def _frame(xyz: Floats, origin_m: Floats) -> tuple[MapFrame, Floats]:
    low, high = np.percentile(xyz[:, :2], (0.7, 99.3), axis=0)
    low, high = low - MARGIN_M, high + MARGIN_M
    scale = float(max(high - low)) / PIXELS
    wide, tall = (int(n) for n in np.ceil((high - low) / scale))
    left, top = low[0] + origin_m[0], low[1] + tall * scale + origin_m[1]
    return MapFrame(float(left), float(top), scale, wide, tall), low


def _ground(result: JobResult, frame: MapFrame, low: Floats) -> npt.NDArray[np.float32]:
    scale = frame.metres_per_pixel
    x = low[0] + scale * (np.arange(frame.wide) + 0.5)
    y = low[1] + scale * (frame.high - np.arange(frame.high) - 0.5)
    across, down = np.meshgrid(x, y)
    heights = result.ground.height(across.ravel(), down.ravel())
    return np.asarray(heights, dtype=np.float32).reshape(frame.high, frame.wide)


def _places(xyz: Floats, low: Floats, frame: MapFrame) -> tuple[Any, Any, Any]:
    """Rows, columns and point numbers, the highest last, three pixels wide."""
    order = np.argsort(xyz[:, 2], kind="stable")
    column = ((xyz[order, 0] - low[0]) / frame.metres_per_pixel).astype(int)
    row = frame.high - 1 - ((xyz[order, 1] - low[1]) / frame.metres_per_pixel).astype(int)
    rows = np.concatenate([row + dy for dy in (-1, 0, 1) for _ in range(3)])
    columns = np.concatenate([column + dx for _ in range(3) for dx in (-1, 0, 1)])
    numbers = np.tile(order, 9)
    sort = np.argsort(np.tile(np.arange(len(order)), 9), kind="stable")
    rows, columns, numbers = rows[sort], columns[sort], numbers[sort]
    inside = (columns >= 0) & (columns < frame.wide) & (rows >= 0) & (rows < frame.high)
    return rows[inside], columns[inside], numbers[inside]


def _inside(frame: MapFrame, corners_m: Any) -> tuple[Any, Any]:
    """Rows and columns of the pixels within an outline (even-odd rule)."""
    points = np.array([frame.to_pixel(*corner[:2]) for corner in corners_m])
    low = np.clip(np.floor(points.min(axis=0)).astype(int), 0, None)
    high = np.minimum(np.ceil(points.max(axis=0)).astype(int), [frame.wide - 1, frame.high - 1])
    x, y = np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1))
    inside = np.zeros(x.shape, dtype=bool)
    for a, b in zip(points, np.roll(points, -1, axis=0), strict=True):
        between = (a[1] > y) != (b[1] > y)
        with np.errstate(divide="ignore", invalid="ignore"):
            crossing = a[0] + (y - a[1]) * (b[0] - a[0]) / (b[1] - a[1])
        inside ^= between & (x < crossing)
    return y[inside], x[inside]
