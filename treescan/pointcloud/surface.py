"""How well the points lie on the stem's surface: range noise, and surfaces that lie double.

Stations that are registered badly show one bark as two, side by side.  Both are measured where
the stem is smooth enough: slices of 0.15 m, along the stem's lean,, in sectors of 15 degrees.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from treescan.pointcloud.circles import robust_circle
from treescan.pointcloud.cloud import Float32s, Floats, StemSeed
from treescan.pointcloud.stems import BREAST_HEIGHT_M

SLICE_M = 0.15
LOOKED_M = (0.9, 3.5)
SECTORS = 24
FEWEST = 30
"""Points a sector of a slice must hold to be judged."""
FEWEST_SECTORS = 12
SPLIT = 4.0
"""Two surfaces are told apart when their means lie so many of their spreads apart: at 2 two equal
normal distributions just show two peaks (Ashman, Bird and Zepf 1994, Astron. J. 108:2348-2361),
and one normal distribution cut in its middle shows 2.65."""
VALLEY_SHARE = 0.06
"""Most points that may lie in the middle third between two surfaces."""
LEAST_PART = 0.2
LEAST_SHIFT_M = 0.006
"""Less is bark and noise. [m]"""
DOUBLE_SHARE = 0.08
"""Share of the surface that must lie double to be said.  Grown stems scanned with good registration
showed up to 0.045, the same with every other station moved by 15 mm 0.086 to 0.51."""


@dataclass(frozen=True)
class Surface:
    """How the points lie about the stem.

    Attributes
    ----------
    noise_m : float
        Standard deviation of the points across one surface, bark included. [m]
    double_share : float
        Share of the stem's judged surface that lies double, 0..1.
    shift_m : float
        How far one surface is shifted against the other, 0 where none lies double. [m]
    judged : int
        Sectors of slices that held points enough.
    """

    noise_m: float
    double_share: float
    shift_m: float
    judged: int

    def sentences(self) -> tuple[str, ...]:
        """What to say of it."""
        if self.judged < FEWEST_SECTORS:
            return ()
        noise = (
            f"points scatter {self.noise_m * 1000:.0f} mm (one standard deviation) across the "
            "stem's surface, bark included"
        )
        if self.double_share < DOUBLE_SHARE:
            return (noise,)
        return (
            noise,
            f"WARNING: {self.double_share:.0%} of the stem's surface lies double, about "
            f"{self.shift_m * 1000:.0f} mm apart: stations are registered badly, or the tree moved "
            "between them. Register the scan again; diameters may be too large by as much.",
        )


def stem_surface(xyz: Float32s, stem: StemSeed) -> Surface:
    """Noise and double surfaces of a stem between 0.9 m and 3.5 m.

    Parameters
    ----------
    xyz : ndarray, shape (n, 3)
        Points of the tree, local. [m]
    stem : StemSeed
    """
    low, high = (stem.ground_z_m + height for height in LOOKED_M)
    radius = 0.5 * stem.diameter_m
    box = np.abs(xyz[:, :2] - np.array([stem.x_m, stem.y_m])).max(axis=1) < 2.0 * radius + 0.8
    points = xyz[box & (xyz[:, 2] >= low) & (xyz[:, 2] < high)].astype(np.float64)
    points[:, :2] -= (points[:, 2:] - stem.ground_z_m - BREAST_HEIGHT_M) * _lean(stem)
    noise: list[float] = []
    gaps: list[float] = []
    angles: list[float] = []
    x, y = stem.x_m, stem.y_m
    level = ((points[:, 2] - low) / SLICE_M).astype(np.int64)
    for number in range(int(np.ceil((high - low) / SLICE_M))):
        part = points[level == number, :2]
        around = part[np.hypot(part[:, 0] - x, part[:, 1] - y) < 1.6 * radius + 0.06]
        circle = robust_circle(around) if len(around) >= 3 * FEWEST else None
        if circle is None or not 0.6 * radius < circle.radius_m < 1.5 * radius:
            continue
        x, y = circle.x_m, circle.y_m
        for angle, rest in _by_sector(around, x, y, circle.radius_m):
            spread, gap = _layers(rest)
            noise.append(spread)
            gaps.append(gap)
            angles.append(angle)
    double = np.array(gaps) > 0.0
    return Surface(
        float(np.median(noise)) if noise else 0.0,
        float(double.mean()) if gaps else 0.0,
        _shift(np.array(gaps)[double], np.array(angles)[double]) if double.any() else 0.0,
        len(gaps),
    )


def _lean(stem: StemSeed) -> Floats:
    """Run over rise of the stem's axis below breast height, shape (2,)."""
    foot = stem.foot_m or (stem.x_m, stem.y_m)
    return np.array([stem.x_m - foot[0], stem.y_m - foot[1]]) / BREAST_HEIGHT_M


def _shift(gap_m: Floats, angle_rad: Floats) -> float:
    """Length of the shift of which each sector shows the part along its normal. [m]

    The direction is tried in steps of 5 degrees; of each the median of what the sectors within
    60 degrees of it say is taken, and the direction that fits them best is kept.
    """
    best, shift = np.inf, float(np.median(gap_m))
    for direction in np.radians(np.arange(0.0, 180.0, 5.0)):
        shown = np.abs(np.cos(angle_rad - direction))
        near = shown > 0.5
        if near.sum() < 0.5 * len(gap_m):
            continue
        length = float(np.median(gap_m[near] / shown[near]))
        miss = float(np.median(np.abs(gap_m - length * shown)))
        if miss < best:
            best, shift = miss, length
    return shift


def _by_sector(points: Floats, x: float, y: float, radius: float) -> list[tuple[float, Floats]]:
    """Angle and distances from the circle, sector by sector; only full sectors."""
    away = np.hypot(points[:, 0] - x, points[:, 1] - y) - radius
    near = np.abs(away) < max(0.06, 0.3 * radius)
    angle = np.arctan2(points[near, 1] - y, points[near, 0] - x)
    sector = np.floor((angle + np.pi) / (2 * np.pi) * SECTORS).astype(np.int64) % SECTORS
    rest = away[near]
    full = [k for k in range(SECTORS) if (sector == k).sum() >= FEWEST]
    return [((k + 0.5) * 2 * np.pi / SECTORS - np.pi, rest[sector == k]) for k in full]


def _layers(rest: Floats) -> tuple[float, float]:
    """Spread across one surface, and the distance of two where there are two (else 0). [m]

    The cut into two parts that leaves the least scatter is tried (Otsu 1979, IEEE Trans. Syst.
    Man Cybern. 9:62-66).
    """
    values = np.sort(rest)
    count = len(values)
    whole = float(1.4826 * np.median(np.abs(values - np.median(values))))
    first = np.arange(1, count)
    sums, squares = np.cumsum(values), np.cumsum(values**2)
    low_mean = sums[:-1] / first
    high_mean = (sums[-1] - sums[:-1]) / (count - first)
    low_rest = squares[:-1] - first * low_mean**2
    high_rest = squares[-1] - squares[:-1] - (count - first) * high_mean**2
    within = low_rest + high_rest
    cut = int(np.argmin(within))
    share = first[cut] / count
    spread = float(np.sqrt(max(within[cut], 0.0) / count))
    gap = float(high_mean[cut] - low_mean[cut])
    middle = 0.5 * (low_mean[cut] + high_mean[cut])
    valley = float((np.abs(values - middle) < gap / 6.0).mean())
    one = min(share, 1.0 - share) < LEAST_PART or valley > VALLEY_SHARE
    if one or gap < max(LEAST_SHIFT_M, SPLIT * spread):
        return whole, 0.0
    return spread, gap
