"""``site.geojson``: targets, zones and landing footprints, when the scan has a coordinate system.

RFC 7946 wants WGS 84 longitudes and latitudes.  Where ``pyproj`` is installed the coordinates are
turned into those; otherwise they stay in the scan's own system, which a ``crs`` member names (as
the 2008 form of the format has it), and a note says so.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from importlib import import_module
from importlib.util import find_spec
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from treescan.planning.types import JobResult
from treescan.report.cautions import SHORT
from treescan.report.facts import step_facts
from treescan.report.site_shapes import landing_outline, target_outline

Json = dict[str, Any]
Turn = Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]


def site_geojson(result: JobResult) -> Json | None:
    """Return the feature collection, or None when the scan states no coordinate system."""
    if not result.crs.strip():
        return None
    turn = _to_degrees(result.crs)
    features = [
        {"type": "Feature", "properties": properties, "geometry": _geometry(result, shape, turn)}
        for properties, shape in _things(result)
    ]
    document: Json = {"type": "FeatureCollection", "features": features, "caution": SHORT}
    if turn is None:
        document["crs"] = {"type": "name", "properties": {"name": _crs_name(result.crs)}}
        document["note"] = (
            "Coordinates are in the scan's own system, not degrees: install pyproj for degrees."
        )
    return document


def _things(result: JobResult) -> list[tuple[Json, BaseGeometry]]:
    site = result.site.localised(result.origin_m)
    base = result.graph.position_m[0]
    found: list[tuple[Json, BaseGeometry]] = [
        ({"kind": "tree", "name": result.species.scientific_name}, Point(base[0], base[1]))
    ]
    for t in site.target:
        found.append(
            (
                {"kind": "target", "name": t.name, "height_m": t.height_m, "margin_m": t.margin_m},
                target_outline(t),
            )
        )
    for z in site.drop_zone:
        found.append(
            ({"kind": "drop zone", "name": z.name, "surface": z.surface}, Polygon(z.footprint_m))
        )
    for place in site.landing:
        found.append(
            (
                {"kind": "landing", "name": place.name, "surface": place.surface},
                Polygon(place.footprint_m),
            )
        )
    for wire in site.conductor:
        line = LineString([p[:2] for p in wire.path_m])
        found.append(({"kind": "conductor", "name": wire.name, "kilovolts": wire.kilovolts}, line))
    for step, fact in zip(
        result.plan.steps if result.plan else (), step_facts(result), strict=True
    ):
        properties = {
            "kind": "landing footprint",
            "step": step.number,
            "piece": fact.name,
            "method": step.method,
        }
        found.append((properties, landing_outline(step.path)))
    return found


def _geometry(result: JobResult, shape: BaseGeometry, turn: Turn | None) -> Json:
    def place(xy: np.ndarray) -> np.ndarray:
        there = xy + np.asarray(result.origin_m[:2], dtype=np.float64)
        if turn is None:
            return np.asarray(np.round(there, 3))
        return np.round(np.column_stack(turn(there[:, 0], there[:, 1])), 8)

    turned = shapely.orient_polygons(shapely.transform(shape, place))
    moved: Json = json.loads(shapely.to_geojson(turned))
    return moved


def _to_degrees(crs: str) -> Turn | None:
    """Return a transformer to WGS 84 degrees, or None without pyproj or with an unreadable CRS."""
    if find_spec("pyproj") is None:
        return None
    pyproj = import_module("pyproj")

    try:
        change = pyproj.Transformer.from_crs(crs, 4326, always_xy=True)
    except pyproj.exceptions.CRSError:
        return None
    return lambda x, y: change.transform(x, y)


def to_wgs84(crs: str, x_m: float, y_m: float) -> tuple[float, float] | None:
    """Longitude and latitude of a place in scan coordinates, or None where they cannot be had."""
    turn = _to_degrees(crs)
    if turn is None:
        return None
    longitude, latitude = turn(np.array([x_m]), np.array([y_m]))
    return round(float(longitude[0]), 8), round(float(latitude[0]), 8)


def _crs_name(crs: str) -> str:
    code = re.search(r"EPSG[\"']?\s*[,:]{1,2}\s*[\"']?(\d{4,6})(?!.*EPSG)", crs, re.DOTALL)
    return f"urn:ogc:def:crs:EPSG::{code[1]}" if code else crs.strip()[:400]
