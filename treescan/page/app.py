"""The local page: the steps of a job, each left and entered again at will."""

from __future__ import annotations

import secrets
import socket
import webbrowser
from collections.abc import Callable
from importlib import resources
from pathlib import Path

from fastapi import HTTPException, Request
from fastapi.responses import FileResponse
from nicegui import app, ui

from treescan.page import device
from treescan.page.device_page import DevicePage
from treescan.page.guard import Guard, new_token
from treescan.page.job_store import JobStore
from treescan.page.session import Session

LOOK_EVERY_S = 0.5
"""How often the job's files are looked at for changes by other programs. [s]"""
SERVED = ("tree", "plan", "scene")
"""Folders of the job whose files are handed out."""


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
        if part not in SERVED or not place.is_dir():
            raise HTTPException(404)
        served = {p.name: p for p in place.iterdir() if p.is_file()}
        if name not in served:
            raise HTTPException(404)
        return FileResponse(served[name], headers={"cache-control": "no-cache"})

    ui.add_css(resources.files("treescan.page").joinpath("look.css").read_text(), shared=True)

    @ui.page("/")
    def page(request: Request) -> None:
        device.greet(request.cookies)
        DevicePage(session, request.query_params.get("step", ""))

    app.timer(LOOK_EVERY_S, session.look)
