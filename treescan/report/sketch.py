"""Line drawings of the tree, the site and one cut, as flat shapes in metres.

A :class:`Sketch` is a list of shapes and labels in drawing metres; :mod:`sketch_svg` writes it
into a page and :mod:`sketch_pdf` onto paper.  One source, so that the phone and the card show the
same picture.  Line widths and letter sizes are in points on paper.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import MultiPoint, Polygon

from treescan.report.label_places import Box, free_place, text_box
from treescan.report.wording import Words
from treescan.skeleton.graph import TreeGraph

Floats = npt.NDArray[np.float64]
PLAN = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
"""Seen from above, north up."""


@dataclass(frozen=True)
class Shape:
    """Polygons or lines, each (k, 2) in drawing metres, in one style."""

    lines_m: tuple[Floats, ...]
    fill: str | None = None
    stroke: str | None = None
    width_pt: float = 0.6
    dash_pt: tuple[float, ...] = ()
    opacity: float = 1.0
    closed: bool = True


@dataclass(frozen=True)
class Label:
    """Text at a place; ``anchor`` is "start", "middle" or "end".

    A ``loose`` label may be moved aside by :meth:`Sketch.settle`.
    """

    at_m: tuple[float, float]
    text: Words
    size_pt: float = 8.0
    anchor: str = "middle"
    bold: bool = False
    colour: str = "#000000"
    loose: bool = False


@dataclass
class Sketch:
    """A drawing: window ``(x0, y0, x1, y1)`` in metres, shapes and labels in drawing order."""

    window_m: tuple[float, float, float, float]
    title: str = ""
    items: list[Shape | Label] = field(default_factory=list)

    width_pt: float = 500.0
    taken_m: list[Box] = field(default_factory=list)
    """Places that no label may take, besides those of the labels."""

    @property
    def metre_per_pt(self) -> float:
        """Drawing metres a point on paper stands for."""
        return (self.window_m[2] - self.window_m[0]) / self.width_pt

    @property
    def aspect(self) -> float:
        """Height over width."""
        x0, y0, x1, y1 = self.window_m
        return (y1 - y0) / (x1 - x0)

    def area(self, shape: Polygon, fill: str | None, stroke: str | None, **style: object) -> None:
        """Add a polygon or several, holes left out."""
        rings = tuple(
            np.asarray(p.exterior.coords)[:, :2]
            for p in shapely.get_parts(shape)
            if p.geom_type == "Polygon" and not p.is_empty
        )
        if rings:
            self.items.append(Shape(rings, fill, stroke, **style))  # type: ignore[arg-type]

    def bands(self, outlines_m: tuple[Floats, ...], colour: str) -> None:
        """Add bands of wood, ``outlines_m`` (j, 2), in one colour; a hair of it closes joints."""
        if outlines_m:
            self.items.append(Shape(outlines_m, colour, colour, 0.3))

    def line(self, points_m: npt.ArrayLike, stroke: str, **style: object) -> None:
        """Add an open line (k, 2)."""
        array = np.asarray(points_m, dtype=np.float64)
        shape = Shape((array,), None, stroke, closed=False, **style)  # type: ignore[arg-type]
        self.items.append(shape)

    def hatch(self, shape: Polygon, stroke: str, gap_m: float, slope: float = 1.0) -> None:
        """Add slanted lines inside a polygon, so that it reads in grey."""
        x0, y0, x1, y1 = shape.bounds
        reach = (x1 - x0) + (y1 - y0)
        starts = np.arange(-reach, reach, gap_m)
        lines = shapely.linestrings(
            [
                [
                    (x0 + s, y0 if slope > 0 else y1),
                    (x0 + s + reach, y0 + reach if slope > 0 else y1 - reach),
                ]
                for s in starts
            ]
        )
        cut = shapely.get_parts(shapely.intersection(lines, shape))
        rows = tuple(
            np.asarray(c.coords) for c in cut if c.geom_type == "LineString" and c.length > 0
        )
        if rows:
            self.items.append(Shape(rows, None, stroke, 0.5, closed=False))

    def dot(
        self,
        at_m: npt.ArrayLike,
        radius_m: float,
        fill: str | None,
        stroke: str = "#000000",
        **style: object,
    ) -> None:
        """Add a circle."""
        turn = np.linspace(0, 2 * np.pi, 25)[:-1]
        ring = np.asarray(at_m)[:2] + radius_m * np.column_stack([np.cos(turn), np.sin(turn)])
        self.items.append(Shape((ring,), fill, stroke, **style))  # type: ignore[arg-type]

    def settle(self) -> None:
        """Move loose labels to places where they hide neither each other nor the frame.

        A label that had to move far is joined to its place by a thin line.
        """
        settled_labels(self)

    def say(self, at_m: npt.ArrayLike, text: Words, size_pt: float = 8.0, **style: object) -> None:
        """Add a label."""
        x, y = (float(v) for v in np.asarray(at_m)[:2])
        self.items.append(Label((x, y), text, size_pt, **style))  # type: ignore[arg-type]


def settled_labels(sketch: Sketch) -> None:
    """See :meth:`Sketch.settle`."""
    frame = Box(*sketch.window_m)
    size = sketch.metre_per_pt
    labels = [item for item in sketch.items if isinstance(item, Label)]
    others: list[Shape | Label] = [item for item in sketch.items if not isinstance(item, Label)]
    taken: list[Box] = list(sketch.taken_m)
    for label in sorted(labels, key=lambda one: one.loose):
        letters = label.size_pt * size
        text = max(label.text.metric, label.text.us, key=len)
        box = text_box(label.at_m, text, letters, label.anchor, bold=label.bold)
        place = free_place(box, taken, frame) if label.loose else box.inside(frame)
        taken.append(place)
        dx, dy = place.x0 - box.x0, place.y0 - box.y0
        if label.loose and np.hypot(dx, dy) > 1.5 * letters:
            middle = ((place.x0 + place.x1) / 2, (place.y0 + place.y1) / 2)
            others.append(
                Shape((np.array([label.at_m, middle]),), None, "#444444", 0.5, closed=False)
            )
        others.append(replace(label, at_m=(label.at_m[0] + dx, label.at_m[1] + dy)))
    lines = [item for item in others if not isinstance(item, Label)]
    sketch.items = [*lines, *(item for item in others if isinstance(item, Label))]


def side_view(azimuth_deg: float) -> Floats:
    """Unit vectors right and up (2, 3) of an observer who looks that way, clockwise from north."""
    a = np.radians(azimuth_deg)
    return np.array([[np.cos(a), -np.sin(a), 0.0], [0.0, 0.0, 1.0]])


def wood_quads(
    graph: TreeGraph, nodes: npt.ArrayLike, view: Floats, least_m: float
) -> tuple[Floats, ...]:
    """Outline of each node's edge as a quad (4, 2); wood thinner than ``least_m`` left out. [m]

    ``nodes`` (k,), ``view`` (2, 3) as from :func:`side_view`.
    """
    index = np.asarray(nodes, dtype=np.int64)
    index = index[(index > 0)]
    index = index[graph.radius_m[index] * 2 >= least_m]
    if not len(index):
        return ()
    a, b = graph.edge_start_m[index] @ view.T, graph.position_m[index] @ view.T
    along = b - a
    size = np.linalg.norm(along, axis=1, keepdims=True)
    across = np.divide(along[:, ::-1] * [-1, 1], size, out=np.zeros_like(along), where=size > 1e-6)
    r0, r1 = graph.edge_start_radius_m[index, None], graph.radius_m[index, None]
    reach = np.divide(along, size, out=np.zeros_like(along), where=size > 1e-6) * r0 * 0.3
    quad = np.stack(
        [a - reach - across * r0, b - across * r1, b + across * r1, a - reach + across * r0], 1
    )
    return tuple(quad)


def swept_outline(
    outline_m: Floats,
    radius_m: Floats,
    centre_m: Floats,
    path_m: Floats,
    turn: Floats,
    view: Floats,
    times: int = 14,
) -> Polygon:
    """Plan or side outline of everything a moving piece passes through. [m]

    ``outline_m`` (j, 3) and ``radius_m`` (j,) are its balls and ``centre_m`` (3,) its centre of
    mass before the cut; ``path_m`` (k, 3) and ``turn`` (k, 3, 3) its way; ``view`` is (2, 3).
    """
    pick = np.unique(np.linspace(0, len(path_m) - 1, times).round().astype(int))
    offset = outline_m - centre_m
    round_it = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    rim = np.column_stack([np.cos(round_it), np.sin(round_it)]) / np.cos(np.pi / 12)
    discs = []
    for k in pick:
        place = (offset @ turn[k].T + path_m[k]) @ view.T
        corners = place[:, None] + np.asarray(radius_m)[:, None, None] * rim
        discs.append(MultiPoint(corners.reshape(-1, 2)).convex_hull)
    hulls = [
        shapely.union(a, b).convex_hull if a.intersects(b) else shapely.union(a, b)
        for a, b in pairwise(discs)
    ] or discs
    return shapely.union_all(hulls).simplify(0.05)


def scale_bar(
    sketch: Sketch, size_pt: float = 7.0, away_from_m: npt.ArrayLike | None = None
) -> None:
    """Add a bar in metres and feet in a lower corner, the one farther from a given place."""
    x0, y0, x1, _ = sketch.window_m
    wide, point = x1 - x0, sketch.metre_per_pt
    metres = max((m for m in (0.5, 1, 2, 5, 10, 20) if m < 0.33 * wide), default=0.5)
    x, y, tick = x0 + 5 * point, y0 + 5 * point, 3 * point
    text = f"{metres:g} m ({metres / 0.3048:.{0 if metres >= 1 else 1}f} ft)"
    right = away_from_m is not None and float(np.asarray(away_from_m)[0]) < (x0 + x1) / 2
    if right:
        x = x1 - 5 * point - max(metres, 0.62 * size_pt * point * len(text))
    ends = [(x, y + tick), (x, y), (x + metres, y), (x + metres, y + tick)]
    sketch.line(ends, "#FFFFFF", width_pt=3.0)
    sketch.line(ends, "#000000", width_pt=1.4)
    sketch.say((x, y + 1.5 * tick), Words(text, text), size_pt, anchor="start")


def north_arrow(sketch: Sketch, size_pt: float = 9.0) -> None:
    """Add an arrow to the north (+y) in the upper right corner of a plan."""
    x0, y0, x1, y1 = sketch.window_m
    size = 0.07 * max(x1 - x0, y1 - y0)
    x, y = x1 - 0.06 * (x1 - x0), y1 - 0.05 * (y1 - y0) - size * 1.5
    head = np.array([(x, y + size), (x - 0.3 * size, y), (x, y + 0.25 * size), (x + 0.3 * size, y)])
    sketch.items.append(Shape((head,), "#000000", "#000000"))
    sketch.taken_m.append(Box(x - 0.4 * size, y - 0.1 * size, x + 0.4 * size, y + 1.1 * size))
    sketch.say((x, y + 1.15 * size), Words("N", "N"), size_pt, bold=True)


JOINED_M = 1e-6


def clipped(points_m: Floats, window_m: tuple[float, float, float, float]) -> list[Floats]:
    """Parts of an open line inside the window; a line that crosses itself stays one part.

    ``points_m`` (n, 2), and each part (j, 2); the window is (x, y, x, y). [m]
    """
    if len(points_m) < 2:
        return []
    segments = shapely.linestrings(np.stack([points_m[:-1], points_m[1:]], axis=1))
    inside = shapely.intersection(segments, shapely.box(*window_m))
    parts: list[list[Floats]] = []
    for piece in inside:
        if piece.geom_type != "LineString" or piece.is_empty:
            continue
        start, end = np.asarray(piece.coords)
        if parts and np.abs(parts[-1][-1] - start).max() < JOINED_M:
            parts[-1].append(end)
        else:
            parts.append([start, end])
    return [np.asarray(part) for part in parts]
