"""Tables that are tables on a laptop and cards on a phone; texts are only ever text."""

from __future__ import annotations

from collections.abc import Sequence

from nicegui import ui

from treescan.report.wording import Words
from treescan.units import UnitSystem


def sheet(rows: Sequence[Sequence[Words]], units: UnitSystem, label: str) -> None:
    """Rows of words, the first one the head."""
    head = [cell.text(units) for cell in rows[0]]
    with ui.element("table").classes("ts-sheet").props(f'aria-label="{label}"'):
        with ui.element("thead"), ui.element("tr"):
            for text in head:
                with ui.element("th").props("scope=col"):
                    ui.label(text)
        with ui.element("tbody"):
            for row in rows[1:]:
                with ui.element("tr"):
                    for name, cell in zip(head, row, strict=True):
                        with ui.element("td") as place:
                            place.props["data-head"] = name
                            ui.label(cell.text(units))
