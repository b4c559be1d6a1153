"""What the page shows of results: measurements, whole plans, the cut list with ticks, haul."""

from __future__ import annotations

import csv
from typing import Any

from nicegui import ui

from treescan.page.controls import wide
from treescan.page.panels import Panel
from treescan.page.session import Session

DOWNLOADS = {
    "cut_list.pdf": "Cards to print (PDF)",
    "report.html": "Report in one file",
    "cut_list.csv": "Cut list as a table",
    "haul.csv": "Logs, brush and loads",
    "tree.glb": "Pieces in 3-D",
}


def alternatives(session: Session) -> None:
    """Whole plans side by side."""
    plan = session.store.plan()
    if plan is None:
        ui.label("No plan yet.").classes("text-lg")
        return
    if not plan["feasible"]:
        ui.label("No plan keeps every limit. " + plan["smallest_change"]).classes(
            "text-lg font-bold"
        )
    ui.label(plan["explanation"]).classes("text-lg")
    rows = [
        {
            "plan": a["name"],
            "anchor": f"{a['peak_anchor_N'] / 1000:.1f} kN",
            "room": "no targets"
            if a["min_clearance_m"] is None
            else f"{a['min_clearance_m']:.1f} m",
            "hours": f"{a['hours']['low']:.1f} to {a['hours']['high']:.1f} h",
        }
        for a in plan["alternatives"]
    ]
    heads = {"plan": "Plan", "anchor": "Peak anchor load", "room": "Least room", "hours": "Time"}
    ui.table(
        rows=rows,
        columns=[{"name": k, "label": v, "field": k, "align": "left"} for k, v in heads.items()],
        row_key="plan",
    ).classes("w-full")


def cuts(session: Session) -> None:
    """The report's 3-D view, and the steps with a tick for what is down."""
    plan = session.store.plan()
    if plan is None:
        ui.label("No plan yet: make it in the step before.").classes("text-lg")
        return
    ui.label("Tick what is down").classes("text-xl font-bold")
    done = session.store.done_steps()
    for step in plan["steps"]:
        number = int(step["step"])
        ui.checkbox(
            _step_text(step),
            value=number in done,
            on_change=lambda event, number=number: _tick(session, number, bool(event.value)),
        ).classes("text-lg w-full").style("min-height:48px")


def _step_text(step: dict[str, Any]) -> str:
    mass = step["piece"]["mass_kg"]
    near = min(step["clearance_m"].items(), key=lambda item: item[1], default=None)
    room = "" if near is None else f"; nearest: {near[0]} {near[1]:.1f} m"
    tie = f", {step['tie']} tie to {step['anchor']}" if step["tie"] else ""
    return (
        f"{step['step']}. {step['method']}{tie}: {step['piece']['length_m']:.1f} m, "
        f"{mass['low']:.0f} to {mass['high']:.0f} kg, to {step['landing'] or 'no zone'}{room}"
    )


def _tick(session: Session, number: int, down: bool) -> None:
    done = session.store.done_steps()
    wanted = done | {number} if down else done - {number}
    if wanted != done:
        session.save(state={"done": sorted(wanted)}, said=f"Step {number} ticked")


def haul(session: Session) -> None:
    """Haul sheet and files to take along."""
    folder = session.store.folder / "plan"
    if not (folder / "haul.csv").is_file():
        ui.label("No plan yet.").classes("text-lg")
        return
    with (folder / "haul.csv").open(encoding="utf-8-sig", newline="") as file:
        table = list(csv.reader(file))
    columns = [
        {"name": str(i), "label": head.replace("_", " "), "field": str(i), "align": "left"}
        for i, head in enumerate(table[0])
    ]
    rows = [{str(i): cell for i, cell in enumerate(row)} for row in table[1:]]
    ui.table(rows=rows, columns=columns).classes("w-full")
    for name, label in DOWNLOADS.items():
        if (folder / name).is_file():
            ui.link(label, f"/files/plan/{name}", new_tab=True).classes("text-xl block py-3")


def make_plan(session: Session) -> None:
    """Buttons that start the planning."""
    wide("Make the plan", lambda: session.start("plan")).mark("plan")
    wide("Plan the rest (ticked steps are down)", lambda: session.start("replan"), plain=True)


PANELS = (
    Panel("plan", make_plan),
    Panel("plan", alternatives, ("plan", "units")),
    Panel("cuts", cuts, ("plan", "done", "units")),
    Panel("haul", haul, ("plan", "units")),
    Panel("print", haul, ("plan", "units")),
)
