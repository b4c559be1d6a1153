"""What a girth tape reads around a section of a stem that was seen as points.

A stem is no circle: butts are lobed, stems oval.  About a fitted circle the outline is drawn as
a wave of a few harmonics through the middle of the points of each sector.  Harmonics have the
prior of a round stem, as strong as the section is round where it was seen; so a round that was
seen in part stays close to its circle, and the doubt about the unseen part is in the spread.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SECTORS = 36
HARMONICS = 6
ROUNDEST, LEAST_ROUND = 0.002, 0.06
"""Bounds of a section's departure from its circle, as a share of the radius. [judgement]"""
SHIFT = 0.1
"""How far the circle's centre may be off, as a share of the radius. [judgement]"""
SECTOR_SD_M = 0.0015
"""What the middle of a sector may be off where it was seen well. [m, judgement]"""
FEWEST_IN_SECTOR = 5
FULL_RELIEF_M, NO_RELIEF_M = 0.0035, 0.0045
"""Scatter of small patches up to which relief of the bark can be told from the scan's own faults,
and beyond which it cannot. [m, judgement]"""
MOST_RELIEF = 0.02
"""Relief of bark beyond this share of the radius is taken for walls that disagree. [judgement]"""
RIDGE = 1.5
"""A tape lies this many standard deviations of the bark's relief outside the mean surface: the
top of evenly spread relief is sqrt(3) above its mean, sharp ridges are pressed in. [judgement]"""


def taped_radius_m(
    x: Floats, y: Floats, along: Floats, radius_m: float, tol_m: float
) -> tuple[float, float, float]:
    """Radius whose girth a tape would read, its sd, and the points' scatter about the outline. [m]

    The sd is that of the outline alone: stations that disagree show in the scatter.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Points of the section across the axis, from the centre of the circle fitted to them. [m]
    along : ndarray, shape (n,)
        Along the axis. [m]
    radius_m : float
        Radius of that circle. [m]
    tol_m : float
        Points farther than this from the outline are not of it. [m]
    """
    rho = np.hypot(x, y)
    turn = np.arctan2(y, x)
    wave, spread = np.array([radius_m]), 0.0
    reach = tol_m
    for _ in range(4):
        off = rho - wave_at(wave, turn)
        on = np.abs(off) < reach
        middle, count = sector_middles(rho[on], turn[on])
        scatter = 1.4826 * float(np.median(np.abs(off[on]))) if on.any() else tol_m
        wave, spread = fit_wave(middle, count, radius_m, scatter)
        reach = min(max(3.0 * scatter, 0.006), tol_m)
    off = rho - wave_at(wave, turn)
    on = np.abs(off) < reach
    ridge = bark_relief_m(x[on], y[on], along[on])
    scatter = 1.4826 * float(np.median(np.abs(off)))
    return girth_radius_m(wave) + ridge, spread, scatter


def sector_middles(rho: Floats, turn: Floats) -> tuple[Floats, Ints]:
    """Median distance and number of the points of each sector, shape (SECTORS,) each.

    ``rho`` [m] and ``turn`` [rad, -pi to pi] are the points' polar coordinates, (n,) each.
    """
    sector = ((turn + np.pi) / (2 * np.pi) * SECTORS).astype(np.int64) % SECTORS
    order = np.lexsort((rho, sector))
    count = np.bincount(sector, minlength=SECTORS)
    first = np.cumsum(count) - count
    middle = np.zeros(SECTORS)
    full = count > 0
    low, high = first + np.maximum(count - 1, 0) // 2, first + count // 2
    middle[full] = 0.5 * (rho[order[low[full]]] + rho[order[high[full]]])
    return middle, count


def fit_wave(
    middle_m: Floats, count: Ints, radius_m: float, scatter_m: float
) -> tuple[Floats, float]:
    """Coefficients of the outline, mean radius first, and the sd of the mean radius. [m]

    Least squares with a prior: the first harmonic is a shift of the centre, the others fall off
    with their number and are together as large as the section was seen to be uneven.

    ``middle_m`` and ``count`` (SECTORS,) as from :func:`sector_middles`; the coefficients are
    (1,) for a circle, else (1 + 2 HARMONICS,).
    """
    seen = count >= FEWEST_IN_SECTOR
    if seen.sum() < 4:
        return np.array([radius_m]), LEAST_ROUND * radius_m
    angle = (np.arange(SECTORS) + 0.5) / SECTORS * 2 * np.pi - np.pi
    design, value = _design(angle[seen]), middle_m[seen]
    number = 1 + np.arange(2 * HARMONICS) // 2
    weight = 1.0 / (SECTOR_SD_M**2 + scatter_m**2 / count[seen])
    uneven = float(np.std(value))
    wave, spread = np.array([radius_m]), 0.0
    for _ in range(3):
        uneven = float(np.clip(uneven, ROUNDEST * radius_m, LEAST_ROUND * radius_m))
        sd = np.where(number == 1, SHIFT * radius_m, 1.5 * uneven / number)
        prior = np.diag(np.concatenate([[0.0], 1.0 / sd**2]))
        cover = np.linalg.inv(design.T @ (design * weight[:, None]) + prior)
        wave = cover @ (design.T @ (weight * value))
        spread = float(np.sqrt(cover[0, 0]))
        uneven = float(np.sqrt(np.mean((value - design[:, :3] @ wave[:3]) ** 2)))
    return wave, spread


def _design(angle: Floats) -> Floats:
    turns = np.arange(1, HARMONICS + 1) * angle[:, None]
    pairs = np.stack([np.cos(turns), np.sin(turns)], axis=2).reshape(len(angle), -1)
    return np.column_stack([np.ones(len(angle)), pairs])


def wave_at(wave: Floats, angle: Floats) -> Floats:
    """Outline (n,) of a ``wave`` at ``angle`` (n,) [rad]; one coefficient is a circle. [m]"""
    if len(wave) == 1:
        return np.full(len(angle), wave[0])
    result: Floats = _design(angle) @ wave
    return result


def girth_radius_m(wave: Floats) -> float:
    """Girth of the hull of an outline over two pi. [m]

    ``wave`` are the coefficients of :func:`fit_wave`, (1,) or (1 + 2 HARMONICS,).
    """
    from scipy.spatial import ConvexHull  # a tree file needs none of it

    angle = np.linspace(0, 2 * np.pi, 181)[:-1]
    rho = wave_at(wave, angle)
    ring = np.column_stack([rho * np.cos(angle), rho * np.sin(angle)])
    return float(ConvexHull(ring).area) / (2 * np.pi) / float(np.sinc(1.0 / 180))


def bark_relief_m(x: Floats, y: Floats, along: Floats) -> float:
    """How far the ridges of the bark hold a tape off the mean surface. [m]

    Relief of the bark is what the points scatter about the section's outline beyond what they
    scatter about small patches of surface: range noise and stations that disagree show in both,
    ridges and furrows only in the first.  Only rounds that were seen at least half are judged.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Across the axis, from the fitted centre. [m]
    along : ndarray, shape (n,)
        Along the axis. [m]
    """
    sector = ((np.arctan2(y, x) + np.pi) / (2 * np.pi) * SECTORS).astype(np.int64) % SECTORS
    count = np.bincount(sector, minlength=SECTORS)
    seen = count >= FEWEST_IN_SECTOR
    if seen.mean() < 0.5:
        return 0.0
    rho = np.hypot(x, y)
    mean = np.bincount(sector, rho, SECTORS) / np.maximum(count, 1)
    judged = seen[sector]
    about = (rho - mean[sector])[judged]
    relief = float(np.mean(about**2)) * len(about) / max(len(about) - int(seen.sum()), 1)
    noise = patch_noise_m(np.column_stack([x, y, along])[judged])
    relief -= noise**2
    ridge = min(float(np.sqrt(max(relief, 0.0))), MOST_RELIEF * float(np.median(rho)))
    trust = (NO_RELIEF_M - noise) / (NO_RELIEF_M - FULL_RELIEF_M)
    return RIDGE * ridge * float(np.clip(trust, 0.0, 1.0))


def patch_noise_m(points: Floats, k: int = 10) -> float:
    """Typical scatter of ``points`` (n, 3) about planes through their ``k`` nearest. [m]"""
    from scipy.spatial import cKDTree

    picked = points[:: max(len(points) // 400, 1)]
    near = cKDTree(points).query(picked, k=min(k, len(points)))[1]
    patch = points[near] - points[near].mean(axis=1, keepdims=True)
    least = np.linalg.eigvalsh(np.einsum("nki,nkj->nij", patch, patch))[:, 0]
    return float(np.sqrt(np.mean(np.maximum(least, 0.0)) / (patch.shape[1] - 3)))
