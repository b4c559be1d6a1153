"""Scans sent by a phone, tablet or another laptop: written to the disk of the job as they come.

The body of the request is the file itself.  It goes to the disk in parts, so that the largest
scan needs no more memory than a small one, and to the job's own disk at once, so that its room
is needed once only.  What arrived is told by its content; its name is never asked for.
"""

from __future__ import annotations

import asyncio
import shutil
import tempfile
from pathlib import Path
from typing import IO

from fastapi import Request
from fastapi.responses import PlainTextResponse, Response
from nicegui import app, run
from starlette.requests import ClientDisconnect

from treescan.errors import TreescanError
from treescan.page.files import unsaved
from treescan.page.guard import MOST_SCAN_BYTES, SCAN_ROUTE
from treescan.page.session import ARRIVING, Session

PART_BYTES = 4_000_000
"""Written at a time. [B]"""
SPARE_BYTES = 300_000_000
"""Room that is left on the disk for what is made from the scan. [B]"""
TOO_LARGE = "Too large: 2 GB at most. Thin the scan or cut it down to what stands near the tree."


def install_arrivals(session: Session) -> None:
    """Take scans that are sent; what a killed server left half arrived is thrown away."""
    for left in (session.store.folder / "scan").glob(f"{ARRIVING}*"):
        left.unlink(missing_ok=True)
    busy = asyncio.Lock()

    @app.post(SCAN_ROUTE)
    async def arrive(request: Request) -> Response:
        if busy.locked():
            return _refused(409, "Another scan is on its way. Wait until it has arrived.")
        async with busy:
            return await _arrive(session, request)


async def _arrive(session: Session, request: Request) -> Response:
    kept: Path | None = None
    try:
        refusal = _no_room(session.store.folder, int(request.headers.get("content-length", 0)))
        if refusal:
            return _refused(507, refusal)
        kept = await run.io_bound(_begun, session.store.folder)
        with kept.open("wb") as file:
            if not await _written(request, file):
                return _refused(413, TOO_LARGE)
        await run.io_bound(session.check_upload, kept)
        session.take_upload(kept)
    except TreescanError as error:
        return _refused(422, str(error).replace(str(kept), "the file sent"))
    except OSError as fault:
        return _refused(507, str(unsaved(Path("the scan"), fault)))
    except ClientDisconnect:
        return _refused(400, "The scan broke off.")
    finally:
        if kept is not None:
            kept.unlink(missing_ok=True)
    return PlainTextResponse("The scan has arrived.")


def _begun(folder: Path) -> Path:
    """An empty file for what arrives."""
    place = folder / "scan"
    place.mkdir(exist_ok=True)
    with tempfile.NamedTemporaryFile(dir=place, prefix=ARRIVING, delete=False) as file:
        return Path(file.name)


async def _written(request: Request, file: IO[bytes]) -> bool:
    """Write the body in parts; False when it is longer than a scan may be."""
    part, count = bytearray(), 0
    async for chunk in request.stream():
        count += len(chunk)
        if count > MOST_SCAN_BYTES:
            return False
        part += chunk
        if len(part) >= PART_BYTES:
            await run.io_bound(file.write, bytes(part))
            part.clear()
    await run.io_bound(file.write, bytes(part))
    return True


def _no_room(folder: Path, wanted: int) -> str:
    """Why a scan of so many bytes cannot be kept; "" when it can."""
    free = shutil.disk_usage(folder).free
    if wanted + SPARE_BYTES <= free:
        return ""
    return (
        f"The disk of the laptop has {free / 1e9:.1f} GB left and the scan needs "
        f"{(wanted + SPARE_BYTES) / 1e9:.1f} GB. Nothing was changed: free some space, then send "
        "it again."
    )


def _refused(status: int, text: str) -> Response:
    return PlainTextResponse(text, status_code=status)
