"""What people see: progress and messages on stderr, data on stdout."""

from __future__ import annotations

import contextlib
import datetime
import json
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from treescan.pipeline.progress import Report, silent

if TYPE_CHECKING:
    from treescan.planning.types import JobResult

STOPPED = 130
"""Exit status after Ctrl-C, as shells have it (128 + SIGINT)."""


def say(text: str, *, quiet: bool = False) -> None:
    """Print a message for people on stderr."""
    if not quiet:
        print(text, file=sys.stderr)


def print_json(document: object) -> None:
    """Print the machine-readable summary on stdout."""
    json.dump(document, sys.stdout, indent=1, allow_nan=False, ensure_ascii=False)
    sys.stdout.write("\n")


def dated(result: JobResult) -> JobResult:
    """Return the result with today's date, as printed on every page."""
    return replace(result, date=datetime.date.today().isoformat())


def list_outputs(folder: Path, *, quiet: bool) -> None:
    """Say where the results are and what each is for."""
    say(f"\nResults are in {folder}", quiet=quiet)
    for name, purpose in _PURPOSE.items():
        if (folder / name).exists():
            say(f"  {name:<20} {purpose}", quiet=quiet)


_PURPOSE = {
    "report.html": "open on a phone or laptop: the tree, the steps, everything below",
    "cut_list.pdf": "print: one card a step",
    "cut_list.csv": "the same steps as a table",
    "haul.csv": "logs, brush, chips and truck loads",
    "tree.glb": "the pieces in 3-D, one named part a piece",
    "tree.ply": "the pieces as a coloured mesh",
    "plan.json": "the plan for other programs, and for replan",
    "tree.json": "the measured tree for other programs, and for another plan",
    "measurements.csv": "the tree in numbers",
    "proposed_site.toml": "things found around the tree, to check and keep or strike out",
}


@contextlib.contextmanager
def progress(*, quiet: bool) -> Iterator[Report]:
    """Bars on stderr, one a stage; nothing when quiet."""
    if quiet:
        yield silent
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

    bars = Progress(
        TextColumn("{task.description:<38}"),
        BarColumn(bar_width=24),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(compact=True),
        console=Console(stderr=True),
    )
    tasks: dict[str, TaskID] = {}

    def report(stage: str, share: float) -> None:
        if stage not in tasks:
            for other in tasks.values():
                bars.update(other, completed=1.0)
            tasks[stage] = bars.add_task(stage, total=1.0)
        bars.update(tasks[stage], completed=share)

    with bars:
        yield report
        for task in tasks.values():
            bars.update(task, completed=1.0)


SHORT_CELL = 12
"""Columns no wider than this are never broken; the others fold, and never lose a letter."""


def print_table(title: str, rows: list[list[str]]) -> None:
    """Print a table (first row its heads) on stdout."""
    from rich.console import Console
    from rich.table import Table

    if not rows:
        return
    table = Table(title=title, title_justify="left", show_edge=False)
    for head, *column in zip(*rows, strict=True):
        short = max(map(len, column), default=0) <= SHORT_CELL
        table.add_column(head, no_wrap=short, overflow="fold")
    for row in rows[1:]:
        table.add_row(*row)
    Console(markup=False, highlight=False).print(table)
