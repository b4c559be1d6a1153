"""Steps “tree” and “site”: what stands where, proposed by the scan or marked by hand."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from nicegui import ui

from treescan.page.controls import heading, small, warning, words
from treescan.page.device import units
from treescan.page.forms import free_name, keep_site, number, site_data
from treescan.page.marking import (
    PARTS,
    draft_of,
    draft_of_proposal,
    facts,
    names_like,
    site_entry,
)
from treescan.page.panels import Panel
from treescan.page.proposals import Found
from treescan.page.quantities import HOLDS, KILOVOLTS, LENGTH
from treescan.page.session import Session
from treescan.page.site_drawing import INPUTS, MapPanel
from treescan.page.site_view import site_view

PART_WORDS = {
    "target": "Target",
    "conductor": "Wire",
    "drop_zone": "Drop zone",
    "landing": "Landing",
    "ground_anchor": "Ground anchor",
}
FACT_WORDS = {"height_m": "high", "margin_m": "room", "kilovolts": ""}


def pick_tree(session: Session) -> None:
    """Tap the stem."""
    words("The stem that is marked is the tree that is measured. Measure again after a change.")
    MapPanel(session, "tree", ("near",))


def mark_site(session: Session) -> None:
    """Proposals, the plan picture, and the list of what is marked."""
    proposed = ui.column().classes("w-full")
    heading("Mark what stands here")
    panel = MapPanel(
        session,
        "site",
        ("area", "box", "fence", "wire", "drop_zone", "landing", "ground_anchor", "tie_in"),
    )
    if panel.ready:
        site_view(session, panel)
    marked = ui.column().classes("w-full")

    def renew() -> None:
        proposed.clear()
        marked.clear()
        with proposed:
            _proposals(session, panel)
        with marked:
            _marked(session, panel)

    renew()
    session.follow(("site", "tree"), renew)


def _proposals(session: Session, panel: MapPanel) -> None:
    found = session.open_proposals()
    ground = session.open_ground()
    if not found and not ground:
        return
    heading("The scan shows")
    words("Walk the site and say what each is. Nothing is used until you accept it.")
    for item in found:
        _proposal(session, panel, item)
    if ground:
        with ui.expansion("Open ground that might do as a drop zone").classes("w-full"):
            warning("What lies under it (pipes, tanks, drains) the scan cannot see.")
            for item in ground:
                _proposal(session, panel, item)


def _proposal(session: Session, panel: MapPanel, found: Found) -> None:
    kind = PART_WORDS[found.part].lower()
    with ui.column().classes("ts-row"):
        words(f"{found.name}, {found.how_sure:.0%} sure ({kind})")
        if found.remark:
            ui.label(found.remark).classes("ts-fine")
        volts: ui.input | None = None
        if found.part == "conductor":
            volts = ui.input(f"{INPUTS['kilovolts'][0]}, kV").classes("w-full")
            volts.props("inputmode=decimal").mark(f"volts-{found.name}")

        def accept() -> None:
            entry = dict(found.entry)
            if volts is not None:
                entry["kilovolts"] = number(str(volts.value or ""), KILOVOLTS, "Voltage")
            _accept(session, found, entry)

        with ui.row().classes("w-full no-wrap"):
            if found.part != "drop_zone":  # its surface and what lies below must be looked at
                small("Accept", accept, said=f"Accept {found.name}").mark(f"accept-{found.name}")
            if panel.ready:
                small(
                    "Look and change", lambda: panel.take(draft_of_proposal(found)),
                    said=f"Change {found.name}",
                ).mark(f"change-{found.name}")  # fmt: skip
            small("Ignore", lambda: _decide(session, found), said=f"Ignore {found.name}").mark(
                f"ignore-{found.name}"
            )


def _accept(session: Session, found: Found, entry: dict[str, Any]) -> None:
    data = site_data(session)
    entry["name"] = free_name(found.name, names_like(data, found.part))
    data[found.part] = [*data.get(found.part, []), entry]
    decided = {**session.store.state.get("proposals", {}), found.key: "accepted"}
    keep_site(session, data, f"Accepted: {found.name}", proposals=decided)


def _decide(session: Session, found: Found) -> None:
    decided = {**session.store.state.get("proposals", {}), found.key: "ignored"}
    session.save(state={"proposals": decided}, said=f"Ignored: {found.name}")


def _marked(session: Session, panel: MapPanel) -> None:
    """Every mark, each with Change and Strike out (Undo brings it back)."""
    site = session.store.site
    rows = [(part, item) for part in PARTS for item in getattr(site, part)]
    heading("Marked")
    if not rows:
        words("Nothing yet.")
    for row, (part, item) in enumerate(rows):
        told = ", ".join(_fact(key, value) for key, value in facts(part, item))
        with ui.column().classes("ts-row"):
            words(f"{PART_WORDS[part]}: {item.name}")
            if told:
                ui.label(told).classes("ts-fine")
            with ui.row().classes("w-full no-wrap"):
                if panel.ready:
                    change = _changer(session, panel, part, item.name)
                    small("Change", change, said=f"Change {item.name}").mark(f"edit-{part}-{row}")
                small(
                    "Strike out", _striker(session, part, item.name), said=f"Strike out {item.name}"
                )
    if site.climber.tie_in_m is not None:
        with ui.row().classes("ts-row items-center no-wrap"):
            words("Tie-in wish of the climber")
            ui.space()
            small("Strike out", lambda: _no_tie_in(session), said="Strike out the tie-in wish")


def _fact(key: str, value: float | str) -> str:
    if isinstance(value, str):
        return value
    if key == "holds_kn":
        return f"holds {HOLDS.text(value, units())}"
    if key == "kilovolts":
        return KILOVOLTS.text(value, units())
    return f"{LENGTH.text(value, units())} {FACT_WORDS[key]}"


def _changer(session: Session, panel: MapPanel, part: str, name: str) -> Callable[[], None]:
    def change() -> None:
        draft = draft_of(part, site_entry(session.store.site, part, name))
        draft.replaces = [part, name]
        panel.take(draft)

    return change


def _striker(session: Session, part: str, name: str) -> Callable[[], None]:
    def strike() -> None:
        data = site_data(session)
        data[part] = [row for row in data[part] if row["name"] != name]
        keep_site(session, data, f"Struck out: {name}")

    return strike


def _no_tie_in(session: Session) -> None:
    data = site_data(session)
    data["climber"].pop("tie_in_m", None)
    keep_site(session, data, "Tie-in wish struck out")


PANELS = (
    Panel("tree", pick_tree, ("tree", "units")),
    Panel("site", mark_site, ("tree", "units")),
)
