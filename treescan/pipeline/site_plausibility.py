"""Numbers of a site file that are possible but hardly meant: flagged, so that a person looks.

The site file's own limits stop what cannot be.  What is left may still be feet for metres, pounds
for newtons or another frame: a plan is made, and a sentence that starts with WARNING says what to
check.  The usual ranges are our choice from common practice, no source; they change no number.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely
from pydantic import BaseModel
from shapely.affinity import scale

from treescan.pointcloud.cloud import Ground, PointCloud
from treescan.site.model import Conductor, DropZone, GroundAnchor, Landing, Site, Target
from treescan.skeleton.graph import TreeGraph

Marked = Target | Conductor | DropZone | Landing | GroundAnchor

FAR_M = 100.0
"""Things farther from the stem than this have no part in a removal. [m]"""

TIE_REACH_M = 3.0
NEAR_STEM_M = 3.0
WIRE_HEIGHT_M = (2.0, 60.0)
MOST_AREA_M2 = 20_000.0
FOOT_M = 0.3048
SEEN_POINTS = 50
STANDING_POINTS = 5
LOW_ANCHOR_M = 6.0
"""The lower end of a stretched line lies less than this above or below its ground. [m]"""
STANDING_FROM_M = 1.0

USUAL: dict[str, tuple[float, float, str]] = {
    "tree.dbh_tape_m": (0.05, 3.0, "m"),
    "tree.known_length_m": (0.3, 60.0, "m"),
    "tree.dbh_height_m": (1.3, 1.4, "m"),
    "conditions.wind_m_s": (0.0, 14.0, "m/s"),
    "defect.limb": (0, 5000, ""),
    "defect.height_m": (0.0, 60.0, "m"),
    "defect.length_m": (0.02, 15.0, "m"),
    "defect.sound_shell_m": (0.005, 0.6, "m"),
    "target.width_m": (0.02, 30.0, "m"),
    "target.base_m": (-5.0, 30.0, "m"),
    "target.height_m": (0.05, 40.0, "m"),
    "target.margin_m": (0.1, 10.0, "m"),
    "conductor.kilovolts": (0.1, 765.0, "kV"),
    "conductor.margin_m": (0.3, 15.0, "m"),
    "drop_zone.max_energy_kj": (0.5, 500.0, "kJ"),
    "climber.mass_kg": (50.0, 140.0, "kg"),
    "climber.saw_bar_m": (0.2, 1.1, "m"),
    "climber.reach_m": (1.0, 8.0, "m"),
    "crew.ground": (1, 8, "people"),
    "crew.chipper_t_h": (0.3, 40.0, "t/h"),
    "gear.line_length_m": (15.0, 120.0, "m"),
    "gear.wear_factor": (0.3, 0.95, ""),
    "gear.hand_force_n": (80.0, 500.0, "N"),
    "limits.line_share_of_mbs": (0.03, 0.35, ""),
    "limits.anchor_share": (0.1, 0.8, ""),
    "limits.max_piece_kg": (20.0, 4000.0, "kg"),
    "limits.log_length_m": (0.4, 7.0, "m"),
    "limits.max_log_diameter_m": (0.1, 3.0, "m"),
    "haul.fill_share": (0.3, 1.0, ""),
    "haul.chip_expansion": (1.5, 5.0, ""),
    "haul.chip_below_m": (0.02, 0.4, "m"),
    "haul.trucks.volume_m3": (0.5, 60.0, "m³"),
    "haul.trucks.payload_kg": (200.0, 30_000.0, "kg"),
    "haul.trucks.lift_limit_kg": (20.0, 5000.0, "kg"),
    "haul.trucks.trip_hours": (0.1, 12.0, "h"),
    "haul.trucks.count": (1, 10, "trucks"),
    "quote.margin_share": (0.0, 0.6, ""),
    "minutes.set_up": (1.0, 240.0, "min"),
    "minutes.lowered_limb": (0.5, 120.0, "min"),
    "minutes.lowered_log": (0.5, 120.0, "min"),
    "minutes.dropped_limb": (0.2, 60.0, "min"),
    "minutes.dropped_log": (0.2, 60.0, "min"),
    "minutes.anchor_move": (0.5, 120.0, "min"),
    "minutes.climber_move": (0.1, 30.0, "min"),
    "minutes.wide_cut": (0.1, 120.0, "min"),
    "ground_anchor.holds_kn": (1.0, 200.0, "kN"),
    "crew.loader_t_h": (0.5, 60.0, "t/h"),
    "crew.drag_kg_per_min": (2.0, 300.0, "kg/min"),
    "crew.pile_pieces": (1, 60, "pieces"),
    "crew.pile_kg": (20.0, 10_000.0, "kg"),
    "haul.trucks.axles": (2, 7, "axles"),
    "haul.trucks.outer_axles_m": (2.0, 20.0, "m"),
    "haul.trucks.empty_kg": (500.0, 25_000.0, "kg"),
}
"""Usual range of every number of the site file that is no coordinate and no money."""


def unusual_values(site: Site) -> tuple[str, ...]:
    """One sentence for every number outside its usual range (:data:`USUAL`)."""
    said = []
    for key, place, value in _numbers(site, "", ""):
        low, high, unit = USUAL.get(key, (-np.inf, np.inf, ""))
        if not low <= value <= high:
            said.append(
                f"WARNING: {place} is {_text(value, unit)}; usual is {low:g} to "
                f"{_text(high, unit)}. Check the number and its unit before using this plan."
            )
    for name in type(site.minutes).model_fields:
        first, last = getattr(site.minutes, name)
        if first > last:
            said.append(
                f"WARNING: minutes.{name} is {first:g} to {last:g}; write the smaller number first."
            )
    return tuple(said)


def unlikely_places(site: Site, graph: TreeGraph, ground: Ground) -> tuple[str, ...]:
    """Sentences about what is marked too far from the tree, too large, or off the wood.

    Parameters
    ----------
    site : Site
        In the local frame.
    graph : TreeGraph
    ground : Ground
    """
    base = shapely.Point(graph.position_m[0, :2])
    shapes = [(_named(part), _plan_shape(part)) for part in _marked(site)]
    away = [shape.distance(base) for _, shape in shapes]
    said = []
    if away and min(away) > FAR_M:
        said.append(
            f"WARNING: everything marked is farther than {FAR_M:.0f} m from the tree (nearest "
            f"{min(away):.0f} m). Check that the site file uses the scan's coordinates, in metres."
        )
    else:
        said += [
            f"WARNING: {name} is {gap:.0f} m from the tree. Check its coordinates."
            for (name, _), gap in zip(shapes, away, strict=True)
            if gap > FAR_M
        ]
    said += [
        f"WARNING: {name} covers {shape.area:,.0f} m². Check its corners and their unit."
        for name, shape in shapes
        if shape.area > MOST_AREA_M2
    ]
    said += _wishes(site, graph)
    for wire in site.conductor:
        said += _wire_height(wire, ground)
    for anchor in site.ground_anchor:
        said += _low_end(anchor, ground)
    return tuple(said)


def not_standing(site: Site, cloud: PointCloud, ground: Ground) -> tuple[str, ...]:
    """Sentences about targets that the scan does not show where they are marked.

    A wrong frame or unit puts a shed on open lawn.  Only targets that stand on the ground and are
    at least 1 m high are looked for; the crown above may hide a mistake.
    """
    said = []
    origin = (-float(cloud.origin_m[0]), -float(cloud.origin_m[1]))
    for part in site.target:
        if part.height_m < STANDING_FROM_M or part.base_m > STANDING_FROM_M:
            continue
        shape = _plan_shape(part)
        seen, standing = _points_on(shape, part.height_m, cloud, ground)
        if standing >= STANDING_POINTS:
            continue
        in_feet = scale(shape, FOOT_M, FOOT_M, origin=origin)
        fits = _points_on(in_feet, part.height_m * FOOT_M, cloud, ground)[1] >= SEEN_POINTS
        if fits and in_feet.distance(shape) > 1.0:
            said.append(
                f"WARNING: the scan shows nothing where {_named(part)} is marked, but something "
                "stands there if its coordinates are feet. Site files are in metres."
            )
        elif seen >= SEEN_POINTS:
            said.append(
                f"WARNING: the scan shows open ground where {_named(part)} is marked "
                f"({part.height_m:g} m high). Check its coordinates."
            )
        else:
            said.append(
                f"The scan does not reach {_named(part)}: its place rests on the site file alone."
            )
    return tuple(said)


def _numbers(item: object, key: str, place: str) -> Iterator[tuple[str, str, float]]:
    """Every number outside coordinates as (key without list numbers, place for people, value)."""
    if isinstance(item, BaseModel):
        name = getattr(item, "name", None) if key not in ("job", "") else None
        place = f"{place} ('{name}')" if name else place
        for field in type(item).model_fields:
            inner = f"{key}.{field}" if key else field
            yield from _numbers(getattr(item, field), inner, f"{place}.{field}".lstrip("."))
    elif isinstance(item, list | tuple):
        for part in item:
            yield from _numbers(part, key, place)
    elif isinstance(item, int | float) and not isinstance(item, bool) and key in USUAL:
        yield key, place, float(item)


def _text(value: float, unit: str) -> str:
    return f"{value:g} {unit}".rstrip()


def _marked(site: Site) -> tuple[Marked, ...]:
    return (
        *site.target, *site.conductor, *site.drop_zone, *site.landing, *site.ground_anchor
    )  # fmt: skip


def _named(part: Marked) -> str:
    kind = {"DropZone": "drop zone", "GroundAnchor": "ground anchor"}.get(type(part).__name__)
    return f"{kind or type(part).__name__.lower()} '{part.name}'"


def _plan_shape(part: Marked) -> shapely.Geometry:
    if isinstance(part, GroundAnchor):
        return shapely.Point(part.at_m[:2])
    footprint = getattr(part, "footprint_m", None)
    if footprint is not None:
        return shapely.Polygon(footprint)
    path = np.asarray(getattr(part, "path_m", None), dtype=np.float64)[:, :2]
    return shapely.LineString(path).buffer(0.5 * getattr(part, "width_m", 0.1))


def _wishes(site: Site, graph: TreeGraph) -> Iterator[str]:
    """The points that should lie at the tree: near_m, tie_in_m."""
    if site.tree.near_m is not None:
        gap = float(np.linalg.norm(graph.position_m[0, :2] - site.tree.near_m))
        if gap > NEAR_STEM_M + float(graph.radius_m[0]):
            yield (
                f"WARNING: the stem found is {gap:.1f} m from tree.near_m. Check that it is the "
                "tree meant."
            )
    if site.climber.tie_in_m is not None:
        gaps = np.linalg.norm(graph.position_m - np.asarray(site.climber.tie_in_m), axis=1)
        if float(gaps.min()) > TIE_REACH_M:
            yield (
                f"WARNING: climber.tie_in_m is {gaps.min():.1f} m from the nearest wood. Check "
                "its coordinates."
            )


def _low_end(anchor: GroundAnchor, ground: Ground) -> Iterator[str]:
    above = anchor.at_m[2] - float(ground.height(anchor.at_m[0], anchor.at_m[1]))
    if abs(above) > LOW_ANCHOR_M:
        yield (
            f"WARNING: ground anchor '{anchor.name}' is {above:.1f} m above its ground. Check its "
            "height: it is a scan coordinate, not a height above ground."
        )


def _wire_height(wire: Conductor, ground: Ground) -> Iterator[str]:
    path = np.asarray(wire.path_m, dtype=np.float64)
    above = path[:, 2] - ground.height(path[:, 0], path[:, 1])
    low, high = WIRE_HEIGHT_M
    if above.min() < low or above.max() > high:
        yield (
            f"WARNING: conductor '{wire.name}' is {above.min():.1f} to {above.max():.1f} m above "
            f"the ground; usual is {low:g} to {high:g} m. Check its heights: they are scan "
            "coordinates, not heights above ground."
        )


def _points_on(
    shape: shapely.Geometry, height_m: float, cloud: PointCloud, ground: Ground
) -> tuple[int, int]:
    """How many points lie in a footprint (0.3 m wider), and how many of them stand up in it."""
    wide = shape.buffer(0.3)
    x0, y0, x1, y1 = wide.bounds
    x, y = cloud.xyz[:, 0], cloud.xyz[:, 1]
    rows = np.flatnonzero((x >= x0) & (x <= x1) & (y >= y0) & (y <= y1))
    rows = rows[shapely.contains_xy(wide, x[rows], y[rows])]
    above = cloud.xyz[rows, 2] - ground.height(x[rows], y[rows])
    standing = (above > max(0.3 * height_m, 0.3)) & (above < 1.3 * height_m + 0.3)
    return len(rows), int(np.count_nonzero(standing))
