"""The outline of a stem's section by sectors, handed from slice to slice down a butt.

A butt is no circle: lobes run down into the roots, and one side of it is often hidden.  But its
outline changes little from slice to slice.  So the outline is a wave of a few harmonics in the
logarithm of the distance from the axis, and each slice is the observation of one that changed a
little since the slice above (Kalman filter, as in `treescan.skeleton.taper`).  What was not seen
keeps the shape it had above, swells as the seen part does, and is the less sure the longer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SECTORS = 36
HARMONICS = 6
SECTOR_SD_M = 0.0015
"""What the middle of a sector may be off where it was seen well. [m, judgement]"""
FEWEST_IN_SECTOR = 5
HALF_SLICE_M = 0.06
FEWEST_SECTORS = 6
ROUND, CHANGE = 0.06, 0.02
"""Standard deviation of the first harmonic about a circle, and from slice to slice, as a share of
the radius; that of the others falls off with their number. [judgement]"""
FREE = 1.0
"""The same of the size, of which nothing is taken to be known."""
MOVED, MOVED_M = 0.04, 0.012
"""How far a stem's outline may move from slice to slice above its flare: a share of the radius and
more. [judgement]"""
SHARP = 0.8
"""Outlines start at a circle that stands out from its surroundings by at least this share of what
the clearest one does. [judgement]"""


@dataclass(frozen=True)
class Outline:
    """Section of a stem about its axis.

    ``wave`` (1 + 2 HARMONICS,) are the coefficients of the logarithm of the distance from the
    axis, ``cover`` their covariance; ``scatter_m`` is what points scatter about the outline.
    """

    wave: Floats
    cover: Floats
    scatter_m: float = 0.0

    @property
    def rho_m(self) -> Floats:
        """Distance from the axis at :func:`sector_angles`, shape (SECTORS,). [m]"""
        result: Floats = np.exp(waves(sector_angles()) @ self.wave)
        return result

    @property
    def radius_m(self) -> float:
        """Radius of the circle of equal area. [m]"""
        return float(np.sqrt(np.mean(self.rho_m**2)))

    @property
    def radius_sd_m(self) -> float:
        """Standard deviation of that radius. [m]"""
        by_wave = self.rho_m**2 @ waves(sector_angles()) / (SECTORS * self.radius_m)
        return float(np.sqrt(by_wave @ self.cover @ by_wave))


def circle(radius_m: float, shift_m: tuple[float, float] = (0.0, 0.0)) -> Outline:
    """A stem that is nearly round and about so wide, its middle off the axis by ``shift_m``."""
    wave = np.zeros(1 + 2 * HARMONICS)
    wave[0] = np.log(radius_m)
    wave[1], wave[2] = shift_m[0] / radius_m, shift_m[1] / radius_m
    return Outline(wave, _spread(ROUND))


def _spread(first: float) -> Floats:
    """Covariance of the harmonics, of which the first has the given sd, and of the free size."""
    number = 1 + np.arange(2 * HARMONICS) // 2
    result: Floats = np.diag(np.append(FREE, first / number) ** 2)
    return result


def frames(direction: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors across each direction, shape (n, 3) each."""
    helper = np.where(np.abs(direction[:, 2:3]) < 0.9, [0.0, 0.0, 1.0], [1.0, 0.0, 0.0])
    u = np.cross(direction, helper)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    return u, np.cross(direction, u)


def sector_angles() -> Floats:
    """Middle of each sector, shape (SECTORS,). [rad]"""
    result: Floats = (np.arange(SECTORS) + 0.5) / SECTORS * 2 * np.pi - np.pi
    return result


def sector_of(turn: Floats, sectors: int = SECTORS) -> Ints:
    """Sector in which each angle ``turn`` (n,) lies, shape (n,).  [rad, -pi to pi]"""
    result: Ints = ((turn + np.pi) / (2 * np.pi) * sectors).astype(np.int64) % sectors
    return result


def sector_middles(rho: Floats, turn: Floats) -> tuple[Floats, Ints]:
    """Median distance and number of the points of each sector, shape (SECTORS,) each.

    ``rho`` [m] and ``turn`` [rad, -pi to pi] are the points' polar coordinates, (n,) each.
    """
    sector = sector_of(turn)
    order = np.lexsort((rho, sector))
    count = np.bincount(sector, minlength=SECTORS)
    first = np.cumsum(count) - count
    middle = np.zeros(SECTORS)
    full = count > 0
    low, high = first + np.maximum(count - 1, 0) // 2, first + count // 2
    middle[full] = 0.5 * (rho[order[low[full]]] + rho[order[high[full]]])
    return middle, count


def waves(angle: Floats) -> Floats:
    """Constant, cosine and sine of each harmonic at ``angle`` (n,) [rad]: (n, 1 + 2 HARMONICS)."""
    turns = np.arange(1, HARMONICS + 1) * angle[:, None]
    pairs = np.stack([np.cos(turns), np.sin(turns)], axis=2).reshape(len(angle), -1)
    return np.column_stack([np.ones(len(angle)), pairs])


def next_outline(rho: Floats, turn: Floats, above: Outline, reach_m: float) -> Outline | None:
    """Outline of a slice from that of the slice ``above``; None where too little was seen.

    Parameters
    ----------
    rho, turn : ndarray, shape (n,)
        Points of the slice about the axis: distance [m] and angle [rad, -pi to pi].
    reach_m : float
        How far the outline may have moved. [m]
    """
    angle = sector_angles()
    design, expected = waves(angle), above.rho_m
    hold = np.linalg.inv(above.cover + _spread(CHANGE))
    found = above
    for _ in range(4):
        off = rho - np.interp(turn, angle, found.rho_m, period=2 * np.pi)
        on = np.abs(off) < reach_m
        middle, count = sector_middles(rho[on], turn[on])
        seen = count >= FEWEST_IN_SECTOR
        if seen.sum() < FEWEST_SECTORS:
            return None
        scatter = 1.4826 * float(np.median(np.abs(off[on])))
        sd = np.sqrt(SECTOR_SD_M**2 + scatter**2 / count[seen]) / expected[seen]
        part = design[seen]
        cover = np.linalg.inv(part.T @ (part / sd[:, None] ** 2) + hold)
        change = cover @ (part.T @ (np.log(middle[seen] / expected[seen]) / sd**2))
        found = Outline(above.wave + change, cover, scatter)
    return found


def hand_down(
    points: Floats, place: tuple[Floats, Floats], start: Outline, share: Floats
) -> list[Outline | None]:
    """Outlines of the slices of a stem, each from the one before; None where little was seen.

    Parameters
    ----------
    points : ndarray, shape (p, 3)
        Points of the stem and about it. [m]
    place : tuple of two ndarray, shape (k, 3)
        Middle of each slice [m], in the order in which the outline is handed on, and the unit
        vector of the axis there.
    start : Outline
        That of the first slice, roughly.
    share : ndarray, shape (k,)
        How far the outline may have moved at each slice, as a share of the radius; ``MOVED_M``
        more.
    """
    centre, along = place
    u_axis, v_axis = frames(along)
    found: list[Outline | None] = []
    last = start
    for k in range(len(centre)):
        step = points - centre[k]
        step = step[np.abs(step @ along[k]) < HALF_SLICE_M]
        u, v = step @ u_axis[k], step @ v_axis[k]
        reach = MOVED_M + float(share[k]) * last.radius_m
        found.append(next_outline(np.hypot(u, v), np.arctan2(v, u), last, reach))
        last = found[-1] or last
    return found
