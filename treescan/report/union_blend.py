"""Blend of a limb into its parent: the ring grid of a limb is flared where it meets the parent.

The blended surface is the zero level of a polynomial smooth minimum of two distances, the one to
the limb and the one to its parent (Quilez 2013, "Smooth minimum", form
``min(a, b) - max(k - |a - b|, 0)^2 / (4 k)``).  The parent's own surface is left as it is: the
limb's corner lines are cut where their distance to the parent passes fixed levels, and each
point is pushed outward until the smooth minimum is zero, so that the limb's surface runs out
tangent to the parent and a little below it.  Joining the two solids then leaves no step.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.float64]

LEVELS = (1.0, 0.6, 0.32, 0.12)
"""Distances to the parent, in shares of the blend's size, at which a limb's rings are laid."""
SINK = 0.06
"""How far below the parent's surface the blend ends, as a share of the parent's radius."""


def blend_size_m(limb_radius_m: float, parent_radius_m: float) -> float:
    """Reach of the blend: less than the limb is thick, and never so wide as to hide the parent."""
    spare = max(0.9 * parent_radius_m - limb_radius_m, 0.0)
    return min(0.7 * limb_radius_m, 0.8 * spare + 0.1 * limb_radius_m)


def flared(
    rings_m: Floats, out: Floats, centre_m: Floats, radius_m: Floats, size_m: float
) -> Floats:
    """Return the rings (j, c, 3) that carry a limb's corner lines into its parent.

    Parameters
    ----------
    rings_m, out : ndarray, shape (k, c, 3)
        Rings of the limb from inside the parent outward, close together, and unit vectors
        outward at their corners.
    centre_m, radius_m : ndarray, shape (s, 3), (s,)
        The parent's run of ring centres near the union.
    size_m : float
        Reach of the blend, see :func:`blend_size_m`.

    Returns
    -------
    ndarray, shape (len(LEVELS) + 1, c, 3)
        Innermost first.
    """
    sink = SINK * float(np.median(radius_m))
    levels = np.array([*(size_m * s for s in LEVELS), -sink])[::-1].copy()
    return _flared(rings_m, out, centre_m, radius_m, size_m, sink, levels)


@njit(cache=True)
def distance_to_run(p: Floats, centre: Floats, radius: Floats) -> float:
    """Distance of a point to the surface of a run of cones; negative inside. [m]

    ``p`` (3,) is the point, ``centre`` (k, 3) and ``radius`` (k,) are those of the run's rings.
    """
    best = np.inf
    for i in range(len(radius) - 1):
        along2, dot = 0.0, 0.0
        for d in range(3):
            e = centre[i + 1, d] - centre[i, d]
            along2 += e * e
            dot += e * (p[d] - centre[i, d])
        t = min(max(dot / along2, 0.0), 1.0) if along2 > 1e-18 else 0.0
        off2 = 0.0
        for d in range(3):
            off2 += (p[d] - centre[i, d] - t * (centre[i + 1, d] - centre[i, d])) ** 2
        gap = np.sqrt(off2) - radius[i] - t * (radius[i + 1] - radius[i])
        best = min(best, gap)
    return best


@njit(cache=True)
def _flared(
    rings: Floats,
    out: Floats,
    centre: Floats,
    radius: Floats,
    k: float,
    sink: float,
    levels: Floats,
) -> Floats:
    count, corners = rings.shape[0], rings.shape[1]
    made = np.empty((len(levels), corners, 3))
    gap = np.empty(count)
    for c in range(corners):
        for i in range(count):
            gap[i] = distance_to_run(rings[i, c], centre, radius)
        for j in range(len(levels)):
            i = count - 1  # the outermost place where the line is still nearer than the level
            while i > 0 and gap[i] > levels[j]:
                i -= 1
            share = 0.0
            if i < count - 1 and gap[i + 1] > gap[i] and gap[i] <= levels[j]:
                share = min((levels[j] - gap[i]) / (gap[i + 1] - gap[i]), 1.0)
            up = min(i + 1, count - 1)
            p = rings[i, c] + share * (rings[up, c] - rings[i, c])
            n = out[i, c] + share * (out[up, c] - out[i, c])
            n /= np.sqrt((n * n).sum())
            made[j, c] = _pushed(p, n, centre, radius, k, sink, j == 0)
    return made


@njit(cache=True)
def _pushed(
    p: Floats, n: Floats, centre: Floats, radius: Floats, k: float, sink: float, last: bool
) -> Floats:
    """Point on the blended surface straight out from ``p``; the last ring ends in the parent."""
    first = distance_to_run(p, centre, radius)
    if first <= -sink and not last:
        return p.copy()
    low, high, steps = 0.0, k, 8
    for s in range(1, steps + 1):
        t = k * s / steps
        if _done(p, n, t, centre, radius, k, sink):
            high = t
            break
        low = t
    for _ in range(14):
        t = 0.5 * (low + high)
        if _done(p, n, t, centre, radius, k, sink):
            high = t
        else:
            low = t
    q = p + (k if last and first > -2 * sink else high) * n
    if last:
        for _ in range(3):  # lay the rim just below the parent's surface
            gap = distance_to_run(q, centre, radius)
            if gap <= -sink:
                break
            slope = np.empty(3)
            for d in range(3):
                e = q.copy()
                e[d] += 1e-4
                slope[d] = (distance_to_run(e, centre, radius) - gap) / 1e-4
            q = q - (gap + sink) * slope / max((slope * slope).sum(), 0.25)
    return q


@njit(cache=True)
def _done(
    p: Floats, n: Floats, t: float, centre: Floats, radius: Floats, k: float, sink: float
) -> bool:
    gap = distance_to_run(p + t * n, centre, radius)
    if gap <= -sink:
        return True
    h = max(k - abs(t - gap), 0.0)
    return min(t, gap) - h * h / (4.0 * k) >= 0.0
