"""Robust circle fits over many windows of points at once.

Wood is opaque: a point deep inside a circle speaks against it, a point outside (leaf, neighbour,
ghost behind an edge) says nothing.  Candidates are circles through three points, drawn with a
fixed sequence; the best is refined by reweighted least squares in which every sector of the
ring that was seen has the same say, so that the station with most points does not rule.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SECTORS = 24
FINALISTS = 8
LEVELS = 8
COLUMNS = (
    "u_m",
    "v_m",
    "radius_m",
    "rms_m",
    "radius_sd_m",
    "coverage",
    "inliers",
    "contrast",
    "scatter_m",
)


@njit(cache=True)
def next_random(state: Any) -> Any:
    """The number after ``state`` (64 bits, not 0) of a fixed sequence (Marsaglia 2003)."""
    state ^= state << np.uint64(13)
    state ^= state >> np.uint64(7)
    state ^= state << np.uint64(17)
    return state


@njit(cache=True)
def _through_three(x: Floats, y: Floats, i: int, j: int, k: int) -> Any:
    ax, ay = x[j] - x[i], y[j] - y[i]
    bx, by = x[k] - x[i], y[k] - y[i]
    cross = 2.0 * (ax * by - ay * bx)
    if abs(cross) < 1e-12:
        return 0.0, 0.0, -1.0
    aa, bb = ax * ax + ay * ay, bx * bx + by * by
    cx = (by * aa - ay * bb) / cross
    cy = (ax * bb - bx * aa) / cross
    return x[i] + cx, y[i] + cy, np.sqrt(cx * cx + cy * cy)


@njit(cache=True)
def _score(x: Floats, y: Floats, n: int, circle: Floats, tol: float, area: float) -> Any:
    """How surprising the crowd on the circle is, over tolerances; ``(score, tolerance)``.

    With ``m`` of ``n`` points on the ring of share ``s`` of the window's area, the score is
    ``m log(m / (n s))``: the log likelihood gained over points strewn evenly.  Points deep
    inside count against it.
    """
    crowd = np.zeros(LEVELS + 1)
    cx, cy, r = circle[0], circle[1], circle[2]
    scale = LEVELS / tol
    inner = 0.25 * r * r
    deep = 0
    for i in range(n):
        square = (x[i] - cx) ** 2 + (y[i] - cy) ** 2
        level = int(abs(np.sqrt(square) - r) * scale)
        crowd[min(level, LEVELS)] += 1.0
        deep += square < inner
    top, best = -1e9, tol
    held = 0.0
    for k in range(LEVELS):
        held += crowd[k]
        if k < 2 or held < 4:
            continue
        width = (k + 1) / scale
        low = max(r - width, 0.0)
        share = ((r + width) ** 2 - low * low) / area
        gain = held * np.log(held / (n * share)) - deep
        if gain > top:
            top, best = gain, width
    return top, best


@njit(cache=True)
def _search(
    x: Floats, y: Floats, n: int, tol: float, limits: Floats, seed: int, trials: int
) -> Any:
    """Best circle through three of the points: ``[u, v, r, tolerance]``; r < 0 if none.

    All candidates are judged on a part of the points, the best few on all.
    """
    r_low, r_high = limits[0], limits[1]
    area = _window_area(x, y, n)
    few = min(n, 60)
    stride = n // few
    xs, ys = x[: few * stride : stride].copy(), y[: few * stride : stride].copy()
    top = np.full(FINALISTS, -1e9)
    final = np.zeros((FINALISTS, 3))
    circle = np.zeros(3)
    state = np.uint64(seed * 2654435761 + 88172645463325252)
    pick = np.zeros(3, np.int64)
    for _ in range(trials):
        for a in range(3):
            state = next_random(state)
            pick[a] = np.int64(state % np.uint64(n))
        circle[0], circle[1], circle[2] = _through_three(x, y, pick[0], pick[1], pick[2])
        if circle[2] < r_low or circle[2] > r_high:
            continue
        score, _ = _score(xs, ys, len(xs), circle, tol, area)
        worst = np.argmin(top)
        if score > top[worst]:
            top[worst] = score
            final[worst] = circle
    best = np.array([0.0, 0.0, -1.0, tol])
    highest = -1e9
    for k in range(FINALISTS):
        if top[k] <= -1e9:
            continue
        score, width = _score(x, y, n, final[k], tol, area)
        if score > highest:
            highest = score
            best[:3] = final[k]
            best[3] = width
    return best


@njit(cache=True)
def _window_area(x: Floats, y: Floats, n: int) -> Any:
    """Squared radius of the window about the mean point, widened a little. [m²]"""
    mx, my = x[:n].mean(), y[:n].mean()
    far = np.sort((x[:n] - mx) ** 2 + (y[:n] - my) ** 2)
    return (1.25 * np.sqrt(far[int(0.95 * (n - 1))]) + 0.01) ** 2


@njit(cache=True)
def _solve3(a: Floats, b: Floats) -> Any:
    """Inverse of a symmetric 3 x 3 matrix times b, and the inverse."""
    inv = np.zeros((3, 3))
    det = (
        a[0, 0] * (a[1, 1] * a[2, 2] - a[1, 2] * a[2, 1])
        - a[0, 1] * (a[1, 0] * a[2, 2] - a[1, 2] * a[2, 0])
        + a[0, 2] * (a[1, 0] * a[2, 1] - a[1, 1] * a[2, 0])
    )
    if abs(det) < 1e-18:
        return np.zeros(3), inv, False
    for i in range(3):
        for j in range(3):
            r0, r1 = (j + 1) % 3, (j + 2) % 3
            c0, c1 = (i + 1) % 3, (i + 2) % 3
            inv[i, j] = (a[r0, c0] * a[r1, c1] - a[r0, c1] * a[r1, c0]) / det
    return inv @ b, inv, True


@njit(cache=True)
def _contrast(x: Floats, y: Floats, n: int, cx: float, cy: float, r: float, tol: float) -> Any:
    """How much denser the ring is than its surroundings, and how empty inside; 0..1."""
    on = out = deep = 0.0
    for i in range(n):
        d = np.sqrt((x[i] - cx) ** 2 + (y[i] - cy) ** 2) - r
        if abs(d) <= tol:
            on += 1
        elif tol < d < 3 * tol:
            out += 1
        elif d < -tol:
            deep += 1
    if on < 1:
        return 0.0
    inner = max(r - tol, 0.0)
    area_on = (r + tol) ** 2 - inner * inner
    area_out = (r + 3 * tol) ** 2 - (r + tol) ** 2
    sparse = 1.0 - min(out / area_out * area_on / on, 1.0)
    return sparse * max(1.0 - 2.0 * deep / on, 0.0)


@njit(cache=True)
def _scatter(x: Floats, y: Floats, n: int, cx: float, cy: float, r: float) -> Any:
    """Robust spread of all points about the circle (median absolute misfit, scaled). [m]"""
    d = np.empty(n)
    for i in range(n):
        d[i] = abs(np.sqrt((x[i] - cx) ** 2 + (y[i] - cy) ** 2) - r)
    return 1.4826 * np.median(d)


@njit(cache=True)
def _sector_weights(
    x: Floats, y: Floats, n: int, cx: float, cy: float, r: float, tol: float, sector: Ints
) -> Any:
    """Weight of the points near the circle in each sector; fills in each point's sector."""
    held = np.zeros(SECTORS)
    for i in range(n):
        dx, dy = x[i] - cx, y[i] - cy
        d = np.sqrt(dx * dx + dy * dy) - r
        sector[i] = int((np.arctan2(dy, dx) + np.pi) / (2 * np.pi) * SECTORS) % SECTORS
        q = d / tol
        if abs(q) < 1.0:
            held[sector[i]] += (1 - q * q) ** 2
    return held


@njit(cache=True)
def _refine(
    x: Floats, y: Floats, n: int, start: Ints, tol: float, r_low: float, r_high: float
) -> Any:
    cx, cy, r = start[0], start[1], start[2]
    out = np.zeros(9)
    sector = np.zeros(n, np.int64)
    for step in range(8):
        held = _sector_weights(x, y, n, cx, cy, r, tol, sector)
        a = np.zeros((3, 3))
        b = np.zeros(3)
        weight = square = 0.0
        inliers = 0
        for i in range(n):
            dx, dy = x[i] - cx, y[i] - cy
            rho = np.sqrt(dx * dx + dy * dy)
            d = rho - r
            q = d / tol
            if abs(q) >= 1.0 or rho < 1e-9:
                continue
            w = (1 - q * q) ** 2 / np.sqrt(held[sector[i]] + 1.0)
            j0, j1 = dx / rho, dy / rho
            a[0, 0] += w * j0 * j0
            a[0, 1] += w * j0 * j1
            a[0, 2] += w * j0
            a[1, 1] += w * j1 * j1
            a[1, 2] += w * j1
            a[2, 2] += w
            b[0] += w * j0 * d
            b[1] += w * j1 * d
            b[2] += w * d
            weight += w
            square += w * d * d
            inliers += 1
        a[1, 0], a[2, 0], a[2, 1] = a[0, 1], a[0, 2], a[1, 2]
        if inliers < 5:
            break
        ridge = 1e-3 * weight
        for k in range(2):
            a[k, k] += ridge * 0.1
        shift, inv, ok = _solve3(a, b)
        if not ok:
            break
        seen = 0
        for k in range(SECTORS):
            if held[k] > 0.5:
                seen += 1
        rms = np.sqrt(square / weight)
        free = max(min(float(inliers), 8.0 * seen) - 3.0, 1.0)
        out[0], out[1], out[2], out[3] = cx, cy, r, rms
        out[4] = rms * np.sqrt(max(inv[2, 2], 0.0) * weight / free)
        out[5] = seen / SECTORS
        out[6] = inliers
        out[7] = _contrast(x, y, n, cx, cy, r, tol)
        out[8] = _scatter(x, y, n, cx, cy, r)
        if step == 7:
            break
        cx, cy = cx + shift[0], cy + shift[1]
        r = min(max(r + shift[2], r_low), r_high)
    return out


@njit(cache=True, nogil=True)
def _fit_range(
    across: Floats, window: Ints, tol: Floats, limits: Floats, most: int, result: Floats, part: Ints
) -> Any:
    u, v = across[0], across[1]
    start, stop, trials = window[0], window[1], window[2]
    low, high = part[0], part[1]
    for w in range(low, high):
        size = stop[w] - start[w]
        if size < 6:
            continue
        n = min(size, most)
        x = np.empty(n)
        y = np.empty(n)
        for i in range(n):
            at = start[w] + (i * size) // n
            x[i] = u[at]
            y[i] = v[at]
        best = _search(x, y, n, tol[w], limits[w], w + 1, trials[w])
        if best[2] > 0:
            wide = min(1.5 * best[3], tol[w])
            result[w] = _refine(x, y, n, best, wide, limits[w, 0], limits[w, 1])


def fit_circles(
    u: Floats, v: Floats, window: Ints, tol: Floats, limits: Floats, most: int
) -> Floats:
    """Fit one circle to each window of points, on all cores.

    Parameters
    ----------
    u, v : ndarray, shape (n,)
        Coordinates across the local axis. [m]
    window : ndarray, shape (3, k)
        First point of each window, the one after its last, and how many circles to try.
    tol : ndarray, shape (k,)
        Widest tolerance of a point; sharper ones are tried as well. [m]
    limits : ndarray, shape (k, 2)
        Least and greatest radius. [m]
    most : int
        Points used of each window, evenly picked.

    Returns
    -------
    ndarray, shape (k, 9)
        Columns as in ``COLUMNS``; radius 0 where there is no fit.
    """
    k = window.shape[1]
    result = np.zeros((k, len(COLUMNS)))
    cores = max(os.cpu_count() or 1, 1)
    split = np.linspace(0, k, 4 * cores + 1).astype(np.int64)
    across = np.stack([u, v])
    with ThreadPoolExecutor(cores) as pool:
        jobs = [
            pool.submit(_fit_range, across, window, tol, limits, most, result, split[i : i + 2])
            for i in range(len(split) - 1)
        ]
        for job in jobs:
            job.result()
    return result
