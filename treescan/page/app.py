"""The local page: the steps of a job, each left and entered again at will."""

from __future__ import annotations

import secrets
import socket
import tempfile
import webbrowser
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from fastapi import HTTPException
from fastapi.responses import FileResponse
from nicegui import app, events, run, ui

from treescan.errors import TreescanError
from treescan.page import cut_panel
from treescan.page.forms import part_form
from treescan.page.guard import Guard, new_token
from treescan.page.job_store import JobStore
from treescan.page.session import Session
from treescan.page.site_drawing import site_map
from treescan.report.cautions import SHORT

STEPS = {
    "scan": "Scan", "scale": "Scale", "tree": "Tree", "site": "Site", "crew": "Crew and gear",
    "plan": "Plan", "cuts": "Cut list", "haul": "Haul and print",
}  # fmt: skip


def serve(
    folder: Path, *, port: int, lan: bool, browser: bool, told: Callable[[str], None]
) -> None:
    """Serve the page of a job folder until stopped; ``told`` is given the address.

    Without ``lan`` only this machine can reach it.  The address carries the token.
    """
    session = Session(JobStore.opened(folder))
    token = new_token()
    hosts = frozenset() if lan else frozenset({"127.0.0.1", "localhost"})
    app.add_middleware(Guard, token=token, hosts=hosts)
    install(session)
    address = f"http://{own_address() if lan else '127.0.0.1'}:{port}/?k={token}"
    told(address)
    if browser:
        app.on_startup(lambda: webbrowser.open(address.replace(own_address(), "127.0.0.1")))
    ui.run(
        host="0.0.0.0" if lan else "127.0.0.1",
        port=port,
        show=False,
        reload=False,
        title="Tree removal",
        reconnect_timeout=600,
        storage_secret=secrets.token_urlsafe(16),
        show_welcome_message=False,
    )


def own_address() -> str:
    """Return the address of this machine on its network, as its own name resolves."""
    try:
        return socket.gethostbyname(socket.gethostname())
    except OSError:
        return "127.0.0.1"


def install(session: Session) -> None:
    """Register the page and the files of the job."""

    @app.get("/files/{part}/{name}")
    def file(part: str, name: str) -> FileResponse:
        place = session.store.folder / part
        if part not in ("tree", "plan") or not place.is_dir():
            raise HTTPException(404)
        served = {p.name: p for p in place.iterdir() if p.is_file()}
        if name not in served:
            raise HTTPException(404)
        return FileResponse(served[name], headers={"cache-control": "no-cache"})

    @ui.page("/")
    def page() -> None:
        _page(session)


def _page(session: Session) -> None:
    ui.colors(primary="#0B3D5C")
    ui.query("body").style("font-size:18px")
    with ui.header().classes("bg-white text-black border-b items-center"):
        title = ui.label().classes("text-xl font-bold grow")
        ui.button("Undo", on_click=lambda: _undo(session)).props("outline no-caps").classes("h-12")
    work_row = ui.row().classes("w-full items-center")
    with ui.tabs().props("no-caps outside-arrows mobile-arrows").classes("w-full") as tabs:
        buttons = {key: ui.tab(key, label=label).classes("h-14") for key, label in STEPS.items()}
    first = next((k for k in STEPS if session.status(k) != "done"), "cuts")
    panels: dict[str, Any] = {}
    with ui.tab_panels(tabs, value=first, animated=False).classes("w-full"):
        for key in STEPS:
            with ui.tab_panel(key).classes("p-1"):
                panels[key] = ui.column().classes("w-full")
    ui.label(SHORT).classes("text-base")
    seen = {"version": -1, "work": ""}

    def draw() -> None:
        title.text = session.store.site.job.name
        for key, label in STEPS.items():
            buttons[key].props(f'label="{label} · {session.status(key)}"')
            panels[key].clear()
            with panels[key]:
                PANELS[key](session)

    def look() -> None:
        session.collect()
        progress = session.progress()
        mark = f"{progress.running}{progress.stage}{progress.share:.2f}{progress.error}"
        if mark != seen["work"]:
            seen["work"] = mark
            _work_bar(session, work_row)
        if session.store.version != seen["version"]:
            seen["version"] = session.store.version
            draw()

    look()
    ui.timer(1.0, look)


def _undo(session: Session) -> None:
    ui.notify("Gone back one change." if session.store.undo() else "Nothing to undo.")


def _work_bar(session: Session, row: ui.row) -> None:
    """Stage, share, time left and Cancel while work is running; the last error otherwise."""
    progress = session.progress()
    row.clear()
    with row:
        if progress.running:
            left = progress.seconds_left
            text = f"{progress.stage}, {progress.share:.0%}"
            ui.label(text + ("" if left is None else f", about {max(left, 1):.0f} s left"))
            ui.linear_progress(progress.share, show_value=False).classes("grow")
            ui.button("Cancel", on_click=session.cancel).props("outline no-caps").classes("h-12")
        elif progress.error:
            ui.label(progress.error).classes("text-lg font-bold").style("color:#B00020")


def attempt(action: Callable[[], None]) -> None:
    """Do something; a refusal is shown in words."""
    try:
        action()
    except TreescanError as error:
        ui.notify(str(error), type="negative", multi_line=True, timeout=8000)


def _wide(label: str, action: Callable[[], None], *, outline: bool = False) -> None:
    """Add a button over the whole width; a refusal is shown in words."""
    button = ui.button(label, on_click=lambda: attempt(action)).classes("w-full h-14 text-lg")
    button.props("no-caps outline" if outline else "no-caps")


def _scan(session: Session) -> None:
    names = ", ".join(Path(n).name for n in session.store.state.get("scans", ())) or "none yet"
    ui.label(f"Scan: {names}").classes("text-lg font-bold")
    path = ui.input("Path of a scan on this laptop").classes("w-full text-lg")
    _wide("Use this file", lambda: session.take_path(path.value or ""))

    async def uploaded(event: events.UploadEventArguments) -> None:
        with tempfile.NamedTemporaryFile(dir=session.store.folder, delete=False) as file:
            kept = Path(file.name)
        try:
            await event.file.save(kept)
            await run.io_bound(session.take_upload, kept)
        except TreescanError as error:
            ui.notify(str(error).replace(str(kept), "the upload"), type="negative")
        finally:
            kept.unlink(missing_ok=True)

    ui.upload(
        label="Or send a scan from this device (up to 2 GB)",
        auto_upload=True,
        max_file_size=2_000_000_000,
        max_files=1,
        on_upload=uploaded,
    ).classes("w-full")
    for name in session.samples():
        label = f"Sample: {name.replace('_', ' ')}"
        _wide(label, partial(session.take_sample, name), outline=True)
    _wide("Measure the scan", lambda: session.start("measure"))
    cut_panel.measurements(session)


def _scale(session: Session) -> None:
    ui.label("Tape the stem at breast height and enter it: weights go with the square of it.")
    part_form(session, "tree", ("dbh_tape_m",), lambda: None)
    cut_panel.measurements(session)


def _tree(session: Session) -> None:
    site_map(session, lambda: None, ("near",))


def _site(session: Session) -> None:
    site_map(session, lambda: None, ("target", "path", "drop_zone", "landing"))


def _crew(session: Session) -> None:
    groups = {
        "job": ("name", "species"),
        "conditions": ("in_leaf", "wet", "wind_m_s"),
        "climber": ("mass_kg",),
        "crew": ("ground",),
        "gear": ("line", "line_length_m", "sling", "block", "friction_device"),
        "limits": ("max_piece_kg", "log_length_m", "line_share_of_mbs", "anchor_share"),
    }
    for part, keys in groups.items():
        ui.label(part.capitalize()).classes("text-xl font-bold")
        part_form(session, part, keys, lambda: None)


def _plan(session: Session) -> None:
    for order, label in (
        ("plan", "Make the plan"),
        ("replan", "Plan the rest (ticked steps are down)"),
    ):
        ui.button(label, on_click=lambda order=order: attempt(lambda: session.start(order)))\
            .props("no-caps").classes("w-full h-14 text-lg")  # fmt: skip
    cut_panel.alternatives(session)


PANELS: dict[str, Callable[[Session], None]] = {
    "scan": _scan,
    "scale": _scale,
    "tree": _tree,
    "site": _site,
    "crew": _crew,
    "plan": _plan,
    "cuts": cut_panel.cuts,
    "haul": cut_panel.haul,
}
