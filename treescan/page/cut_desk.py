"""Asks the process that judges changed cuts, without stopping the page."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import Iterable, Sequence
from contextlib import suppress
from typing import Any

from nicegui import app, run

from treescan.page.session import Session

Json = dict[str, Any]


class CutDesk:
    """The judging process of one job: started when first asked, one question at a time.

    It ends by itself when the page's server does, because its input then ends.
    """

    def __init__(self, session: Session) -> None:
        self.session = session
        self.process: subprocess.Popen[str] | None = None
        self.lock = asyncio.Lock()

    async def ask(
        self,
        mark: str,
        edits: Sequence[Json],
        cuts: Iterable[int] = (),
        only: int | None = None,
    ) -> Json:
        """Judge the changed pieces, or ``only`` one; ``mark`` changes with plan and site file."""
        folder = self.session.store.folder
        site = folder / "site.toml"
        question = {
            "folder": str(folder / "plan"),
            "site": str(site) if site.is_file() else None,
            "mark": mark,
            "edits": list(edits),
            "ask": list(cuts),
            "only": only,
        }
        async with self.lock:
            told = await run.io_bound(self._exchange, json.dumps(question))
        return told if told is not None else {"error": "The page is closing."}

    def _exchange(self, line: str) -> Json:
        process = self._running()
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            process.stdin.write(line + "\n")
            process.stdin.flush()
            reply = process.stdout.readline()
        except OSError:
            reply = ""
        if not reply:
            self.close()
            return {"error": "The judging of cuts ended unexpectedly. Change the cut again."}
        told: Json = json.loads(reply)
        return told

    def _running(self) -> subprocess.Popen[str]:
        if self.process is None or self.process.poll() is not None:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "treescan.page.cut_worker"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                encoding="utf-8",
            )
        return self.process

    def close(self) -> None:
        """End the process."""
        process, self.process = self.process, None
        if process is None:
            return
        if process.poll() is None:
            process.terminate()
        process.wait(10)
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with suppress(OSError):
                    pipe.close()


_desks: list[CutDesk] = []


def desk_of(session: Session) -> CutDesk:
    """The one desk of a session."""
    for desk in _desks:
        if desk.session is session:
            return desk
    desk = CutDesk(session)
    _desks.append(desk)
    app.on_shutdown(desk.close)
    return desk
