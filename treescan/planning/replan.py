"""The rest of a job, planned from where the tree is now."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.planning.inputs import PlanInputs
from treescan.planning.planner import make_plan
from treescan.planning.types import Plan, Step
from treescan.skeleton.graph import TreeGraph

Bools = npt.NDArray[np.bool_]

FALLS = ("free fall", "hinge fall")


@dataclass(frozen=True)
class EarlierStep:
    """What replanning needs to know of a step of the earlier plan."""

    number: int
    node: int
    nodes: tuple[int, ...]
    method: str
    tie: str | None
    anchor: str | None


def earlier_steps(previous: Sequence[Step | Mapping[str, Any]]) -> tuple[EarlierStep, ...]:
    """Read the steps of a plan or of the ``steps`` of ``plan.json``.

    Raises
    ------
    InvalidInputError
        When a step does not name its cut and its nodes.
    """
    result = []
    for row in previous:
        if isinstance(row, Step):
            result.append(
                EarlierStep(
                    row.number,
                    int(row.piece.butt_node),
                    tuple(int(n) for n in row.piece.nodes),
                    row.method,
                    row.tie,
                    row.anchor_id,
                )
            )
            continue
        try:
            result.append(
                EarlierStep(
                    int(row["step"]),
                    int(row["node"]),
                    tuple(int(n) for n in row["piece"]["nodes"]),
                    str(row["method"]),
                    row.get("tie"),
                    row.get("anchor"),
                )
            )
        except KeyError as missing:
            raise InvalidInputError(
                f"plan.json: step {row.get('step', '?')} lacks {missing}; plan again from the scan."
            ) from missing
    return tuple(result)


def still_standing(
    graph: TreeGraph,
    steps: Sequence[EarlierStep],
    done: Iterable[int],
    gone_limbs: Iterable[int],
) -> Bools:
    """Wood that stands after the steps done and the limbs lost, shape (n,).

    Raises
    ------
    InvalidInputError
        For a step or a limb that does not exist, or a step done before wood that hung on it.
    """
    standing = np.ones(len(graph), dtype=bool)
    by_number = {step.number: step for step in steps}
    for number in sorted(done):
        if number not in by_number:
            raise InvalidInputError(
                f"--done {number}: the plan has steps 1 to {len(steps)}; name steps that were done."
            )
        standing[list(by_number[number].nodes)] = False
    limbs = set(np.unique(graph.limb).tolist())
    for limb in gone_limbs:
        if limb not in limbs:
            raise InvalidInputError(
                f"--gone {limb}: the tree has no such limb; limb numbers are in tree.json."
            )
        first = int(np.flatnonzero(graph.limb == limb)[0])
        if first == 0:
            raise InvalidInputError("--gone 0: the main stem cannot be gone; name a limb.")
        standing[graph.subtree(first)] = False
    for node in range(1, len(graph)):
        standing[node] &= standing[graph.parent[node]]
    return standing


def replan(
    inputs: PlanInputs,
    previous: Sequence[Step | Mapping[str, Any]],
    done: set[int],
    gone_limbs: set[int],
    *,
    cuts: Sequence[int] = (),
    progress: Callable[[float], None] | None = None,
) -> Plan:
    """Plan the rest of the job.

    Parameters
    ----------
    inputs : PlanInputs
        With the conditions, crew and gear as they are now; ``done`` is filled in here.
    previous : sequence of Step or of dict
        Steps of the earlier plan, or of its ``plan.json``.
    done : set of int
        Numbers of the steps that are down.
    gone_limbs : set of int
        Limbs that broke or were taken by others.
    cuts : sequence of int
        Cuts (nodes) of another whole plan that was chosen; those of ``previous`` when empty.

    Returns
    -------
    Plan
        Its first caution says what changed against the earlier plan.

    Raises
    ------
    InvalidInputError
        See :func:`still_standing`.
    """
    steps = earlier_steps(previous)
    standing = still_standing(inputs.graph, steps, done, gone_limbs)
    if inputs.done is not None:
        standing &= inputs.standing
    rest = [s for s in steps if s.number not in done]
    kept = tuple(node for node in (cuts or [s.node for s in rest]) if standing[node])
    fell = (
        frozenset(s.node for s in rest if s.method in FALLS) if not inputs.prefer else frozenset()
    )
    now = replace(inputs, done=standing, keep_cuts=kept, fell_before=fell)
    plan = make_plan(now, progress=progress)
    told = changes(rest, standing, plan)
    return replace(plan, cautions=(told, *plan.cautions), name=f"rest of the job: {plan.name}")


def changes(rest: Sequence[EarlierStep], standing: Bools, plan: Plan) -> str:
    """Say in one sentence what the new plan keeps and what it changes.

    ``standing`` (n,) marks nodes not yet taken.
    """
    before = {s.node: s for s in rest}
    after = {int(s.piece.butt_node): s for s in plan.steps}
    same = [
        n
        for n, s in after.items()
        if n in before
        and (before[n].method, before[n].tie, before[n].anchor) == (s.method, s.tie, s.anchor_id)
    ]
    other = [n for n in after if n in before and n not in same]
    gone = [n for n in before if not standing[n]]
    text = f"Of {len(after)} steps left, {len(same)} are as before"
    if other:
        numbers = ", ".join(str(before[n].number) for n in other[:8])
        text += f", {len(other)} are done another way (formerly steps {numbers})"
    new = [n for n in after if n not in before]
    if new:
        text += f", {len(new)} cuts are new"
    if gone:
        text += f"; {len(gone)} former steps are no longer needed"
    kept = [n for n in before if n in after]
    turned = [n for n in after if n in before]
    return text + ("; the order changed." if kept != turned else ".")
