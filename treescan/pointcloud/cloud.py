"""Types of the point-cloud layer."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Float32s = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

UNIT_DOUBT = "if the file is in "
"""Words of the warning among a cloud's decisions that names another unit as plausible."""


@dataclass(frozen=True)
class PointCloud:
    """A scan in a local frame: metres, z up, near zero so that float32 keeps the millimetre.

    Attributes
    ----------
    xyz : ndarray, shape (n, 3), float32
        Local coordinates. [m]  ``xyz + origin_m`` are scan coordinates in metres.
    origin_m : ndarray, shape (3,), float64
    rgb : ndarray, shape (n, 3), uint8, or None
    intensity : ndarray, shape (n,), float32, or None
    spacing_m : float
        Median nearest-neighbour distance after thinning. [m]
    decisions : tuple of str
        How units, up axis and scale were decided, in sentences for people.
    crs : str
        Coordinate system as the file states it (WKT or EPSG text), or "".
    """

    xyz: Float32s
    origin_m: Floats
    rgb: npt.NDArray[np.uint8] | None = None
    intensity: Float32s | None = None
    spacing_m: float = 0.01
    decisions: tuple[str, ...] = ()
    crs: str = ""
    source_name: str = ""

    def __len__(self) -> int:
        return len(self.xyz)


@dataclass(frozen=True)
class Ground:
    """Height grid in the local frame of the cloud.

    Attributes
    ----------
    x0_m, y0_m : float
        Centre of cell [0, 0]. [m]
    cell_m : float
    z_m : ndarray, shape (ny, nx), float64
        Ground height, no gaps. [m]
    seen : ndarray, shape (ny, nx), bool
        False where the height was filled in because no ground point was seen.
    """

    x0_m: float
    y0_m: float
    cell_m: float
    z_m: Floats
    seen: npt.NDArray[np.bool_]

    def height(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Floats:
        """Bilinear ground height; outside the grid the nearest edge holds. [m]

        ``x`` and ``y`` [m] broadcast; the result has their shape.
        """
        fx = (np.asarray(x, dtype=np.float64) - self.x0_m) / self.cell_m
        fy = (np.asarray(y, dtype=np.float64) - self.y0_m) / self.cell_m
        ny, nx = self.z_m.shape
        fx, fy = np.clip(fx, 0, nx - 1), np.clip(fy, 0, ny - 1)
        ix = np.minimum(fx.astype(np.int64), max(nx - 2, 0))
        iy = np.minimum(fy.astype(np.int64), max(ny - 2, 0))
        jx, jy = np.minimum(ix + 1, nx - 1), np.minimum(iy + 1, ny - 1)
        u, v = fx - ix, fy - iy
        low = self.z_m[iy, ix] * (1 - u) + self.z_m[iy, jx] * u
        top = self.z_m[jy, ix] * (1 - u) + self.z_m[jy, jx] * u
        result: Floats = low * (1 - v) + top * v
        return result


@dataclass(frozen=True)
class StemSeed:
    """A stem found at breast height, in local coordinates.

    ``diameter_m`` is 0 for a crown whose stem was not seen.
    """

    x_m: float
    y_m: float
    ground_z_m: float
    diameter_m: float
    points: int
    height_m: float
    foot_m: tuple[float, float] | None = None
    """Where its axis meets the ground in plan; None when not followed. [m]"""


@dataclass(frozen=True)
class Unseen:
    """What the scan did not see of a tree.

    Attributes
    ----------
    stem_share : float
        Share of the stem's sectors x heights without points, as far up as the stem was
        followed, 0..1.
    stem_seen : ndarray, shape (bands, 24), bool
        Sectors counted anticlockwise from east, bands of 0.5 m from 1 m above the ground up.
    crown_density : ndarray, shape (8,)
        Filled crown volume per compass sector relative to the median sector; north first.
    ground_share : float
        Share of the ground within 6 m of the stem that was filled in.
    top_cut : bool
        The top may be beyond the instrument's range.
    beyond_share : tuple of float
        Least and most share of the crown that may lie beyond it, 0..1.
    sentences : tuple of str
    """

    stem_share: float
    stem_seen: npt.NDArray[np.bool_]
    crown_density: Floats
    ground_share: float
    top_cut: bool
    beyond_share: tuple[float, float]
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class TreePoints:
    """The points of the one tree to be removed.

    Attributes
    ----------
    xyz : ndarray, shape (n, 3), float32
        Local frame of the cloud. [m]
    base_m : ndarray, shape (3,)
        Where the stem meets the ground. [m]
    stems : tuple of StemSeed
        All stems found in the scan, the chosen one first.
    index : ndarray, shape (n,), int64
        Row of each point in the cloud it came from.
    unseen_share : float
        Share of the stem's surroundings (sectors x heights) that no beam reached, 0..1.
    notes : tuple of str
        The choice and what was left out, in sentences for people.
    """

    xyz: Float32s
    base_m: Floats
    stems: tuple[StemSeed, ...]
    index: Ints
    unseen_share: float = 0.0
    notes: tuple[str, ...] = field(default=())
    own_stems: int = 0
    """So many of ``stems``, the first ones, belong to the tree."""
    unseen: Unseen | None = None
