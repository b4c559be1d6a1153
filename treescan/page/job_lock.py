"""One server for a job folder at a time: two would write over each other."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from treescan.errors import InvalidInputError
from treescan.page.files import write_whole
from treescan.page.process_start import start_mark

FILE = ".open.json"


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
    own = os.getpid()
    write_whole(path, json.dumps({"pid": own, "created": start_mark(own)}))
    try:
        yield
    finally:
        path.unlink(missing_ok=True)


def _holder(path: Path) -> int | None:
    """Process that holds the folder open, if it still runs."""
    with suppress(OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
        told = json.loads(path.read_text(encoding="utf-8"))
        pid, started = int(told["pid"]), str(told["created"])
        if started and started == start_mark(pid):
            return pid
    return None
