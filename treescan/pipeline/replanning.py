"""Plan again from where the tree is now, from a result folder and what has changed."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from treescan.errors import InvalidInputError
from treescan.pipeline.changes import changed_site
from treescan.pipeline.folder import STATE_FILE, JobFolder, read_folder
from treescan.pipeline.progress import Report, silent, within
from treescan.pipeline.run import job_result
from treescan.pipeline.self_check import with_check
from treescan.planning.edits import Edit, edits_between, read_edits
from treescan.planning.explaining import why_not_here
from treescan.planning.planner import PlanInputs
from treescan.planning.replan import earlier_steps, replan, still_standing
from treescan.planning.spar_block import BLOCK_PREFIX
from treescan.planning.types import JobResult
from treescan.site.reading import read_site


@dataclass(frozen=True)
class Changes:
    """What has happened since the plan, in plain words of the command.

    ``done`` are step numbers, ``gone`` limb numbers, ``lost_anchors`` anchor ids,
    ``set_site`` are ``part.key=value`` changes, ``edited`` is a hand-edited copy of plan.json
    or a JSON list of edits; ``prefer`` names the whole plan wanted among the alternatives.
    ``hold``: hand edits of the folder's earlier plans hold on in this one; lost anchors always do.
    """

    done: frozenset[int] = frozenset()
    gone: frozenset[int] = frozenset()
    lost_anchors: frozenset[str] = frozenset()
    set_site: tuple[str, ...] = ()
    edited: Path | None = None
    seed: int = 0
    prefer: str = ""
    why: tuple[int, ...] = ()
    hold: bool = False


@dataclass(frozen=True)
class JobState:
    """What a later plan of the job must know and plan.json does not say.

    ``gone_nodes`` no longer stand, ``lost_nodes`` are anchors and tie-ins not to be used,
    ``edits`` are the changes that people made by hand, the oldest first.
    """

    gone_nodes: tuple[int, ...] = ()
    lost_nodes: frozenset[int] = frozenset()
    edits: tuple[Edit, ...] = ()


def step_numbers(texts: Sequence[str]) -> frozenset[int]:
    """Read ``1-6`` or ``1,2,5-7``.

    Raises
    ------
    InvalidInputError
        If a part is not a number or a range.
    """
    result: set[int] = set()
    for part in ",".join(texts).replace(" ", "").split(","):
        if not part:
            continue
        match = re.fullmatch(r"(\d{1,5})(?:-(\d{1,5}))?", part)
        if match is None or (match[2] and int(match[2]) < int(match[1])):
            raise InvalidInputError(f"--done {part}: write steps as 1-6 or 1,2,5-7.")
        result |= set(range(int(match[1]), int(match[2] or match[1]) + 1))
    return frozenset(result)


def _cuts_of(plan: dict[str, Any], name: str) -> tuple[int, ...]:
    """Cuts of a whole plan among the alternatives, which may lie elsewhere; empty for none."""
    rows = [row for row in plan.get("alternatives", ()) if name and row.get("name") == name]
    return tuple(int(cut) for cut in rows[0].get("cuts", ())) if rows else ()


def inputs_of(job: JobFolder) -> PlanInputs:
    """What the rest of the job of a result folder is planned from; a lost anchor stays lost."""
    return PlanInputs(
        graph=job.survey.graph,
        ground=job.survey.ground,
        measures=job.survey.measures,
        species=job.species,
        mass=job.mass,
        site=job.site,
        gear=job.gear,
        wood_state=job.wood_state,
        done=job.standing,
        lost_anchors=_held(job.folder).lost_nodes,
    )


def replan_folder(
    folder: Path,
    changes: Changes,
    report: Report = silent,
    *,
    site_path: Path | None = None,
) -> tuple[JobResult, JobState]:
    """Plan the rest of the job of a result folder.

    ``site_path`` is a site file that takes the place of the folder's own.

    Returns the result and what is kept in the new folder for the next plan.

    Raises
    ------
    InvalidInputError
        If the folder holds no plan, or a step, limb, anchor or edit is not in it.
    """
    site = None
    if changes.set_site:
        site = changed_site(read_site(site_path or folder / "site.toml"), changes.set_site)
    job = read_folder(folder, site_path=site_path, site=site)
    if job.plan is None:
        raise InvalidInputError(f"{folder}: there is no plan to go on from. Run plan first.")
    steps = job.plan["steps"]
    held = _held(folder).edits if changes.hold else ()
    edits = (*held, *(hand_edits(job, changes.edited) or ()))
    known = inputs_of(job)
    lost = known.lost_anchors | _anchor_nodes(job.plan, changes.lost_anchors)
    inputs = replace(
        known,
        seed=changes.seed,
        edits=edits or None,
        lost_anchors=lost,
        prefer=changes.prefer,
    )
    if any(not 0 <= node < len(inputs.graph) for node in changes.why):
        raise InvalidInputError(
            f"--why: the tree has nodes 0 to {len(inputs.graph) - 1}; their places are in"
            " tree.json."
        )
    plan = replan(
        inputs,
        steps,
        set(changes.done),
        set(changes.gone),
        cuts=() if edits else _cuts_of(job.plan, changes.prefer),
        progress=within(report, "Planning the rest"),
    )
    told = tuple(f"Node {n}: {why_not_here(inputs, plan, n)}" for n in changes.why)
    plan = replace(plan, cautions=(plan.cautions[0], *told, *plan.cautions[1:]))
    standing = job.standing & still_standing(
        job.survey.graph, earlier_steps(steps), changes.done, changes.gone
    )
    down = tuple(np.flatnonzero(~standing).tolist())
    result = job_result(job.survey, job.site, job.species, job.gear, job.mass, plan)
    return with_check(result, down), JobState(down, lost, edits)


def write_state(folder: Path, state: JobState) -> None:
    """Keep beside the plan which wood no longer stands, what was lost and what was asked for."""
    document = {
        "format": "treescan-state",
        "version": 1,
        "gone_nodes": list(state.gone_nodes),
        "lost_nodes": sorted(state.lost_nodes),
        "edits": [edit.row() for edit in state.edits],
    }
    (folder / STATE_FILE).write_text(json.dumps(document), encoding="utf-8")


def _held(folder: Path) -> JobState:
    """What the state of a folder says of lost anchors and hand edits."""
    path = folder / STATE_FILE
    if not path.is_file():
        return JobState()
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        lost = frozenset(int(n) for n in document.get("lost_nodes", ()))
        edits = read_edits(document.get("edits", ()))
    except (OSError, ValueError, TypeError, AttributeError, RecursionError, OverflowError) as fault:
        raise InvalidInputError(
            f"{path}: not readable as the state of a job ({fault}). Plan again from the scan."
        ) from fault
    return JobState((), lost, tuple(replace(edit, again=True) for edit in edits))


def _anchor_nodes(plan: dict[str, Any], names: frozenset[str]) -> frozenset[int]:
    known = {str(a["id"]): int(a["node"]) for a in (*plan["anchors"], *plan["tie_in"])}
    missing = sorted(names - set(known))
    if missing:
        raise InvalidInputError(
            f"--lost {missing[0]}: the plan has no such anchor; it has {', '.join(known)}."
        )
    return frozenset(known[name] for name in names)


def hand_edits(job: JobFolder, edited: Path | None) -> tuple[Edit, ...] | None:
    """Read a list of edits, or what a changed copy of plan.json says; None without a file.

    Raises
    ------
    InvalidInputError
        If the file is neither, or an edit in it cannot be used.
    """
    if edited is None:
        return None
    if not edited.is_file():
        raise InvalidInputError(f"{edited}: there is no such file.")
    try:
        rows = json.loads(edited.read_text(encoding="utf-8"))
    except (ValueError, RecursionError, OSError) as fault:
        raise InvalidInputError(f"{edited}: not readable as JSON ({fault}).") from fault
    if isinstance(rows, list):
        return _at_nodes(job, read_edits(rows))
    copied = isinstance(rows, dict) and isinstance(rows.get("steps"), list)
    if not copied or job.plan is None:
        raise InvalidInputError(f"{edited}: neither a list of edits nor a copy of plan.json.")
    return _at_nodes(job, edits_between(job.plan, rows))


def _at_nodes(job: JobFolder, edits: tuple[Edit, ...]) -> tuple[Edit, ...]:
    """Edits whose anchors are named by node: their ids may change when weights do."""
    known = {str(a["id"]): int(a["node"]) for a in (job.plan or {}).get("anchors", ())}
    result = []
    for edit in edits:
        name = edit.anchor
        if isinstance(name, str) and name not in known and not name.startswith(BLOCK_PREFIX):
            raise InvalidInputError(
                f"the edit at node {edit.node}: the plan has no anchor {name}; it has"
                f" {', '.join(known) or 'none'}."
            )
        result.append(replace(edit, anchor=known[name]) if name in known else edit)
    return tuple(result)
