"""Mark on the plan picture: the stem, targets, drop zones, landings, fences."""

from __future__ import annotations

import html
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from nicegui import events, ui

from treescan.page.forms import keep_site
from treescan.page.session import Session
from treescan.page.site_map import PICTURE, MapFrame
from treescan.site.model import Site

KINDS = {
    "near": "Tap the stem of the tree",
    "target": "Tap the corners of what must not be hit",
    "path": "Tap along a fence or hedge",
    "drop_zone": "Tap the corners of ground where pieces may fall",
    "landing": "Tap the corners of ground where pieces may be set down",
}
NAMES = {
    "near": "Stem",
    "target": "Target",
    "path": "Fence",
    "drop_zone": "Drop zone",
    "landing": "Landing",
}
COLOURS = {"target": "#D55E00", "drop_zone": "#009E73", "landing": "#0072B2"}


@dataclass
class Drawing:
    """Corners tapped so far, in scan coordinates."""

    kind: str = "near"
    corners: list[tuple[float, float]] = field(default_factory=list)


def site_map(session: Session, changed: Callable[[], None], kinds: tuple[str, ...]) -> None:
    """Plan picture with taps, Done, Undo and a list of what is marked."""
    frame = session.map()
    if frame is None:
        ui.label("Measure the scan first: the plan picture comes from it.").classes("text-lg")
        return
    drawing = Drawing(kinds[0])
    mode = ui.toggle({k: NAMES[k] for k in kinds}, value=kinds[0]).props("size=lg no-caps")
    said = ui.label(KINDS[drawing.kind]).classes("text-xl font-bold")
    name = ui.input("Name", value="").classes("w-full text-lg")
    height = ui.input("Height above ground, m", value="2.5").props("inputmode=decimal")
    picture = ui.interactive_image(
        f"/files/tree/{PICTURE}?v={session.store.version}",
        events=["click"],
        cross="#D55E00",
        content=overlay(session.store.site, frame, drawing),
    ).classes("w-full border")

    def show() -> None:
        picture.content = overlay(session.store.site, frame, drawing)
        wanted = "" if drawing.kind == "near" else f" — {len(drawing.corners)} so far"
        said.text = KINDS[drawing.kind] + wanted

    def choose() -> None:
        drawing.kind, drawing.corners = str(mode.value), []
        show()

    def tap(event: events.MouseEventArguments) -> None:
        place = frame.to_scan(event.image_x, event.image_y)
        drawing.corners = [place] if drawing.kind == "near" else [*drawing.corners, place]
        if drawing.kind == "near":
            keep()
        show()

    def keep() -> None:
        if _kept(session, drawing, str(name.value), str(height.value)):
            drawing.corners = []
            name.value = ""
            changed()

    def undo_corner() -> None:
        drawing.corners = drawing.corners[:-1]
        show()

    mode.on_value_change(choose)
    picture.on_mouse(tap)
    with ui.row().classes("w-full"):
        ui.button("Done", on_click=keep).classes("grow h-14 text-lg")
        ui.button("Undo corner", on_click=undo_corner).props("outline").classes("grow h-14 text-lg")
    marked_list(session, changed)


def marked_list(session: Session, changed: Callable[[], None]) -> None:
    """List what is marked, each with a button to strike it out (Undo brings it back)."""
    for part in ("target", "conductor", "drop_zone", "landing"):
        for row, item in enumerate(getattr(session.store.site, part)):
            with ui.row().classes("w-full items-center no-wrap border-b"):
                ui.label(f"{part.replace('_', ' ')}: {item.name}").classes("grow text-lg")

                def strike(part: str = part, row: int = row) -> None:
                    data = session.store.site.model_dump(mode="json", exclude_none=True)
                    data[part].pop(row)
                    if keep_site(session, data):
                        changed()

                ui.button("Strike out", on_click=strike).props("outline no-caps").classes("h-12")


def _kept(session: Session, drawing: Drawing, name: str, height: str) -> bool:
    data: dict[str, Any] = session.store.site.model_dump(mode="json", exclude_none=True)
    corners = [[round(x, 3), round(y, 3)] for x, y in drawing.corners]
    if drawing.kind == "near":
        data.setdefault("tree", {})["near_m"] = corners[0]
        return keep_site(session, data)
    row: dict[str, Any] = {"name": name.strip() or f"{NAMES[drawing.kind]} {len(corners)}"}
    if drawing.kind in ("target", "path"):
        try:
            row["height_m"] = float(height.replace(",", "."))
        except ValueError:
            ui.notify(f"Height: “{height}” is not a number.", type="negative")
            return False
    row["path_m" if drawing.kind == "path" else "footprint_m"] = corners
    part = "target" if drawing.kind == "path" else drawing.kind
    data[part] = [*data.get(part, []), row]
    return keep_site(session, data)


def overlay(site: Site, frame: MapFrame, drawing: Drawing) -> str:
    """SVG over the picture: what is marked, and the corners being tapped."""
    shapes = []
    for part, colour in COLOURS.items():
        for item in getattr(site, part):
            corners: Any = item.footprint_m or getattr(item, "path_m", None) or ()
            shapes.append(_outline(frame, corners, colour, closed=item.footprint_m is not None))
            x, y = frame.to_pixel(*corners[0])
            shapes.append(
                f'<text x="{x:.0f}" y="{y:.0f}" font-size="24" font-weight="bold" '
                f'fill="{colour}" stroke="white" stroke-width="4" paint-order="stroke">'
                f"{html.escape(item.name)}</text>"
            )
    for wire in site.conductor:
        shapes.append(_outline(frame, wire.path_m, "#CC79A7", closed=False))
    if site.tree.near_m:
        x, y = frame.to_pixel(*site.tree.near_m)
        shapes.append(
            f'<circle cx="{x:.0f}" cy="{y:.0f}" r="16" fill="none" '
            f'stroke="black" stroke-width="5"/>'
        )
    if drawing.corners:
        shapes.append(_outline(frame, drawing.corners, "#000000", closed=False))
        for corner in drawing.corners:
            x, y = frame.to_pixel(*corner)
            shapes.append(f'<circle cx="{x:.0f}" cy="{y:.0f}" r="9" fill="black"/>')
    return "".join(shapes)


def _outline(frame: MapFrame, corners: Any, colour: str, *, closed: bool) -> str:
    points = " ".join("{:.0f},{:.0f}".format(*frame.to_pixel(*c[:2])) for c in corners)
    shape = "polygon" if closed else "polyline"
    fill = f'fill="{colour}" fill-opacity="0.15"' if closed else 'fill="none"'
    return f'<{shape} points="{points}" {fill} stroke="{colour}" stroke-width="5"/>'
