"""Telling a process from another one that got its number later, whatever the clock is set to."""

from __future__ import annotations

from pathlib import Path

import psutil


def start_mark(pid: int) -> str:
    """A word for the start of a process, another one for each of that number; "" without one.

    On Linux it counts from the start of the system: a clock that is put right while a laptop
    plans moves every start time that is told in the hours of the day.
    """
    try:
        fields = Path(f"/proc/{pid}/stat").read_bytes().rsplit(b")", 1)[1].split()
        boot = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        return f"{boot} {int(fields[19])}"  # field 22, starttime: proc(5)
    except (OSError, IndexError, ValueError):
        pass
    try:
        return repr(psutil.Process(pid).create_time())
    except (psutil.Error, ValueError, OverflowError):
        return ""
