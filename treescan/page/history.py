"""What a job was before each change, results included, so that every change can be taken back.

::

    JOB/history/00000012.json     site file, state and results as they were before change 12
    JOB/history/forward/…         the same for what was taken back (until the next change)
    JOB/history/results/plan-…    result folders that another one has taken the place of
"""

from __future__ import annotations

import json
import shutil
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from treescan.errors import InvalidInputError
from treescan.page.file_checks import in_one_line, is_mark, unusable
from treescan.page.files import result_mark, unsaved, write_whole

MOST_CHANGES = 300
MOST_RESULTS = 8
PARTS = {"tree": "tree.json", "plan": "plan.json"}
"""Result folders of a job and the file by which each is known."""


@dataclass(frozen=True)
class Snapshot:
    """A job at one moment: text of its site file (None: there was none), state, results."""

    said: str
    at: float
    site: str | None
    state: dict[str, Any]
    results: dict[str, str]


class History:
    """Snapshots of one job folder, newest last."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.place = folder / "history"
        self.forward = self.place / "forward"
        self.aside = self.place / "results"

    def remember(self, snapshot: Snapshot) -> None:
        """Keep what was, before it is changed; what could be done again is dropped."""
        self._put(self.place, snapshot)
        for file in self._files(self.forward):
            file.unlink(missing_ok=True)
        for file in self._files(self.place)[:-MOST_CHANGES]:
            file.unlink(missing_ok=True)
        self._prune()

    def back(self) -> Snapshot | None:
        """Newest snapshot; None when there is none."""
        return self._newest(self.place)

    def again(self) -> Snapshot | None:
        """What was taken back last; None when there is none."""
        return self._newest(self.forward)

    def taken_back(self, present: Snapshot) -> None:
        """Note that the newest snapshot has become the present."""
        self._put(self.forward, present)
        self._files(self.place)[-1].unlink()

    def done_again(self, present: Snapshot) -> None:
        """Note that what was taken back is the present again."""
        self._put(self.place, present)
        self._files(self.forward)[-1].unlink()

    def results(self) -> dict[str, str]:
        """Marks of the result folders that are in place now."""
        return {part: result_mark(self.folder / part, name) for part, name in PARTS.items()}

    def set_aside(self, part: str) -> None:
        """Move a result folder away; nothing when there is none."""
        mark = self.results()[part]
        source = self.folder / part
        if not source.exists():
            return
        target = self.aside / f"{part}-{mark or 'broken'}"
        try:
            self.aside.mkdir(parents=True, exist_ok=True)
            if target.exists():
                shutil.rmtree(target)
            source.rename(target)
        except OSError as fault:
            raise unsaved(source, fault) from fault

    def restore(self, wanted: dict[str, str]) -> list[str]:
        """Bring the results of another moment back; returns the parts no longer kept."""
        missing = []
        for part, mark in self.results().items():
            want = wanted.get(part, "")
            if want == mark:
                continue
            self.set_aside(part)
            kept = self.aside / f"{part}-{want}"
            if want and kept.is_dir():
                kept.rename(self.folder / part)
            elif want:
                missing.append(part)
        return missing

    def _put(self, place: Path, snapshot: Snapshot) -> None:
        try:
            place.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise unsaved(place, fault) from fault
        files = self._files(place)
        number = int(files[-1].stem) + 1 if files else 1
        write_whole(place / f"{number:08d}.json", json.dumps(asdict(snapshot), indent=1))

    def _newest(self, place: Path) -> Snapshot | None:
        files = self._files(place)
        if not files:
            return None
        try:
            kept = Snapshot(**json.loads(files[-1].read_text(encoding="utf-8")))
            if not _usable(kept):
                raise ValueError("not what a job was")
        except (OSError, ValueError, TypeError, RecursionError) as fault:
            raise InvalidInputError(
                f"{files[-1].name} of the job's history cannot be read ({in_one_line(fault)}). "
                "Remove that file to reach the change before it."
            ) from fault
        return kept

    def _files(self, place: Path) -> list[Path]:
        return sorted(place.glob("[0-9]*.json"))

    def _prune(self) -> None:
        """Keep the newest displaced results only: a scan's results are tens of megabytes."""
        for part in PARTS:
            kept = sorted(self.aside.glob(f"{part}-*"), key=lambda p: p.stat().st_mtime_ns)
            for old in kept[:-MOST_RESULTS]:
                shutil.rmtree(old, ignore_errors=True)


def _usable(kept: Snapshot) -> bool:
    """Whether a snapshot read back is one: its marks become names of folders."""
    return (
        isinstance(kept.said, str)
        and isinstance(kept.site, str | None)
        and isinstance(kept.state, dict)
        and not unusable(kept.state)
        and isinstance(kept.results, dict)
        and all(is_mark(mark) for mark in kept.results.values())
    )
