"""Steps “scan” and “scale check”: which scan, measure it, and does a tape agree with it."""

from __future__ import annotations

import math
from functools import partial
from pathlib import Path
from typing import Any

from nicegui import events, ui

from treescan.page.arrivals import TOO_LARGE
from treescan.page.controls import attempt, heading, refuse, small, tell, warning, wide, words
from treescan.page.device import on_laptop, units
from treescan.page.forms import Entry, form, keep_site, site_data
from treescan.page.guard import MOST_SCAN_BYTES, SCAN_ROUTE
from treescan.page.panels import Panel
from treescan.page.quantities import DIAMETER, LENGTH
from treescan.page.session import Session
from treescan.page.site_drawing import MapPanel
from treescan.units import diameter_text, length_text, mass_text

ANSWER = "(info) => emit(info.xhr.responseText)"
BROKEN_OFF = "The scan did not arrive: the wifi broke off. Nothing was changed; send it again."
SCALE_AGREES = 0.02
"""Two taps on the plan picture and a tape agree within this; finer than taps are."""
SCAN_UNITS: dict[str | None, str] = {
    None: "as the file says", "m": "metres", "ft": "feet", "us-ft": "US survey feet",
    "mm": "millimetres",
}  # fmt: skip
UP: dict[str | None, str] = {None: "as the file says", "z": "z", "y": "y"}


def choose_scan(session: Session) -> None:
    """Choose a scan by path, upload or sample."""
    chosen = ui.label().classes("ts-words").mark("chosen-scan")
    measure = wide("", lambda: session.start("measure", units())).mark("measure")
    heading("Another scan")
    if on_laptop():  # nobody on the wifi looks through the laptop's files
        path = ui.input("Path of a scan on the laptop").classes("w-full").mark("scan-path")
        wide("Use this file", lambda: session.take_path(path.value or ""), plain=True)

    def follow() -> None:
        names = ", ".join(Path(n).name for n in session.store.state.get("scans", ()))
        chosen.text = f"Scan: {names or 'none yet'}"
        again = session.store.result_folder() is not None
        measure.text = "Measure the scan again" if again else "Measure the scan"
        measure.props("outline" if again else "", remove="" if again else "outline")

    def sent(event: events.GenericEventArguments) -> None:
        upload.reset()
        tell(str(event.args))

    def failed(event: events.GenericEventArguments) -> None:
        upload.reset()
        refuse(str(event.args or "") or BROKEN_OFF)

    upload = (
        ui.upload(
            label="Or send a scan from this device (up to 2 GB)",
            auto_upload=True,
            max_file_size=MOST_SCAN_BYTES,
            max_files=1,
            on_rejected=lambda: refuse(TOO_LARGE),
        )
        .classes("w-full")
        .mark("upload")
        .on("uploaded", sent, js_handler=ANSWER)
        .on("failed", failed, js_handler=ANSWER)
    )
    upload.props["url"] = SCAN_ROUTE
    upload.props["send-raw"] = True
    with ui.expansion("The scan comes out in the wrong size or lying down").classes("w-full"):
        _reading(session, "scan_units", "Units of the scan", SCAN_UNITS)
        _reading(session, "up", "Axis that points up", UP)
        words("Then measure the scan again.")
    if session.samples():
        heading("Sample scenes")
    for name in session.samples():
        wide(name.replace("_", " "), partial(session.take_sample, name), plain=True)
    follow()
    session.follow(("scan", "tree", "plan"), follow)


def _reading(session: Session, key: str, label: str, choices: dict[str | None, str]) -> None:
    """How the scan file is to be read, where the file states it wrongly."""

    def picked() -> None:
        if pick.value != session.store.state.get(key):
            attempt(lambda: session.save(state={key: pick.value}, said=f"{label} changed"))

    pick = ui.select(choices, value=session.store.state.get(key), label=label)
    pick.classes("w-full").mark(key).on_value_change(picked)


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
    """Tape the stem, or a length between two points; best both."""
    words("Weights go with the cube of the scale: tape something before you trust any of them.")
    heading("Stem at breast height")
    form(session, (Entry(("tree", "dbh_tape_m"), "Taped diameter at breast height", DIAMETER),))
    heading("Or a length between two points")
    words("The longer the better: along a wall, a fence, between two kerb corners.")
    MapPanel(session, "scale", ("scale",))
    told = ui.column().classes("w-full")

    def renew() -> None:
        told.clear()
        with told:
            _known_length(session)

    renew()
    session.follow(("site",), renew)


def _known_length(session: Session) -> None:
    hint = session.store.site.tree
    if hint.known_length_m is None or hint.known_length_points_m is None:
        return
    seen = math.dist(*hint.known_length_points_m)
    taped, system = hint.known_length_m, units()
    off = seen / taped - 1.0
    line = (
        f"Taped {LENGTH.text(taped, system)}, in the scan {LENGTH.text(seen, system)}: "
        f"the scan is {abs(off):.1%} too {'large' if off > 0 else 'small'}."
    )
    if abs(off) > SCALE_AGREES:
        warning(line + " Check the taps and the tape; then measure again with the scale corrected.")
        form(
            session,
            (
                Entry(
                    ("tree", "correct_scale"), "Correct the scan to the taped length",
                    choices={True: "yes", False: "no"},
                ),
            ),
        )  # fmt: skip
    else:
        words(line + " That agrees.")
    small("Strike out this length", lambda: _no_known_length(session))


def _no_known_length(session: Session) -> None:
    data = site_data(session)
    for key in ("known_length_m", "known_length_points_m", "correct_scale"):
        data["tree"].pop(key, None)
    keep_site(session, data, "Taped length struck out")


PANELS = (
    Panel("scan", choose_scan),
    Panel("scan", measured, ("tree", "plan", "units")),
    Panel("scale", scale_check, ("tree", "units")),
    Panel("scale", measured, ("tree", "plan", "units")),
)
