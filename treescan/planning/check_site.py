"""Plain distances to targets and conductors for the independent check."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from treescan.site.model import Conductor, Target

Floats = npt.NDArray[np.float64]


def ground_under(document: dict[str, Any], x_m: float, y_m: float) -> float:
    """Ground height at a plan point: the nearest cell of ``tree.json``, else the root's. [m]"""
    ground = document.get("ground")
    if not ground:
        return float(document["nodes"][0]["z"])
    rows = np.asarray(ground["z_m"], dtype=np.float64)
    i = round((y_m - ground["y0_m"]) / ground["cell_m"])
    j = round((x_m - ground["x0_m"]) / ground["cell_m"])
    return float(rows[np.clip(i, 0, rows.shape[0] - 1), np.clip(j, 0, rows.shape[1] - 1)])


def distance_to_target_m(points_m: Floats, target: Target, document: dict[str, Any]) -> Floats:
    """Distance of ``points_m`` (k, 3) to the upright prism of a target, shape (k,); 0 inside. [m]

    The prism stands on the ground under its middle, so on a slope this is a rough figure.
    """
    if target.footprint_m is not None:
        shape = shapely.Polygon(target.footprint_m)
    else:
        assert target.path_m is not None
        shape = shapely.LineString(target.path_m).buffer(target.width_m / 2, cap_style="flat")
    flat = shapely.distance(shapely.points(points_m[:, :2]), shape)
    foot = ground_under(document, shape.centroid.x, shape.centroid.y)
    low, high = foot + target.base_m, foot + target.base_m + target.height_m
    upright = np.maximum(np.maximum(low - points_m[:, 2], points_m[:, 2] - high), 0.0)
    result: Floats = np.hypot(flat, upright)
    return result


def distance_to_conductor_m(points_m: Floats, conductor: Conductor) -> Floats:
    """Distance of ``points_m`` (k, 3) to a wire in space, shape (k,). [m]"""
    wire = np.asarray(conductor.path_m, dtype=np.float64)
    best = np.full(len(points_m), np.inf)
    for a, b in itertools.pairwise(wire):
        along = b - a
        share = np.clip((points_m - a) @ along / max(float(along @ along), 1e-12), 0.0, 1.0)
        away = np.linalg.norm(points_m - a - share[:, None] * along, axis=1)
        best = np.minimum(best, away)
    return best


def in_zone(point_m: Floats, footprint_m: tuple[tuple[float, float], ...]) -> bool:
    """Whether ``point_m``, (2,) or longer, lies over a zone, its edge included."""
    return bool(shapely.Polygon(footprint_m).buffer(0.05).covers(shapely.Point(point_m[:2])))
