"""Long work of the page, in a process of its own: stage, share, time left, cancel.

``python -m treescan.page.work JOB ORDER`` runs it; the page starts it, reads
``JOB/work.json`` and may end it at any moment without harm, because results move into place whole.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

from treescan.errors import TreescanError
from treescan.page.site_map import write_map
from treescan.pipeline.outputs import write_outputs
from treescan.pipeline.progress import Report
from treescan.pipeline.replanning import Changes, replan_folder, write_state
from treescan.pipeline.run import RunOptions, measure_scan, plan_removal
from treescan.pipeline.staging import staged_folder

ORDERS = ("measure", "plan", "replan")
FILE = "work.json"


@dataclass(frozen=True)
class Progress:
    """Where the work is.  ``seconds_left`` is None while it cannot be told."""

    running: bool
    stage: str
    share: float
    seconds_left: float | None
    error: str


def start(folder: Path, order: str) -> subprocess.Popen[bytes]:
    """Start an order of :data:`ORDERS` on a job folder."""
    _tell(folder, {"stage": "Starting", "share": 0.0, "started": time.time()})
    command = [sys.executable, "-m", "treescan.page.work", str(folder), order]
    return subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)


def progress(folder: Path, process: subprocess.Popen[bytes] | None) -> Progress:
    """Read where the work is."""
    running = process is not None and process.poll() is None
    try:
        told: dict[str, Any] = json.loads((folder / FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        told = {}
    share = float(told.get("share", 0.0))
    spent = time.time() - float(told.get("started", time.time()))
    left = spent * (1 - share) / share if share > 0.05 else None
    error = str(told.get("error", ""))
    if process is not None and not running and process.returncode not in (0, None) and not error:
        error = "Cancelled." if process.returncode < 0 else "The work ended unexpectedly."
    return Progress(running, str(told.get("stage", "")), share, left, error)


def cancel(process: subprocess.Popen[bytes]) -> None:
    """End the work; the job stays as it was."""
    process.terminate()
    try:
        process.wait(5)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(5)


def run(folder: Path, order: str) -> int:
    """Do the order here; returns the exit status."""
    state = json.loads((folder / "page.json").read_text(encoding="utf-8"))
    report = _reporter(folder)
    site = folder / "site.toml"
    options = RunOptions(scan_units=state.get("scan_units"), up=state.get("up"))
    try:
        if order == "replan":
            changes = Changes(done=frozenset(int(n) for n in state.get("done", ())))
            result, gone = replan_folder(folder / "plan", changes, report, site_path=site)
            with staged_folder(folder / "plan", overwrite=True) as place:
                write_outputs(result, place)
                write_state(place, gone)
        elif order == "plan":
            result = plan_removal(_scan(folder, state), site, options, report)
            with staged_folder(folder / "plan", overwrite=True) as place:
                write_outputs(result, place)
        else:
            result, proposed = measure_scan(_scan(folder, state, whole=True), site, options, report)
            with staged_folder(folder / "tree", overwrite=True) as place:
                write_outputs(result, place, proposed=proposed)
                write_map(result, place)
    except TreescanError as error:
        _tell(folder, {"stage": "Stopped", "share": 0.0, "error": str(error)})
        return error.exit_status
    _tell(folder, {"stage": "Done", "share": 1.0})
    return 0


def _scan(folder: Path, state: dict[str, Any], *, whole: bool = False) -> list[Path]:
    """Return the measured tree when there is one, so that the scan is looked at once only."""
    measured = folder / "tree" / "tree.json"
    if not whole and measured.is_file():
        return [measured]
    return [Path(name) for name in state.get("scans", ())]


STAGES = {
    "Reading the scan": (0.0, 0.15),
    "Finding the ground": (0.15, 0.2),
    "Telling the tree from the rest": (0.2, 0.35),
    "Tracing stems and limbs": (0.35, 0.5),
    "Looking for things around the tree": (0.5, 0.6),
    "Planning cuts, ties and order": (0.5, 0.95),
    "Planning the rest": (0.1, 0.95),
}


def _reporter(folder: Path) -> Report:
    started, last = time.time(), [0.0]

    def report(stage: str, share: float) -> None:
        first, until = STAGES.get(stage, (0.0, 1.0))
        if time.time() - last[0] < 0.2 and share < 1.0:
            return
        last[0] = time.time()
        whole = first + (until - first) * share
        _tell(folder, {"stage": stage, "share": whole, "started": started})

    return report


def _tell(folder: Path, what: dict[str, Any]) -> None:
    partial = folder / f".{FILE}.{os.getpid()}"
    partial.write_text(json.dumps(what), encoding="utf-8")
    partial.replace(folder / FILE)


def _stop(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


if __name__ == "__main__":
    signal.signal(signal.SIGTERM, _stop)
    try:
        sys.exit(run(Path(sys.argv[1]), sys.argv[2]))
    except KeyboardInterrupt:
        _tell(Path(sys.argv[1]), {"stage": "Stopped", "share": 0.0, "error": "Cancelled."})
        sys.exit(130)
