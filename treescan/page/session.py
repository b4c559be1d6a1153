"""The one job that all devices see: its store, its running work, and what each step needs."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

from treescan.errors import InvalidInputError
from treescan.page import work
from treescan.page.job_store import JobStore
from treescan.page.site_map import MapFrame, read_map
from treescan.pointcloud.sniffing import file_kind

SAMPLES = Path(__file__).parents[2] / "sample_scans"
DONE, ATTENTION, OPEN = "done", "needs attention", "to do"


@dataclass
class Session:
    """A job open in the page."""

    store: JobStore
    process: subprocess.Popen[bytes] | None = None
    order: str = ""

    def samples(self) -> list[str]:
        """Names of the sample scenes that lie beside the program."""
        return sorted(p.stem for p in SAMPLES.glob("*.laz") if p.with_suffix(".toml").exists())

    def take_sample(self, name: str) -> None:
        """Take a sample scene with its site file."""
        if name not in self.samples():
            raise InvalidInputError(f"there is no sample called {name}.")
        shutil.copyfile(SAMPLES / f"{name}.toml", self.store.folder / "site.toml")
        self.store.read()
        self._take(SAMPLES / f"{name}.laz")

    def take_path(self, text: str) -> None:
        """Take a scan that lies on this laptop.

        Raises
        ------
        InvalidInputError
            If there is no such file.
        """
        path = Path(text.strip()).expanduser()
        if not path.is_file():
            raise InvalidInputError(f"{path}: there is no such file on the laptop.")
        self._take(path.absolute())

    def take_upload(self, file: Path) -> None:
        """Take an uploaded file: kept under a name of our own, told by its content.

        Raises
        ------
        ScanError
            If the content is no scan.
        """
        kind = file_kind(file)
        place = self.store.folder / "scan"
        place.mkdir(exist_ok=True)
        target = place / f"scan.{kind}"
        file.replace(target)
        self._take(target)

    def _take(self, path: Path) -> None:
        for old in ("tree", "plan"):
            shutil.rmtree(self.store.folder / old, ignore_errors=True)
        self.store.save(state={"scans": [str(path)], "done": []})

    def start(self, order: str) -> None:
        """Start long work unless some is running.

        Raises
        ------
        InvalidInputError
            If work is running, or there is no scan yet.
        """
        if self.running():
            raise InvalidInputError("Work is running: wait for it or cancel it.")
        if not self.store.state.get("scans") and self.store.result_folder() is None:
            raise InvalidInputError("Choose a scan first.")
        self.store.save()
        self.order = order
        self.process = work.start(self.store.folder, order)

    def running(self) -> bool:
        """Some work is going on."""
        return self.process is not None and self.process.poll() is None

    def progress(self) -> work.Progress:
        """Where the work is."""
        return work.progress(self.store.folder, self.process)

    def cancel(self) -> None:
        """End the work; results of earlier runs stay."""
        if self.process is not None and self.running():
            work.cancel(self.process)

    def collect(self) -> bool:
        """Take note of finished work once; True when something has changed."""
        if self.process is None or self.running():
            return False
        finished, self.process = self.process.returncode, None
        if self.order == "replan" and finished == 0:
            self.store.save(state={"done": []})
        self.store.version += 1
        return True

    def map(self) -> MapFrame | None:
        """Plan picture of the measured scan."""
        return read_map(self.store.folder / "tree")

    def status(self, step: str) -> str:
        """``done``, ``needs attention`` or ``to do`` for a step of the job."""
        folder, site = self.store.folder, self.store.site
        measured = (folder / "tree" / "tree.json").is_file()
        plan = self.store.plan()
        answers = {
            "scan": DONE if measured else OPEN,
            "scale": DONE if site.tree.dbh_tape_m or site.tree.known_length_m else ATTENTION,
            "tree": DONE if site.tree.near_m else ATTENTION,
            "site": DONE if site.target and (site.drop_zone or site.landing) else ATTENTION,
            "crew": ATTENTION if site.job.species.startswith("unknown") else DONE,
            "plan": OPEN if plan is None else DONE if plan["feasible"] else ATTENTION,
            "cuts": OPEN if plan is None else DONE,
            "haul": OPEN if plan is None else DONE,
        }
        return answers[step]
