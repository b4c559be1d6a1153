"""Buildings and fences as shapes, from the flat pieces of a scan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from shapely import MultiPoint, Polygon

from treescan.pointcloud.cloud import Float32s, Floats
from treescan.pointcloud.planes import FlatPiece

RASTER_M = 0.25
FENCE_TOP_M = 2.6
"""Upright flat things lower than this are fences or garden walls. [m]"""
SMALLEST_BUILDING_M2 = 3.0


@dataclass(frozen=True)
class Building:
    """Footprint (k, 2), eaves and ridge height above the ground, share of outline seen. [m]"""

    footprint_m: Floats
    eaves_m: float
    ridge_m: float
    roof_seen: bool
    area_m2: float


@dataclass(frozen=True)
class Fence:
    """Path (k, 2), height above the ground and thickness. [m]"""

    path_m: Floats
    height_m: float
    length_m: float


def find_buildings(pieces: list[FlatPiece], centre_m: Float32s, above_m: Floats) -> list[Building]:
    """Roofs and walls that stand together.

    Parameters
    ----------
    pieces : list of FlatPiece
    centre_m : ndarray, shape (m, 3)
        The cells the pieces refer to. [m]
    above_m : ndarray, shape (m,)
        Their height above ground. [m]
    """
    tall = [piece for piece in pieces if np.percentile(above_m[piece.cells], 95) > FENCE_TOP_M]
    if not tall:
        return []
    cells = np.concatenate([piece.cells for piece in tall])
    roof = np.concatenate([np.full(len(p.cells), abs(p.normal[2]) > 0.3) for p in tall])
    plan = centre_m[cells, :2].astype(np.float64)
    corner = plan.min(axis=0) - 1.0
    ij = ((plan - corner) / RASTER_M).astype(np.int64)
    raster = np.zeros(ij.max(axis=0) + 5, dtype=bool)
    raster[ij[:, 0], ij[:, 1]] = True
    labels, count = ndimage.label(ndimage.binary_dilation(raster, iterations=3))
    of_cell = labels[ij[:, 0], ij[:, 1]]
    found = []
    for label in range(1, count + 1):
        own = of_cell == label
        building = _building(plan[own], above_m[cells[own]], roof[own])
        if building is not None:
            found.append(building)
    return found


def _building(plan: Floats, above: Floats, roof: np.ndarray) -> Building | None:
    hull = MultiPoint(plan[:: max(1, len(plan) // 4000)]).convex_hull
    if not isinstance(hull, Polygon) or hull.area < SMALLEST_BUILDING_M2:
        return None
    box = hull.minimum_rotated_rectangle
    outline = box if hull.area > 0.75 * box.area else hull.simplify(0.15)
    ridge = float(np.percentile(above, 99.5))
    roof_seen = bool(roof.sum() > 40)
    eaves = float(np.percentile(above[roof], 3)) if roof_seen else ridge
    return Building(
        np.asarray(outline.exterior.coords)[:-1],
        round(min(eaves, ridge), 2),
        round(ridge, 2),
        roof_seen,
        float(outline.area),
    )


def find_fences(pieces: list[FlatPiece], centre_m: Float32s, above_m: Floats) -> list[Fence]:
    """Upright flat pieces that end below 2.6 m, joined end to end.

    ``centre_m`` (m, 3) are the cells and ``above_m`` (m,) their heights above the ground. [m]
    """
    segments = []
    for piece in pieces:
        above = above_m[piece.cells]
        top = float(np.percentile(above, 98))
        if abs(piece.normal[2]) > 0.25 or not 0.5 < top <= FENCE_TOP_M:
            continue
        plan = centre_m[piece.cells, :2].astype(np.float64)
        across = piece.normal[:2] / max(float(np.linalg.norm(piece.normal[:2])), 1e-9)
        along = np.array([-across[1], across[0]])
        reach = (plan - piece.centre_m[:2]) @ along
        ends = np.percentile(reach, [0.5, 99.5])
        if ends[1] - ends[0] >= 1.5:
            segments.append((piece.centre_m[:2] + ends[:, None] * along, top))
    return _joined(segments)


def _joined(segments: list[tuple[Floats, float]]) -> list[Fence]:
    """Chain segments whose ends are within 1.2 m; double faces of one fence are merged."""
    left = sorted(segments, key=lambda s: -float(np.linalg.norm(s[0][1] - s[0][0])))
    left = _without_second_faces(left)
    fences = []
    while left:
        path, top = left.pop(0)
        points, tops = [path[0], path[1]], [top]
        grown = True
        while grown:
            grown = False
            for number, (other, height) in enumerate(left):
                joined = _joined_ends(points, other)
                if joined is not None:
                    points, grown = joined, True
                    tops.append(height)
                    left.pop(number)
                    break
        line = np.array(points)
        length = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
        fences.append(Fence(line, round(max(tops), 2), length))
    return fences


def _joined_ends(points: list[Floats], other: Floats) -> list[Floats] | None:
    for turned in (other, other[::-1]):
        if np.linalg.norm(points[-1] - turned[0]) < 1.2:
            return [*points, turned[1]]
        if np.linalg.norm(points[0] - turned[1]) < 1.2:
            return [turned[0], *points]
    return None


def _without_second_faces(segments: list[tuple[Floats, float]]) -> list[tuple[Floats, float]]:
    kept: list[tuple[Floats, float]] = []
    for path, top in segments:
        inside = False
        for other, _ in kept:
            step = other[1] - other[0]
            length = max(float(np.linalg.norm(step)), 1e-9)
            unit = step / length
            offset = path - other[0]
            across = np.abs(offset[:, 0] * unit[1] - offset[:, 1] * unit[0])
            along = offset @ unit
            inside |= bool(
                (across < 0.35).all() and along.min() > -0.6 and along.max() < length + 0.6
            )
        if not inside:
            kept.append((path, top))
    return kept
