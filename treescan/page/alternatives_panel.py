"""Whole plans side by side, and the button that makes one of them the plan of the job."""

from __future__ import annotations

from functools import partial
from typing import Any

from nicegui import ui

from treescan.page.controls import heading, small, words
from treescan.page.device import units
from treescan.page.panels import Panel
from treescan.page.session import Session
from treescan.page.view_cards import band
from treescan.report import wording
from treescan.report.wording import Words, bilingual, fill, plain
from treescan.units import UnitSystem

Json = dict[str, Any]


def figures(row: Json) -> tuple[tuple[str, Words], ...]:
    """Figures of a whole plan, those one compares first."""
    room = row["min_clearance_m"]
    return (
        ("Hardest anchor load, up to", wording.force_most(float(row["peak_anchor_N"]))),
        ("Highest share of a limit", plain(wording.percent(float(row["peak_share"])))),
        ("Nearest pass", _nearest(room)),
        ("Time", plain(wording.hours_range(band(row["hours"])))),
        ("Anchor moves", plain(f"{row['anchor_moves']}")),
    )


def _nearest(room_m: float | None) -> Words:
    """Room at the nearest pass, its spread counted; below zero a target may be hit."""
    if room_m is None:
        return plain("nothing to hit")
    if room_m < 0.0:
        return fill("up to {} into a target", wording.length_most(-room_m))
    return wording.length_least(room_m)


def chosen_name(plan: Json) -> str:
    """Name of the whole plan that the job goes by."""
    return str(plan["name"]).rsplit(": ", 1)[-1]


def same_as(plan: Json, row: Json) -> str:
    """Name of an earlier alternative with the same cuts and figures; "" when there is none."""
    for other in plan["alternatives"]:
        if other is row:
            return ""
        if {k: other[k] for k in other if k not in ("name", "explanation")} == {
            k: row[k] for k in row if k not in ("name", "explanation")
        }:
            return str(other["name"])
    return ""


def alternatives(session: Session) -> None:
    """The whole plans side by side; on a narrow screen one swipes through them."""
    plan = session.store.plan()
    if plan is None:
        return
    heading("Whole plans side by side")
    words("Each is best at something else; some cut the tree in other places. High ends are shown.")
    wanted = str(session.store.state.get("prefer", ""))
    now, system = chosen_name(plan), units()
    with ui.element("div").classes("tsv-plans").props('tabindex=0 aria-label="Whole plans"'):
        for row in plan["alternatives"]:
            with ui.element("section").classes("tsv-plan").mark(f"plan-{row['name']}"):
                _column(session, plan, row, now, system)
    if wanted and wanted != now:
        words(f"“{wanted}” was chosen and is not planned yet.")


def _column(session: Session, plan: Json, row: Json, now: str, system: UnitSystem) -> None:
    name = str(row["name"])
    ui.label(name.capitalize()).classes("tsv-title")
    with ui.element("dl").classes("tsv-figures"):
        for label, value in figures(row):
            with ui.element("dt"):
                ui.label(label)
            with ui.element("dd"):
                ui.label(value.text(system))
    twin = same_as(plan, row)
    if twin:
        ui.label(f"The same as “{twin}”.").classes("ts-fine")
    ui.label(bilingual(str(row["explanation"])).text(system)).classes("ts-fine")
    if name == now:
        ui.label("✓ This is the plan of the job").classes("tsv-text text-bold")
        return
    small(f"Choose “{name}”", partial(_choose, session, name)).mark(f"choose-{name}")


def _choose(session: Session, name: str) -> None:
    """Make a whole plan the job's own: planned again with its preference, changes by hand kept."""
    system = units()  # before the change, which draws this panel anew
    session.save(state={"prefer": name}, said=f"Plan “{name}” chosen")
    begun = session.store.done_steps() or session.store.state.get("edits")
    rest = (session.store.folder / "plan" / "state.json").exists()
    session.start("replan" if begun or rest else "plan", system)


PANELS = (Panel("plan", alternatives, ("plan", "edits", "units")),)
