"""Types of the planning layer.  Local frame, SI."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.mensuration.measures import TreeMeasures
from treescan.motion.types import Clearance, Path
from treescan.planning.trial import Trial
from treescan.pointcloud.cloud import Float32s, Ground, StemSeed, Unseen
from treescan.rigging.types import Anchor, GearSet, LoadResult
from treescan.site.model import Site
from treescan.skeleton.graph import TreeGraph
from treescan.units import Band
from treescan.wood.plausibility import Plausibility
from treescan.wood.types import GreenMass, Piece, Species

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Step:
    """One cut and what happens to the piece.

    ``method`` is "free fall", "hinge fall", "lower" or "speed line"; ``tie`` is "butt",
    "tip", "two-leg" or None, ``tie_m`` (j, 3) its places in the local frame, butt side first.
    ``hinge_azimuth_deg`` is clockwise from +y (north);
    ``hinge_below_level_deg`` says how far below level the face aims; ``trial`` is what its cases
    make of the path, where they were tried.
    """

    number: int
    piece: Piece
    method: str
    tie: str | None
    tie_m: Floats
    anchor_id: str | None
    redirects: tuple[str, ...]
    load: LoadResult | None
    hinge_azimuth_deg: float | None
    hinge_below_level_deg: float | None
    landing: str
    clearances: tuple[Clearance, ...]
    path: Path
    minutes: Band
    people: int
    warnings: tuple[str, ...] = ()
    broken_limits: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()
    chance_of_breach: float | None = None
    trial: Trial | None = None


@dataclass(frozen=True)
class Alternative:
    """A whole plan in four numbers and a paragraph."""

    name: str
    peak_anchor_n: float
    peak_share: float
    min_clearance_m: float
    hours: Band
    anchor_moves: int
    explanation: str
    steps: tuple[Step, ...] = ()


@dataclass(frozen=True)
class RankedAnchor:
    """An anchor with what the chosen plan asks of it."""

    anchor: Anchor
    peak_n: float
    share: float
    reason: str


@dataclass(frozen=True)
class Plan:
    """The chosen plan and what it was chosen from.

    ``order_gap_min`` is how many minutes cheaper (load shares, room and wishes counted as
    minutes) another order of the same ways could be at most; ``order_proved`` when none can.
    """

    name: str
    steps: tuple[Step, ...]
    anchors: tuple[RankedAnchor, ...]
    tie_ins: tuple[RankedAnchor, ...]
    alternatives: tuple[Alternative, ...]
    schedule: tuple[dict[str, object], ...]
    cautions: tuple[str, ...]
    feasible: bool
    hours: Band
    explanation: str = ""
    smallest_change: str = ""
    order_proved: bool = False
    order_gap_min: float = float("nan")


@dataclass(frozen=True)
class HaulRow:
    """A class of material to haul."""

    material: str
    small_end_m: float
    large_end_m: float
    length_m: float
    count: int
    solid_m3: Band
    loose_m3: Band
    mass_kg: Band


@dataclass(frozen=True)
class TruckLoads:
    """Trips of one truck class."""

    truck: str
    takes: str
    loads: Band
    governs: str
    heaviest_piece_kg: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class HaulPlan:
    """Logs, brush, chips and loads."""

    rows: tuple[HaulRow, ...]
    trucks: tuple[TruckLoads, ...]
    quote: tuple[dict[str, object], ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class JobResult:
    """Everything one run found; what the outputs are made from.

    ``display_xyz`` (n, 3) and ``display_rgb`` (n, 3) are the thinned cloud for pictures.
    ``plan`` is None when no site file was given.  ``crs`` is the coordinate system as the scan
    states it, or ""; ``date`` is the day printed on the outputs (ISO), or "" to leave it open.
    ``plausibility`` holds the published equations that stand beside the scan's weight.
    ``stems`` are all stems found in the scan (local frame), the tree's own ``own_stems`` first;
    ``not_seen`` is what the scan did not see of the tree.
    """

    scan_name: str
    origin_m: Floats
    display_xyz: Float32s
    display_rgb: npt.NDArray[np.uint8] | None
    tree_xyz: Float32s
    ground: Ground
    graph: TreeGraph
    measures: TreeMeasures
    species: Species
    mass: GreenMass
    site: Site
    gear: GearSet | None
    plan: Plan | None
    haul: HaulPlan
    decisions: tuple[str, ...]
    unseen: tuple[str, ...]
    cautions: tuple[str, ...]
    crs: str = ""
    date: str = ""
    plausibility: Plausibility | None = None
    stems: tuple[StemSeed, ...] = ()
    own_stems: int = 0
    not_seen: Unseen | None = None
