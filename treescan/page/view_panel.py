"""The 3-D view in the page: step through the plan, tap wood, unions and points, change cuts."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np
from nicegui import background_tasks, run, ui

from treescan.errors import TreescanError
from treescan.page import cut_edits, view_cards
from treescan.page.controls import refuse, words
from treescan.page.cut_desk import CutDesk, desk_of
from treescan.page.cut_panel import CutPanel
from treescan.page.device import units
from treescan.page.panels import Panel
from treescan.page.session import Session
from treescan.page.view import Scenes, TreeView, scenes_of
from treescan.page.view_cards import Card
from treescan.page.view_looks import Colouring, Shown, changed_cuts, looks, plan_cuts
from treescan.page.view_parts import card_lines, choice, toggle
from treescan.page.view_pick import (
    PickedPlace,
    Ray,
    WoodPick,
    pick_ground,
    pick_point,
    pick_union,
    pick_wood,
    picked_place,
)
from treescan.page.view_scene import ViewScene, eye_places
from treescan.units import UnitSystem

Json = dict[str, Any]

READY_AFTER_S = 3.0
"""The view is drawn first. [s]"""

LOOKS = {
    "front": "Front",
    "plan": "Above",
    "climber": "Tie-in",
    "cut": "Cut",
    "ground": "Ground",
}
COLOURINGS: dict[Colouring, str] = {"pieces": "by piece", "load": "by load", "wood": "plain"}
CLOUDS = {0: "all", 1: "tree", 2: "off"}


@dataclass(frozen=True)
class TapMeaning:
    """One thing that may have been meant by a tap: its name, its card, and the wood if any."""

    name: str
    card: Card
    wood: WoodPick | None = None
    union: int = -1
    place: PickedPlace | None = None


@dataclass
class TreePanel:
    """The view on one device."""

    session: Session
    scenes: Scenes
    scene: ViewScene
    mark: str
    desk: CutDesk
    system: UnitSystem
    shown: Shown = field(default_factory=Shown)
    cloud: int = 0
    told: Json = field(default_factory=dict)

    def build(self) -> None:
        """Put the view, its buttons and the card where the panel stands."""
        scene, plan = self.scene, self.scene.plan
        self.steps: list[Json] = list(plan["steps"]) if plan else []
        self.names = view_cards.piece_names(plan) if plan else {}
        self.step_of_cut = {int(s["node"]): s for s in self.steps}
        self.first_cuts = plan_cuts(scene)
        self.cut_of = self.first_cuts
        self.shown = replace(self.shown, done=self.session.store.done_steps())
        with ui.element("div").classes("tsv-desk"):
            with ui.element("div").classes("tsv-left"):
                said = "The tree in 3-D. Arrow keys turn it, plus and minus come nearer and away, "
                said += "Enter taps the middle, Page Up and Page Down change the step."
                self.view = TreeView(self.mark, said, ways=bool(self.steps))
                self.view.mark("tree-view")
                self.view.on_tap(self.tapped)
                self.view.on("turn", lambda event: self.go(self.shown.current + int(event.args)))
                if self.steps:
                    self._slider()
                self._buttons()
            with ui.element("div").classes("tsv-right").props("aria-live=polite"):
                self.place = ui.column().classes("tsv-card").mark("card")
                self.editing = CutPanel(self)
        self.recolour()
        self.look("front")
        self.go(0)
        self.session.follow(("done",), self._done_changed)
        self.session.follow(("edits",), self._edits_changed)
        if self.session.store.state.get("edits"):
            self._edits_changed()
        elif self.steps:
            background_tasks.create(self._make_ready(), name="cuts made ready")

    async def _make_ready(self) -> None:
        """Have the job prepared, so that the first changed cut does not wait for that."""
        await asyncio.sleep(READY_AFTER_S)
        if not self.place.is_deleted:
            await self.desk.ask(self.mark, [], [int(self.steps[0]["node"])])

    # buttons

    def _buttons(self) -> None:
        with ui.element("div").classes("tsv-five").props('role=group aria-label="Look from"'):
            for key, word in LOOKS.items():
                if key in ("climber", "cut") and not self.steps:
                    continue
                choice(word, partial(self.look, key)).mark(f"look-{key}")
        with ui.element("div").classes("tsv-five tsv-last").props('role=group aria-label="Show"'):
            self.cloud_button = choice("Points\nall", self._next_cloud).mark("cloud")
            toggle("Names", True, lambda on: self.view.tell("showSigns", on)).mark("names")
            toggle("Unions", False, lambda on: self.view.tell("showUnions", on)).mark("unions")
            if self.steps:
                toggle("Hide\ndown", True, self._hide_down).mark("hide-down")
                self.colour_button = choice("Colour\nby piece", self._next_colour).mark("colour")

    def _slider(self) -> None:
        last = len(self.steps)
        with ui.element("div").classes("tsv-steps"):
            self.back = ui.button("◀ Step", on_click=lambda: self.go(self.shown.current - 1))
            self.back.props("no-caps outline").classes("ts-small").mark("step-back")
            self.where = ui.label().classes("tsv-where").mark("where")
            self.next = ui.button("Step ▶", on_click=lambda: self.go(self.shown.current + 1))
            self.next.props("no-caps unelevated").classes("ts-small").mark("step-next")
        self.slider = ui.slider(min=0, max=last, value=0, step=1).classes("tsv-slider")
        self.slider.props('aria-label="Step of the plan" track-size=8px thumb-size=40px')
        self.slider.on_value_change(lambda event: self.go(int(event.value)))
        self.slider.mark("slider")

    def _next_cloud(self) -> None:
        self.cloud = (self.cloud + 1) % len(CLOUDS)
        self.cloud_button.text = f"Points\n{CLOUDS[self.cloud]}"
        self.view.tell("toggleCloud", self.cloud)

    def _hide_down(self, on: bool) -> None:
        self.shown = replace(self.shown, hide_down=on)
        self.recolour()

    def _next_colour(self) -> None:
        kinds = list(COLOURINGS)
        kind = kinds[(kinds.index(self.shown.colouring) + 1) % len(kinds)]
        self.shown = replace(self.shown, colouring=kind)
        self.colour_button.text = f"Colour\n{COLOURINGS[kind]}"
        self.recolour()

    def look(self, key: str) -> None:
        """Look from a named place."""
        plan = self.scene.plan
        step = self._step()
        cut = None if step is None else self.scene.local(step["piece"]["cut_m"])
        tie = next((t for t in plan["tie_in"] if not t["rejected"]), None) if plan else None
        at_tie = self.scene.local(tie["position_m"]) if tie and key == "climber" else None
        if key in ("climber", "cut") and cut is None and self.steps:
            cut = self.scene.local(self.steps[0]["piece"]["cut_m"])
        eye, to = eye_places(self.scene, cut, at_tie)["climber" if key == "cut" else key]
        self.view.tell("look", eye, to, key in ("front", "plan"))

    # steps

    def _step(self) -> Json | None:
        return self.steps[self.shown.current - 1] if self.shown.current else None

    def go(self, number: int) -> None:
        """Show a step; 0 is the whole tree."""
        number = max(0, min(number, len(self.steps)))
        self.shown = replace(self.shown, current=number, chosen=-1)
        if not self.steps:
            self._say_whole()
            return
        if self.slider.value != number:
            self.slider.value = number
        self.back.set_enabled(number > 0)
        self.next.set_enabled(number < len(self.steps))
        where = "Whole tree" if number == 0 else f"Step {number} of {len(self.steps)}"
        self.where.text = where
        self.slider.props["aria-valuetext"] = where
        step = self._step()
        self.view.tell("setMark", None)
        self.recolour()
        if step is None:
            self.view.tell("setWay", None)
            self._say_whole()
            return
        self.show_way(step, f"{number}")
        self.say(view_cards.step_card(self.scene, step, self.names[number], len(self.steps)))
        self.editing.show(self.cut_now(step))

    def cut_now(self, step: Json) -> int:
        """Where the piece of a step is cut with the changes by hand made."""
        node = cut_edits.place_now(self.edits(), int(step["node"]))
        if (self.cut_of == node).any():
            return node
        now = self.cut_of[step["piece"]["nodes"]]
        return int(np.bincount(now[now >= 0]).argmax()) if (now >= 0).any() else -1

    def show_way(self, step: Json, sign: str) -> None:
        """Draw path, landing, ties, line and closest target of a step or of a judged way."""
        drawing = view_cards.way_drawing(self.scene, step, sign=sign)
        if self.system == "us" and "near" in drawing:
            drawing["near"]["text"] = drawing["near"]["text_us"]
        self.view.tell("setWay", drawing)

    def _say_whole(self) -> None:
        self.place.clear()
        with self.place:
            words("Tap wood, a union or a scan point. Drag to turn, pinch to come nearer.")
            if self.steps:
                words("Step ▶ goes through the steps: path, landing and closest target are drawn.")
        self.editing.show(-1)

    # colours and changes

    def recolour(self) -> None:
        """Send the looks of all pieces."""
        given, self.drawn = looks(self.scene, self.cut_of, self.shown)
        self.view.tell("setLooks", given)

    def _done_changed(self) -> None:
        self.shown = replace(self.shown, done=self.session.store.done_steps())
        self.recolour()

    def edits(self) -> list[Json]:
        """Changes by hand that are not yet in the plan."""
        return list(self.session.store.state.get("edits", ()))

    def change(self, rows: Sequence[Json], said: str, cut: int) -> None:
        """Keep a change by hand; what it does is worked out at once, on every device."""
        self.shown = replace(self.shown, chosen=cut)
        try:
            self.session.save(state={"edits": list(rows)}, said=said)
        except TreescanError as error:
            refuse(str(error))

    def _edits_changed(self) -> None:
        rows = self.edits()
        self.cut_of = changed_cuts(self.scene, rows) if rows else self.first_cuts
        touched = np.unique(self.cut_of[self.cut_of != self.first_cuts])
        forced = {int(row["node"]) for row in rows if row["do"] == "force"}
        self.shown = replace(self.shown, changed=frozenset(touched.tolist()) - {-1} | forced)
        self.recolour()
        background_tasks.create(self.judge(), name="changed cuts")

    async def judge(self, ask: Sequence[int] = ()) -> None:
        """Have the changed pieces judged, the one looked at first; draw and say the answers."""
        rows = self.edits()
        self.editing.wait()
        if rows and self.shown.chosen >= 0:
            await self._judge_part(rows, ask, self.shown.chosen)
        await self._judge_part(rows, ask, None)

    async def _judge_part(self, rows: list[Json], ask: Sequence[int], only: int | None) -> None:
        """Have one changed piece judged, or all of them."""
        told = await self.desk.ask(self.mark, rows, ask, only)
        if self.place.is_deleted or rows != self.edits():
            return
        if told.get("error"):
            with self.place:
                self.editing.fail(str(told["error"]))
            return
        self.told = told
        if only is None:
            changed = frozenset(c["node"] for c in told["changed"])
            self.shown = replace(self.shown, changed=changed)
        self.recolour()
        self.editing.answered(whole=only is None)

    # taps

    async def tapped(self, told: Json) -> None:
        """Say what was tapped; what else lies under the finger is offered beside it."""
        ray = Ray.of(told)
        if ray is None:
            return
        meant = await run.io_bound(self._meant, ray)
        if self.place.is_deleted:
            return
        if meant:
            self.choose(meant, 0)
        else:
            self.place.clear()
            with self.place:
                words("Nothing there. Tap wood, a union or a scan point.")
        self.view.answered()

    def _meant(self, ray: Ray) -> list[TapMeaning]:
        scene, found = self.scene, []
        wood = pick_wood(scene.graph, ray, self.drawn)
        unions = pick_union(scene.unions, ray, self.drawn)
        for row in unions[:2]:
            card = view_cards.union_card(scene, scene.unions[row])
            found.append(TapMeaning(card.title.text(self.system), card, union=row))
        for pick in wood:
            card = view_cards.limb_card(scene, pick)
            found.append(TapMeaning(card.title.text(self.system), card, pick))
        if self.cloud < 2:
            point = pick_point(self.scenes.store.points(), ray)
            if point is not None:
                found.append(self._place(picked_place(scene, point, "scan")))
        ground = pick_ground(scene.job.survey.ground, ray)
        if not found and ground is not None:
            found.append(self._place(picked_place(scene, ground, "ground")))
        return found

    def _place(self, place: PickedPlace) -> TapMeaning:
        card = view_cards.place_card(self.scene, place)
        return TapMeaning(card.title.text(self.system), card, place=place)

    def choose(self, meant: list[TapMeaning], row: int) -> None:
        """Show one of the things that may have been meant."""
        one = meant[row]
        others = [(m.name, partial(self.choose, meant, i)) for i, m in enumerate(meant) if i != row]
        at, cut = None, -1
        if one.wood is not None:
            at = one.wood.at_m
            cut = int(self.cut_of[one.wood.node])
        elif one.union >= 0:
            at = self.scene.unions[one.union].at_m
        elif one.place is not None:
            at = one.place.local_m
        self.shown = replace(self.shown, chosen=cut)
        self.recolour()
        if at is not None:
            self.view.tell("setMark", {"at": [round(float(v), 3) for v in at], "text": one.name})
        self.say(one.card, others)
        if one.union >= 0:
            self.editing.offer_anchor(self.scene.unions[one.union].node)
        elif one.wood is not None:
            self.editing.show(cut, tapped=one.wood.node)
        else:
            self.editing.show(-1)

    def say(
        self, card: Card, others: Sequence[tuple[str, Callable[[], Awaitable[None] | None]]] = ()
    ) -> None:
        """Show a card."""
        self.place.clear()
        with self.place:
            card_lines(card, self.system)
            if others:
                with ui.element("div").classes("tsv-row"):
                    ui.label("Or:").classes("tsv-or")
                    for name, action in others[:4]:
                        choice(name, action)

    def name_of_cut(self, cut: int) -> str:
        """Name of the piece that is cut at a node."""
        step = self.step_of_cut.get(cut)
        if step is not None:
            return f"step {step['step']} ({self.names[int(step['step'])]})"
        return view_cards.limb_name(int(self.scene.graph.limb[cut])).lower()

    def names_of_cuts(self) -> dict[int, str]:
        """Names for the sentences on changes by hand."""
        nodes = {int(row.get("node", 0)) for row in self.edits()}
        return {node: self.name_of_cut(node) for node in nodes}

    def along(self, cut: int, metres: float) -> int | None:
        """Where a cut would be after one press, if that place is free."""
        to = cut_edits.along(self.scene.graph, cut, metres)
        taken = to is not None and bool((self.cut_of == to).any())
        return None if taken else to


def tree_view(session: Session) -> None:
    """The 3-D view of the newest result, drawn as soon as it is read."""
    if session.store.result_folder() is None:
        words("Measure the scan first: the 3-D view comes from it.")
        return
    scenes = scenes_of(session)
    place = ui.column().classes("w-full").mark("view-place")
    with place:
        words("Reading the tree …")

    async def draw() -> None:
        try:
            mark, scene = await run.io_bound(scenes.now)
        except TreescanError as error:
            with place:
                refuse(str(error))
            return
        if place.is_deleted or scene is None:
            return
        place.clear()
        with place:
            panel = TreePanel(session, scenes, scene, mark, desk_of(session), units())
            panel.build()

    background_tasks.create(draw(), name="3-D view")


PANELS = (Panel("cuts", tree_view, ("plan", "tree", "site", "units")),)
