"""Walls that stand apart: one limb seen by stations that disagree, as circles of one radius.

A station sees less than half of a round, and where its registration is off or wind moved the
crown, its part of the wall stands aside as a whole.  One circle through all parts is then drawn
too wide.  But each part is bent as the limb is: the parts are circles of one radius, each with a
centre of its own, and the centres stand to each other as they do a little farther up or down the
same limb.  So at every window of points several such circles are tried, the best of them are
handed along the limb, and they are kept where they explain the points better by more than they
cost.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.spatial import cKDTree

from treescan.skeleton.circles import next_random

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MOST_SHELLS = 6
COST = 4.0
"""Points that a circle must explain to be worth its two coordinates. [judgement]"""
APART_SD_M = 0.02
"""How far stations stand apart, standard deviation along each axis. [m, judgement]"""
REACH_M = 3.0 * APART_SD_M
SHARES = np.array([0.55, 0.65, 0.75, 0.85, 0.93, 1.0])
"""Radii tried, as shares of the one circle's: parts that stand apart only widen it."""
LEAST, LARGEST = 0.3, 1.3
"""Bounds of the radius, as shares of the one circle's."""
TRIALS = 80
SWEEPS = 4
FEWEST = 20
LEAST_TOL_M, LARGEST_TOL_M = 0.005, 0.012
TOL_IN_NOISE = 3.0
"""A point lies off its wall by at most so many times the scan's noise; walls that are thicker than
about half of what stations stand apart are not told from each other. [judgement]"""
PATCH, LOW_SHARE, LOW = 10, 0.1, 2.83
"""Points of a patch of wall about which the scan's own noise is taken, from the patches that
scatter least (they are of one station), and that quantile of chi square with three degrees of
freedom less."""
NOISE_WINDOWS, NOISE_POINTS, NOISE_PATCHES = 24, 3000, 200
WELL_EXPLAINED = 0.8
"""Share of the points that one circle may explain and be asked no further."""
UNEVEN = 0.02
"""Share of the radius by which an uneven round sets the circles of its parts apart. [judgement]"""
COLUMNS = ("radius_m", "radius_sd_m", "rms_m", "apart_m")


def wall_tol_m(points: Floats, window: Ints, radius_m: Floats) -> float | None:
    """How far points may lie off their wall: a few times their scatter about small patches. [m]

    Stations that disagree hardly show in it, for enough patches are of one of them.  None where
    the scan itself scatters too much to tell walls apart.

    ``points`` (n, 3) [m]; ``window`` (2, k) and ``radius_m`` (k,) are those of the circles: the
    widest ones are looked at.
    """
    widest = np.argsort(-radius_m, kind="stable")[:NOISE_WINDOWS]
    noise = []
    for w in widest:
        part = points[window[0, w] : window[1, w]]
        part = part[:: max(len(part) // NOISE_POINTS, 1)]
        if len(part) < 3 * PATCH:
            continue
        some = part[:: max(len(part) // NOISE_PATCHES, 1)]
        near = part[cKDTree(part).query(some, k=PATCH)[1]]
        near = near - near.mean(axis=1, keepdims=True)
        least = np.linalg.eigvalsh(np.einsum("nki,nkj->nij", near, near))[:, 0]
        noise.append(float(np.sqrt(max(float(np.quantile(least, LOW_SHARE)), 0.0) / LOW)))
    if not noise:
        return None
    tol = TOL_IN_NOISE * float(np.median(noise))
    return max(tol, LEAST_TOL_M) if tol < LARGEST_TOL_M else None


def disagreement_m(apart_m: Floats, radius_m: Floats, tol_m: float) -> Floats:
    """How far walls stand apart beyond what noise and an uneven round do, shape (n,). [m]

    ``apart_m`` and ``radius_m`` (n,) are those of :func:`fit_shells`, ``tol_m`` its tolerance.
    """
    excess = apart_m**2 - (0.5 * tol_m) ** 2 - (UNEVEN * radius_m) ** 2
    result: Floats = np.sqrt(np.maximum(excess, 0.0))
    return result


@njit(cache=True)
def _centre(x: Floats, y: Floats, i: int, j: int, r: float, gu: float, gv: float) -> Any:
    """Centre of the circle of radius ``r`` through two points, on the side of ``(gu, gv)``."""
    dx, dy = x[j] - x[i], y[j] - y[i]
    h = np.sqrt(dx * dx + dy * dy)
    if h < 1e-6 or h > 2 * r:
        return 0.0, 0.0, False
    q = np.sqrt(r * r - 0.25 * h * h) / h
    mx, my = 0.5 * (x[i] + x[j]), 0.5 * (y[i] + y[j])
    if (gu - mx) * -dy + (gv - my) * dx < 0:
        q = -q
    return mx - dy * q, my + dx * q, True


@njit(cache=True)
def _worth(x: Floats, y: Floats, n: int, centre: Floats, count: int, r: float, tol: float) -> Any:
    """Points explained by the nearest of the circles, less what the circles cost."""
    hit = np.zeros(count)
    worth = 0.0
    for i in range(n):
        best, own = tol, -1
        for k in range(count):
            d = abs(np.sqrt((x[i] - centre[k, 0]) ** 2 + (y[i] - centre[k, 1]) ** 2) - r)
            if d < best:
                best, own = d, k
        if own >= 0:
            share = 1.0 - (best / tol) ** 2
            worth += share
            hit[own] += share
    mx = my = used = 0.0
    for k in range(count):
        if hit[k] > 0:
            mx += centre[k, 0]
            my += centre[k, 1]
            used += 1
    for k in range(count):
        if hit[k] > 0:
            far = (centre[k, 0] - mx / used) ** 2 + (centre[k, 1] - my / used) ** 2
            worth -= COST + 0.5 * far / APART_SD_M**2
    return worth


@njit(cache=True)
def _peel(
    x: Floats, y: Floats, n: int, home: Floats, r: float, tol: float, seed: int, centre: Floats
) -> Any:
    """Circles of radius ``r``, the best first, each through what the ones before left over."""
    state = np.uint64(seed * 2654435761 + 88172645463325252)
    free = np.arange(n)
    count = 0
    while count < MOST_SHELLS and len(free) > 2 * COST:
        m = np.uint64(len(free))
        best, bx, by = COST, 0.0, 0.0
        for _ in range(TRIALS):
            state = next_random(state)
            i = free[np.int64(state % m)]
            state = next_random(state)
            j = free[np.int64(state % m)]
            cx, cy, ok = _centre(x, y, i, j, r, home[0], home[1])
            far = (cx - home[0]) ** 2 + (cy - home[1]) ** 2
            if not ok or far > REACH_M**2:
                continue
            worth = -0.5 * far / APART_SD_M**2
            for p in free:
                d = (np.sqrt((x[p] - cx) ** 2 + (y[p] - cy) ** 2) - r) / tol
                if abs(d) < 1.0:
                    worth += 1.0 - d * d
            if worth > best:
                best, bx, by = worth, cx, cy
        if best <= COST:
            break
        centre[count, 0], centre[count, 1] = bx, by
        count += 1
        free = free[np.abs(np.sqrt((x[free] - bx) ** 2 + (y[free] - by) ** 2) - r) > tol]
    return count


@njit(cache=True)
def _normal(x: Floats, y: Floats, n: int, centre: Floats, count: int, r: float, tol: float) -> Any:
    """Normal equations of all centres and the one radius; also the misfit. [m]"""
    size = 2 * count + 1
    a, b = np.zeros((size, size)), np.zeros(size)
    weight = square = 0.0
    row = np.zeros(3)
    at = np.zeros(3, np.int64)
    at[2] = size - 1
    for i in range(n):
        miss, own, rho = tol, -1, 1.0
        for k in range(count):
            far = np.sqrt((x[i] - centre[k, 0]) ** 2 + (y[i] - centre[k, 1]) ** 2)
            if abs(far - r) < abs(miss):
                miss, own, rho = far - r, k, far
        if own < 0 or rho < 1e-9:
            continue
        w = 1.0 - (miss / tol) ** 2
        row[0], row[1], row[2] = (x[i] - centre[own, 0]) / rho, (y[i] - centre[own, 1]) / rho, 1.0
        at[0], at[1] = 2 * own, 2 * own + 1
        for p in range(3):
            b[at[p]] += w * row[p] * miss
            for q in range(3):
                a[at[p], at[q]] += w * row[p] * row[q]
        weight += w
        square += w * miss * miss
    mx, my = centre[:count, 0].mean(), centre[:count, 1].mean()
    hold = 0.125 * (tol / APART_SD_M) ** 2
    for k in range(count):
        a[2 * k, 2 * k] += hold
        a[2 * k + 1, 2 * k + 1] += hold
        b[2 * k] -= hold * (centre[k, 0] - mx)
        b[2 * k + 1] -= hold * (centre[k, 1] - my)
    for p in range(size):
        a[p, p] += 1e-9
    return a, b, np.sqrt(square / max(weight, 1e-9))


@njit(cache=True)
def _settle(
    x: Floats, y: Floats, n: int, centre: Floats, count: int, r: float, tol: float, one: float
) -> Any:
    """Least squares for the centres, which are changed, and the radius, which is returned."""
    for _ in range(5):
        a, b, _ = _normal(x, y, n, centre, count, r, tol)
        step = np.linalg.solve(a, b)
        for k in range(count):
            centre[k, 0] += step[2 * k]
            centre[k, 1] += step[2 * k + 1]
        r = min(max(r + step[2 * count], LEAST * one), LARGEST * one)
    return r


@njit(cache=True)
def _try_window(
    x: Floats, y: Floats, n: int, circle: Floats, tol: float, seed: int, best: Floats, start: Floats
) -> Any:
    """Try several radii; returns ``(radius, circles, worth)``, the centres in ``best``."""
    one = circle[2]
    best[0] = circle[:2]
    top = _worth(x, y, n, best, 1, one, tol)
    radius, count = one, 1
    if n < FEWEST or top + COST > WELL_EXPLAINED * n:
        return radius, count, top
    for g in range(len(SHARES)):
        r = one * SHARES[g]
        found = _peel(x, y, n, circle, r, tol, seed + g, start)
        if found < 1:
            continue
        r = _settle(x, y, n, start, found, r, 1.5 * tol, one)
        worth = _worth(x, y, n, start, found, r, tol)
        if worth > top:
            top, radius, count = worth, r, found
            best[:] = start
    return radius, count, top


@njit(cache=True)
def _hand_on(
    x: Floats, y: Floats, n: Ints, circle: Floats, tol: float, state: Any, found: Floats
) -> Any:
    """Try each window with the circles of its neighbours, up and down the limb in turn."""
    radius, count, worth = state
    start = np.zeros((MOST_SHELLS, 2))
    m = len(n)
    for sweep in range(SWEEPS):
        for step in range(1, m):
            w = step if sweep % 2 == 0 else m - 1 - step
            p = w - 1 if sweep % 2 == 0 else w + 1
            k = count[p]
            if n[w] < FEWEST or k < 2:
                continue
            start[:] = found[p] - circle[p, :2] + circle[w, :2]
            r = _settle(x[w], y[w], n[w], start, k, radius[p], 2.0 * tol, circle[w, 2])
            new = _worth(x[w], y[w], n[w], start, k, r, tol)
            if new > worth[w]:
                worth[w], radius[w], count[w] = new, r, k
                found[w] = start


@njit(cache=True)
def _fit_limb(
    u: Floats, v: Floats, window: Ints, circle: Floats, tol: float, most: int, seed: int
) -> Any:
    """Circles of one limb's windows in their order; rows as ``COLUMNS``, zero for one circle."""
    m = window.shape[1]
    x, y, n = np.zeros((m, most)), np.zeros((m, most)), np.zeros(m, np.int64)
    found, start = np.zeros((m, MOST_SHELLS, 2)), np.zeros((MOST_SHELLS, 2))
    radius, count, worth = np.zeros(m), np.ones(m, np.int64), np.zeros(m)
    for w in range(m):
        size = window[1, w] - window[0, w]
        far = 1.3 * circle[w, 2] + REACH_M
        for i in range(min(size, most)):
            at = window[0, w] + (i * size) // min(size, most)
            if (u[at] - circle[w, 0]) ** 2 + (v[at] - circle[w, 1]) ** 2 < far * far:
                x[w, n[w]], y[w, n[w]] = u[at], v[at]
                n[w] += 1
        radius[w], count[w], worth[w] = _try_window(
            x[w], y[w], n[w], circle[w], tol, seed + 97 * w, found[w], start
        )
    _hand_on(x, y, n, circle, tol, (radius, count, worth), found)
    result = np.zeros((m, 4))
    for w in range(m):
        k = count[w]
        if k < 2:
            continue
        a, _, rms = _normal(x[w], y[w], n[w], found[w], k, radius[w], 1.5 * tol)
        result[w, 0], result[w, 2] = radius[w], rms
        result[w, 1] = rms * np.sqrt(np.linalg.inv(a)[2 * k, 2 * k])
        own = found[w, :k]
        result[w, 3] = np.sqrt(0.5 * (np.var(own[:, 0]) + np.var(own[:, 1])))
    return result


@njit(cache=True, nogil=True)
def _fit_limbs(
    across: Floats,
    window: Ints,
    circle: Floats,
    first: Ints,
    tol: float,
    most: int,
    result: Floats,
    part: Ints,
) -> Any:
    u, v = across[0], across[1]
    for limb in range(part[0], part[1]):
        low, high = first[limb], first[limb + 1]
        if high > low:
            result[low:high] = _fit_limb(
                u, v, window[:, low:high], circle[low:high], tol, most, limb + 1
            )


def fit_shells(
    u: Floats, v: Floats, window: Ints, circle: Floats, first: Ints, tol: float, most: int
) -> Floats:
    """Fit circles of one radius to the windows of all limbs, on all cores.

    Parameters
    ----------
    u, v : ndarray, shape (n,)
        Coordinates across the local axis. [m]
    window : ndarray, shape (2, k)
        First point of each window and the one after its last.
    circle : ndarray, shape (k, 3)
        The one circle fitted to each window: its centre and its radius. [m]
    first : ndarray, shape (j + 1,)
        Windows ``first[i]`` to ``first[i + 1]`` follow each other on limb ``i``.
    tol : float
        Points farther than this from a wall are not of it. [m]
    most : int
        Points used of each window.

    Returns
    -------
    ndarray, shape (k, 4)
        Columns as in ``COLUMNS``: the radius, its sd, the misfit, and how far the centres stand
        apart, root mean square along an axis; all zero where one circle does. [m]
    """
    k = window.shape[1]
    result = np.zeros((k, len(COLUMNS)))
    cores = max(os.cpu_count() or 1, 1)
    split = np.searchsorted(first, np.linspace(0, k, 4 * cores + 1)).astype(np.int64)
    split[0], split[-1] = 0, len(first) - 1
    across = np.stack([u, v])
    with ThreadPoolExecutor(cores) as pool:
        jobs = [
            pool.submit(
                _fit_limbs, across, window, circle, first, tol, most, result, split[i : i + 2]
            )
            for i in range(len(split) - 1)
        ]
        for job in jobs:
            job.result()
    return result
