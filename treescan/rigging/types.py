"""Types of the rigging layer.  Local frame, SI."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from treescan.units import Band
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Anchor:
    """A place on the tree that may carry a rigging block, or a climber.

    ``allowable_n`` is the resultant it may carry in the direction ``best_direction`` (a unit
    vector (3,)), and ``governs`` names the section and rule that set it.  ``rejected`` is "" for
    a usable anchor, else the reason.
    """

    anchor_id: str
    node: int
    position_m: Floats
    height_m: float
    diameter_m: float
    union_ratio: float
    allowable_n: float
    governs: str
    best_direction: Floats
    rejected: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class GearItem:
    """A catalogue or user's own entry.  ``source`` keeps "[from memory]" where it applies."""

    name: str
    kind: str
    mbs_n: float
    source: str
    modulus_n: float = 0.0
    efficiency: float = 1.0
    friction_ratio: float = 1.0
    kg_per_m: float = 0.0
    diameter_m: float = 0.0


@dataclass(frozen=True)
class GearSet:
    """The gear of the job as resolved from the site file."""

    line: GearItem
    line_length_m: float
    sling: GearItem
    block: GearItem
    friction_device: GearItem
    knot_efficiency: float
    wear_factor: float
    hand_force_n: float = 200.0


@dataclass(frozen=True)
class LoadCase:
    """One lift: a complete question for the load models.

    Attributes
    ----------
    tie : {"butt", "tip", "two-leg"}
    tie_m : ndarray, shape (j, 3)
        Where the line holds the piece (one row; two for a two-leg tie, butt side first).
    redirects_m : ndarray, shape (r, 3)
        Redirect points between the anchor and the friction device, anchor side first.
    device_m : ndarray, shape (3,)
        The friction device, near the stem's base.
    drop_m : float
        Fall of the centre of mass before the line is taut. [m]
    swing_rad : float
        Release angle from the plumb line under the anchor. [rad]
    locked : bool
        The friction device does not let the line run.
    run_m : float
        Line let run while braking when not locked. [m]
    """

    piece: Piece
    anchor: Anchor
    tie: str
    tie_m: Floats
    redirects_m: Floats
    device_m: Floats
    gear: GearSet
    drop_m: float
    swing_rad: float
    locked: bool = False
    run_m: float = 1.0

    @property
    def fall_m(self) -> Floats:
        """Anchor, redirects and device, in the order of the line, shape (r + 2, 3). [m]"""
        redirects = np.reshape(self.redirects_m, (-1, 3))
        return np.vstack([self.anchor.position_m, redirects, self.device_m])


@dataclass(frozen=True)
class LoadResult:
    """Answer to a :class:`LoadCase`; a failing case is a value, never a stopped run.

    ``utilisation`` maps each item (line, sling, block, friction device, spar section, root
    plate, ...) to its share of the limit (1.0 = at the limit); ``governs`` is the largest.
    ``anchor_direction`` (3,) is the unit vector of the high resultant, ``anchor_sway_m`` the
    elastic movement of the anchor under it (twice that when it comes on suddenly).
    """

    case: LoadCase
    lead_tension_n: Band
    fall_tension_n: Band
    anchor_load_n: Band
    anchor_direction: Floats
    line_needed_m: float
    run_m: float
    utilisation: dict[str, float]
    governs: str
    share: float
    worst_section_node: int
    warnings: tuple[str, ...] = ()
    failed: str = ""
    device_wraps: float = 0.0
    redirect_loads_n: tuple[float, ...] = field(default=())
    anchor_sway_m: float = 0.0
