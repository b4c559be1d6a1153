"""Steps “scan” and “scale check”: which scan, measure it, and does a tape agree with it."""

from __future__ import annotations

import tempfile
from functools import partial
from pathlib import Path
from typing import Any

from nicegui import events, run, ui

from treescan.errors import TreescanError
from treescan.page.controls import heading, refuse, tell, warning, wide, words
from treescan.page.device import units
from treescan.page.files import unsaved
from treescan.page.forms import Entry, form
from treescan.page.panels import Panel
from treescan.page.quantities import DIAMETER
from treescan.page.session import Session
from treescan.units import diameter_text, length_text, mass_text

MOST_UPLOAD_BYTES = 2_000_000_000


def choose_scan(session: Session) -> None:
    """Choose a scan by path, upload or sample."""
    names = ", ".join(Path(n).name for n in session.store.state.get("scans", ())) or "none yet"
    words(f"Scan: {names}")
    wide("Measure the scan", lambda: session.start("measure", units())).mark("measure")
    heading("Another scan")
    path = ui.input("Path of a scan on the laptop").classes("w-full").mark("scan-path")
    wide("Use this file", lambda: session.take_path(path.value or ""), plain=True)

    async def uploaded(event: events.UploadEventArguments) -> None:
        await _take(session, event)

    ui.upload(
        label="Or send a scan from this device (up to 2 GB)",
        auto_upload=True,
        max_file_size=MOST_UPLOAD_BYTES,
        max_files=1,
        on_upload=uploaded,
        on_rejected=lambda: refuse("Too large: 2 GB at most. Thin the scan or cut it down."),
    ).classes("w-full").mark("upload")
    heading("Sample scenes")
    for name in session.samples():
        wide(name.replace("_", " "), partial(session.take_sample, name), plain=True)


async def _take(session: Session, event: events.UploadEventArguments) -> None:
    """Take an uploaded file, whatever it is called."""
    kept: Path | None = None
    try:
        with tempfile.NamedTemporaryFile(dir=session.store.folder, delete=False) as file:
            kept = Path(file.name)
        await event.file.save(kept)
        await run.io_bound(session.check_upload, kept)
        session.take_upload(kept)
        tell("The scan has arrived.")
    except TreescanError as error:
        refuse(str(error).replace(str(kept), "the file sent"))
    except OSError as fault:
        refuse(str(unsaved(Path("the scan"), fault)))
    finally:
        if kept is not None:
            kept.unlink(missing_ok=True)


def measured(session: Session) -> None:
    """The measured tree in a few lines."""
    document = session.store.tree()
    if document is None:
        return
    summary: dict[str, Any] = document["summary"]
    mass, system = summary["green_mass_kg"], units()
    heading("Measured")
    for line in (
        f"Height {length_text(summary['height_m'], system)}",
        f"Diameter at breast height {diameter_text(summary['dbh_m'], system)} "
        f"(± {diameter_text(2 * summary['dbh_sd_m'], system)})",
        f"Green weight {mass_text(mass['low'], system)} to {mass_text(mass['high'], system)}",
        f"Not seen by the scan: about {summary['unseen_share']:.0%}",
    ):
        words(line)
    notes = (*document.get("decisions", ()), *document.get("unseen", ()))
    for note in notes:
        if note.startswith("WARNING"):
            warning(note.removeprefix("WARNING: "))
    with ui.expansion("What the scan told, and what it did not see").classes("w-full"):
        for note in notes:
            ui.label(note).classes("ts-fine")


def scale_check(session: Session) -> None:
    """Tape the stem."""
    words("Tape the stem at breast height and enter it: weights go with the square of it.")
    form(session, (Entry(("tree", "dbh_tape_m"), "Taped diameter at breast height", DIAMETER),))


PANELS = (
    Panel("scan", choose_scan, ("scan",)),
    Panel("scan", measured, ("tree", "plan", "units")),
    Panel("scale", scale_check, ("units",)),
    Panel("scale", measured, ("tree", "plan", "units")),
)
