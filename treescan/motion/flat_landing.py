"""Which length of section lands flat from a height, and how sure that is (handbook 10.1, 10.2).

A slender section tips on its hinge, parts at a break angle and keeps its rate of turn while it
falls.  Turn and height are tied by the length alone, so the answer is a table over lengths.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.mechanics.inputs import positive, within

Floats = npt.NDArray[np.float64]

SHAPES = {"log": (0.5, 1.0 / 3.0), "top": (0.25, 0.1)}
"""Centre of mass over length, and squared radius of gyration about the butt over length²: a
uniform rod, and a slender cone standing on its base [exact, handbook 9.1]."""

BREAK_SPREAD_DEG = 10.0
"""Break angles this far to both sides of the one aimed at are taken as likely: our choice."""

SURE_SHARE = 0.8
FLAT_WITHIN_DEG = 30.0
"""Do not promise flat landings closer than this to level [handbook 10.1]."""

_TURN = np.radians(np.arange(0.0, 1441.0, 0.5))


@dataclass(frozen=True)
class FlatLength:
    """Lengths that land flat from one height.

    ``turn`` is "quarter" or "three-quarter"; ``chance`` is the least over the band of the
    share of likely break angles that land within 30 degrees of level.
    """

    low_m: float
    high_m: float
    turn: str
    chance: float

    @property
    def sure(self) -> bool:
        """At least :data:`SURE_SHARE` of the likely break angles land flat."""
        return self.chance >= SURE_SHARE


def turn_at_touch_deg(
    length_m: npt.ArrayLike, height_m: float, break_deg: npt.ArrayLike, shape: str = "log"
) -> Floats:
    """Turn of a section at its first touch, 90 flat, 180 upside down. [degrees]

    With D the turn after the break at b its centre of mass has sunk by
    ``r sin b D + rho² D² / (4 r (1 - cos b))`` lengths below where the hinge parted.

    Parameters
    ----------
    length_m : array_like, shape (n,)
        [m]
    height_m : float
        Hinge above the ground. [m]
    break_deg : array_like, shape (b,)
        [degrees]

    Returns
    -------
    ndarray, shape (n, b)
        Exact to a quarter of a degree.
    """
    r, rho2 = _shape(shape)
    length = np.atleast_1d(positive("length", length_m, 60.0, "m"))[:, None, None]
    height = float(positive("height", height_m, 120.0, "m"))
    start = np.radians(np.atleast_1d(within("break angle", break_deg, 1.0, 90.0)))[None, :, None]
    turned = _TURN[None, None, :]
    drop = r * np.sin(start) * turned + rho2 * turned**2 / (4.0 * r * (1.0 - np.cos(start)))
    centre = height + length * (r * np.cos(start) - drop)
    up = np.cos(start + turned)
    lowest = centre + length * np.minimum(-r * up, (1.0 - r) * up)
    touched = lowest <= 0.0
    first = np.argmax(touched, axis=2)
    first = np.where(touched.any(axis=2), first, len(_TURN) - 1)
    before = np.maximum(first - 1, 0)
    after_gap = np.take_along_axis(lowest, first[..., None], 2)[..., 0]
    gap = np.take_along_axis(lowest, before[..., None], 2)[..., 0]
    share = np.where(gap > after_gap, gap / np.maximum(gap - after_gap, 1e-12), 1.0)
    share = np.clip(share, 0.0, 1.0)
    result: Floats = np.degrees(
        start[..., 0] + _TURN[before] + share * (_TURN[first] - _TURN[before])
    )
    return result


def flat_chance(
    length_m: npt.ArrayLike,
    height_m: float,
    break_deg: float = 55.0,
    spread_deg: float = BREAK_SPREAD_DEG,
    shape: str = "log",
) -> Floats:
    """Share of the likely break angles with which a length lands within 30 degrees of level.

    Parameters
    ----------
    length_m : array_like, shape (n,)
        [m]
    height_m : float
        [m]
    break_deg, spread_deg : float
        [degrees]

    Returns
    -------
    ndarray, shape (n,)
    """
    angles = np.clip(break_deg + spread_deg * np.linspace(-1.0, 1.0, 21), 2.0, 90.0)
    turn = turn_at_touch_deg(length_m, height_m, angles, shape)
    off = np.abs((turn % 180.0) - 90.0)
    return np.asarray((off <= FLAT_WITHIN_DEG).mean(axis=1), dtype=np.float64)


def flat_lengths(
    height_m: float,
    break_deg: float = 55.0,
    *,
    shape: str = "log",
    shortest_m: float = 0.4,
    longest_m: float = 12.0,
    least_chance: float = 0.5,
) -> tuple[FlatLength, ...]:
    """Bands of section length that land flat from a height, longest first.

    Bands in which at least ``least_chance`` of the likely break angles land flat are given,
    so that none hides how unsure it is; nothing longer than ``longest_m`` is looked at.
    """
    length = np.arange(shortest_m, longest_m + 1e-9, 0.05)
    chance = flat_chance(length, height_m, break_deg, shape=shape)
    turn = turn_at_touch_deg(length, height_m, break_deg, shape)[:, 0]
    kind = np.where(turn < 180.0, 0, np.where(turn < 360.0, 1, 2))
    good = (chance >= least_chance) & (kind < 2)
    found = []
    for number, name in ((0, "quarter"), (1, "three-quarter")):
        rows = np.flatnonzero(good & (kind == number))
        for run in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1):
            if len(run):
                low, high = float(length[run[0]]), float(length[run[-1]])
                found.append(FlatLength(low, high, name, float(chance[run].min())))
    return tuple(sorted(found, key=lambda band: -band.high_m))


def _shape(shape: str) -> tuple[float, float]:
    if shape not in SHAPES:
        raise InvalidInputError(f"shape '{shape}' is not known. Use one of {', '.join(SHAPES)}.")
    return SHAPES[shape]
