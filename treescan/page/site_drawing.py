"""Mark things by tapping the plan picture: corners, values, Done; nothing is lost on the way."""

from __future__ import annotations

import math
from functools import partial
from typing import Any, get_args

from nicegui import events, ui

from treescan.page.controls import attempt, small, tell, wide, words
from treescan.page.device import device_id, units
from treescan.page.forms import keep_site, site_data
from treescan.page.marking import KINDS, Draft, kept
from treescan.page.overlay import overlay
from treescan.page.quantities import ENERGY, HOLDS, KILOVOLTS, LENGTH, Quantity
from treescan.page.session import Session
from treescan.page.site_map import PICTURE, SiteMap
from treescan.site.model import Surface
from treescan.units import FOOT_M

INPUTS: dict[str, tuple[str, Quantity | None]] = {
    "name": ("Name", None),
    "height_m": ("Height above ground", LENGTH),
    "base_m": ("Lower edge above ground", LENGTH),
    "margin_m": ("Room to keep", LENGTH),
    "width_m": ("Width", LENGTH),
    "kilovolts": ("Voltage (ask the network operator)", KILOVOLTS),
    "holds_kn": ("What it may hold (empty: not known)", HOLDS),
    "known_length_m": ("Taped length between the two points", LENGTH),
    "max_energy_kj": ("Hardest blow it takes (empty: not limited)", ENERGY),
}
ZOOMS = (1, 2, 4)
NUDGE: dict[str, dict[int, float]] = {
    "metric": {1: 0.5, 2: 0.2, 4: 0.1},
    "us": {1: 2.0 * FOOT_M, 2: 1.0 * FOOT_M, 4: 0.5 * FOOT_M},
}
"""How far a nudge moves the last corner at each zoom. [m]"""
NUDGES = (
    ("←", -1, 0, "west"),
    ("↑", 0, 1, "north"),
    ("↓", 0, -1, "south"),
    ("→", 1, 0, "east"),
)
LOWEST_M = 0.3
"""Where the scan shows nothing standing a mark is this high: a bed, a pond, a lid. [m]"""
SURFACES = {surface: surface for surface in get_args(Surface)}


class MapPanel:
    """Plan picture of one step with the mark under way on this device."""

    def __init__(self, session: Session, step: str, kinds: tuple[str, ...]) -> None:
        self.session, self.step, self.kinds = session, step, kinds
        self.device, self.units, self.zoom = device_id(), units(), 1
        self.boxes: dict[str, ui.input] = {}
        self.points: ui.column | None = None
        self.filling = False
        self.draft = session.drafts.of(self.device, step)
        if self.draft.kind not in kinds:
            self.draft.begin(kinds[0])
        found = session.map()
        self.ready = found is not None
        if found is None:
            words("Measure the scan first: the plan picture comes from it.")
            return
        self.map: SiteMap = found
        self._build()
        session.follow(("site", "tree"), self.show)

    # building

    def _build(self) -> None:
        if len(self.kinds) > 1:
            with ui.element("div").classes("ts-pick").props('role=group aria-label="What to mark"'):
                self.pickers = {key: self._picker(key) for key in self.kinds}
        self.said = ui.label().classes("ts-words text-bold").props("aria-live=polite").mark("said")
        with ui.element("div").classes("ts-mapbox"):
            self.picture = ui.interactive_image(
                f"/files/tree/{PICTURE}?v={self.session.store.version('tree')[0]}",
                events=["click"], on_mouse=self._tapped,
            ).classes("ts-map zoom1").mark(f"map-{self.step}")  # fmt: skip
            self.picture.props["role"] = "img"
            self.picture.props["aria-label"] = "Plan picture of the scan; tap to mark"
        with ui.row().classes("w-full no-wrap items-center"):
            for zoom in ZOOMS:
                small(
                    f"{zoom}×", partial(self._zoom, zoom), said=f"Picture {zoom} times as large"
                ).classes("grow")
            small("Undo corner", self._back).classes("grow")
        if self.kinds == ("near",):
            self.values = ui.column()
            self.show()
            return
        with ui.row().classes("w-full no-wrap items-center"):
            small("+", self._add, said="Add a corner without tapping, then move it").classes("grow")
            for sign, east, north, word in NUDGES:
                small(
                    sign, partial(self._nudge, east, north), said=f"Last corner a little {word}"
                ).classes("grow")
        self.values = ui.column().classes("w-full gap-2")
        wide("Done", self._done).mark("done")
        wide("Cancel", self._cancel, plain=True).mark("cancel-mark")
        self.show(fields=True)

    def _picker(self, key: str) -> ui.button:
        button = ui.button(KINDS[key].label, on_click=partial(self._choose, key))
        return button.props("no-caps outline").mark(f"kind-{key}")

    # taps

    def _tapped(self, event: events.MouseEventArguments) -> None:
        self.draft.tap(*self.map.frame.to_scan(event.image_x, event.image_y), self.map)
        self._keep_draft()
        if KINDS[self.draft.kind].key == "near":
            self._done()
            return
        self.show()

    def add_place(self, x_m: float, y_m: float, z_m: float) -> None:
        """Add a corner met in 3-D; a wire's point and a tie-in keep its height."""
        self.draft.tap(x_m, y_m, self.map)
        if KINDS[self.draft.kind].shape == "wire":
            self.draft.corners[-1][2] = round(z_m, 2)
        self._keep_draft()
        self.show()

    def takes_height(self) -> bool:
        """The mark under way has a height that a tap in 3-D may give."""
        return "height_m" in KINDS[self.draft.kind].takes

    def set_height(self, height_m: float) -> None:
        """Give the mark under way the height of a place met in 3-D, rounded up."""
        self.draft.values["height_m"] = max(LOWEST_M, math.ceil(10.0 * height_m) / 10.0)
        self._keep_draft()
        self.show(fields=True)

    def _choose(self, key: str) -> None:
        if key == self.draft.kind and not self.draft.replaces:
            return
        self.draft.begin(key)
        self._keep_draft()
        self.show(fields=True)

    def _nudge(self, east: int, north: int) -> None:
        step = NUDGE[self.units][self.zoom]
        self.draft.nudge(step * east, step * north)
        self._keep_draft()
        self.show()

    def _back(self) -> None:
        self.draft.corners = self.draft.corners[:-1]
        self._keep_draft()
        self.show()

    def _cancel(self) -> None:
        self.draft.begin(self.draft.kind)
        self._keep_draft()
        self.show(fields=True)

    def _add(self) -> None:
        """Add a corner without a tap (keyboard): at the last one, else at the stem."""
        stem = self.session.store.site.tree.near_m
        frame = self.map.frame
        middle = frame.to_scan(frame.wide / 2, frame.high / 2)
        x, y = self.draft.corners[-1][:2] if self.draft.corners else stem or middle
        self.draft.tap(x, y, self.map)
        self._keep_draft()
        self.show()

    def _zoom(self, zoom: int) -> None:
        self.zoom = zoom
        self.picture.classes(remove=" ".join(f"zoom{z}" for z in ZOOMS), add=f"zoom{zoom}")

    def _keep_draft(self) -> None:
        self.session.drafts.keep(self.device, self.step, self.draft)

    def take(self, draft: Draft) -> None:
        """Go on with a draft from elsewhere: an entry to change, a proposal."""
        self.draft = draft
        self._keep_draft()
        self.show(fields=True)
        ui.run_javascript(f"getElement({self.picture.id}).$el.scrollIntoView({{block: 'center'}});")

    # keeping

    def _done(self) -> None:
        def keep() -> None:
            self._fill_in()
            data = kept(site_data(self.session), self.draft)
            state: dict[str, Any] = {}
            if self.draft.proposal:
                decided = self.session.store.state.get("proposals", {})
                state["proposals"] = {**decided, self.draft.proposal: "accepted"}
            keep_site(self.session, data, f"{KINDS[self.draft.kind].label} marked", **state)

        if attempt(keep):
            tell(f"{KINDS[self.draft.kind].label}: saved.")
            self._cancel()
        else:
            self.show()

    def _fill_in(self) -> None:
        """Values shown but not typed count as given: the height comes from the scan."""
        if "height_m" in KINDS[self.draft.kind].takes and "height_m" not in self.draft.values:
            seen = self.seen_height()
            if seen is not None:
                self.draft.values["height_m"] = seen

    def seen_height(self) -> float | None:
        """Height above ground that the scan shows at the mark, rounded up. [m]"""
        kind, corners = KINDS[self.draft.kind], self.draft.corners
        if kind.shape == "path":
            heights = [self.map.height_at(*c[:2]) for c in corners]
            known = [h for h in heights if h is not None]
            seen = max(known) if known else None
        elif len(corners) > 2 and not (kind.shape == "box" and len(corners) != 3):
            try:
                seen = self.map.height_within(self.draft.outline())
            except ValueError:
                return None
        else:
            return None
        return None if seen is None else max(LOWEST_M, math.ceil(10.0 * seen) / 10.0)

    # showing

    def show(self, *, fields: bool = False) -> None:
        """Bring the picture and the words up to date; ``fields`` draws the inputs again."""
        kind, draft = KINDS[self.draft.kind], self.draft
        self.picture.content = overlay(
            self.session.store.site, self.map.frame, draft,
            self.session.open_proposals() if self.step == "site" else (), self.units,
        )  # fmt: skip
        count = len(draft.corners)
        changing = f" Changing “{draft.replaces[1]}”." if draft.replaces else ""
        self.said.text = kind.words + (f" {count} so far." if count else "") + changing
        if len(self.kinds) > 1:
            for key, button in self.pickers.items():
                here = key == draft.kind
                button.props(remove="outline" if here else "unelevated")
                button.props("unelevated" if here else "outline")
                button.props["aria-pressed"] = "true" if here else "false"
        if fields:
            self.boxes, self.points = {}, None
            self.values.clear()
            with self.values:
                self._fields()
        self._follow_corners()

    def _follow_corners(self) -> None:
        """Bring heights up to date with the corners; what somebody types is left alone."""
        box = self.boxes.get("height_m")
        if box is not None and "height_m" not in self.draft.values:
            seen = self.seen_height()
            label = INPUTS["height_m"][0] + ("" if seen is None else " (from the scan: check)")
            value = self.draft.value("height_m") if seen is None else seen
            self.filling = True
            box.props["label"] = f"{label}, {LENGTH.unit(self.units).sign}"
            box.value = LENGTH.shown(value, self.units)
            self.filling = False
        if self.points is not None:
            self.points.clear()
            with self.points:
                for row, corner in enumerate(self.draft.corners):
                    self._corner_height(row, corner)

    def _fields(self) -> None:
        kind = KINDS[self.draft.kind]
        for key in kind.takes:
            if key == "surface":
                self._surface()
            else:
                self._input(key)
        if kind.shape == "wire":
            self.points = ui.column().classes("w-full")

    def _surface(self) -> None:
        def picked() -> None:
            self.draft.values["surface"] = pick.value
            self._keep_draft()

        pick = ui.select(SURFACES, value=self.draft.value("surface"), label="Surface")
        pick.classes("w-full").on_value_change(picked)

    def _input(self, key: str) -> None:
        label, quantity = INPUTS[key]
        if key == "margin_m" and KINDS[self.draft.kind].part == "conductor":
            label += " (empty: by its voltage)"
        box = self._box(label, quantity, self.draft.value(key)).mark(f"value-{key}")
        self.boxes[key] = box

        def put(new: Any) -> None:
            if new is None:
                self.draft.values.pop(key, None)
            else:
                self.draft.values[key] = new
            self._keep_draft()

        self._on_leave(box, quantity, put)

    def _corner_height(self, row: int, corner: list[float]) -> None:
        ground = self.map.ground_at(*corner[:2])
        above = corner[2] - ground
        label = f"Height of point {row + 1} above ground (check)"
        box = self._box(label, LENGTH, above).mark(f"corner-{row}")

        def put(new: Any) -> None:
            if new is not None and row < len(self.draft.corners):
                self.draft.corners[row][2] = round(ground + float(new), 2)
                self._keep_draft()

        self._on_leave(box, LENGTH, put)

    def _box(self, label: str, quantity: Quantity | None, value: Any) -> ui.input:
        sign = f", {quantity.unit(self.units).sign}" if quantity else ""
        text = quantity.shown(value, self.units) if quantity else str(value or "")
        box = ui.input(label + sign, value=text).classes("w-full")
        return box.props("inputmode=decimal") if quantity else box

    def _on_leave(self, box: ui.input, quantity: Quantity | None, put: Any) -> None:
        """Call ``put`` with what was typed when the input changes; words for what cannot be."""

        def changed() -> None:
            if self.filling:
                return
            text = str(box.value or "").strip()
            try:
                put(quantity.read(text, self.units) if quantity else (text or None))
            except ValueError as fault:
                box.props["error-message"], box.props["error"] = f"{fault}.", True
                return
            box.props["error"] = False

        box.on_value_change(changed)
