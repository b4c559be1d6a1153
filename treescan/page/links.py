"""The link for phones on the same wifi, as a picture that a phone's camera reads."""

from __future__ import annotations

from collections.abc import Sequence

import segno
from nicegui import ui


def show_links(links: Sequence[str]) -> None:
    """Show the link as a QR code, or say how to start the page for phones."""
    with ui.dialog() as dialog, ui.card().classes("ts-links"):
        if not links:
            ui.label("Only this laptop can open the page now.").classes("ts-words text-bold")
            ui.label("To let phones in, stop it and start it with:").classes("ts-words")
            ui.label("treescan page JOB --lan").classes("ts-words text-bold")
        else:
            ui.label("Point the phone's camera here (same wifi)").classes("ts-words text-bold")
            code = segno.make(links[0]).svg_data_uri(scale=8, border=4)
            ui.image(code).classes("ts-qr").props('alt="QR code of the link below"').mark("qr")
            for link in links:
                ui.label(link).classes("ts-fine")
            ui.label(
                "Who has the link can change the job. It travels unencrypted: keep the wifi closed."
            ).classes("ts-fine")
        ui.button("Close", on_click=dialog.close).props("no-caps").classes("ts-wide")
    dialog.on_value_change(lambda: None if dialog.value else dialog.delete())
    dialog.open()
