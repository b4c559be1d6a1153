"""Change a cut under the 3-D view: move, add, strike out, force; weight, load and room follow."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from nicegui import background_tasks, ui

from treescan.page import cut_edits, view_cards
from treescan.page.controls import attempt
from treescan.page.cut_edits import STEP_M
from treescan.page.view_parts import choice
from treescan.report.facts import METHODS, TIES
from treescan.report.wording import bilingual, fill, mass_most, mass_range

if TYPE_CHECKING:
    from treescan.page.view_panel import TreePanel

Json = dict[str, Any]

MOST_WAYS = 4


class CutPanel:
    """What can be done with the piece shown, and what was changed so far.

    Parameters
    ----------
    owner : TreePanel
        The view it stands under.
    """

    def __init__(self, owner: TreePanel) -> None:
        self.owner = owner
        self.cut = -1
        self.tapped = -1
        self.first_told = -1
        self.place = ui.column().classes("tsv-card").mark("cut")
        self.list = ui.column().classes("tsv-card").mark("changes")

    # what is shown

    def show(self, cut: int, *, tapped: int = -1) -> None:
        """Show what can be done with the piece cut at a node; -1 shows nothing."""
        self.cut, self.tapped = cut, tapped
        self._draw()

    def offer_anchor(self, node: int) -> None:
        """Offer a union as the anchor of the step that is looked at."""
        self.cut = -1
        self.place.clear()
        owner = self.owner
        step = owner.shown.current
        plan = owner.scene.plan
        row = next((a for a in plan["anchors"] if int(a["node"]) == node), None) if plan else None
        if row is None or not step:
            return
        cut = owner.cut_now(owner.steps[step - 1])
        rows = cut_edits.forced(owner.edits(), cut, anchor=str(row["id"]))
        said = f"{row['id']} forced on {owner.name_of_cut(cut)}"
        with self.place:
            label = f"Hang step {step} from {row['id']}"
            choice(label, partial(self._keep, rows, said, cut)).mark("force-anchor")
            if row["rejected"]:
                ui.label("It is refused as an anchor: it would be kept and flagged.").classes(
                    "tsv-warn"
                )

    def wait(self) -> None:
        """Say that the answer is being worked out."""
        if self.place.is_deleted:
            return
        cut = self.owner.shown.chosen
        if cut >= 0:
            self._weight_at_once(cut)
        with self.list:
            ui.label("Load and clearance: working it out …").classes("tsv-wait").props(
                "role=status"
            )

    def _weight_at_once(self, cut: int) -> None:
        """Weight of the piece as changed: known before its ways are judged."""
        owner = self.owner
        mass = owner.scene.job.mass.band(np.flatnonzero(owner.cut_of == cut))
        words = fill("{}; plan on {}", mass_range(mass), mass_most(mass.high))
        owner.place.clear()
        self.place.clear()
        with self.place:
            ui.label(f"Piece of {owner.name_of_cut(cut)}, changed").classes("tsv-title")
            ui.label(f"Weight {words.text(owner.system)}").classes("tsv-text").mark("weight-now")

    def fail(self, text: str) -> None:
        """Say why there is no answer."""
        self.list.clear()
        with self.list:
            ui.label(f"! {text}").classes("tsv-warn").props("role=alert")

    def answered(self, *, whole: bool) -> None:
        """Draw the answer; not ``whole`` while only the piece looked at has been judged."""
        if self.place.is_deleted:
            return
        chosen = self.owner.shown.chosen
        known = {c["node"] for c in self.owner.told["changed"]}
        if whole and self.first_told == chosen >= 0:
            self.first_told = -1
            self._changes()
            return
        if chosen in known:
            self.cut = chosen
        self._draw()
        answer = self._answer(self.cut)
        if answer is not None and self.cut in known:
            self.owner.place.clear()
            self.owner.show_way(answer["options"][0] | {"node": self.cut}, "changed")
        self.first_told = self.cut if not whole and self.cut in known else -1
        if not whole:
            with self.list:
                ui.label("The pieces beside it: working it out …").classes("tsv-wait").props(
                    "role=status"
                )

    def _answer(self, cut: int) -> Json | None:
        told = self.owner.told
        rows = (*told.get("changed", ()), *told.get("asked", ()))
        return next((c for c in rows if c["node"] == cut), None)

    def _draw(self) -> None:
        self.place.clear()
        with self.place:
            if self.cut >= 0 and self.owner.steps:
                self._piece()
        self._changes()

    def _piece(self) -> None:
        owner, cut = self.owner, self.cut
        step = owner.step_of_cut.get(cut)
        ui.label(f"Piece of {owner.name_of_cut(cut)}").classes("tsv-title")
        if step is not None and step["step"] != owner.shown.current and cut not in self._changed():
            choice(f"Show step {step['step']}", partial(owner.go, int(step["step"]))).mark(
                "to-step"
            )
        answer = self._answer(cut)
        if cut in self._changed() and answer is not None:
            self._was_and_now(step, answer)
        elif step is not None and self.tapped >= 0:
            lines = dict(view_cards.way_lines(owner.scene, step))
            text = f"{lines['Weight'].text(owner.system)}. {lines['Way'].text(owner.system)}."
            ui.label(text).classes("tsv-text")
        self._move_buttons()
        if answer is not None:
            self._ways(answer)
        else:
            choice("Other ways for this piece", self._ask).mark("ways")

    def _changed(self) -> frozenset[int]:
        return frozenset(self.owner.shown.changed)

    def _was_and_now(self, step: Json | None, answer: Json) -> None:
        owner, system = self.owner, self.owner.system
        now = answer["options"][0]
        if step is None and answer["turn"]:
            step = owner.steps[answer["turn"] - 1]
        was = view_cards.way_lines(owner.scene, step) if step is not None else ()
        with ui.element("table").classes("tsv-change").mark("was-now"):
            with ui.element("tr"):
                for head in ("", "In the plan", "Changed"):
                    with ui.element("th"):
                        ui.label(head)
            for row in view_cards.changes(was, view_cards.way_lines(owner.scene, now)):
                with ui.element("tr"):
                    for text in (row.name, row.was.text(system), row.now.text(system)):
                        with ui.element("td"):
                            ui.label(text)
        self._flags(answer)

    def _flags(self, answer: Json) -> None:
        """What is wrong with the piece as changed; nothing is put right behind one's back."""
        system = self.owner.system
        first = answer["options"][0]
        texts = [f"Limit broken: {t}." for t in first["broken_limits"]]
        if answer["forced"] and not answer["met"]:
            texts.insert(0, "The way forced by hand cannot be had; the nearest one is shown.")
        texts += [*answer["notes"], *first["warnings"]]
        for text in dict.fromkeys(texts):
            words = bilingual(text[:1].upper() + text[1:]).text(system)
            ui.label(f"! {words}").classes("tsv-warn")

    def _move_buttons(self) -> None:
        owner, cut = self.owner, self.cut
        inward, outward = owner.along(cut, -STEP_M), owner.along(cut, STEP_M)
        with ui.element("div").classes("tsv-row").props('role=group aria-label="Change the cut"'):
            for word, to, mark in (
                ("◀ Cut toward stem", inward, "inward"),
                ("Cut toward tip ▶", outward, "outward"),
            ):
                button = choice(word, partial(self._move, cut, to)).mark(mark)
                button.set_enabled(to is not None)
            if self.tapped > 0 and self.tapped != cut:
                here = partial(self._add, self.tapped)
                choice("Cut where I tapped too", here).mark("cut-here")
                limb = owner.scene.graph.limb
                if limb[self.tapped] == limb[cut]:
                    choice("Move the cut there", partial(self._move, cut, self.tapped)).mark("move")
            choice("Strike this cut out", partial(self._strike, cut)).mark("strike")

    def _ways(self, answer: Json) -> None:
        """Other ways of taking the piece, each with a button that forces it."""
        owner = self.owner
        with ui.expansion("Other ways, and force one").classes("tsv-ways").mark("ways-list"):
            for option in answer["options"][:MOST_WAYS]:
                ui.label(self._way_text(option)).classes("tsv-text")
                for text in option["broken_limits"]:
                    ui.label(f"! {bilingual(text).text(owner.system)}").classes("tsv-warn")
                wish = {k: option[k] for k in ("method", "tie", "anchor")}
                label = "Force this way" if not option["broken_limits"] else "Force it all the same"
                choice(label, partial(self._force, wish)).mark("force")
            for text in answer["refusals"]:
                ui.label(f"Refused: {bilingual(text).text(owner.system)}").classes("tsv-fine")
            with ui.element("div").classes("tsv-row"):
                for tie, word in TIES.items():
                    choice(f"Force: {word.lower()}", partial(self._force, {"tie": tie})).mark(
                        f"tie-{tie}"
                    )

    def _way_text(self, option: Json) -> str:
        lines = dict(view_cards.way_lines(self.owner.scene, option))
        parts = [METHODS.get(option["method"]) or str(option["method"])]
        if "Tie" in lines:
            parts.append(lines["Tie"].text(self.owner.system).lower())
        wanted = ("Anchor", "Anchor load", "Of the limit", "Closest", "Time")
        parts += [f"{k.lower()} {lines[k].text(self.owner.system)}" for k in wanted if k in lines]
        return "; ".join(parts) + "."

    # what is done

    def _keep(self, rows: list[Json], said: str, cut: int) -> None:
        self.owner.change(rows, said, cut)

    def _move(self, cut: int, to: int | None) -> None:
        if to is None:
            return
        rows = cut_edits.moved(self.owner.edits(), cut, to)
        self._keep(rows, f"Cut moved: {self.owner.name_of_cut(cut)}", to)

    def _add(self, node: int) -> None:
        rows = cut_edits.split(self.owner.edits(), node)
        self._keep(rows, f"Cut added on {self.owner.name_of_cut(node)}", node)

    def _strike(self, cut: int) -> None:
        rows = cut_edits.merged(self.owner.edits(), cut)
        inside = int(self.owner.cut_of[max(int(self.owner.scene.graph.parent[cut]), 0)])
        self._keep(rows, f"Cut struck out: {self.owner.name_of_cut(cut)}", inside)

    def _force(self, wish: Json) -> None:
        rows = cut_edits.forced(self.owner.edits(), self.cut, **wish)
        self._keep(rows, f"Way forced on {self.owner.name_of_cut(self.cut)}", self.cut)

    def _ask(self) -> None:
        background_tasks.create(self.owner.judge([self.cut]), name="other ways")

    # what was changed so far

    def _changes(self) -> None:
        owner = self.owner
        rows = owner.edits()
        self.list.clear()
        self._held()
        if not rows:
            return
        names = owner.names_of_cuts()
        with self.list:
            ui.label(f"Changed by hand, not yet in the plan: {len(rows)}").classes("tsv-title")
            for place, row in enumerate(rows):
                said = cut_edits.said(row, names)
                with ui.element("div").classes("tsv-edit"):
                    ui.label(said).classes("tsv-text grow")
                    left = cut_edits.without(rows, place)
                    choice("Take back", partial(self._keep, left, f"Taken back: {said}", -1))
            for text in owner.told.get("flags", ()):
                ui.label(f"! {bilingual(text).text(owner.system)}").classes("tsv-warn")
            ui.label(
                "Plan the rest makes the plan with them. What breaks a limit is kept and flagged."
            ).classes("tsv-text")
            replan = ui.button("Plan the rest with these changes", on_click=self._replan)
            replan.props("no-caps unelevated").classes("ts-wide").mark("replan-edits")

    def _held(self) -> None:
        """What was forced in earlier plans: asked for again in every later one until let go."""
        owner = self.owner
        held = list(owner.session.store.state.get("held", ()))
        if not held:
            return
        names = {int(row["node"]): owner.name_of_cut(int(row["node"])) for row in held}
        with self.list:
            ui.label(f"Forced by hand and kept in every new plan: {len(held)}").classes("tsv-title")
            for place, row in enumerate(held):
                said = cut_edits.said(row, names)
                with ui.element("div").classes("tsv-edit"):
                    ui.label(said).classes("tsv-text grow")
                    left = cut_edits.without(held, place)
                    choice("Let go", partial(self._let_go, left, said)).mark("let-go")
            flagged = (
                [t for t in owner.scene.plan["cautions"] if "by hand" in t]
                if owner.scene.plan
                else []
            )
            for text in flagged:
                ui.label(f"! {bilingual(text).text(owner.system)}").classes("tsv-warn")

    def _let_go(self, held: list[Json], said: str) -> None:
        save = self.owner.session.save
        attempt(lambda: save(state={"held": held}, said=f"Let go: {said}"))

    def _replan(self) -> None:
        attempt(lambda: self.owner.session.start("replan", self.owner.system))
