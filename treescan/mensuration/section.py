"""What a girth tape reads around a section of a stem that was seen as points.

A stem is no circle: butts are lobed, stems oval.  The tape lies on the hull of the section's
outline (`treescan.skeleton.outline`) and on the ridges of the bark.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.skeleton.outline import FEWEST_IN_SECTOR, SECTORS, Outline, sector_of, waves

Floats = npt.NDArray[np.float64]

FULL_RELIEF_M, NO_RELIEF_M = 0.0035, 0.0045
"""Scatter of small patches up to which relief of the bark can be told from the scan's own faults,
and beyond which it cannot. [m, judgement]"""
FLAT, MOST_IN_PATCH = 2.0, 160
"""A patch of surface is so many times as wide as thick at least; and the most points in one.
[judgement]"""
MOST_RELIEF = 0.02
"""Relief of bark beyond this share of the radius is taken for walls that disagree. [judgement]"""
RIDGE = 1.5
"""A tape lies this many standard deviations of the bark's relief outside the mean surface: the
top of evenly spread relief is sqrt(3) above its mean, sharp ridges are pressed in. [judgement]"""


def taped_radius_m(
    across: Floats, along: Floats, outline: Outline, reach_m: float
) -> tuple[float, float]:
    """Radius whose girth a tape would read, and the points' scatter about the outline. [m]

    Parameters
    ----------
    across : ndarray, shape (n, 2)
        Points of the section across the axis, from the axis. [m]
    along : ndarray, shape (n,)
        Along the axis. [m]
    outline : Outline
        That of the section.
    reach_m : float
        Points farther than this from the outline are not of it. [m]
    """
    rho, turn = np.hypot(*across.T), np.arctan2(across[:, 1], across[:, 0])
    off = rho - np.exp(waves(turn) @ outline.wave)
    on = np.abs(off) < reach_m
    ridge = bark_relief_m(across[on], along[on], off[on]) if on.any() else 0.0
    return girth_radius_m(outline) + ridge, 1.4826 * float(np.median(np.abs(off)))


def girth_radius_m(outline: Outline) -> float:
    """Girth of the hull of an outline over two pi. [m]"""
    from scipy.spatial import ConvexHull  # a tree file needs none of it

    angle = np.linspace(0, 2 * np.pi, 181)[:-1]
    rho = np.exp(waves(angle) @ outline.wave)
    ring = np.column_stack([rho * np.cos(angle), rho * np.sin(angle)])
    return float(ConvexHull(ring).area) / (2 * np.pi) / float(np.sinc(1.0 / 180))


def bark_relief_m(across: Floats, along: Floats, off_m: Floats) -> float:
    """How far the ridges of the bark hold a tape off the mean surface. [m]

    Relief of the bark is what the points scatter about the section's outline beyond what they
    scatter about small patches of surface: range noise and stations that disagree show in both,
    ridges and furrows only in the first.  Only rounds that were seen at least half are judged.

    Parameters
    ----------
    across : ndarray, shape (n, 2)
        Across the axis, from the axis. [m]
    along, off_m : ndarray, shape (n,)
        Along the axis, and off the outline. [m]
    """
    turn = np.arctan2(across[:, 1], across[:, 0])
    sector = sector_of(turn)
    count = np.bincount(sector, minlength=SECTORS)
    seen = count >= FEWEST_IN_SECTOR
    if seen.mean() < 0.5:
        return 0.0
    # About the line of each sector: the outline is smooth, and a butt widens within the slice.
    part = np.maximum(count, 1)
    level = along - (np.bincount(sector, along, SECTORS) / part)[sector]
    about = off_m - (np.bincount(sector, off_m, SECTORS) / part)[sector]
    steep = np.bincount(sector, level * about, SECTORS)
    lean = steep / np.maximum(np.bincount(sector, level**2, SECTORS), 1e-9)
    judged = seen[sector]
    about = (about - lean[sector] * level)[judged]
    free = max(len(about) - 2 * int(seen.sum()), 1)
    relief = float(np.mean(about**2)) * len(about) / free
    noise = patch_noise_m(np.column_stack([across, along])[judged])
    relief -= noise**2
    ridge = float(np.sqrt(max(relief, 0.0)))
    ridge = min(ridge, MOST_RELIEF * float(np.median(np.hypot(*across.T))))
    trust = (NO_RELIEF_M - noise) / (NO_RELIEF_M - FULL_RELIEF_M)
    return RIDGE * ridge * float(np.clip(trust, 0.0, 1.0))


def patch_noise_m(points: Floats, k: int = 10) -> float:
    """Typical scatter of ``points`` (n, 3) about planes through their ``k`` nearest. [m]

    Where noise is as large as such patches are wide no plane shows in them: wider ones are taken.
    """
    from scipy.spatial import cKDTree

    picked = points[:: max(len(points) // 400, 1)]
    tree = cKDTree(points)
    while True:
        near = tree.query(picked, k=min(k, len(points)))[1]
        patch = points[near] - points[near].mean(axis=1, keepdims=True)
        spread = np.linalg.eigvalsh(np.einsum("nki,nkj->nij", patch, patch))
        flat = float(np.median(spread[:, 0])) * FLAT**2 < float(np.median(spread[:, 1]))
        if flat or 2 * k > min(len(points), MOST_IN_PATCH):
            least = np.maximum(spread[:, 0], 0.0)
            return float(np.sqrt(np.mean(least) / (patch.shape[1] - 3)))
        k *= 2
