"""The local page: one job, served to the laptop itself or to devices on the same wifi."""

from __future__ import annotations

import webbrowser
from collections.abc import Callable
from importlib import resources
from pathlib import Path

from fastapi import HTTPException, Request
from fastapi.responses import FileResponse
from nicegui import app, ui

from treescan.page import device
from treescan.page.arrivals import install_arrivals
from treescan.page.device_page import DevicePage
from treescan.page.guard import Guard
from treescan.page.job_lock import job_lock
from treescan.page.job_store import JobStore
from treescan.page.lan import job_key, own_addresses, own_names
from treescan.page.session import Session
from treescan.page.view import install_view

LOOK_EVERY_S = 0.5
"""How often the job's files are looked at for changes by other programs. [s]"""
SERVED = ("tree", "plan")
"""Folders of the job whose files are handed out."""
SLEEP_S = 3600.0
"""A phone may sleep this long and find its page as it was. [s]"""


def serve(
    folder: Path,
    *,
    port: int,
    lan: bool,
    browser: bool,
    told: Callable[[list[str]], None],
    new_link: bool = False,
) -> None:
    """Serve the page of a job folder until stopped; ``told`` is given its addresses.

    Without ``lan`` only this machine can reach it.  The addresses carry the token.
    """
    store = JobStore.opened(folder)
    with job_lock(store.folder):
        token = job_key(store.folder, fresh=new_link)
        own = f"http://127.0.0.1:{port}/?k={token}"
        links = [f"http://{a}:{port}/?k={token}" for a in own_addresses()] if lan else []
        session = Session(store, links=tuple(links))
        app.add_middleware(Guard, token=token, names=own_names())
        install(session)
        told(links or [own])
        if browser:
            app.on_startup(lambda: webbrowser.open(own))
        ui.run(
            host="0.0.0.0" if lan else "127.0.0.1",
            port=port,
            show=False,
            reload=False,
            title="Tree removal",
            reconnect_timeout=SLEEP_S,
            show_welcome_message=False,
        )


def install(session: Session) -> None:
    """Register the page and the files of the job."""

    @app.get("/files/{part}/{name}")
    def file(part: str, name: str) -> FileResponse:
        place = session.store.folder / part
        if part not in SERVED or not place.is_dir():
            raise HTTPException(404)
        served = {p.name: p for p in place.iterdir() if p.is_file() and not p.is_symlink()}
        if name not in served:
            raise HTTPException(404)
        return FileResponse(served[name], headers={"cache-control": "no-cache"})

    css = resources.files("treescan.page").joinpath("look.css").read_text(encoding="utf-8")
    ui.add_css(css, shared=True)
    install_view(session)
    install_arrivals(session)

    @ui.page("/")
    def page(request: Request) -> None:
        device.greet(request.cookies)
        DevicePage(session, request.query_params.get("step", ""))

    app.timer(LOOK_EVERY_S, session.look)
