"""Solids for things that are not the tree: targets, wires, zones, ground, anchors, paths.

Local frame, metres, z up.  Every solid is a :class:`Solid` of triangles with normals.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import LineString, Point, Polygon

from treescan.motion.types import Path
from treescan.pointcloud.cloud import Ground
from treescan.site.model import Landing, Site, Target

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Solid:
    """Triangles: ``vertex_m`` (v, 3), ``normal`` (v, 3), ``face`` (f, 3)."""

    vertex_m: Floats
    normal: Floats
    face: Ints


def target_outline(target: Target) -> Polygon:
    """Plan outline of a target: its footprint, or its path widened."""
    if target.footprint_m is not None:
        return Polygon(target.footprint_m)
    return LineString(target.path_m).buffer(
        target.width_m / 2, cap_style="flat", join_style="mitre"
    )


def landing_outline(path: Path) -> Polygon:
    """Ground that a landed piece and its bounce may cover, in plan."""
    if path.footprint_m is not None and len(path.footprint_m) >= 3:
        outline = Polygon(path.footprint_m)
        return outline if outline.is_valid else outline.buffer(0)
    x, y = (float(v) for v in path.landing_m[:2])
    return Point(x, y).buffer(max(path.landing_radius_m, 0.1), quad_segs=6)


def own_landings(site: Site) -> tuple[Landing, ...]:
    """Landings that are not a drop zone drawn once more."""
    drawn = [z.footprint_m for z in site.drop_zone]
    return tuple(place for place in site.landing if place.footprint_m not in drawn)


def prism(outline: Polygon, ground: Ground, base_m: float, height_m: float) -> Solid:
    """A prism on the ground below its outline's lowest corner."""
    parts = []
    for polygon in _polygons(outline):
        ring = np.asarray(polygon.exterior.coords)[:, :2]
        low = float(ground.height(ring[:, 0], ring[:, 1]).min()) + base_m
        parts += [_walls(ring, low, low + height_m), _flat(polygon, low + height_m)]
    return join(parts)


def draped(outline: Polygon, ground: Ground, lift_m: float = 0.04) -> Solid:
    """A polygon laid on the ground in pieces of about a metre."""
    fine = outline.segmentize(1.0)
    inner = shapely.points(_grid(outline))
    inside = inner[shapely.contains(outline, inner)] if len(inner) else inner
    points = np.vstack([np.asarray(fine.exterior.coords)[:-1, :2], shapely.get_coordinates(inside)])
    triangles = shapely.get_parts(shapely.delaunay_triangles(shapely.multipoints(points)))
    centres = shapely.centroid(triangles)
    kept = triangles[shapely.contains(outline.buffer(1e-6), centres)]
    xy = shapely.get_coordinates(kept).reshape(-1, 4, 2)[:, :3].reshape(-1, 2)
    return _from_soup(_lifted(xy, ground, lift_m))


def _grid(outline: Polygon) -> Floats:
    x0, y0, x1, y1 = outline.bounds
    step = max(1.0, max(x1 - x0, y1 - y0) / 40)
    xs, ys = np.meshgrid(np.arange(x0 + step / 2, x1, step), np.arange(y0 + step / 2, y1, step))
    return np.column_stack([xs.ravel(), ys.ravel()])


def _lifted(xy: Floats, ground: Ground, lift_m: float) -> Floats:
    return np.column_stack([xy, ground.height(xy[:, 0], xy[:, 1]) + lift_m])


def ground_sheet(ground: Ground, around_m: Floats, reach_m: float, cells: int = 40) -> Solid:
    """The ground as a grid of ``cells`` by ``cells`` around ``around_m``, (2,) or longer. [m]"""
    line = np.linspace(-reach_m, reach_m, cells + 1)
    xs, ys = np.meshgrid(around_m[0] + line, around_m[1] + line)
    z = ground.height(xs.ravel(), ys.ravel())
    vertex = np.column_stack([xs.ravel(), ys.ravel(), z])
    row = np.arange(cells)[:, None] * (cells + 1) + np.arange(cells)[None]
    a = row.ravel()
    face = np.concatenate(
        [np.stack([a, a + 1, a + cells + 2], -1), np.stack([a, a + cells + 2, a + cells + 1], -1)]
    )
    normal = np.zeros_like(vertex)
    for i in range(3):
        np.add.at(
            normal,
            face[:, i],
            np.cross(
                vertex[face[:, 1]] - vertex[face[:, 0]], vertex[face[:, 2]] - vertex[face[:, 0]]
            ),
        )
    return Solid(vertex, normal, face)


def pipe(points_m: Floats, radius_m: float, corners: int = 6) -> Solid:
    """A round bar along a line of points ``points_m`` (k, 3). [m]"""
    p = np.asarray(points_m, dtype=np.float64)
    moved = np.concatenate([[True], np.linalg.norm(np.diff(p, axis=0), axis=1) > 1e-6])
    p = p[moved]
    if len(p) < 2:
        return ball(p[0], radius_m)
    tangent = np.gradient(p, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-12)
    side = np.cross(tangent, [0.0, 0.0, 1.0])
    flat = np.linalg.norm(side, axis=1) < 0.05
    side[flat] = np.cross(tangent[flat], [1.0, 0.0, 0.0])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    for i in range(1, len(side)):
        if side[i] @ side[i - 1] < 0:
            side[i] *= -1
    other = np.cross(tangent, side)
    turn = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    out = side[:, None] * np.cos(turn)[None, :, None] + other[:, None] * np.sin(turn)[None, :, None]
    n, k = corners, len(p)
    base = (np.arange(k - 1) * n)[:, None]
    a, b = base + np.arange(n), base + (np.arange(n) + 1) % n
    face = np.concatenate(
        [np.stack([a, b, b + n], -1).reshape(-1, 3), np.stack([a, b + n, a + n], -1).reshape(-1, 3)]
    )
    return Solid((p[:, None] + radius_m * out).reshape(-1, 3), out.reshape(-1, 3), face)


def ball(centre_m: npt.ArrayLike, radius_m: float, rings: int = 6) -> Solid:
    """A ball."""
    polar = np.linspace(0, np.pi, rings + 1)
    turn = np.linspace(0, 2 * np.pi, 2 * rings, endpoint=False)
    out = np.stack(
        [
            np.sin(polar)[:, None] * np.cos(turn),
            np.sin(polar)[:, None] * np.sin(turn),
            np.cos(polar)[:, None] * np.ones_like(turn),
        ],
        -1,
    )
    n = 2 * rings
    base = (np.arange(rings) * n)[:, None]
    a, b = base + np.arange(n), base + (np.arange(n) + 1) % n
    face = np.concatenate(
        [
            np.stack([a, b + n, b], -1)[1:].reshape(-1, 3),
            np.stack([a, a + n, b + n], -1)[:-1].reshape(-1, 3),
        ]
    )
    flat = out.reshape(-1, 3)
    return Solid(np.asarray(centre_m) + radius_m * flat, flat, face)


def ground_line(outline: Polygon, ground: Ground, radius_m: float = 0.05) -> Solid:
    """A bar on the ground along the outline of an area."""
    parts = []
    for polygon in _polygons(outline):
        line = polygon.exterior.simplify(0.05).segmentize(1.2)
        xy = np.asarray(line.coords)[:, :2]
        parts.append(pipe(_lifted(xy, ground, 0.08), radius_m, 4))
    return join(parts)


def join(solids: list[Solid]) -> Solid:
    """One solid out of several."""
    shift = np.cumsum([0, *(len(s.vertex_m) for s in solids[:-1])])
    return Solid(
        np.concatenate([s.vertex_m for s in solids]),
        np.concatenate([s.normal for s in solids]),
        np.concatenate([s.face + d for s, d in zip(solids, shift, strict=True)]),
    )


def _polygons(shape: Polygon) -> list[Polygon]:
    whole = shape if shape.is_valid else shape.buffer(0)
    return [
        p
        for p in shapely.get_parts(
            shapely.geometry.polygon.orient(whole) if whole.geom_type == "Polygon" else whole
        )
        if p.geom_type == "Polygon"
    ]


def _walls(outline: Floats, low: float, high: float) -> Solid:
    a, b = outline[:-1], outline[1:]
    if np.sum(a[:, 0] * b[:, 1] - b[:, 0] * a[:, 1]) < 0:
        a, b = b, a
    lows, highs = np.full((len(a), 1), low), np.full((len(a), 1), high)
    corner = [
        np.hstack([a, lows]),
        np.hstack([b, lows]),
        np.hstack([b, highs]),
        np.hstack([a, highs]),
    ]
    soup = np.stack([corner[i] for i in (0, 1, 2, 0, 2, 3)], 1).reshape(-1, 3)
    return _from_soup(soup)


def _flat(polygon: Polygon, height: float) -> Solid:
    triangles = shapely.get_parts(shapely.constrained_delaunay_triangles(polygon))
    xy = shapely.get_coordinates(triangles).reshape(-1, 4, 2)[:, :3].reshape(-1, 2)
    return _from_soup(np.column_stack([xy, np.full(len(xy), height)]), up=True)


def _from_soup(corner: Floats, *, up: bool = True) -> Solid:
    """Solid of loose triangles (3 f, 3) with flat normals; flat ones are turned face up."""
    tri = corner.reshape(-1, 3, 3).copy()
    normal = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
    keep = np.linalg.norm(normal, axis=1) > 1e-12
    tri, normal = tri[keep], normal[keep]
    if up:
        down = normal[:, 2] < 0
        tri[down] = tri[down][:, ::-1]
        normal[down] *= -1
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    count = len(tri)
    return Solid(
        tri.reshape(-1, 3), np.repeat(normal, 3, axis=0), np.arange(3 * count).reshape(-1, 3)
    )
