"""One server for a job folder at a time: two would write over each other."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import psutil

from treescan.errors import InvalidInputError
from treescan.page.files import write_whole

FILE = ".open.json"
SAME_START_S = 1.0


@contextmanager
def job_lock(folder: Path) -> Iterator[None]:
    """Hold a job folder open; a mark left by a killed server does not count.

    Raises
    ------
    InvalidInputError
        If another page of this machine has it open.
    """
    path = folder / FILE
    other = _holder(path)
    if other not in (None, os.getpid()):
        raise InvalidInputError(
            f"{folder} is open in another page (process {other}). Use that one, or stop it."
        )
    own = psutil.Process()
    write_whole(path, json.dumps({"pid": own.pid, "created": own.create_time()}))
    try:
        yield
    finally:
        path.unlink(missing_ok=True)


def _holder(path: Path) -> int | None:
    """Process that holds the folder open, if it still runs."""
    with suppress(OSError, ValueError, KeyError, TypeError, psutil.Error):
        told = json.loads(path.read_text(encoding="utf-8"))
        process = psutil.Process(int(told["pid"]))
        if abs(process.create_time() - float(told["created"])) < SAME_START_S:
            return process.pid
    return None
