"""A :class:`~treescan.report.sketch.Sketch` as inline SVG."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from html import escape

import shapely

from treescan.report.sketch import Label, Shape, Sketch
from treescan.units import UnitSystem

Place = Callable[[float, float], str]


def sketch_svg(
    sketch: Sketch, width_px: float = 1000.0, units: UnitSystem | None = None, *, upon: str = ""
) -> str:
    """Return an ``<svg>`` element.

    ``upon`` is the id of a group (see :func:`sketch_group`) to draw below this sketch.  With
    ``units`` None every label is written in both systems with the classes ``um`` and ``us``, one
    of which the page hides.
    """
    height = width_px * sketch.aspect
    below = f'<use href="#{escape(upon)}"/>' if upon else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width_px:.0f} {height:.0f}" '
        f'role="img" aria-label="{escape(sketch.title)}"><title>{escape(sketch.title)}</title>'
        f'<rect width="100%" height="100%" fill="#fff"/>{below}'
        f"{_inside(sketch, width_px, units)}</svg>"
    )


def sketch_group(sketch: Sketch, name: str, width_px: float = 1000.0) -> str:
    """Return a hidden ``<svg>`` that holds a sketch as a group for other drawings to use."""
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" width="0" height="0" aria-hidden="true" '
        f'style="position:absolute"><defs><g id="{escape(name)}">'
        f"{_inside(sketch, width_px, None)}</g></defs></svg>"
    )


def _inside(sketch: Sketch, width_px: float, units: UnitSystem | None) -> str:
    x0, _, x1, y1 = sketch.window_m
    scale, point = width_px / (x1 - x0), width_px / sketch.width_pt

    def place(x: float, y: float) -> str:
        return f"{round((x - x0) * scale)} {round((y1 - y) * scale)}"

    parts = []
    for item in sketch.items:
        if isinstance(item, Shape):
            parts.append(_shape(_simple(item, 0.8 / scale), place, point))
        else:
            parts.append(_label(item, place, point, units))
    return "".join(parts)


def _simple(item: Shape, tolerance_m: float) -> Shape:
    """The shape without the points that change nothing at the size it is drawn."""
    lines = shapely.simplify([shapely.linestrings(p) for p in item.lines_m], tolerance_m)
    return replace(item, lines_m=tuple(shapely.get_coordinates(line) for line in lines))


def _shape(item: Shape, place: Place, point: float) -> str:
    runs = []
    for line in item.lines_m:
        spots = [place(float(x), float(y)) for x, y in line]
        kept = [s for i, s in enumerate(spots) if i == 0 or s != spots[i - 1]]
        runs.append("M" + "L".join(kept) + ("Z" if item.closed else ""))
    style = f'fill="{item.fill or "none"}"'
    if item.stroke:
        style += f' stroke="{item.stroke}" stroke-width="{item.width_pt * point:.2f}"'
        style += ' stroke-linejoin="round"'
    if item.dash_pt:
        style += f' stroke-dasharray="{" ".join(f"{d * point:.1f}" for d in item.dash_pt)}"'
    if item.opacity < 1:
        style += f' opacity="{item.opacity:g}"'
    return f'<path d="{"".join(runs)}" {style}/>'


def _label(item: Label, place: Place, point: float, units: UnitSystem | None) -> str:
    x, y = place(*item.at_m).split()
    style = (
        f'x="{x}" y="{y}" text-anchor="{item.anchor}" font-size="{item.size_pt * point:.1f}" '
        f'fill="{item.colour}" stroke="#fff" stroke-width="{2.2 * point:.1f}" paint-order="stroke"'
        + (' font-weight="bold"' if item.bold else "")
    )
    if units is not None or item.text.metric == item.text.us:
        return f"<text {style}>{escape(item.text.text(units or 'metric'))}</text>"
    return (
        f'<text class="um" {style}>{escape(item.text.metric)}</text>'
        f'<text class="us" {style}>{escape(item.text.us)}</text>'
    )
