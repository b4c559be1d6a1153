"""A way to take one piece, judged: what it costs, what it breaks, what it keeps free."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from treescan.motion.body import rigid_piece
from treescan.motion.clearance import clearances, wind_drift_m
from treescan.motion.types import Clearance, Path
from treescan.planning.trial import Trial
from treescan.rigging.types import Anchor, LoadResult
from treescan.site.obstacles import Obstacles
from treescan.units import Band
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]
Gaps = tuple[Clearance, ...]

TOUCHING_M = 0.3
NEARER_M = 0.1
"""Wood deeper in a target than the first is said to be an error of scan or site file; no piece
may come nearer than it stands by more than the second: our choice, no source. [m]"""

CREDIBLE = 0.05
"""A way with a greater chance of a breach gives way to one that is surer: our choice."""

CHANCE_MIN = 200.0
"""Minutes that a sure breach counts for when ways are compared: our choice."""

LEAST_STEP_S = 0.0015

WIND_SHARE = 0.05
"""Most drift over height fallen in a wind of 3 m/s: our choice, no source."""


def tidied(path: Path) -> Path:
    """The same path with its times rising by a millisecond at least: figures are rounded."""
    steps = np.diff(path.time_s)
    if (steps >= LEAST_STEP_S).all():
        return path
    time = path.time_s.copy()
    for i in np.flatnonzero(steps < LEAST_STEP_S):
        time[i + 1] = max(time[i + 1], time[i] + LEAST_STEP_S)
    return replace(path, time_s=time)


@dataclass(frozen=True)
class Option:
    """One judged way.

    Attributes
    ----------
    tie_m : ndarray, shape (j, 3)
        Places of the ties, butt side first; j is 0 for a fall. [m]
    broken : tuple of str
        Limits it breaks, each a sentence with by how much.
    share : float
        Largest share of a load limit; of the ground's energy limit for a fall.
    room_m : float
        Least distance to a target or conductor beyond its margin, spread included; inf
        without any.
    excess : float
        How far the worst limit that smaller pieces would mend is passed: 1 at the limit.
    chance : float
        Chance that the way passes a margin or a limit of the ground after all (hinge early or
        late, another stretch, a push aside), 0..1.
    trial : Trial, or None
        What its cases make of it, where they were tried.
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
    chance: float = 0.0
    trial: Trial | None = None

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
    drift = wind_allowance_m(piece, path, wind_m_s)
    return tuple(replace(gap, spread_m=gap.spread_m + drift) for gap in gaps)


def wind_allowance_m(piece: Piece, path: Path, wind_m_s: float) -> float:
    """Drift allowed for wind: see :func:`judged_gaps`. [m]"""
    if wind_m_s <= 0.0:
        return 0.0
    fallen = float(path.centre_m[0, 2] - path.centre_m[-1, 2])
    most = WIND_SHARE * max(fallen, 0.0) * (wind_m_s / 3.0) ** 2
    return min(wind_drift_m(rigid_piece(piece), path, wind_m_s), most)


@dataclass(frozen=True)
class Passing:
    """What the closest approaches of one way mean.

    ``broken`` are sentences for margins not kept, ``warnings`` for wood that stands inside a
    margin already, ``room_m`` is the least distance beyond what is wanted.
    """

    broken: tuple[str, ...]
    warnings: tuple[str, ...]
    room_m: float


PASSES = ("would sweep ", "would pass ", "stands ")
"""How the sentences of :func:`passing` for a margin that is not kept begin."""


def passing(gaps: Gaps, standing_m: Floats, is_conductor: npt.NDArray[np.bool_]) -> Passing:
    """Judge closest approaches.

    Wood that stands inside a target's margin before the cut, or less than the spread outside
    it, cannot keep it; it must then come no nearer than it stands.  From conductors the margin
    is kept without exception.

    Parameters
    ----------
    gaps : tuple of Clearance
        In the order of the site file.
    standing_m : ndarray, shape (n,)
        Distance of the piece to each of them before the cut. [m]
    is_conductor : ndarray, shape (n,), bool
    """
    broken, warnings, room = [], [], float("inf")
    for gap, before, wire in zip(gaps, standing_m, is_conductor, strict=True):
        left, wanted = gap.distance_m - gap.spread_m, gap.margin_m
        if before - gap.spread_m < wanted and not wire:
            left, wanted = gap.distance_m, min(wanted, float(before) - NEARER_M)
            if left >= wanted:
                warnings.append(_already_near(float(before), gap))
        room = min(room, left - wanted)
        if left >= wanted:
            continue
        if wire and before < wanted:
            broken.append(
                f"stands {max(before, 0.0):.1f} m from the {gap.target}, {wanted:.1f} m is to be"
                " kept"
            )
        elif left < 0.0:
            broken.append(f"would sweep the {gap.target} by {-left:.1f} m")
        else:
            broken.append(f"would pass the {gap.target} at {left:.1f} m; {wanted:.1f} m is wanted")
    return Passing(tuple(broken), tuple(warnings), room)


def _already_near(before_m: float, gap: Clearance) -> str:
    if before_m < -TOUCHING_M:
        return (
            f"reaches {-before_m:.1f} m into the {gap.target} as scan and site file have it: check"
            " both, free it by hand first"
        )
    return (
        f"stands {max(before_m, 0.0):.1f} m from the {gap.target}; {gap.margin_m:.1f} m is wanted:"
        " hold it off while it is cut"
    )


def standing_distance_m(piece: Piece, obstacles: Obstacles) -> Floats:
    """Distance of a piece to every target and conductor before the cut, shape (n,). [m]"""
    if not len(obstacles):
        return np.zeros(0)
    result: Floats = obstacles.nearest(piece.outline_m, piece.outline_radius_m)[0]
    return result


def dominated(option: Option, others: Sequence[Option]) -> bool:
    """Whether another option with the same anchor is no worse in load, room, time and chance."""
    return any(
        other is not option
        and other.anchor_id == option.anchor_id
        and other.share <= option.share + 1e-9
        and other.room_m >= option.room_m - 1e-9
        and other.minutes.likely <= option.minutes.likely + 1e-9
        and other.chance <= option.chance + 1e-9
        and (
            other.share < option.share - 1e-9
            or other.room_m > option.room_m + 1e-9
            or other.minutes.likely < option.minutes.likely - 1e-9
            or other.chance < option.chance - 1e-9
        )
        for other in others
    )


def front(options: Sequence[Option], most: int = 4) -> tuple[Option, ...]:
    """Options that keep every limit and are not dominated, surest, quickest, lightest first."""
    kept = [o for o in options if o.kept]
    best = [o for o in kept if not dominated(o, kept)]
    best.sort(key=lambda o: (cost_min(o, 20.0), -o.room_m))
    return tuple(best[:most])


def cost_min(option: Option, share_min: float) -> float:
    """Minutes of a way with its load share and its chance of a breach turned into minutes."""
    return option.minutes.likely + share_min * option.share + CHANCE_MIN * option.chance


def least_bad(options: Sequence[Option]) -> Option:
    """Option that breaks the fewest limits, by the least."""
    return min(options, key=lambda o: (len(o.broken), o.excess, -o.room_m, o.minutes.likely))
