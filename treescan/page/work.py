"""Long work of the page, in a process of its own: stage, share, time left, cancel.

``python -m treescan.page.work JOB ORDER UNITS`` does it.  It goes on when the page's server
ends; the next server finds it again by its process number and start time.  Nothing of the job is
touched until it is done: it writes ``JOB/work/out/``, which the page then moves into place.

::

    JOB/work/order.json   what was ordered, process number and start time (written by the page)
    JOB/work/stage.json   stage and share, or the error, or that it is done (written by the work)
    JOB/work/site.toml    the site file as it was ordered, and
    JOB/work/state.json   ticks and changed cuts as they were: later ones do not slip in
    JOB/work/log.txt      what the process said
    JOB/work/out/         the results, whole
"""

from __future__ import annotations

import datetime
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import FrameType
from typing import Any

import psutil

from treescan.errors import TreescanError
from treescan.page.file_checks import is_number
from treescan.page.files import unsaved, write_whole
from treescan.page.process_start import start_mark
from treescan.page.site_map import write_map
from treescan.pipeline.outputs import write_outputs
from treescan.pipeline.progress import Report
from treescan.pipeline.replanning import Changes, replan_folder, write_state
from treescan.pipeline.run import RunOptions, measure_scan, plan_removal
from treescan.pipeline.staging import staged_folder
from treescan.planning.edits import read_edits
from treescan.planning.types import JobResult
from treescan.units import UnitSystem

PLACE, ORDER, STAGE, LOG, OUT = "work", "order.json", "stage.json", "log.txt", "out"
SITE, STATE = "site.toml", "state.json"
_children: list[subprocess.Popen[bytes]] = []


@dataclass(frozen=True)
class Progress:
    """Where the work is.  ``seconds_left`` is None while it cannot be told."""

    running: bool = False
    order: str = ""
    stage: str = ""
    share: float = 0.0
    seconds_left: float | None = None
    error: str = ""

    def mark(self) -> str:
        """Changes when a person would see a difference."""
        return f"{self.running} {self.order} {self.stage} {self.share:.2f} {self.error}"


def start(
    folder: Path, order: str, units: UnitSystem, notes: Mapping[str, Any] | None = None
) -> None:
    """Start "measure", "plan" or "replan" on a job folder; ``notes`` come back when it is done.

    Raises
    ------
    OutputError
        If the job folder cannot be written.
    """
    place = folder / PLACE
    try:
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir()
        shutil.copyfile(folder / "site.toml", place / SITE)
        shutil.copyfile(folder / "page.json", place / STATE)
        with (place / LOG).open("wb") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", "treescan.page.work", str(folder), order, units],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log, **_on_its_own(),
            )  # fmt: skip
    except OSError as fault:
        raise unsaved(place, fault) from fault
    _children[:] = [child for child in _children if child.poll() is None] + [process]
    facts = {"order": order, "pid": process.pid, "created": start_mark(process.pid)}
    facts |= {"started": time.time(), "notes": dict(notes or {})}
    write_whole(place / ORDER, json.dumps(facts))


def _on_its_own() -> dict[str, Any]:
    """Arguments by which a process outlives the one that started it."""
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    return {"start_new_session": True}


def _process(order: Mapping[str, Any]) -> psutil.Process | None:
    """Return the process of an order while it is alive, and no other one of that number."""
    for child in _children:
        child.poll()
    try:
        process = psutil.Process(int(order["pid"]))
        same = order["created"] == start_mark(process.pid)
        alive = process.is_running() and process.status() != psutil.STATUS_ZOMBIE
    except (psutil.Error, KeyError, ValueError, TypeError, OverflowError):
        return None
    return process if same and alive else None


def _read(path: Path) -> dict[str, Any]:
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return told if isinstance(told, dict) else {}


def _number(told: Mapping[str, Any], key: str, otherwise: float) -> float:
    value = told.get(key, otherwise)
    return float(value) if is_number(value) else otherwise


def progress(folder: Path) -> Progress:
    """Read where the work is."""
    order = _read(folder / PLACE / ORDER)
    if not order:
        return Progress()
    name = str(order.get("order", ""))
    running = _process(order) is not None
    stage = _read(folder / PLACE / STAGE)
    if running:
        share = min(max(_number(stage, "share", 0.0), 0.0), 1.0)
        spent = max(time.time() - _number(order, "started", time.time()), 0.0)
        left = spent * (1 - share) / share if share > 0.05 else None
        return Progress(True, name, str(stage.get("stage", "Starting")), share, left)
    if stage.get("done"):
        return Progress(False, name, "Done", 1.0)
    error = str(stage.get("error", "")) or (
        f"“{name}” ended before it was done (the laptop may have been turned off). The job is as "
        f"it was: start it again. What it said last is in {PLACE}/{LOG}."
    )
    return Progress(False, name, "Stopped", 0.0, None, error)


@dataclass(frozen=True)
class Finished:
    """Work that is done: its order, its results, the notes given at its start, the state then."""

    order: str
    place: Path
    notes: dict[str, Any]
    state: dict[str, Any]


def finished(folder: Path) -> Finished | None:
    """Work that is done and not yet taken into the job."""
    order = _read(folder / PLACE / ORDER)
    place = folder / PLACE / OUT
    if not order or not _read(folder / PLACE / STAGE).get("done") or not place.is_dir():
        return None
    if _process(order) is not None:
        return None
    state = _read(folder / PLACE / STATE)
    notes = order.get("notes")
    return Finished(
        str(order.get("order", "")), place, notes if isinstance(notes, dict) else {}, state
    )


def failed(folder: Path, error: str) -> None:
    """Note that the results could not be taken into the job."""
    write_whole(folder / PLACE / STAGE, json.dumps({"error": error}))


def cancel(folder: Path) -> None:
    """End the work; the job stays as it was."""
    process = _process(_read(folder / PLACE / ORDER))
    if process is None:
        return
    try:
        process.terminate()
        try:
            process.wait(5)
        except psutil.TimeoutExpired:
            process.kill()
            process.wait(5)
    except psutil.NoSuchProcess:
        pass
    failed(folder, "Cancelled. The job is as it was.")


def clear(folder: Path) -> None:
    """Put away what the last work left, unless some is going on."""
    if not progress(folder).running:
        shutil.rmtree(folder / PLACE, ignore_errors=True)


def run(folder: Path, order: str, units: UnitSystem) -> int:
    """Do the order here; returns the exit status."""
    report = _reporter(folder)
    try:
        _do(folder, order, units, report)
    except TreescanError as error:
        _tell(folder, {"error": str(error)})
        return error.exit_status
    _tell(folder, {"stage": "Done", "share": 1.0, "done": True})
    return 0


def _do(folder: Path, order: str, units: UnitSystem, report: Report) -> None:
    state = _read(folder / PLACE / STATE)
    site = folder / PLACE / SITE
    options = RunOptions(
        scan_units=state.get("scan_units"),
        up=state.get("up"),
        prefer=str(state.get("prefer", "")),
        edits=read_edits(_edit_rows(state)),
    )
    with staged_folder(folder / PLACE / OUT) as place:
        if order == "replan":
            changes = Changes(
                done=frozenset(int(n) for n in state.get("done", ())),
                edited=_edits(folder, state),
                prefer=options.prefer,
            )
            result, gone = replan_folder(folder / "plan", changes, report, site_path=site)
            report("Writing the results", 0.0)
            write_outputs(_dated(result), place, units=units)
            write_state(place, gone)
        elif order == "plan":
            result = plan_removal(_scan(folder, state), site, options, report)
            report("Writing the results", 0.0)
            write_outputs(_dated(result), place, units=units)
        else:
            result, proposed = measure_scan(_scan(folder, state, whole=True), site, options, report)
            report("Writing the results", 0.0)
            write_outputs(_dated(result), place, units=units, proposed=proposed)
            write_map(result, place)


def _dated(result: JobResult) -> JobResult:
    return replace(result, date=datetime.date.today().isoformat())


def _edits(folder: Path, state: dict[str, Any]) -> Path | None:
    """Write the changed cuts of the job where the planner reads them; None when there are none."""
    rows = _edit_rows(state)
    if not rows:
        return None
    path = folder / PLACE / "edits.json"
    write_whole(path, json.dumps(rows))
    return path


def _edit_rows(state: dict[str, Any]) -> list[dict[str, Any]]:
    """Return what was forced in earlier plans, then what was changed since the last one."""
    return [*(state.get("held") or ()), *(state.get("edits") or ())]


def _scan(folder: Path, state: dict[str, Any], *, whole: bool = False) -> list[Path]:
    """Return the measured tree when there is one, so that the scan is looked at once only."""
    for part in () if whole else ("tree", "plan"):
        measured = folder / part / "tree.json"
        if measured.is_file():
            return [measured]
    return [Path(name) for name in state.get("scans", ())]


STAGES = {
    "Reading the scan": (0.0, 0.15),
    "Finding the ground": (0.15, 0.2),
    "Telling the tree from the rest": (0.2, 0.35),
    "Tracing stems and limbs": (0.35, 0.5),
    "Looking for things around the tree": (0.5, 0.6),
    "Planning cuts, ties and order": (0.05, 0.85),
    "Planning the rest": (0.1, 0.85),
    "Writing the results": (0.85, 1.0),
}


def _reporter(folder: Path) -> Report:
    told, last_stage = 0.0, ""

    def report(stage: str, share: float) -> None:
        nonlocal told, last_stage
        first, until = STAGES.get(stage, (0.0, 1.0))
        if time.monotonic() - told < 0.2 and stage == last_stage:
            return
        told, last_stage = time.monotonic(), stage
        _tell(folder, {"stage": stage, "share": first + (until - first) * share})

    return report


def _tell(folder: Path, what: dict[str, Any]) -> None:
    write_whole(folder / PLACE / STAGE, json.dumps(what))


def _stop(_number: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt


if __name__ == "__main__":
    signal.signal(signal.SIGTERM, _stop)
    if hasattr(os, "nice"):
        os.nice(5)  # the page stays quick
    try:
        sys.exit(run(Path(sys.argv[1]), sys.argv[2], "us" if sys.argv[3:] == ["us"] else "metric"))
    except KeyboardInterrupt:
        sys.exit(130)
