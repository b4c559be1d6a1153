"""The steps of a job in their usual order, and how each stands."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from treescan.page.session import Session, measured_from, planned_from

Status = Literal["done", "needs attention", "to do"]


@dataclass(frozen=True)
class StepState:
    """How a step stands, and why it needs attention."""

    status: Status
    why: str = ""


@dataclass(frozen=True)
class Step:
    """One step.  ``confirmable``: a person says by a button that its values are right."""

    key: str
    title: str
    standing: Callable[[Session], StepState]
    confirmable: bool = False


DONE, OPEN = StepState("done"), StepState("to do")


def attention(why: str) -> StepState:
    """Return a step that needs a look, with the reason."""
    return StepState("needs attention", why)


def _measured(session: Session) -> bool:
    return session.store.result_folder() is not None


def _scan(session: Session) -> StepState:
    if not session.store.state.get("scans") and not _measured(session):
        return OPEN
    return DONE if _measured(session) else attention("The scan is not measured yet.")


def _scale(session: Session) -> StepState:
    if not _measured(session):
        return OPEN
    hint = session.store.site.tree
    document = session.store.tree() or {}
    wrong = [n for n in document.get("decisions", ()) if n.startswith("WARNING") and "DBH" in n]
    if wrong:
        return attention(wrong[0])
    if hint.dbh_tape_m or (hint.known_length_m and hint.known_length_points_m):
        return _stale(session) or DONE
    return attention("Nothing was taped: no weight can be trusted to a scan of unknown scale.")


def _tree(session: Session) -> StepState:
    if not _measured(session):
        return OPEN
    if session.store.site.tree.near_m is None:
        return attention("Pick the stem, so that the right tree is measured.")
    return _stale(session) or DONE


def _stale(session: Session) -> StepState | None:
    mark = session.store.state.get("tree_from")
    if mark and mark != measured_from(session.store.site):
        return attention("Changed since the scan was measured: measure it again.")
    return None


def _site(session: Session) -> StepState:
    site = session.store.site
    shown = len(session.open_proposals())
    if shown:
        what = "One thing" if shown == 1 else f"{shown} things"
        return attention(
            f"{what} the scan shows: say what {'it is' if shown == 1 else 'they are'}."
        )
    if not site.drop_zone and not site.landing:
        return attention("No drop zone or landing: wood has nowhere to go.")
    if not site.target and not site.conductor and "site" not in _confirmed(session):
        return attention("No target is marked. If there is none, say so.")
    return DONE


def _conditions(session: Session) -> StepState:
    site = session.store.site
    if site.job.species.startswith("unknown"):
        return attention("Give the species: weights rest on it.")
    return _looked_at(session, "conditions")


def _looked_at(session: Session, key: str) -> StepState:
    return DONE if key in _confirmed(session) else attention("Look it over and confirm.")


def _by_looking(key: str) -> Callable[[Session], StepState]:
    return lambda session: _looked_at(session, key)


def _confirmed(session: Session) -> set[str]:
    return set(session.store.state.get("confirmed", ()))


def _plan(session: Session) -> StepState:
    plan = session.store.plan()
    if plan is None:
        return OPEN
    if not plan["feasible"]:
        return attention("No plan keeps every limit.")
    mark = session.store.state.get("plan_from")
    if mark and mark != planned_from(session.store.site):
        return attention("The site, crew or gear has changed since: plan again.")
    if session.store.state.get("edits"):
        return attention("Cuts were changed by hand since: plan the rest again.")
    return DONE


def _after_plan(session: Session) -> StepState:
    standing = _plan(session)
    return standing if standing in (OPEN, DONE) else attention("The plan needs attention first.")


def _cuts(session: Session) -> StepState:
    standing = _after_plan(session)
    if standing != DONE:
        return standing
    plan = session.store.plan() or {"steps": []}
    left = len(plan["steps"]) - len(session.store.done_steps())
    return DONE if left <= 0 else StepState("to do", f"{left} steps to go.")


def _haul(session: Session) -> StepState:
    standing = _after_plan(session)
    return standing if standing != DONE else _looked_at(session, "haul")


STEPS = (
    Step("scan", "Scan", _scan),
    Step("scale", "Scale check", _scale),
    Step("tree", "Tree", _tree),
    Step("site", "Site", _site, confirmable=True),
    Step("conditions", "Conditions", _conditions, confirmable=True),
    Step("crew", "Crew", _by_looking("crew"), confirmable=True),
    Step("gear", "Gear", _by_looking("gear"), confirmable=True),
    Step("trucks", "Trucks", _by_looking("trucks"), confirmable=True),
    Step("limits", "Limits", _by_looking("limits"), confirmable=True),
    Step("plan", "Plan", _plan),
    Step("cuts", "Cut list", _cuts),
    Step("haul", "Haul and quote", _haul, confirmable=True),
    Step("print", "Print", _after_plan),
)
BY_KEY = {step.key: step for step in STEPS}
