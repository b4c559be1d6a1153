"""The site file as checked data.  Lengths in metres; coordinates as the file gives them.

``Site`` is frozen; :meth:`Site.localised` moves every coordinate into the scan's local frame.
"""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

Metres = Annotated[float, Field(gt=-1e7, lt=1e7, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0.0, lt=1e6, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0.0, lt=1e6, allow_inf_nan=False)]
Share = Annotated[float, Field(gt=0.0, le=1.0, allow_inf_nan=False)]
Point2 = tuple[Metres, Metres]
Point3 = tuple[Metres, Metres, Metres]
Polygon = Annotated[tuple[Point2, ...], Field(min_length=3, max_length=2000)]
Line2 = Annotated[tuple[Point2, ...], Field(min_length=2, max_length=2000)]
Line3 = Annotated[tuple[Point3, ...], Field(min_length=2, max_length=2000)]
Name = Annotated[
    str, Field(min_length=1, max_length=120, pattern=r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]*$")
]
"""One line of text without control letters: it is printed, drawn and written into tables."""


class Part(BaseModel):
    """Base of all parts: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Job(Part):
    """What the job is called and the species of the tree."""

    name: Name = "tree removal"
    species: Name = "unknown broadleaf"
    country: Literal["metric", "us"] = "metric"


class TreeHint(Part):
    """How to find the tree and check the scan's scale."""

    near_m: Point2 | None = None
    dbh_tape_m: Annotated[float, Field(gt=0.02, lt=6.0)] | None = None
    known_length_m: Positive | None = None
    known_length_points_m: tuple[Point3, Point3] | None = None
    correct_scale: bool = False
    dbh_height_m: Annotated[float, Field(ge=1.2, le=1.5)] = 1.3


class Conditions(Part):
    """State of the tree on the day."""

    in_leaf: bool | None = None
    wet: bool = False
    wind_m_s: Annotated[float, Field(ge=0.0, lt=40.0)] = 3.0
    season: Literal["spring", "summer", "autumn", "winter"] | None = None


class Defect(Part):
    """What the scan cannot know."""

    at_m: Point3 | None = None
    limb: int | None = None
    height_m: NotNegative | None = None
    length_m: Positive | None = None
    kind: Literal["cavity", "decay", "crack", "included bark", "dead"]
    sound_shell_m: Positive | None = None

    @model_validator(mode="after")
    def _placed(self) -> Defect:
        if self.at_m is None and self.limb is None and self.height_m is None:
            raise ValueError("a defect needs at_m, or limb, or height_m to say where it is")
        return self


class Target(Part):
    """A thing that must not be hit: a footprint or a path with a width, raised to a height."""

    name: Name
    footprint_m: Polygon | None = None
    path_m: Line2 | None = None
    width_m: Positive = 0.1
    base_m: Metres = 0.0
    height_m: Annotated[float, Field(gt=0.0, lt=200.0)] = 2.0
    margin_m: Annotated[float, Field(ge=0.0, lt=50.0)] = 1.0

    @model_validator(mode="after")
    def _one_shape(self) -> Target:
        if (self.footprint_m is None) == (self.path_m is None):
            raise ValueError("a target needs either footprint_m or path_m, not both")
        return self


class Conductor(Part):
    """A wire; the clearance wanted follows from its voltage unless ``margin_m`` is given."""

    name: Name
    path_m: Line3
    kilovolts: Annotated[float, Field(gt=0.0, le=1200.0)] = 0.4
    margin_m: Positive | None = None


Surface = Literal["turf", "bare soil", "brush mat", "paving"]


class DropZone(Part):
    """Ground where free fall may land."""

    name: Name
    footprint_m: Polygon
    surface: Surface = "turf"
    max_energy_kj: Positive | None = None


class Landing(Part):
    """Ground where lowered pieces may be set down."""

    name: Name
    footprint_m: Polygon
    surface: Surface = "turf"


class GroundAnchor(Part):
    """A place off the tree that holds the lower end of a stretched line.

    The foot of another tree, a stake set for it, a vehicle.  ``holds_kn`` is what it may carry;
    left out, the plan says what it must hold.
    """

    name: Name
    at_m: Point3
    holds_kn: Positive | None = None


class Climber(Part):
    """The climber."""

    mass_kg: Annotated[float, Field(ge=40.0, le=180.0)] = 95.0
    tie_in_m: Point3 | None = None
    saw_bar_m: Annotated[float, Field(ge=0.2, le=1.5)] = 0.4
    reach_m: Annotated[float, Field(ge=0.5, le=15.0)] = 4.0


class Crew(Part):
    """People and machines on the ground.

    ``loader_t_h`` is what a loader lifts away of logs, left out where there is none and people
    move them.  ``drag_kg_per_min`` is what one person unties, drags and cuts up on the best and
    the worst day; ``pile_pieces`` and ``pile_kg`` what may lie in the landing before work aloft
    waits.  All are common practice with no source; set your own.
    """

    ground: Annotated[int, Field(ge=1, le=20)] = 2
    chipper_t_h: Positive = 3.0
    loader_t_h: Positive | None = None
    drag_kg_per_min: tuple[Positive, Positive] = (60.0, 30.0)
    pile_pieces: Annotated[int, Field(ge=1, le=200)] = 3
    pile_kg: Positive = 600.0


class Gear(Part):
    """Gear by catalogue name (see ``treescan.rigging.gear``) or as own entries."""

    line: str = "16 mm double-braid polyester"
    line_length_m: Annotated[float, Field(gt=5.0, le=400.0)] = 60.0
    sling: str = "22 mm polyester dead-eye sling"
    block: str = "arborist block, bronze bushing"
    friction_device: str = "bollard on the stem"
    knot: str = "bowline"
    wear_factor: Share = 0.85
    hand_force_n: Annotated[float, Field(gt=10.0, le=1000.0)] = 200.0
    own: tuple[dict[str, str | float], ...] = ()
    second_line: bool = False
    tag_line: bool = True


class Limits(Part):
    """Shares and sizes that must not be passed."""

    line_share_of_mbs: Share = 0.2
    anchor_share: Share = 0.5
    max_piece_kg: Annotated[float, Field(ge=5.0, le=20_000.0)] = 400.0
    log_length_m: Annotated[float, Field(ge=0.3, le=20.0)] = 2.4
    max_log_diameter_m: Positive = 3.0


class Truck(Part):
    """A truck class.

    With ``axles``, the distance between the outer ones and the empty weight, the sheet says
    what the US bridge formula leaves for the load.
    """

    name: Name
    volume_m3: Positive
    payload_kg: Positive
    takes: Literal["chip", "log", "brush", "any"] = "any"
    lift_limit_kg: Positive | None = None
    trip_hours: NotNegative = 1.0
    count: Annotated[int, Field(ge=1, le=50)] = 1
    axles: Annotated[int, Field(ge=2, le=9)] | None = None
    outer_axles_m: Annotated[float, Field(gt=1.0, lt=30.0)] | None = None
    empty_kg: Positive | None = None


def _default_trucks() -> tuple[Truck, ...]:
    return (
        Truck(name="chip truck", volume_m3=9.0, payload_kg=3500.0, takes="chip"),
        Truck(name="log truck", volume_m3=8.0, payload_kg=5000.0, takes="log", lift_limit_kg=900.0),
    )


class Haul(Part):
    """Trucks and rates."""

    trucks: tuple[Truck, ...] = Field(default_factory=_default_trucks)
    fill_share: Share = 0.9
    chip_expansion: Annotated[float, Field(ge=1.5, le=5.0)] = 3.0
    chip_below_m: Annotated[float, Field(gt=0.0, le=0.6)] = 0.15


class Quote(Part):
    """Inputs of the quote sheet; nothing is assumed that is not printed on it."""

    crew_rate_per_hour: NotNegative | None = None
    truck_rate_per_trip: NotNegative | None = None
    tip_fee_per_tonne: NotNegative | None = None
    equipment: NotNegative = 0.0
    margin_share: Annotated[float, Field(ge=0.0, lt=0.9)] = 0.0
    currency: Name = "money"


class Minutes(Part):
    """Durations, minutes each (low, high): common practice, no source; set your own.

    ``wide_cut`` comes on top where the bar does not reach through from both sides.
    """

    set_up: tuple[NotNegative, NotNegative] = (20.0, 40.0)
    lowered_limb: tuple[NotNegative, NotNegative] = (5.0, 10.0)
    lowered_log: tuple[NotNegative, NotNegative] = (6.0, 12.0)
    dropped_limb: tuple[NotNegative, NotNegative] = (1.0, 2.0)
    dropped_log: tuple[NotNegative, NotNegative] = (2.0, 4.0)
    anchor_move: tuple[NotNegative, NotNegative] = (8.0, 15.0)
    climber_move: tuple[NotNegative, NotNegative] = (1.0, 3.0)
    wide_cut: tuple[NotNegative, NotNegative] = (5.0, 15.0)


class Site(Part):
    """The whole site file."""

    local: bool = False
    job: Job = Job()
    own_species: tuple[dict[str, str | float], ...] = ()
    tree: TreeHint = TreeHint()
    conditions: Conditions = Conditions()
    defect: tuple[Defect, ...] = ()
    target: tuple[Target, ...] = ()
    conductor: tuple[Conductor, ...] = ()
    drop_zone: tuple[DropZone, ...] = ()
    landing: tuple[Landing, ...] = ()
    ground_anchor: tuple[GroundAnchor, ...] = ()
    climber: Climber = Climber()
    crew: Crew = Crew()
    gear: Gear = Gear()
    limits: Limits = Limits()
    haul: Haul = Field(default_factory=Haul)
    quote: Quote = Quote()
    minutes: Minutes = Minutes()

    def localised(self, origin_m: np.ndarray) -> Site:
        """Return the site with every coordinate minus ``origin_m`` (3,), ``local`` set.

        A site that is already local is returned as it is.
        """
        if self.local:
            return self
        shift = np.asarray(origin_m, dtype=np.float64)
        return self.model_validate({**_shifted(self.model_dump(), shift), "local": True})


COORDINATES = {"near_m", "at_m", "tie_in_m", "footprint_m", "path_m", "known_length_points_m"}
"""Names of the fields that are places in the scan's coordinates."""


def _shifted(value: object, shift: np.ndarray) -> dict[str, object]:
    """Return a copy with every coordinate of the dumped site moved by ``-shift``."""

    def walk(item: object, key: str) -> object:
        if isinstance(item, dict):
            return {name: walk(part, name) for name, part in item.items()}
        if isinstance(item, list | tuple):
            if key in COORDINATES and item and isinstance(item[0], float | int):
                return tuple(float(v) - float(s) for v, s in zip(item, shift, strict=False))
            return tuple(walk(part, key) for part in item)
        return item

    result = walk(value, "")
    assert isinstance(result, dict)
    return result
