"""Upright things that are no trees: people, bins and cars end low, posts carry no crown."""

from __future__ import annotations

import numpy as np

from treescan.pointcloud.cloud import Float32s, Floats, StemSeed

LOOKED_M = (1.3, 2.7)
"""Heights between which a stem goes on and a person ends. [m]"""
BAND_M = 0.2
LONGEST_GAP_M = 0.6
"""Longest stretch of a stem without a point: a hand rail or a leaf hides less. [m]"""
LEAN_PER_M = 0.5
BESIDE_AXIS_M = 0.3
CROWN_SHARE = 0.15
"""Share of the height above 1.5 m at which something lies clear of the axis: a lamp's arm takes
up less, a tree's crown more."""
CROWN_FROM_M = 1.5


def goes_on(stem: StemSeed, xyz: Float32s, above: Floats) -> bool:
    """Whether a stem goes on above head height, with points all the way.

    Parameters
    ----------
    stem : StemSeed
    xyz : ndarray, shape (n, 3)
        Points of the scan, local. [m]
    above : ndarray, shape (n,)
        Their heights above the ground. [m]
    """
    low, high = LOOKED_M
    rows = np.flatnonzero((above > low - BAND_M) & (above < high))
    away = np.hypot(xyz[rows, 0] - stem.x_m, xyz[rows, 1] - stem.y_m)
    rise = np.maximum(above[rows] - low, 0.0)
    near = away < 0.5 * stem.diameter_m + 0.15 + LEAN_PER_M * rise
    heights = np.sort(above[rows[near]])
    if not len(heights):
        return False
    gaps = np.diff(np.concatenate(([low - BAND_M], heights, [high])))
    return bool(gaps.max() <= LONGEST_GAP_M)


def is_bare(centre_m: Float32s, above: Floats, stem: StemSeed | None = None) -> bool:
    """Whether what stands has no crown: a post, a pole, or a stem stripped of its limbs.

    Parameters
    ----------
    centre_m : ndarray, shape (k, 3)
        Cells or points of one standing thing, local. [m]
    above : ndarray, shape (k,)
        Their heights above the ground. [m]
    stem : StemSeed, optional
        Its stem; the axis is looked for in the points otherwise.
    """
    upper = above > CROWN_FROM_M
    if upper.sum() < 20:
        return False
    points, height = centre_m[upper].astype(np.float64), above[upper]
    radius = 0.5 * stem.diameter_m if stem is not None else 0.1
    axis = np.median(points[:, :2], axis=0)
    for _ in range(4):  # a line through the middle, what lies beside it left out
        rest = np.hypot(*(points[:, :2] - axis).T)
        near = rest < max(radius + BESIDE_AXIS_M, float(np.median(rest)))
        design = np.column_stack((height[near], np.ones(near.sum())))
        line, *_ = np.linalg.lstsq(design, points[near, :2], rcond=None)
        axis = height[:, None] * line[0] + line[1]
    beside = np.hypot(*(points[:, :2] - axis).T) > radius + BESIDE_AXIS_M
    band = (height / BAND_M).astype(np.int64)
    branched = np.bincount(band[beside], minlength=band.max() + 1) >= 3
    return bool(branched.sum() < CROWN_SHARE * len(np.unique(band)))
