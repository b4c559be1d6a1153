"""Seconds and peak memory of a command, the processes that it starts counted in."""

from __future__ import annotations

import math
import subprocess
import sys
import time
from pathlib import Path
from typing import NamedTuple

LOOK_EVERY_S = 0.1


class Cost(NamedTuple):
    """What a command took; ``peak_gb`` is that of all its processes together."""

    seconds: float
    peak_gb: float
    status: int


def timed(command: list[str]) -> Cost:
    """Run a command to its end.

    The processes it starts are looked at ten times a second, and pages that several of them share
    count once; where there is no ``/proc`` the memory is NaN.
    """
    start = time.perf_counter()
    peak_kb = 0 if sys.platform.startswith("linux") else math.nan
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        while True:
            try:
                process.wait(LOOK_EVERY_S)
            except subprocess.TimeoutExpired:
                peak_kb = max(peak_kb, _held_kb(process.pid))
            else:
                return Cost(time.perf_counter() - start, peak_kb / 1e6, process.returncode)


def _held_kb(pid: int) -> int:
    """What a process and those that it started hold now; of one alone its peak so far. [kB]"""
    family = [pid, *descendants(pid)]
    if len(family) == 1:  # not the peak that wait4(2) tells: that counts what was there before exec
        return _row_kb(Path(f"/proc/{pid}/status"), "VmHWM:")
    return sum(_row_kb(Path(f"/proc/{one}/smaps_rollup"), "Pss:") for one in family)


def descendants(pid: int) -> list[int]:
    """Processes that a process has started, and those that they have started."""
    found = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            children = [int(word) for word in task.read_text().split()]
        except OSError:  # the thread has just ended
            continue
        for child in children:
            found += [child, *descendants(child)]
    return found


def _row_kb(path: Path, name: str) -> int:
    try:
        rows = path.read_text().splitlines()
    except OSError:  # it has just ended
        return 0
    return next((int(row.split()[1]) for row in rows if row.startswith(name)), 0)
