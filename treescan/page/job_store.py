"""A job as plain files, so that the page and the command work on the same thing.

::

    JOB/site.toml      what stands around the tree, crew, gear, limits (the command's own file)
    JOB/page.json      which scan, which steps are confirmed, which cuts are done
    JOB/scan/…         the scan, when it was uploaded
    JOB/tree/          result folder of ``measure``
    JOB/plan/          result folder of ``plan`` or ``replan``
    JOB/history/       earlier site.toml and page.json, for undo

Every change is written whole before it is shown.  Names given by people never become paths.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from treescan.errors import InvalidInputError, OutputError
from treescan.site.model import Site
from treescan.site.reading import parse_site, read_site, site_toml

MOST_UNDO = 200
STEPS = ("scan", "scale", "tree", "site", "crew", "plan", "cuts", "haul")


@dataclass
class JobStore:
    """One job folder.  ``version`` grows with every change, so that devices can follow."""

    folder: Path
    version: int = 0
    site: Site = field(default_factory=Site)
    state: dict[str, Any] = field(default_factory=dict)

    @classmethod
    def opened(cls, folder: Path) -> JobStore:
        """Open a job folder, or begin one; a result folder of ``plan`` is taken over as it is.

        Raises
        ------
        InvalidInputError
            If the folder holds something else.
        """
        folder = folder.absolute()
        if folder.exists() and not folder.is_dir():
            raise InvalidInputError(f"{folder} is not a folder. Give a job folder.")
        known = ("page.json", "site.toml", "tree.json", "plan.json")
        if (
            folder.exists()
            and any(folder.iterdir())
            and not any((folder / name).exists() for name in known)
        ):
            raise InvalidInputError(
                f"{folder} holds files that are no job. Give a new or a result folder."
            )
        folder.mkdir(parents=True, exist_ok=True)
        store = cls(folder)
        store._adopt_result()
        store.read()
        return store

    def _adopt_result(self) -> None:
        """Copy a bare result folder's files into ``plan/`` the first time it is opened."""
        if (self.folder / "page.json").exists() or not (self.folder / "tree.json").exists():
            return
        name = "plan" if (self.folder / "plan.json").exists() else "tree"
        inside = self.folder / name
        if not inside.exists():
            inside.mkdir()
            for file in self.folder.iterdir():
                if file.is_file() and file.name != "site.toml":
                    shutil.copy2(file, inside / file.name)
            if (self.folder / "site.toml").exists():
                shutil.copy2(self.folder / "site.toml", inside / "site.toml")

    def read(self) -> None:
        """Read site and state again from the files."""
        if (self.folder / "site.toml").exists():
            self.site = read_site(self.folder / "site.toml")
        if (self.folder / "page.json").exists():
            try:
                self.state = json.loads((self.folder / "page.json").read_text(encoding="utf-8"))
            except ValueError as fault:
                raise InvalidInputError(
                    f"{self.folder / 'page.json'} cannot be read ({fault}). Remove it to begin "
                    "again; site.toml and results stay."
                ) from fault
        self.version += 1

    def save(self, *, site: Site | None = None, state: Mapping[str, Any] | None = None) -> None:
        """Keep the present state for undo, then write the changed one.

        Raises
        ------
        SiteFileError
            If the changed site does not pass its own checks; nothing is written then.
        """
        wanted = self.site if site is None else parse_site(site_toml(site))
        self._remember()
        self.site = wanted
        if state is not None:
            self.state = {**self.state, **state}
        self._write()

    def undo(self) -> bool:
        """Go back one change; False when there is none."""
        kept = self._kept()
        if not kept:
            return False
        last = kept[-1]
        document = json.loads(last.read_text(encoding="utf-8"))
        self.site = parse_site(document["site"])
        self.state = document["state"]
        self._write()
        last.unlink()
        return True

    def _remember(self) -> None:
        place = self.folder / "history"
        place.mkdir(exist_ok=True)
        kept = self._kept()
        number = int(kept[-1].stem) + 1 if kept else 1
        document = {"site": site_toml(self.site), "state": self.state}
        _write_whole(place / f"{number:08d}.json", json.dumps(document))
        for old in kept[: max(0, len(kept) + 1 - MOST_UNDO)]:
            old.unlink(missing_ok=True)

    def _kept(self) -> list[Path]:
        return sorted((self.folder / "history").glob("[0-9]*.json"))

    def _write(self) -> None:
        _write_whole(self.folder / "site.toml", site_toml(self.site))
        _write_whole(self.folder / "page.json", json.dumps(self.state, indent=1))
        self.version += 1

    def result_folder(self) -> Path | None:
        """Newest result: the plan when there is one, else the measured tree."""
        for name in ("plan", "tree"):
            if (self.folder / name / "tree.json").is_file():
                return self.folder / name
        return None

    def plan(self) -> dict[str, Any] | None:
        """Read plan.json of the job, or None."""
        path = self.folder / "plan" / "plan.json"
        if not path.is_file():
            return None
        result: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        return result

    def done_steps(self) -> set[int]:
        """Numbers of the steps ticked as down."""
        return {int(n) for n in self.state.get("done", ())}


def _write_whole(path: Path, text: str) -> None:
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        with partial.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        partial.replace(path)
    except OSError as fault:
        partial.unlink(missing_ok=True)
        raise OutputError(f"{path} could not be saved: {fault}. Free some space.") from fault
