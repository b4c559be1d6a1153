"""What the scan did not see of a tree: sides of the stem, of the crown, its top, the ground.

The positions of the instrument are not known, so this is read from the points alone: a side of
the stem without points was not seen; a crown sector much emptier than the others is either thin
or not seen, and the sentence says so.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.pointcloud.circles import robust_circle
from treescan.pointcloud.cloud import Float32s, Floats, Ground, StemSeed, Unseen
from treescan.pointcloud.growth import cells

SECTORS = 24
BAND_M = 0.5
TOP_BAND_SHARE = 0.04
LEVELS = 12
PHONE_CEILING_M = (4.5, 7.5)
"""Height above ground at which scans by phone end: about 5 m of reach from a held-up hand."""
COMPASS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


def what_was_unseen(
    xyz: Float32s,
    base_m: Floats,
    stems: tuple[StemSeed, ...],
    ground: Ground,
    ceiling_m: float = np.inf,
) -> Unseen:
    """Look for what is missing around a tree.

    Parameters
    ----------
    xyz : ndarray, shape (n, 3)
        The tree's points, local. [m]
    base_m : ndarray, shape (3,)
    stems : tuple of StemSeed
        The tree's own stems, thickest first; may be empty.
    ground : Ground
    ceiling_m : float
        Height above ground of the highest point of the whole scan. [m]
    """
    seen = stem_sectors(xyz, stems[0]) if stems else np.zeros((0, SECTORS), dtype=np.bool_)
    stem_share = float(1.0 - seen.mean()) if len(seen) else 1.0
    density = _crown_density(xyz, base_m)
    ground_share = _ground_unseen(ground, base_m)
    top_cut = _top_is_cut(xyz)
    low, high = PHONE_CEILING_M
    at_ceiling = low <= ceiling_m <= high
    beyond = (0.0, min(0.9, 2.0 * _beyond(xyz))) if at_ceiling or top_cut else (0.0, 0.0)
    said = [
        *_of_stem(seen, stem_share),
        *_of_crown(density),
        *_of_top(top_cut, ceiling_m if at_ceiling else np.inf, beyond[1]),
        *_of_ground(ground_share),
    ]
    return Unseen(
        stem_share, seen, density, ground_share, top_cut or at_ceiling, beyond, tuple(said)
    )


def stem_sectors(xyz: Float32s, stem: StemSeed) -> npt.NDArray[np.bool_]:
    """Sectors of the stem with points, band by band from the ground up, shape (bands, 24).

    ``xyz`` (n, 3) are the scan's points. [m]  The stem is followed by circles as long as they
    fit; above that nothing is said.
    """
    near = np.hypot(xyz[:, 0] - stem.x_m, xyz[:, 1] - stem.y_m) < 4.0
    points = xyz[near].astype(np.float64)
    points = points[np.argsort(points[:, 2])]
    starts = np.searchsorted(points[:, 2], stem.ground_z_m + BAND_M * np.arange(62))
    x, y, radius = stem.x_m, stem.y_m, 0.5 * stem.diameter_m
    rows: list[npt.NDArray[np.bool_]] = []
    first, misses = int(1.0 / BAND_M), 0
    for band in range(first, 60):
        slab = points[starts[band] : starts[band + 1]]
        around = slab[np.hypot(slab[:, 0] - x, slab[:, 1] - y) < 1.7 * radius + 0.05]
        circle = robust_circle(around[:, :2]) if len(around) >= 12 else None
        if circle is None or not 0.5 * radius < circle.radius_m < 1.3 * radius:
            misses += 1
            if misses > 2:
                break
            rows.append(_sectors(around, x, y, radius, wide=True))  # a fork or burr is no circle
            continue
        misses = 0
        x, y, radius = circle.x_m, circle.y_m, circle.radius_m
        rows.append(_sectors(around, x, y, radius))
    rows = rows[: len(rows) - misses] if misses else rows
    return np.array(rows, dtype=np.bool_).reshape(-1, SECTORS)


def _sectors(
    points: Floats, x: float, y: float, radius: float, *, wide: bool = False
) -> npt.NDArray[np.bool_]:
    rest = np.abs(np.hypot(points[:, 0] - x, points[:, 1] - y) - radius)
    on = points[rest < max(0.03, (0.7 if wide else 0.25) * radius)]
    angle = np.arctan2(on[:, 1] - y, on[:, 0] - x) % (2 * np.pi)
    seen = np.zeros(SECTORS, dtype=np.bool_)
    seen[np.minimum((angle / (2 * np.pi) * SECTORS).astype(np.int64), SECTORS - 1)] = True
    return seen


def _crown_density(xyz: Float32s, base_m: Floats) -> Floats:
    """Filled 0.2 m cells per compass sector of the upper two thirds over the median sector."""
    height = float(np.percentile(xyz[:, 2], 99.5)) - float(base_m[2])
    crown = xyz[xyz[:, 2] > base_m[2] + height / 3.0]
    if len(crown) < 200:
        return np.ones(len(COMPASS))
    centre = np.median(crown[:, :2], axis=0)
    filled = cells(crown[:: max(1, len(crown) // 200_000)], 0.2)[1]
    azimuth = np.arctan2(filled[:, 0] - centre[0], filled[:, 1] - centre[1])
    sector = np.rint(azimuth / (2 * np.pi) * 8).astype(np.int64) % 8
    counts = np.bincount(sector, minlength=8).astype(np.float64)
    density: Floats = counts / max(float(np.median(counts)), 1.0)
    return density


def _top_is_cut(xyz: Float32s) -> bool:
    """Whether the topmost slab is nearly as wide as the crown: a crown closes to its top."""
    low, top = (float(v) for v in np.percentile(xyz[:, 2], [0.1, 99.99]))
    if top - low < 3.0:
        return True
    slab = max(0.2, TOP_BAND_SHARE * (top - low))
    start = low + 0.5 * (top - low)
    upper = xyz[(xyz[:, 2] >= start) & (xyz[:, 2] < top)]
    stretched = upper * np.array([1.0, 1.0, 0.25 / slab], dtype=np.float32)
    filled = cells(stretched, 0.25)[1] if len(upper) else stretched
    level = ((filled[:, 2] / (0.25 / slab) - start) / slab).astype(np.int64)
    areas = np.bincount(np.maximum(level, 0))
    if len(areas) < 4:
        return False
    return bool(areas[-1] > 24 and areas[-2:].max() > 0.6 * areas.max())


def _ground_unseen(ground: Ground, base_m: Floats) -> float:
    ny, nx = ground.z_m.shape
    x = ground.x0_m + np.arange(nx) * ground.cell_m
    y = ground.y0_m + np.arange(ny) * ground.cell_m
    near = np.hypot(x[None, :] - base_m[0], y[:, None] - base_m[1]) < 6.0
    if not near.any():
        return 1.0
    reach = np.pi * 6.0**2 / ground.cell_m**2
    return float(1.0 - min(1.0, (ground.seen & near).sum() / reach))


def _of_stem(seen: npt.NDArray[np.bool_], share: float) -> list[str]:
    if not len(seen):
        return ["the stem could not be followed, so which of its sides were seen is unknown"]
    reach = len(seen) * BAND_M + 1.0
    said = [
        f"{share:.0%} of the stem's surface between 1 m and {reach:.0f} m was not seen "
        "(24 sectors by 0.5 m)"
    ]
    sides = seen.mean(axis=0).reshape(8, 3).mean(axis=1)
    if sides.min() < 0.3 and sides.max() > 0.6:
        # sectors run anticlockwise from east; the compass runs clockwise from north
        azimuth = (90.0 - (np.argmin(sides) + 0.5) * 45.0) % 360.0
        name = COMPASS[round(azimuth / 45.0) % 8]
        said.append(f"the {name} side of the stem was hardly seen: look there for defects")
    return said


def _of_crown(density: Floats) -> list[str]:
    empty = [COMPASS[k] for k in np.flatnonzero(density < 0.3)]
    if not empty:
        return []
    return [
        f"the crown holds few points to the {', '.join(empty)}: it is thin there or the scan "
        "did not reach it; weights on that side may be low"
    ]


def _of_top(top_cut: bool, ceiling_m: float, beyond: float) -> list[str]:
    missing = (
        f"up to about {beyond:.0%} of the crown may be missing (a rough guess from its outline)"
    )
    if np.isfinite(ceiling_m):
        return [
            f"WARNING: no point of the scan lies more than {ceiling_m:.1f} m above the ground. A "
            "phone's sensor reaches about 5 m: if one was used, the top was not seen and "
            f"{missing}. Measure the height another way."
        ]
    if top_cut:
        return [
            "WARNING: the crown ends as if cut off: its top is probably beyond the instrument's "
            f"range, and {missing}. Height and crown weight are then too low."
        ]
    return []


def _beyond(xyz: Float32s) -> float:
    """Share of the crown above the topmost point if it closes like an ellipsoid, 0..1.

    The crown's spread per level is followed to the top; the ellipsoid has its widest level where
    the crown has it and passes through the spread at the top.  On generated phone scans whose
    truth is known the share missing was 0 to 1.75 times this.
    """
    low, top = (float(v) for v in np.percentile(xyz[:, 2], [0.1, 99.9]))
    centre = cells(xyz[:: max(1, len(xyz) // 300_000)], 0.1)[1]
    level = (centre[:, 2] - low) / max(top - low, 1e-6) * LEVELS
    spread = np.zeros(LEVELS)
    for number in range(LEVELS):
        part = centre[np.floor(level) == number, :2].astype(np.float64)
        if len(part) > 5:
            spread[number] = np.sqrt(((part - part.mean(axis=0)) ** 2).sum(axis=1).mean())
    widest = int(np.argmax(spread))
    if spread[widest] <= 0.0:
        return 0.0
    ratio = min(float(spread[-2:].mean() / spread[widest]), 0.97)
    depth = max(LEVELS - 1.0 - widest, 1.0)
    half = min(depth / np.sqrt(1.0 - ratio**2), 2.0 * LEVELS)
    above = np.linspace(depth, half, 200)
    missing = float(np.trapezoid(1.0 - (above / half) ** 2, above))
    return missing / (missing + float(((spread / spread[widest]) ** 2).sum()))


def _of_ground(share: float) -> list[str]:
    if share < 0.25:
        return []
    return [f"{share:.0%} of the ground within 6 m of the stem was not seen and is filled in"]
