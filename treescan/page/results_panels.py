"""Steps “plan”, “cut list”, “haul and quote” and “print”: make plans, tick off, take along."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from nicegui import background_tasks, run, ui

from treescan.errors import TreescanError
from treescan.page.controls import attempt, heading, refuse, warning, wide, words
from treescan.page.device import units
from treescan.page.forms import Entry, form
from treescan.page.panels import Panel
from treescan.page.quantities import MONEY, SHARE
from treescan.page.session import Session, planned_from
from treescan.page.sheets import sheet
from treescan.page.view_cards import nearest_words
from treescan.pipeline.folder import haul_again, read_folder
from treescan.report.facts import METHODS, TIES
from treescan.report.tables import haul_words, quote_words, truck_words
from treescan.report.wording import Words, bilingual, plain
from treescan.units import UnitSystem, force_text, length_text, mass_text

DOWNLOADS = {
    "cut_list.pdf": "Cut cards to print (PDF)",
    "report.html": "Whole report in one file, opens without this laptop",
    "cut_list.csv": "Cut list as a table",
    "haul.csv": "Logs, brush, loads and quote as a table",
    "measurements.csv": "Measurements as a table",
    "tree.glb": "Pieces in 3-D",
    "plan.json": "Plan for other programs",
}
KEYS_OF_SITE_FILE = re.compile(r" \((?:\[\[|[a-z_]+\.)[^()]*\)| \([a-z]+(?:_[a-z]+)+\)")
"""What a value is called in the site file: on the page it has a form."""
Rows = Sequence[Sequence[Words]]


def make_plan(session: Session) -> None:
    """Start planning; say how the plan stands."""
    plan = session.store.plan()
    start = partial(_start, session)
    wide("Make the plan" if plan is None else "Make the plan anew", lambda: start("plan")).mark(
        "plan"
    )
    if plan is None:
        words("No plan yet.")
        return
    wide("Plan the rest: what is ticked is down", lambda: start("replan"), plain=True).mark(
        "replan"
    )
    if not plan["feasible"]:
        change = KEYS_OF_SITE_FILE.sub("", plan["smallest_change"])
        warning("No plan keeps every limit. " + bilingual(change).text(units()))
    words(bilingual(plan["explanation"]).text(units()))
    ui.label(f"Plan {plan['plan_id']}, {plan['date'] or 'no date'}").classes("ts-fine")
    with ui.expansion("Cautions").classes("w-full ts-cautions"):
        for text in plan["cautions"]:
            words(bilingual(text).text(units()))


def _start(session: Session, order: str) -> None:
    session.start(order, units())


def tick_list(session: Session) -> None:
    """Every step with its numbers, warnings, and a tick for what is down."""
    plan = session.store.plan()
    if plan is None:
        words("No plan yet: make it in the step before.")
        return
    heading("Tick what is down")
    words("Weights and loads are ranges: choose gear and zone for the high end.")
    boxes: dict[int, ui.checkbox] = {}
    left = ui.label().classes("ts-words text-bold")
    hide = ui.switch("Hide what is down", value=False).classes("ts-words").mark("hide-done")
    rows: dict[int, ui.column] = {}
    replan = wide(
        "Plan the rest from here", lambda: _start(session, "replan"), plain=True
    )  # fmt: skip
    for step in plan["steps"]:
        number = int(step["step"])
        with ui.column().classes("ts-row") as rows[number]:
            boxes[number] = (
                ui.checkbox(_title(step, units())).classes("w-full").mark(f"tick-{number}")
            )
            for line in _facts(step, units()):
                ui.label(line).classes("ts-fine ts-in")
            for text in (*step["broken_limits"], *step["warnings"]):
                ui.label(f"! {bilingual(text).text(units())}").classes("ts-caution ts-in")

    def follow() -> None:
        done = session.store.done_steps()
        for number, box in boxes.items():
            box.value = number in done
            rows[number].set_visibility(not (hide.value and number in done))
        left.text = f"{len(done)} of {len(boxes)} down."
        replan.set_visibility(bool(done))

    follow()
    hide.on_value_change(follow)
    for number, box in boxes.items():
        box.on_value_change(partial(_ticked, session, number, box))
    session.follow(("done",), follow)


def _ticked(session: Session, number: int, box: ui.checkbox) -> None:
    done = session.store.done_steps()
    wanted = done | {number} if box.value else done - {number}
    if wanted == done:
        return
    said = f"Step {number} {'ticked' if box.value else 'no longer ticked'}"
    if not attempt(lambda: session.save(state={"done": sorted(wanted)}, said=said)):
        box.value = number in session.store.done_steps()


def _title(step: dict[str, Any], system: UnitSystem) -> str:
    mass = step["piece"]["mass_kg"]
    tie = f", {TIES[step['tie']].lower()}" if step["tie"] else ""
    return (
        f"{step['step']}. {METHODS[step['method']]}{tie}: "
        f"{length_text(step['piece']['length_m'], system)} long, "
        f"{mass_text(mass['low'], system)} to {mass_text(mass['high'], system)}"
    )


def _facts(step: dict[str, Any], system: UnitSystem) -> list[str]:
    """Where it goes, what the line and the anchor feel, what is nearest."""
    lines = [f"To: {step['landing'] or 'no zone'}"]
    if step["anchor"]:
        load = step["anchor_load_N"]
        lines.append(
            f"Anchor {step['anchor']}: {force_text(load['low'], system)} to "
            f"{force_text(load['high'], system)}"
        )
    if step["clearance_detail"]:
        lines.append(f"Nearest: {nearest_words(step).text(system)}")
    return lines


@dataclass(frozen=True)
class HaulTables:
    """Material, truck loads and quote as rows of words."""

    material: Rows
    trucks: Rows
    quote: Rows
    notes: tuple[str, ...]


def haul_tables(session: Session) -> HaulTables:
    """Work the haul sheet and the quote out for the site file as it is now (under a second).

    Raises
    ------
    TreescanError
        When the result folder cannot be used.
    """
    folder = session.store.result_folder()
    assert folder is not None
    result = haul_again(read_folder(folder, site=session.store.site))
    quote = [[_below(cell) for cell in row] for row in quote_words(result)]
    return HaulTables(haul_words(result), truck_words(result), quote, tuple(result.haul.notes))


def _below(cell: Words) -> Words:
    """The page has an input for what the sheet asks to be written into the site file."""
    if "[quote]" in cell.metric:
        return plain("open: give the rate below")
    return Words(*(KEYS_OF_SITE_FILE.sub("", text) for text in (cell.metric, cell.us)))


def haul_and_quote(session: Session) -> None:
    """Rates, and the sheet that follows them at once."""
    if session.store.result_folder() is None:
        words("Measure the scan first.")
        return
    if session.store.plan() is None:
        warning("Without a plan: hours and logs follow from a rule and are wide ranges.")
    place = ui.column().classes("w-full").mark("haul-sheet")
    heading("Rates for the quote")
    form(
        session,
        (
            Entry(("quote", "crew_rate_per_hour"), "Crew, an hour", MONEY),
            Entry(("quote", "truck_rate_per_trip"), "Truck, a trip", MONEY),
            Entry(("quote", "tip_fee_per_tonne"), "Tip fee, a tonne (1000 kg)", MONEY),
            Entry(("quote", "equipment"), "Equipment in all", MONEY),
            Entry(("quote", "margin_share"), "Margin", SHARE),
            Entry(("quote", "currency"), "Currency"),
        ),
    )
    material = ui.column().classes("w-full").mark("material-sheet")
    drawn = [""]
    system = units()

    async def renew() -> None:
        mark = f"{planned_from(session.store.site)} {session.store.site.quote}"
        if mark == drawn[0] or place.is_deleted:
            return
        drawn[0] = mark
        try:
            tables = await run.io_bound(haul_tables, session)
        except TreescanError as error:
            with place:
                refuse(str(error))
            return
        if not place.is_deleted and drawn[0] == mark:
            place.clear()
            material.clear()
            with place:
                _sheets(system, ("Truck loads", tables.trucks), ("Quote", tables.quote))
            with material:
                _sheets(system, ("Material", tables.material))
                for note in tables.notes:
                    ui.label(bilingual(note).text(system)).classes("ts-fine")

    def follow() -> None:
        background_tasks.create(renew(), name="haul sheet")

    with place:
        words("Working the sheet out …")
    follow()
    with place:
        session.follow(("site", "plan"), follow)


def _sheets(system: UnitSystem, *titled: tuple[str, Rows]) -> None:
    for title, rows in titled:
        if len(rows) > 1:
            heading(title)
            sheet(rows, system, title)


def print_out(session: Session) -> None:
    """Files to print and to take along."""
    folder = session.store.folder / "plan"
    plan = session.store.plan()
    if plan is None:
        words("No plan yet.")
        return
    mark = session.store.state.get("plan_from")
    if mark and mark != planned_from(session.store.site):
        warning(
            "Outdated: the site, crew or gear has changed since this plan was made. Do not hand "
            "these cards out; plan again."
        )
    if not plan["feasible"]:
        warning("This plan breaks limits: every card says which.")
    words(f"Plan {plan['plan_id']}, {plan['date'] or 'no date'}, {len(plan['steps'])} steps")
    for name, label in DOWNLOADS.items():
        if (folder / name).is_file():
            ui.link(label, f"/files/plan/{name}", new_tab=True).classes("ts-link")
    ui.label(
        "The cards are in the units of the device on which the plan was made. The report needs "
        "no laptop: send it to the phones of the crew."
    ).classes("ts-fine")


PANELS = (
    Panel("plan", make_plan, ("plan", "units")),
    Panel("cuts", tick_list, ("plan", "units")),
    Panel("haul", haul_and_quote, ("plan", "tree", "units")),
    Panel("print", print_out, ("plan", "site", "units")),
)
