"""The one job that all devices see: its store, its running work, and who wants to know."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Set
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from nicegui import ui

from treescan.errors import InvalidInputError, TreescanError
from treescan.page import work
from treescan.page.cut_edits import held_after
from treescan.page.drafts import Drafts
from treescan.page.files import unsaved
from treescan.page.job_store import JobStore
from treescan.page.proposals import Found, already_marked, read_proposals
from treescan.page.site_map import SiteMap, read_map
from treescan.pointcloud.sniffing import file_kind
from treescan.site.model import Site
from treescan.units import UnitSystem

SAMPLES = Path(__file__).parents[2] / "sample_scans"
TAKEN = {
    "measure": ("tree", "Scan measured"),
    "plan": ("plan", "Plan made"),
    "replan": ("plan", "Rest planned again"),
}
ARRIVING = ".arriving-"
"""How the name of a scan begins that is still on its way."""
Listener = Callable[[frozenset[str]], None]


@dataclass
class Session:
    """A job open in the page.  All devices share one; it is used from the event loop only."""

    store: JobStore
    links: tuple[str, ...] = ()
    listeners: list[Listener] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.trouble = ""
        self._announced: dict[str, int] = {}
        self._proposals: tuple[tuple[int, ...], tuple[Found, ...]] = ((-1,), ())
        self._open: tuple[tuple[int, ...], tuple[Found, ...]] = ((-1,), ())
        self._map: tuple[tuple[int, ...], SiteMap | None] = ((-1,), None)
        self.drafts = Drafts(self.store.folder)
        self._progress = work.progress(self.store.folder)

    # what others may rely on: changing the job and hearing of changes

    def save(
        self,
        *,
        said: str,
        site: Site | None = None,
        state: Mapping[str, Any] | None = None,
        results: Mapping[str, Path | None] | None = None,
    ) -> None:
        """Save a change (see :meth:`JobStore.save`) and tell every device of it at once."""
        try:
            self.store.save(site=site, state=state, said=said, results=results)
        finally:
            self.announce()

    def listen(self, listener: Listener) -> Callable[[], None]:
        """Call ``listener`` with the topics of every change; returns what ends that."""
        self.listeners.append(listener)
        return lambda: self.listeners.remove(listener) if listener in self.listeners else None

    def follow(self, topics: tuple[str, ...], action: Callable[[], None]) -> None:
        """Within a panel: call ``action`` after changes of ``topics`` while the panel stands.

        It runs in the place of the panel, so that it may add elements or notes there.
        """
        place = ui.context.slot.parent
        wanted = frozenset(topics)

        def heard(changed: frozenset[str]) -> None:
            if place.is_deleted:
                end()
            elif wanted & changed:
                with place:
                    action()

        end = self.listen(heard)

    def announce(self) -> None:
        """Tell the listeners which topics have changed since they were told last."""
        now = dict(self.store.versions)
        changed = frozenset(k for k, v in now.items() if v != self._announced.get(k, 0))
        self._announced = now
        if changed:
            for listener in tuple(self.listeners):
                listener(changed)

    def undo(self) -> str:
        """Take back the last change; returns what it was, "" when there is none."""
        self._require_idle()
        try:
            return self.store.undo()
        finally:
            self.announce()

    def redo(self) -> str:
        """Do again what was taken back last; returns what it was, "" when there is none."""
        self._require_idle()
        try:
            return self.store.redo()
        finally:
            self.announce()

    def mend(self) -> None:
        """Write the last good site file over one that cannot be used."""
        self.store.mend()
        self.announce()

    def confirm(self, step: str) -> None:
        """Note that a person has looked a step over."""
        confirmed = sorted({*self.store.state.get("confirmed", ()), step})
        self.save(state={"confirmed": confirmed}, said=f"“{step}” confirmed")

    # proposals

    def proposals(self) -> tuple[Found, ...]:
        """Things the measured scan seems to show."""
        version = self.store.version("tree")
        if self._proposals[0] != version:
            self._proposals = (version, read_proposals(self.store.folder / "tree"))
        return self._proposals[1]

    def open_proposals(self) -> tuple[Found, ...]:
        """Those that nobody has decided on and that are not marked yet; open ground apart."""
        return tuple(found for found in self._undecided() if found.part != "drop_zone")

    def open_ground(self) -> tuple[Found, ...]:
        """Open ground that nobody has decided on."""
        return tuple(found for found in self._undecided() if found.part == "drop_zone")

    def _undecided(self) -> tuple[Found, ...]:
        version = self.store.version("tree", "site")
        if self._open[0] != version:
            decided, site = self.store.state.get("proposals", {}), self.store.site
            rest = (f for f in self.proposals() if f.key not in decided)
            self._open = (version, tuple(f for f in rest if not already_marked(f, site)))
        return self._open[1]

    # scans

    def samples(self) -> list[str]:
        """Names of the sample scenes that lie beside the program."""
        return sorted(p.stem for p in SAMPLES.glob("*.laz") if p.with_suffix(".toml").exists())

    def take_sample(self, name: str) -> None:
        """Take a sample scene with its site file.

        Raises
        ------
        InvalidInputError
            If there is no sample of that name.
        """
        from treescan.site.reading import read_site

        if name not in self.samples():
            raise InvalidInputError(f"there is no sample called {name}.")
        site = read_site(SAMPLES / f"{name}.toml")
        self._take(SAMPLES / f"{name}.laz", f"Sample {name.replace('_', ' ')} taken", site)

    def take_path(self, text: str) -> None:
        """Take a scan that lies on this laptop.

        Raises
        ------
        InvalidInputError
            If there is no such file.
        ScanError
            If its content is no scan.
        """
        path = Path(text.strip()).expanduser()
        if not text.strip() or not path.is_file():
            raise InvalidInputError(f"{path}: there is no such file on the laptop.")
        file_kind(path)
        self._take(path.absolute(), "Scan chosen")

    @staticmethod
    def check_upload(file: Path) -> None:
        """Refuse a file that is no scan, by its content.

        Raises
        ------
        ScanError
            Naming what it is.
        """
        file_kind(file)

    def take_upload(self, file: Path) -> None:
        """Take an uploaded file: kept under a name of our own, told by its content.

        Raises
        ------
        ScanError
            If the content is no scan.
        """
        kind = file_kind(file)
        place = self.store.folder / "scan"
        try:
            place.mkdir(exist_ok=True)
            number = 1 + sum(1 for p in place.iterdir() if not p.name.startswith(ARRIVING))
            target = place / f"scan-{number}.{kind}"
            file.replace(target)
        except OSError as fault:
            raise unsaved(place, fault) from fault
        self._take(target, "Scan uploaded")

    def _take(self, path: Path, said: str, site: Site | None = None) -> None:
        self._require_idle()
        state = {
            "scans": [str(path)],
            "done": [],
            "edits": [],
            "held": [],
            "confirmed": [],
            "proposals": {},
        }
        self.save(site=site, state=state, said=said, results={"tree": None, "plan": None})

    # long work

    def start(self, order: str, units: UnitSystem = "metric") -> None:
        """Start long work unless some is running; what is printed comes in ``units``.

        Raises
        ------
        InvalidInputError
            If work is running, or there is no scan yet.
        """
        self._require_idle()
        if self.store.fault:
            raise InvalidInputError(self.store.fault)
        if order == "measure" and not self.store.state.get("scans"):
            raise InvalidInputError("Choose a scan first.")
        if order != "measure" and self.store.result_folder() is None:
            raise InvalidInputError("Measure the scan first.")
        if order == "replan" and self.store.plan() is None:
            raise InvalidInputError("There is no plan to go on from: make one first.")
        self._store_inputs()
        marks = measured_from if order == "measure" else planned_from
        work.start(self.store.folder, order, units, {"site": marks(self.store.site)})
        self.look()

    def _store_inputs(self) -> None:
        """See to it that the files that the work reads are there."""
        if not (self.store.folder / "site.toml").exists():
            self.save(site=self.store.site, said="Site file begun")

    def _require_idle(self) -> None:
        if self.progress().running:
            raise InvalidInputError("Work is running: wait for it or cancel it.")

    def progress(self) -> work.Progress:
        """Where the work is."""
        return work.progress(self.store.folder)

    def cancel(self) -> None:
        """End the work; results of earlier runs stay."""
        work.cancel(self.store.folder)
        self.look()

    def dismiss(self) -> None:
        """Put away what the last work said."""
        work.clear(self.store.folder)
        self.look()

    def look(self) -> None:
        """Look at the job's files: changes by other programs, work that goes on or has ended."""
        trouble = ""
        try:
            self.store.look()
            self._collect()
        except TreescanError as error:  # a full disk is said, and looked at again
            trouble = str(error)
        if trouble != self.trouble:
            self.trouble = trouble
            self.store.bump("work")
        now = self.progress()
        if now.mark() != self._progress.mark():
            self.store.bump("work")
        self._progress = now
        self.announce()

    def _collect(self) -> None:
        """Take finished work into the job, as a change that can be taken back."""
        finished = work.finished(self.store.folder)
        if finished is None:
            return
        part, said = TAKEN[finished.order]
        place = finished.place
        results = {part: place, "plan": None} if part == "tree" else {part: place}
        state: dict[str, Any] = {"done": [], "edits": [], "held": []}
        state[f"{part}_from"] = finished.notes.get("site", "")
        if part == "plan":
            state["held"] = held_after(finished.state)
            state |= self._since(finished)
        try:
            self.store.save(said=said, results=results, state=state)
        except TreescanError as error:
            work.failed(self.store.folder, str(error))
            return
        work.clear(self.store.folder)

    def _since(self, finished: work.Finished) -> dict[str, Any]:
        """What was ticked or changed by hand while the plan was being made.

        Ticked wood is down whatever the new plan calls it; a changed cut must be looked at anew.
        """
        then = finished.state
        counted = then.get("done", ()) if finished.order == "replan" else ()
        ticked = self.store.done_steps() - {int(n) for n in counted}
        carried, left = ticks_carried(self.store.plan(), ticked, finished.place / "plan.json")
        notice = []
        if left:
            notice.append(
                "Some of the wood ticked while the plan was being made is cut otherwise in the "
                "new plan: look at the cut list, and tick what is down."
            )
        if list(self.store.state.get("edits", ())) != list(then.get("edits", ())):
            notice.append(
                "Cuts changed by hand while the plan was being made are not in it: change them "
                "again."
            )
        return {"done": carried, "notice": " ".join(notice)}

    def put_away_notice(self) -> None:
        """Note that the notice has been read."""
        self.save(state={"notice": ""}, said="Notice read")

    def map(self) -> SiteMap | None:
        """Plan picture of the measured scan, with its heights; read once for each scan."""
        version = self.store.version("tree")
        if self._map[0] != version:
            self._map = (version, read_map(self.store.folder / "tree"))
        return self._map[1]


def ticks_carried(
    before: Mapping[str, Any] | None, ticked: Set[int], after: Path
) -> tuple[list[int], bool]:
    """Steps of a new plan whose wood is all down by ticks of the plan before.

    Parameters
    ----------
    before : mapping or None
        plan.json before.
    ticked : set of int
        Its steps that are down and not yet counted in the new plan.
    after : Path
        The new plan.json.

    Returns
    -------
    (steps, left) : list of int, bool
        ``left`` tells that some of that wood is in steps that hold standing wood too.
    """
    if not ticked or before is None:
        return [], False
    down = {n for s in before["steps"] if int(s["step"]) in ticked for n in s["piece"]["nodes"]}
    steps = json.loads(after.read_text(encoding="utf-8"))["steps"]
    wood = {int(s["step"]): set(s["piece"]["nodes"]) for s in steps}
    carried = sorted(number for number, nodes in wood.items() if nodes <= down)
    return carried, any(nodes & down and not nodes <= down for nodes in wood.values())


def measured_from(site: Site) -> str:
    """Mark of what a measurement takes from the site file."""
    facts = {"tree": site.tree.model_dump(mode="json"), "in_leaf": site.conditions.in_leaf}
    return _mark(facts)


def planned_from(site: Site) -> str:
    """Mark of what a plan takes from the site file: all but names and money."""
    facts = site.model_dump(mode="json", exclude={"quote"})
    facts["job"].pop("name")
    return _mark(facts)


def _mark(facts: object) -> str:
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()[:16]
