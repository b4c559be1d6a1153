"""One device's view of the job: header, steps, the panels of the step it looks at."""

from __future__ import annotations

from functools import partial

from nicegui import ui

from treescan.page import device
from treescan.page.controls import attempt, tell
from treescan.page.links import show_links
from treescan.page.panel_list import PANELS
from treescan.page.panels import Panel
from treescan.page.session import Session
from treescan.page.steps import BY_KEY, STEPS, StepState
from treescan.report.cautions import SHORT

SIGNS = {"done": "✓ done", "needs attention": "! look", "to do": "○ to do"}
CLASSES = {"done": "done", "needs attention": "attention", "to do": "todo"}


class DevicePage:
    """What one browser tab shows.  Draws a panel once, and again only when its topics change."""

    def __init__(self, session: Session, step: str = "") -> None:
        self.session = session
        self.bodies: dict[Panel, ui.column] = {}
        self.columns: dict[str, ui.column] = {}
        self.stale: set[Panel] = set()
        self.headed: object = None
        first = (s.key for s in STEPS if s.standing(session).status != "done")
        self.step = step if step in BY_KEY else next(first, "cuts")
        self._frame()
        self.show(self.step)
        end = session.listen(self.heard)
        ui.context.client.on_delete(end)

    # frame

    def _frame(self) -> None:
        ui.colors(primary="#0b3d2e", negative="#a00018")
        with ui.header().classes("ts-header items-center"):
            self.title = ui.label().classes("ts-job").props("role=heading aria-level=1")
            self._phone_button()
            for word, action in (("Undo", self._undo), ("Redo", self._redo)):
                button = ui.button(word, on_click=action).props("outline no-caps")
                button.classes("ts-small").mark(word.lower())
            self.units = ui.button(on_click=self._other_units).props("outline no-caps")
            self.units.classes("ts-small").mark("units")
            self.units.props["aria-label"] = "Change between metric and US units"
        with ui.element("div").classes("ts-frame"):
            self.nav = ui.element("nav").classes("ts-nav").props('aria-label="Steps of the job"')
            with ui.element("main").classes("ts-main"):
                self.work = ui.column().classes("w-full").props("aria-live=polite")
                self.head = ui.column().classes("w-full gap-1")
                self.place = ui.column().classes("w-full")
                ui.label(SHORT).classes("ts-fine").style("margin-top:16px")
        with ui.footer().classes("ts-footer items-center"):
            self.back = ui.button("◀ Back", on_click=partial(self._turn, -1)).props(
                "no-caps outline"
            )
            steps = ui.button("All steps", on_click=self._open).props("no-caps outline")
            steps.classes("ts-all").mark("all-steps")
            self.next = ui.button("Next ▶", on_click=partial(self._turn, 1)).props(
                "no-caps unelevated"
            )
        with self.nav:
            self.buttons = {step.key: self._step_button(step.key) for step in STEPS}
            self._phone_button().mark("phone")
        self._refresh_frame()
        self._refresh_work()

    def _phone_button(self) -> ui.button:
        button = ui.button("Open on a phone", on_click=lambda: show_links(self.session.links))
        return button.props("no-caps outline").classes("ts-small ts-phone")

    def _step_button(self, key: str) -> tuple[ui.button, ui.label]:
        number = [s.key for s in STEPS].index(key) + 1
        button = ui.button(on_click=partial(self.show, key)).props("flat no-caps")
        button.classes("ts-step").mark(f"step-{key}")
        with button:
            ui.label(f"{number}. {BY_KEY[key].title}")
            mark = ui.label().classes("ts-mark")
        return button, mark

    def _refresh_frame(self) -> None:
        """Words of the header and the standing of every step."""
        self.title.text = self.session.store.site.job.name
        self.units.text = "ft · lb" if device.units() == "us" else "m · kg"
        for step in STEPS:
            standing = step.standing(self.session)
            button, mark = self.buttons[step.key]
            mark.text = SIGNS[standing.status]
            mark.classes(replace=f"ts-mark {CLASSES[standing.status]}")
            here = step.key == self.step
            button.classes(add="here" if here else "", remove="" if here else "here")
            button.props["aria-current"] = "step" if here else "false"
        keys = [s.key for s in STEPS]
        self.back.set_enabled(self.step != keys[0])
        self.next.set_enabled(self.step != keys[-1])
        self._refresh_head(BY_KEY[self.step].standing(self.session))

    def _refresh_head(self, standing: StepState) -> None:
        step = BY_KEY[self.step]
        confirmed = step.key in self.session.store.state.get("confirmed", ())
        if self.headed == (step, standing, confirmed):
            return
        self.headed = (step, standing, confirmed)
        number = [s.key for s in STEPS].index(step.key) + 1
        self.head.clear()
        with self.head:
            ui.label(f"{number} of {len(STEPS)}: {step.title}").classes("ts-title")
            words = standing.why or {"done": "Done.", "to do": "To do."}.get(standing.status, "")
            sign = SIGNS[standing.status][0]
            ui.label(f"{sign} {words}").classes(f"ts-why {CLASSES[standing.status]}").mark("why")
            if step.confirmable and not confirmed:
                button = ui.button(
                    f"{step.title}: looked over, it is right", on_click=self._confirm
                ).props("no-caps outline")
                button.classes("ts-small").mark("confirm")

    def _refresh_work(self) -> None:
        """Stage, share, time left and Cancel while work is running; the last error otherwise."""
        progress, fault = self.session.progress(), self.session.store.fault
        self.work.clear()
        stays = {"add": "ts-stays"} if progress.running else {"remove": "ts-stays"}
        self.work.classes(**stays)  # in sight wherever one has scrolled to
        with self.work:
            if fault:
                with ui.column().classes("ts-warning").props("role=alert"):
                    ui.label(f"The site file cannot be used: {fault}")
                    ui.label("The page shows the last good one and saves nothing meanwhile.")
                    ui.button(
                        "Put the last good one back", on_click=lambda: attempt(self.session.mend)
                    ).props("no-caps outline").classes("ts-small")
            notice = self.session.store.state.get("notice", "")
            if notice:
                with ui.column().classes("ts-warning").props("role=alert"):
                    ui.label(notice).mark("notice")
                    ui.button("OK", on_click=lambda: attempt(self.session.put_away_notice)).props(
                        "outline no-caps"
                    ).classes("ts-small")
            if self.session.trouble:
                ui.label(self.session.trouble).classes("ts-warning").props("role=alert")
            if progress.running:
                with ui.column().classes("ts-work").props("role=status"):
                    left = progress.seconds_left
                    rest = "" if left is None else f", about {_left(left)} left"
                    ui.label(f"{progress.stage}, {progress.share:.0%}{rest}").mark("stage")
                    ui.linear_progress(progress.share, show_value=False, size="16px")
                    ui.button("Cancel", on_click=self.session.cancel).props(
                        "outline no-caps"
                    ).classes("ts-small").mark("cancel")
            elif progress.error:
                with ui.column().classes("ts-warning").props("role=alert"):
                    ui.label(progress.error).mark("work-error")
                    ui.button("OK", on_click=self.session.dismiss).props("outline no-caps").classes(
                        "ts-small"
                    )

    # steps

    def show(self, key: str) -> None:
        """Go to a step; panels drawn before are kept as they were left."""
        self.step = key
        self.nav.classes(remove="open")
        for other, column in self.columns.items():
            column.set_visibility(other == key)
        if key not in self.columns:
            with self.place:
                self.columns[key] = ui.column().classes("w-full")
            for panel in (p for p in PANELS if p.step == key):
                with self.columns[key]:
                    self.bodies[panel] = ui.column().classes("w-full")
                self._draw(panel)
        for panel in [p for p in self.stale if p.step == key]:
            self._draw(panel)
        self._refresh_frame()
        ui.run_javascript(f'history.replaceState(null, "", "/?step={key}"); window.scrollTo(0, 0);')

    def _draw(self, panel: Panel) -> None:
        self.stale.discard(panel)
        body = self.bodies[panel]
        body.clear()
        with body, ui.column().classes("w-full"):
            panel.build(self.session)

    def heard(self, topics: frozenset[str]) -> None:
        """Follow a change, made here or on another device."""
        if self.place.is_deleted:
            return
        with self.place:
            if topics & {"work", "site"}:
                self._refresh_work()
            if topics - {"work"}:
                self._refresh_frame()
            for panel in self.bodies:
                if topics & set(panel.watches):
                    self._draw(panel) if panel.step == self.step else self.stale.add(panel)

    def _turn(self, by: int) -> None:
        keys = [s.key for s in STEPS]
        self.show(keys[max(0, min(len(keys) - 1, keys.index(self.step) + by))])

    def _open(self) -> None:
        self.nav.classes(toggle="open")

    def _confirm(self) -> None:
        attempt(lambda: self.session.confirm(self.step))

    def _other_units(self) -> None:
        device.set_units("metric" if device.units() == "us" else "us")
        self._refresh_frame()
        self.heard(frozenset({"units"}))

    def _undo(self) -> None:
        attempt(lambda: tell(_said("Taken back", self.session.undo())))

    def _redo(self) -> None:
        attempt(lambda: tell(_said("Done again", self.session.redo())))


def _said(word: str, what: str) -> str:
    return f"{word}: {what}" if what else "There is nothing more."


def _left(seconds: float) -> str:
    if seconds < 90:
        return f"{max(5, 5 * round(seconds / 5))} s"
    return f"{round(seconds / 60)} min"
