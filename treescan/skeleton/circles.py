"""Robust circle fits over many windows of points at once.

Wood is opaque: a point deep inside a circle speaks against it, a point outside (leaf, neighbour,
ghost behind an edge) says nothing.  Candidates are circles through three points, drawn with a
fixed sequence; the best is refined by reweighted least squares in which every sector of the
ring that was seen has the same say, so that the station with most points does not rule.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit, prange

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SECTORS = 24
COLUMNS = ("u_m", "v_m", "radius_m", "rms_m", "radius_sd_m", "coverage", "inliers", "contrast")


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
def _score(x: Floats, y: Floats, n: int, cx: float, cy: float, r: float, tol: float) -> Any:
    total = 0.0
    for i in range(n):
        d = np.sqrt((x[i] - cx) ** 2 + (y[i] - cy) ** 2) - r
        q = d / tol
        if -1.0 < q < 1.0:
            total += 1.0 - q * q
        elif q < -2.0:
            total -= 0.5
        elif 1.0 <= q < 3.0:
            total -= 0.2
    return total


@njit(cache=True)
def _search(
    x: Floats, y: Floats, n: int, tol: float, r_low: float, r_high: float, seed: int
) -> Any:
    best = np.array([0.0, 0.0, -1.0])
    top = -1e9
    state = np.uint64(seed * 2654435761 + 88172645463325252)
    for _ in range(150):
        pick = np.zeros(3, np.int64)
        for a in range(3):
            state ^= state << np.uint64(13)
            state ^= state >> np.uint64(7)
            state ^= state << np.uint64(17)
            pick[a] = np.int64(state % np.uint64(n))
        cx, cy, r = _through_three(x, y, pick[0], pick[1], pick[2])
        if r < r_low or r > r_high:
            continue
        score = _score(x, y, n, cx, cy, r, tol)
        if score > top:
            top = score
            best[0], best[1], best[2] = cx, cy, r
    return best


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
def _refine(
    x: Floats, y: Floats, n: int, start: Ints, tol: float, r_low: float, r_high: float
) -> Any:
    cx, cy, r = start[0], start[1], start[2]
    out = np.zeros(8)
    sector = np.zeros(n, np.int64)
    for step in range(8):
        held = np.zeros(SECTORS)
        for i in range(n):
            dx, dy = x[i] - cx, y[i] - cy
            d = np.sqrt(dx * dx + dy * dy) - r
            sector[i] = int((np.arctan2(dy, dx) + np.pi) / (2 * np.pi) * SECTORS) % SECTORS
            q = d / tol
            if abs(q) < 1.0:
                held[sector[i]] += (1 - q * q) ** 2
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
        if step == 7:
            break
        cx, cy = cx + shift[0], cy + shift[1]
        r = min(max(r + shift[2], r_low), r_high)
    return out


@njit(cache=True, parallel=True)
def fit_circles(
    u: Floats,
    v: Floats,
    start: Ints,
    stop: Ints,
    tol: Floats,
    r_low: Floats,
    r_high: Floats,
    most: int,
) -> Any:
    """Fit one circle to each window of points.

    Parameters
    ----------
    u, v : ndarray, shape (n,)
        Coordinates across the local axis. [m]
    start, stop : ndarray, shape (k,)
        Window ``i`` holds points ``start[i]:stop[i]``.
    tol, r_low, r_high : ndarray, shape (k,)
        Tolerance of a point and limits of the radius. [m]
    most : int
        Points used of each window, evenly picked.

    Returns
    -------
    ndarray, shape (k, 8)
        Columns as in ``COLUMNS``; radius 0 where there is no fit.
    """
    k = len(start)
    result = np.zeros((k, 8))
    for w in prange(k):
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
        best = _search(x, y, n, tol[w], r_low[w], r_high[w], w + 1)
        if best[2] > 0:
            result[w] = _refine(x, y, n, best, tol[w], r_low[w], r_high[w])
    return result
