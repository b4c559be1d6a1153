"""A way to take one piece, judged: what it costs, what it breaks, what it keeps free."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from treescan.motion.body import rigid_piece
from treescan.motion.clearance import clearances, wind_drift_m
from treescan.motion.types import Clearance, Path
from treescan.rigging.types import Anchor, LoadResult
from treescan.site.obstacles import Obstacles
from treescan.units import Band
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]
Gaps = tuple[Clearance, ...]

WIND_SHARE = 0.05
"""Most drift over height fallen in a wind of 3 m/s: our choice, no source."""


@dataclass(frozen=True)
class Option:
    """One judged way.

    Attributes
    ----------
    broken : tuple of str
        Limits it breaks, each a sentence with by how much.
    share : float
        Largest share of a load limit; 0 for a free fall.
    room_m : float
        Least distance to a target or conductor beyond its margin, spread included; inf
        without any.
    excess : float
        How far the worst limit that smaller pieces would mend is passed: 1 at the limit.
    """

    piece: Piece
    method: str
    path: Path
    landing: str
    clearances: tuple[Clearance, ...]
    minutes: Band
    people: int
    tie: str | None = None
    tie_m: Floats = field(default_factory=lambda: np.zeros((0, 3)))
    anchor: Anchor | None = None
    redirects: tuple[str, ...] = ()
    load: LoadResult | None = None
    hinge_azimuth_deg: float | None = None
    hinge_below_level_deg: float | None = None
    warnings: tuple[str, ...] = ()
    broken: tuple[str, ...] = ()
    share: float = 0.0
    room_m: float = float("inf")
    excess: float = 0.0

    @property
    def kept(self) -> bool:
        """Every limit and margin is kept."""
        return not self.broken

    @property
    def anchor_id(self) -> str | None:
        """Id of the anchor, if any."""
        return self.anchor.anchor_id if self.anchor is not None else None

    def refusal(self) -> str:
        """One line: this way and why not."""
        name = self.method if self.tie is None else f"{self.method}, {self.tie} tied"
        where = f" from {self.anchor_id}" if self.anchor is not None else ""
        aim = f" toward {self.hinge_azimuth_deg:.0f}°" if self.hinge_azimuth_deg is not None else ""
        return f"{name}{where}{aim}: {self.broken[0] if self.broken else 'slower or nearer'}"


def judged_gaps(piece: Piece, path: Path, obstacles: Obstacles, wind_m_s: float) -> Gaps:
    """Closest approaches with an allowance for wind in their spread.

    The allowance is the drift of :func:`wind_drift_m`, but no more than ``WIND_SHARE`` of the
    height fallen in a wind of 3 m/s, growing with its square: twigs let air through.
    """
    gaps = clearances(piece, path, obstacles)
    if not gaps or wind_m_s <= 0.0:
        return gaps
    fallen = float(path.centre_m[0, 2] - path.centre_m[-1, 2])
    most = WIND_SHARE * max(fallen, 0.0) * (wind_m_s / 3.0) ** 2
    drift = min(wind_drift_m(rigid_piece(piece), path, wind_m_s), most)
    return tuple(replace(gap, spread_m=gap.spread_m + drift) for gap in gaps)


def room_m(clearances: Iterable[Clearance]) -> float:
    """Least distance beyond a margin, spread included; inf when there is nothing to hit. [m]"""
    return min((c.distance_m - c.spread_m - c.margin_m for c in clearances), default=float("inf"))


def strikes(clearances: Iterable[Clearance]) -> list[str]:
    """Sentences for every margin that is not kept."""
    found = []
    for c in clearances:
        if c.kept:
            continue
        left = c.distance_m - c.spread_m
        if left < 0.0:
            found.append(f"would sweep the {c.target} by {-left:.1f} m")
        else:
            found.append(f"would pass the {c.target} at {left:.1f} m; {c.margin_m:.1f} m is wanted")
    return found


def dominated(option: Option, others: Sequence[Option]) -> bool:
    """Whether another option with the same anchor is no worse in load, room and time."""
    return any(
        other is not option
        and other.anchor_id == option.anchor_id
        and other.share <= option.share + 1e-9
        and other.room_m >= option.room_m - 1e-9
        and other.minutes.likely <= option.minutes.likely + 1e-9
        and (
            other.share < option.share - 1e-9
            or other.room_m > option.room_m + 1e-9
            or other.minutes.likely < option.minutes.likely - 1e-9
        )
        for other in others
    )


def front(options: Sequence[Option], most: int = 6) -> tuple[Option, ...]:
    """Options that keep every limit and are not dominated, quickest and lightest first."""
    kept = [o for o in options if o.kept]
    best = [o for o in kept if not dominated(o, kept)]
    best.sort(key=lambda o: (o.minutes.likely + 20.0 * o.share, -o.room_m))
    return tuple(best[:most])


def least_bad(options: Sequence[Option]) -> Option:
    """Option that breaks the fewest limits, by the least."""
    return min(options, key=lambda o: (len(o.broken), o.excess, -o.room_m, o.minutes.likely))
