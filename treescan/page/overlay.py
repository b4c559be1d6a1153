"""What is drawn over the plan picture: marks, proposals, the mark under way, scale and north.

Line widths and dots keep their size on the screen at any zoom; every name is escaped.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from typing import Any

from treescan.errors import InvalidInputError
from treescan.page.marking import KINDS, Draft
from treescan.page.proposals import Found
from treescan.page.site_map import MapFrame
from treescan.site.model import Site
from treescan.units import FOOT_M, UnitSystem

STYLES = {
    "target": ("#b3261e", ""),
    "conductor": ("#7b1fa2", "14 6"),
    "drop_zone": ("#00695c", ""),
    "landing": ("#0057b8", "6 5"),
}
"""Colour and dashes of each part; dashes, so that colour is never alone."""
SCALES_M: dict[UnitSystem, Sequence[float]] = {
    "metric": (1, 2, 5, 10, 20),
    "us": tuple(FOOT_M * feet for feet in (5, 10, 20, 50)),
}


def overlay(
    site: Site,
    frame: MapFrame,
    draft: Draft,
    proposals: Iterable[Found] = (),
    units: UnitSystem = "metric",
) -> str:
    """SVG over the picture, in its pixels."""
    parts, names = [], _Names(frame)
    if site.tree.near_m:
        names.keep_free(site.tree.near_m)
    for found in proposals:
        closed = "footprint_m" in found.entry
        parts.append(_line(frame, found.corners_m, "#333", "3 7", closed=closed, fill=False))
        names.add(found.corners_m, found.name + "?", "#333")
    for part, (colour, dashes) in STYLES.items():
        for item in getattr(site, part):
            footprint = getattr(item, "footprint_m", None)
            corners: Any = footprint or item.path_m
            closed = footprint is not None
            parts.append(_line(frame, corners, colour, dashes, closed=closed, fill=closed))
            names.add(corners, item.name, colour)
    if site.tree.near_m:
        parts.append(_dot(frame, site.tree.near_m, "#000", 20))
        parts.append(_dot(frame, site.tree.near_m, "#fff", 10))
    if site.tree.known_length_points_m:
        ends = site.tree.known_length_points_m
        parts.append(_line(frame, ends, "#000", "2 6", closed=False, fill=False))
        names.add(ends, "taped", "#000")
    for held in site.ground_anchor:
        parts.append(_dot(frame, held.at_m[:2], "#3b3b3b", 18))
        names.add([held.at_m], held.name, "#3b3b3b")
    if site.climber.tie_in_m:
        parts.append(_dot(frame, site.climber.tie_in_m[:2], "#7a4b00", 18))
        names.add([site.climber.tie_in_m], "tie-in wish", "#7a4b00")
    parts.append(_under_way(frame, draft))
    parts.append(_scale_bar(frame, units))
    return "".join(parts) + names.drawn()


def _under_way(frame: MapFrame, draft: Draft) -> str:
    if not draft.corners:
        return ""
    closed = KINDS[draft.kind].shape in ("polygon", "box") and len(draft.corners) > 2
    try:
        corners = draft.outline()
    except InvalidInputError:
        corners, closed = draft.corners, False
    shape = _line(frame, corners, "#000", "", closed=closed, fill=closed)
    dots = "".join(_dot(frame, corner, "#000", 14) for corner in draft.corners)
    last = _dot(frame, draft.corners[-1], "#ffd400", 8)
    return shape + dots + last


def _line(
    frame: MapFrame, corners: Any, colour: str, dashes: str, *, closed: bool, fill: bool
) -> str:
    points = " ".join("{:.1f},{:.1f}".format(*frame.to_pixel(*c[:2])) for c in corners)
    shape = "polygon" if closed else "polyline"
    inside = f'fill="{colour}" fill-opacity="0.16"' if fill else 'fill="none"'
    dash = f' stroke-dasharray="{dashes}"' if dashes else ""
    common = f'points="{points}" vector-effect="non-scaling-stroke" stroke-linejoin="round"'
    return (
        f'<{shape} {common} fill="none" stroke="#fff" stroke-width="6"/>'
        f'<{shape} {common} {inside} stroke="{colour}" stroke-width="3"{dash}/>'
    )


def _dot(frame: MapFrame, place: Any, colour: str, size: int) -> str:
    x, y = frame.to_pixel(*place[:2])
    return (
        f'<path d="M {x:.1f} {y:.1f} h 0.01" stroke="{colour}" stroke-width="{size}" '
        'stroke-linecap="round" vector-effect="non-scaling-stroke"/>'
    )


class _Names:
    """Names on the picture, moved down until they lie on no other."""

    def __init__(self, frame: MapFrame) -> None:
        self.frame = frame
        self.taken: list[tuple[float, float, float]] = []
        self.texts: list[str] = []
        self.row = 0.045 * frame.wide

    def keep_free(self, place: Any) -> None:
        """No name is put here."""
        x, y = self.frame.to_pixel(*place[:2])
        self.taken.append((x, y + 0.3 * self.row, 0.5 * self.row))

    def add(self, corners: Any, name: str, colour: str) -> None:
        """Put a name in the middle of some corners, within the picture."""
        points = [self.frame.to_pixel(*c[:2]) for c in corners]
        half = min(0.012 * self.frame.wide * max(len(name), 4), 0.5 * self.frame.wide)
        x = sum(p[0] for p in points) / len(points)
        x = min(max(x, half), self.frame.wide - half)
        y = sum(p[1] for p in points) / len(points)
        while any(abs(x - a) < half + h and abs(y - b) < self.row for a, b, h in self.taken):
            y += 0.5 * self.row
        self.taken.append((x, y, half))
        self.texts.append(
            f'<text class="ts-maptext" x="{x:.0f}" y="{y:.0f}" text-anchor="middle" '
            f'fill="{colour}" stroke="#fff" stroke-width="0.3em" paint-order="stroke">'
            f"{html.escape(name)}</text>"
        )

    def drawn(self) -> str:
        """All of them."""
        return "".join(self.texts)


def _scale_bar(frame: MapFrame, units: UnitSystem) -> str:
    """Bar of a round length at the lower left, north arrow at the upper right."""
    widest = 0.3 * frame.wide * frame.metres_per_pixel
    length = max((s for s in SCALES_M[units] if s <= widest), default=SCALES_M[units][0])
    words = f"{length / FOOT_M:.0f} ft" if units == "us" else f"{length:.0f} m"
    long, x, y = length / frame.metres_per_pixel, 30.0, frame.high - 30.0
    north_x = frame.wide - 50.0
    return (
        f'<path d="M {x} {y} h {long:.1f}" stroke="#000" stroke-width="5" '
        'vector-effect="non-scaling-stroke"/>'
        f'<text class="ts-maptext" x="{x + long / 2:.0f}" y="{y - 14:.0f}" text-anchor="middle" '
        f'stroke="#fff" stroke-width="0.3em" paint-order="stroke">{words}</text>'
        f'<path d="M {north_x} 110 V 40 m -18 26 L {north_x} 34 l 18 32" fill="none" '
        'stroke="#000" stroke-width="4" vector-effect="non-scaling-stroke"/>'
        f'<text class="ts-maptext" x="{north_x}" y="150" text-anchor="middle">N</text>'
    )
