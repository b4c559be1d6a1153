"""Robust circles through points of a thin slice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from treescan.pointcloud.cloud import Floats

SECTORS = 24


@dataclass(frozen=True)
class Circle:
    """A circle and how well the points show it.

    Attributes
    ----------
    x_m, y_m, radius_m : float
    spread_m : float
        Median absolute distance of the points from the circle. [m]
    seen_share : float
        Share of the circumference with points on it, 0..1.
    inside_share : float
        Share of the points clearly inside the circle (a solid stem has none), 0..1.
    points : int
    """

    x_m: float
    y_m: float
    radius_m: float
    spread_m: float
    seen_share: float
    inside_share: float
    points: int


def robust_circle(xy: Floats, *, trials: int = 120, seed: int = 0) -> Circle | None:
    """Circle that most points lie near, or None for fewer than 8 points.

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
        Points of a slice. [m]

    Notes
    -----
    Random triples, scored by the median distance of all points, then an algebraic fit (Kåsa
    1976, IEEE Trans. Instrum. Meas. 25:8-14) to the points near the best one, iterated.
    """
    if len(xy) < 8:
        return None
    rng = np.random.default_rng(seed)
    centre = xy.mean(axis=0)
    local = xy - centre
    tested = local if len(local) <= 600 else local[rng.permutation(len(local))[:600]]
    candidates = _through_triples(tested[rng.integers(0, len(tested), size=(trials, 3))])
    if len(candidates) == 0:
        return None
    distance = np.abs(
        np.hypot(tested[None, :, 0] - candidates[:, 0:1], tested[None, :, 1] - candidates[:, 1:2])
        - candidates[:, 2:3]
    )
    tolerance = np.maximum(0.01, 0.06 * candidates[:, 2:3])
    score = (np.clip(1.0 - (distance / tolerance) ** 2, 0.0, None)).mean(axis=1)
    return _refined(local, centre, candidates[int(np.argmax(score))])


def circle_about(xy: Floats, x_m: float, y_m: float, free_m: float) -> Circle | None:
    """The circle around an empty place, or None for fewer than 8 points about that.

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
        Points of a slice. [m]
    x_m, y_m, free_m : float
        Middle of the empty place and the distance of the point nearest to it.
    """
    centre = np.array([x_m, y_m])
    local = xy - centre
    away = np.hypot(local[:, 0], local[:, 1])
    first = away < 1.35 * free_m + 0.02
    if first.sum() < 8:
        return None
    return _refined(local[away < 1.5 * free_m + 0.03], centre, (0.0, 0.0, np.median(away[first])))


def _refined(local: Floats, centre: Floats, start: Sequence[float] | Floats) -> Circle:
    """Algebraic fits to the points near the last circle, from ``start`` (x, y, radius) on."""
    x, y, r = start
    for _ in range(4):
        rest = np.abs(np.hypot(local[:, 0] - x, local[:, 1] - y) - r)
        near = rest <= max(0.012, 0.08 * r)
        if near.sum() < 6:
            break
        fitted = algebraic_circle(local[near])
        if fitted is None:
            break
        x, y, r = fitted
    return _described(local, centre, float(x), float(y), float(r))


def algebraic_circle(xy: Floats) -> tuple[float, float, float] | None:
    """Least-squares circle (x, y, radius), or None for points on a line. [m]

    ``xy`` (n, 2); linear in x, y and x² + y² (Kåsa 1976 [from memory]).
    """
    design = np.column_stack((2.0 * xy, np.ones(len(xy))))
    solution, _, rank, _ = np.linalg.lstsq(design, (xy**2).sum(axis=1), rcond=None)
    square = solution[2] + solution[0] ** 2 + solution[1] ** 2
    if rank < 3 or square <= 0.0:
        return None
    return float(solution[0]), float(solution[1]), float(np.sqrt(square))


def _through_triples(corners: Floats) -> Floats:
    """Circles through triples, shape (m, 3) of x, y, radius; triples on a line are left out."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    ab, ac = b - a, c - a
    cross = 2.0 * (ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0])
    good = np.abs(cross) > 1e-9
    ab, ac, a, cross = ab[good], ac[good], a[good], cross[good]
    ab2, ac2 = (ab**2).sum(axis=1), (ac**2).sum(axis=1)
    x = (ac[:, 1] * ab2 - ab[:, 1] * ac2) / cross
    y = (ab[:, 0] * ac2 - ac[:, 0] * ab2) / cross
    radius = np.hypot(x, y)
    circles: Floats = np.column_stack((a[:, 0] + x, a[:, 1] + y, radius))
    return circles[radius < 3.0]


def _described(local: Floats, centre: Floats, x: float, y: float, r: float) -> Circle:
    distance = np.hypot(local[:, 0] - x, local[:, 1] - y)
    rest = np.abs(distance - r)
    near = rest <= max(0.015, 0.12 * r)
    angle = np.arctan2(local[near, 1] - y, local[near, 0] - x)
    sectors = np.unique(((angle + np.pi) / (2 * np.pi) * SECTORS).astype(np.int64) % SECTORS)
    return Circle(
        x_m=float(centre[0]) + x,
        y_m=float(centre[1]) + y,
        radius_m=r,
        spread_m=float(np.median(rest)),
        seen_share=len(sectors) / SECTORS,
        inside_share=float((distance < 0.6 * r).mean()),
        points=int(near.sum()),
    )
