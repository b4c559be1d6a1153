"""Whole plans worked out, and cut elsewhere where one fails on what stands by then.

Ways are judged with the rest of the tree standing and without knowing which anchors others use.
When a plan is worked out, a piece may turn out to strike the wood that carries an anchor used
later, or its anchor's spar may be too short by then.  No other way of that piece is left when that
is said; so from there on it counts as stuck, and is joined, split or cut a little elsewhere like
any other that has no way down.  The order is carried over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from treescan.planning.candidates import CutSet, Key
from treescan.planning.dividing import Division
from treescan.planning.judging import PieceWays
from treescan.planning.near_pass import StandingWood
from treescan.planning.plan_search import Ordered, divided_anew
from treescan.planning.recutting import recut
from treescan.planning.steps import WorkedPlan, work_out
from treescan.processes import shared_out

MOST_ROUNDS = 3
"""How often a plan that fails on what stands by then is cut elsewhere: bounds the time."""


def worked_out(division: Division, plans: Sequence[Ordered]) -> list[WorkedPlan]:
    """Every plan with its steps, cut elsewhere where that leaves fewer limits broken.

    Pieces that failed stay known to the division as stuck.
    """
    wood = StandingWood.of(division.judged.job)
    worked = _all_worked(division, plans, wood)
    best, now = list(worked), dict(enumerate(plans))
    for _ in range(MOST_ROUNDS):
        failed = {at: late_failures(now[at], worked[at]) for at in now}
        for ways in failed.values():
            division.judged.known.update(ways)
        anew = {at: _elsewhere(division, now[at]) for at, ways in failed.items() if ways}
        now = _divided_anew(division, now, anew)
        if not now:
            break
        for at, plan in zip(now, _all_worked(division, list(now.values()), wood), strict=True):
            worked[at] = plan
            if plan.broken < best[at].broken:
                best[at] = plan
    return best


def late_failures(plan: Ordered, worked: WorkedPlan) -> dict[Key, PieceWays]:
    """Pieces that had a way when they were judged and have none by then, with the way it broke."""
    divided = plan.divided
    return {
        divided.pieces.key(row): replace(divided.ways[row], options=(then,))
        for row, chosen, then in zip(plan.rows, plan.options, worked.options, strict=True)
        if chosen.kept and not then.kept
    }


def _elsewhere(division: Division, plan: Ordered) -> CutSet | None:
    """The division of a plan with its stuck pieces cut elsewhere, or None where nothing helps."""
    judged, before = division.judged, plan.divided.pieces
    after = recut(judged.job, before, judged.options, judged.fixed)
    return None if set(after.cuts.tolist()) == set(before.cuts.tolist()) else after


def _divided_anew(
    division: Division, plans: dict[int, Ordered], anew: dict[int, CutSet | None]
) -> dict[int, Ordered]:
    return {
        at: divided_anew(division, plans[at], pieces)
        for at, pieces in anew.items()
        if pieces is not None
    }


def _all_worked(
    division: Division, plans: Sequence[Ordered], wood: StandingWood
) -> list[WorkedPlan]:
    """Plans worked out, on both cores."""
    job = division.judged.job
    return shared_out(plans, lambda plan: work_out(job, plan, wood))
