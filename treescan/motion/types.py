"""Types of the motion layer: paths of pieces and their clearances.  Local frame, SI."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Path:
    """Motion of one piece from the parting cut to rest (or to hanging at rest).

    Attributes
    ----------
    time_s : ndarray, shape (k,)
        Steps of at most 0.05 s.
    centre_m : ndarray, shape (k, 3)
        Centre of mass.
    rotation : ndarray, shape (k, 3, 3)
        Turns offsets from the centre of mass at rest on the tree into those at each time.
    tension_n : ndarray, shape (k,)
        Lead tension, of a lossless line unless the blocks' friction was given; zeros in free
        fall.
    kind : str
        "free fall", "hinge fall", "lower" or "speed line".
    landing_m : ndarray, shape (3,)
        Where the centre of mass comes to rest.
    landing_radius_m : float
        Radius around ``landing_m`` that the lying piece and its bounce may cover.
    impact_energy_j : float
        Kinetic energy on reaching the ground (0 when lowered).
    lowest_m : float
        Lowest height of any part above the ground while hanging or falling; negative
        means the piece touches the ground during the swing.
    notes : tuple of str
    footprint_m : ndarray, shape (k, 2), or None
        Outline of the ground that the lying piece and its bounce may cover; narrower than
        the disc of ``landing_radius_m`` where the piece lands flat.  None: use the disc.
    contact_time_s : float
        First touch of the ground; NaN when it has none. [s]
    contact_attitude_deg : float
        Angle of the piece's axis from the plumb line at the first touch: 0 butt down,
        90 flat, 180 top down; NaN when unknown.
    flat_chance : float
        How sure a flat landing is, 0..1 (share of the break angles tried that land within
        30 degrees of level); NaN when not tried.
    sway_m : float
        How far the uncertainties of this motion (stretch, run, hinge angle) may shift it
        sideways or down: a cheap allowance; :func:`treescan.motion.cases.cases_of`
        tries the cases. [m]
    runs : bool
        Whether the line may run on the way: its tension comes near what a brake hand holds.
    recipe : tuple of (str, dict), or None
        Name and options of the way that made the path, so that its cases can be tried.
    """

    time_s: Floats
    centre_m: Floats
    rotation: Floats
    tension_n: Floats
    kind: str
    landing_m: Floats
    landing_radius_m: float
    impact_energy_j: float
    lowest_m: float
    notes: tuple[str, ...] = ()
    footprint_m: Floats | None = None
    contact_time_s: float = float("nan")
    contact_attitude_deg: float = float("nan")
    flat_chance: float = float("nan")
    sway_m: float = 0.0
    runs: bool = False
    recipe: tuple[str, dict[str, Any]] | None = None


@dataclass(frozen=True)
class Clearance:
    """Closest approach of a swept piece to one target or conductor.

    ``distance_m`` is negative when the piece enters the target; ``point_m`` is the centre of
    the outline's ball that comes nearest, then; ``margin_m`` is the distance that must be
    kept; ``spread_m`` is how much nearer the heavy end of the uncertainties (rope stretch
    and run, hinge angle, wind) may bring it.
    """

    target: str
    distance_m: float
    margin_m: float
    time_s: float
    point_m: tuple[float, float, float]
    spread_m: float = 0.0

    @property
    def kept(self) -> bool:
        """The margin is kept, spread included."""
        return self.distance_m - self.spread_m >= self.margin_m
