"""A job as plain files, so that the page and the command work on the same thing.

::

    JOB/site.toml      what stands around the tree, crew, gear, limits (the command's own file)
    JOB/page.json      which scan, which steps are confirmed, which cuts are done
    JOB/drafts.json    corners tapped and not yet kept, for each device
    JOB/scan/…         the scan, when it was uploaded
    JOB/tree/          result folder of ``measure``
    JOB/plan/          result folder of ``plan`` or ``replan``
    JOB/work/          long work under way
    JOB/history/       what was before each change

Every change is written whole before it is shown.  Names given by people never become paths.
A file changed by the command or by hand is noticed and read again before anything is written.
"""

from __future__ import annotations

import contextlib
import json
import shutil
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from treescan.errors import InvalidInputError, OutputError, TreescanError
from treescan.page.file_checks import unusable
from treescan.page.files import content_mark, quick_mark, unsaved, write_whole
from treescan.page.history import PARTS, History, Snapshot
from treescan.page.site_text import changed_text
from treescan.site.model import Site
from treescan.site.reading import parse_site, read_site, site_toml

SITE, STATE = "site.toml", "page.json"
OWN = {SITE, STATE, "drafts.json", ".open.json", "scan", "tree", "plan", "work", "view", "history"}
"""What a page makes in a job folder."""
TOPIC_OF_STATE = {
    "done": "done",
    "edits": "edits",
    "held": "edits",
    "prefer": "edits",
    "scans": "scan",
    "confirmed": "confirmed",
    "proposals": "site",
    "notice": "work",
}


@dataclass
class JobStore:
    """One job folder.

    ``versions`` grows by topic with every change (``site``, ``done``, ``edits``, ``scan``,
    ``tree``, ``plan``, ``confirmed``), so that devices can follow.  ``fault`` says what is wrong
    with the site file on disk; while it is not empty nothing is written over that file.
    """

    folder: Path
    site: Site = field(default_factory=Site)
    state: dict[str, Any] = field(default_factory=dict)
    versions: dict[str, int] = field(default_factory=dict)
    fault: str = ""

    def __post_init__(self) -> None:
        self.history = History(self.folder)
        self._marks: dict[str, str] = {}
        self._text: str | None = None
        self._plan: tuple[str, dict[str, Any] | None] = ("", None)
        self._tree: tuple[str, dict[str, Any] | None] = ("", None)

    @classmethod
    def opened(cls, folder: Path) -> JobStore:
        """Open a job folder, or begin one; a result folder of ``plan`` is taken over as it is.

        Raises
        ------
        InvalidInputError
            If the folder holds something else.
        OutputError
            If it cannot be made.
        """
        folder = folder.absolute()
        if folder.exists() and not folder.is_dir():
            raise InvalidInputError(f"{folder} is not a folder. Give a job folder.")
        foreign = folder.exists() and any(p.name not in OWN for p in folder.iterdir())
        known = (STATE, SITE, "tree.json", "plan.json")
        if foreign and not any((folder / name).exists() for name in known):
            raise InvalidInputError(
                f"{folder} holds files that are no job. Give a new or a result folder."
            )
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise OutputError(f"{folder} cannot be made: {fault.strerror}.") from fault
        store = cls(folder)
        store._adopt_result()
        store.state = store._read_state()
        if not (folder / STATE).exists():
            write_whole(folder / STATE, "{}")
        if (folder / SITE).exists():
            store.site, store._text = read_site(folder / SITE), _text_of(folder / SITE)
        store._mark_files()
        return store

    def _adopt_result(self) -> None:
        """Copy a bare result folder's files into ``plan/`` the first time it is opened."""
        if (self.folder / STATE).exists() or not (self.folder / "tree.json").exists():
            return
        name = "plan" if (self.folder / "plan.json").exists() else "tree"
        inside = self.folder / name
        if not inside.exists():
            inside.mkdir()
            for file in self.folder.iterdir():
                if file.is_file():
                    shutil.copy2(file, inside / file.name)

    def _read_state(self) -> dict[str, Any]:
        path = self.folder / STATE
        if not path.exists():
            return {}
        try:
            state = json.loads(path.read_text(encoding="utf-8"))
            if not isinstance(state, dict):
                raise ValueError("not a table")
            if wrong := unusable(state):
                raise ValueError(f"“{wrong}” does not hold what it should")
        except (OSError, ValueError, RecursionError) as fault:
            raise InvalidInputError(
                f"{path} cannot be read ({fault}). Remove it to begin again; site.toml and "
                "results stay."
            ) from fault
        return state

    def version(self, *topics: str) -> tuple[int, ...]:
        """Versions of some topics."""
        return tuple(self.versions.get(topic, 0) for topic in topics)

    def bump(self, *topics: str) -> None:
        """Note that something of these topics has changed."""
        for topic in topics:
            self.versions[topic] = self.versions.get(topic, 0) + 1

    def save(
        self,
        *,
        site: Site | None = None,
        state: Mapping[str, Any] | None = None,
        said: str = "a change",
        results: Mapping[str, Path | None] | None = None,
    ) -> None:
        """Keep what was, for undo, then write the change.

        Parameters
        ----------
        site : Site, optional
            The whole changed site.
        state : mapping, optional
            Keys of the state to change.
        said : str
            The change in a few words, for the undo button.
        results : mapping, optional
            Result folders (``tree``, ``plan``) to take the place of the present ones; None puts
            the present one aside.

        Raises
        ------
        SiteFileError
            If the changed site does not pass its own checks; nothing is written then.
        InvalidInputError
            If the site file was changed by another program since; it has been read again then.
        OutputError
            If it cannot be written; the job stays as it was.
        """
        if self.look() - set(PARTS):
            raise InvalidInputError(
                "The job was changed by another program a moment ago and has been read again. "
                "Look at it, then make your change once more."
            )
        if self.fault:
            raise InvalidInputError(f"Nothing is saved while site.toml is faulty: {self.fault}")
        before = self.present(said)
        text = before.site
        if site is not None:
            wanted = parse_site(site_toml(site))
            text = changed_text(before.site or "", wanted)
        self.history.remember(before)
        for part, place in (results or {}).items():
            self.history.set_aside(part)
            if place is not None:
                place.rename(self.folder / part)
        self._write(text, {**self.state, **(state or {})})

    def mend(self) -> None:
        """Write the last good site file over one that cannot be used."""
        if self.fault:
            self._write(self._text, self.state)

    def present(self, said: str) -> Snapshot:
        """The job as it is now."""
        return Snapshot(said, time.time(), self._text, self.state, self.history.results())

    def undo(self) -> str:
        """Go back one change; returns what was taken back, "" when there is nothing.

        Raises
        ------
        TreescanError
            If it cannot be done; the job stays as it was.
        """
        last = self.history.back()
        if last is None:
            return ""
        present = self.present(last.said)
        self._go_to(last)
        self.history.taken_back(present)
        return last.said

    def redo(self) -> str:
        """Do again what was taken back last; returns what it was, "" when there is nothing."""
        last = self.history.again()
        if last is None:
            return ""
        present = self.present(last.said)
        self._go_to(last)
        self.history.done_again(present)
        return last.said

    def _go_to(self, snapshot: Snapshot) -> None:
        self._write(snapshot.site, snapshot.state)
        self.history.restore(snapshot.results)
        self._look_at_results()

    def _write(self, text: str | None, state: Mapping[str, Any]) -> None:
        """Write site file and state; bumps the topics that differ from before."""
        site = Site() if text is None else parse_site(text)
        path = self.folder / SITE
        if text != self._text or self.fault:
            try:
                if text is None:
                    path.unlink(missing_ok=True)
                else:
                    write_whole(path, text)
            except OSError as fault:
                raise unsaved(path, fault) from fault
        if site != self.site or self.fault:
            self.bump("site")
        self.site, self._text, self.fault = site, text, ""
        write_whole(self.folder / STATE, json.dumps(state, indent=1))
        self._take_state(dict(state))
        self._mark_files()

    def look(self) -> set[str]:
        """Read again what another program has changed on disk; returns the topics it touched.

        A site file that cannot be used leaves the last good site in memory and sets ``fault``.

        Raises
        ------
        OutputError
            If the job folder itself is gone.
        """
        if not self.folder.is_dir():
            raise OutputError(
                f"{self.folder} is gone: moved, renamed or on a drive that was taken out. Bring "
                "it back, or stop the page and open it where it is."
            )
        touched: set[str] = set()
        if self._moved(STATE):
            with contextlib.suppress(InvalidInputError):  # half written: the next look has it
                touched |= self._take_state(self._read_state())
        if self._moved(SITE) and content_mark(self.folder / SITE) != self._marks["content"]:
            self._take_site()
            touched.add("site")
            self.bump("site")
        touched |= self._look_at_results()
        return touched

    def _look_at_results(self) -> set[str]:
        touched = {part for part, name in PARTS.items() if self._moved(f"{part}/{name}")}
        self.bump(*touched)
        return touched

    def _moved(self, name: str) -> bool:
        mark = quick_mark(self.folder / name)
        if mark == self._marks.get(name, ""):
            return False
        self._marks[name] = mark
        return True

    def _mark_files(self) -> None:
        """Take the files as they are now for known."""
        self._moved(STATE)
        self._moved(SITE)
        self._marks["content"] = content_mark(self.folder / SITE)
        self._look_at_results()

    def _take_state(self, state: dict[str, Any]) -> set[str]:
        keys = {key for key in {*self.state, *state} if self.state.get(key) != state.get(key)}
        touched = {TOPIC_OF_STATE.get(key, "confirmed") for key in keys}
        self.state = state
        self.bump(*touched)
        return touched

    def _take_site(self) -> None:
        """Take a site file that another program wrote; what was before can be brought back."""
        self._marks["content"] = content_mark(self.folder / SITE)
        path = self.folder / SITE
        try:
            site = read_site(path) if path.exists() else Site()
        except TreescanError as error:
            self.fault = str(error)
            return
        said = "a change of site.toml outside the page"
        self.history.remember(
            Snapshot(said, time.time(), self._text, self.state, self.history.results())
        )
        self.site, self.fault, self._text = site, "", _text_of(path)

    def result_folder(self) -> Path | None:
        """Newest result: the plan when there is one, else the measured tree."""
        for name in ("plan", "tree"):
            if (self.folder / name / "tree.json").is_file():
                return self.folder / name
        return None

    def plan(self) -> dict[str, Any] | None:
        """Read plan.json of the job, or None; read once for each content."""
        path = self.folder / "plan" / "plan.json"
        self._plan = _read_once(path, self._plan)
        return self._plan[1]

    def tree(self) -> dict[str, Any] | None:
        """Read tree.json of the newest result, or None; read once for each content."""
        folder = self.result_folder()
        if folder is None:
            return None
        self._tree = _read_once(folder / "tree.json", self._tree)
        return self._tree[1]

    def done_steps(self) -> set[int]:
        """Numbers of the steps ticked as down."""
        return {int(n) for n in self.state.get("done", ())}


def _text_of(path: Path) -> str | None:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        return None


def _read_once(
    path: Path, kept: tuple[str, dict[str, Any] | None]
) -> tuple[str, dict[str, Any] | None]:
    mark = f"{path}{quick_mark(path)}"
    if mark == kept[0]:
        return kept
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return mark, None
    return mark, document if isinstance(document, dict) else None
