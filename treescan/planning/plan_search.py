"""Whole plans of one job, each with the division of the tree that serves it best.

The joint search changes the division for the balanced plan.  What it judged on the way serves the
other plans: for each the cheapest division of all pieces judged is set beside the balanced plan's
and the first one, and the one whose order comes out cheapest is taken.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from treescan.planning.alternatives import (
    BALANCED,
    PREFERENCES,
    Preference,
    Rules,
    order_problem,
)
from treescan.planning.candidates import CutSet
from treescan.planning.dividing import Divided, Division, with_ways
from treescan.planning.division_space import DivisionSpace, of_cuts
from treescan.planning.job import Job
from treescan.planning.joint import (
    THOROUGH,
    Effort,
    Whole,
    carried_order,
    carried_over,
    joint_search,
)
from treescan.planning.options import Option
from treescan.planning.order_search import search
from treescan.planning.order_solver import solve_order
from treescan.planning.ordering import OrderResult, greedy
from treescan.processes import shared_out

Cuts = tuple[int, ...]

FIRST_TRIALS = 40_000
QUICK_TRIALS = 6000
"""Trials of the order of the first division, and of those by which divisions are compared."""

MOST_OTHERS = 2
"""Divisions into known pieces that are looked at for each plan."""

OTHER_EFFORT = 0.4
"""Effort for the order of every plan but the balanced one."""


@dataclass(frozen=True)
class Ordered:
    """An ordered plan before its loads are held against what still stands.

    ``options`` are in the order of the cuts; ``rows`` are the piece rows of ``divided``.
    """

    preference: Preference
    divided: Divided
    rows: tuple[int, ...]
    options: tuple[Option, ...]
    result: OrderResult
    flags: tuple[str, ...] = ()


def whole_plans(job: Job, division: Division, tell: Callable[[float], None]) -> tuple[Ordered, ...]:
    """Order the job for every preference; the balanced one first.

    The balanced plan comes a second time, last and on the first division, to be taken where the
    other fails on what stands by then.  The cuts of an earlier plan are kept as they are.
    """
    if job.inputs.keep_cuts:
        wanted = [(preference, [division.pieces]) for preference in PREFERENCES]
        near = None
    else:
        effort = Effort().times(THOROUGH if job.inputs.thorough else 1)
        near = jointly(division, job.inputs.seed, effort)
        own = [near.pieces, division.pieces]
        wanted = [(preference, own) for preference in PREFERENCES]
        wanted.append((BALANCED, [division.pieces]))
    tell(0.5)
    found = shared_out(wanted, lambda plan: _ordered(division, *plan, near))
    tell(1.0)
    return tuple(
        with_options(division, preference, *plan)
        for (preference, _), plan in zip(wanted, found, strict=True)
    )


def jointly(division: Division, seed: int, effort: Effort | None = None) -> Whole:
    """Search cuts, order and ways of the balanced plan together.

    What is judged on the way stays known to the division.
    """
    first, space = division.pieces, DivisionSpace(division)
    problem = space.problem(first)
    start = Whole(first, problem, search(problem, greedy(problem), seed=seed, trials=FIRST_TRIALS))
    found = joint_search(space, start, seed=seed, effort=effort)
    division.common.extend(space.common.values())
    return found


def serving(
    division: Division, preference: Preference, own: Sequence[CutSet], near: Whole, seed: int
) -> CutSet:
    """Of some divisions and the cheapest into known pieces the one that serves a preference best.

    Parameters
    ----------
    own : sequence of CutSet
        Divisions to compare with; the first is taken where none is better.
    near : Whole
        A plan from whose order those of the others are found.
    """
    space = DivisionSpace(division, preference)
    others = _distinct([*own, *space.starts(division.pieces)[:MOST_OTHERS]])
    plans = [carried_over(space, near, pieces, seed, trials=QUICK_TRIALS) for pieces in others]
    return min(plans, key=lambda plan: plan.cost_min).pieces


def _distinct(several: Iterable[CutSet]) -> list[CutSet]:
    """Divisions without those that were there before."""
    found: dict[Cuts, CutSet] = {}
    for pieces in several:
        found.setdefault(tuple(pieces.cuts.tolist()), pieces)
    return list(found.values())


def _ordered(
    division: Division, preference: Preference, own: Sequence[CutSet], near: Whole | None
) -> tuple[Cuts, OrderResult, tuple[str, ...]]:
    """Cuts, order and ways of one plan, and what its rules could not do."""
    job, pieces = division.judged.job, own[0]
    if near is not None and len(own) > 1:
        pieces = serving(division, preference, own, near, job.inputs.seed)
    divided = with_ways(division, pieces)
    rules = Rules.of(job, divided)
    problem = order_problem(job, divided, rules, preference)
    effort = 1.0 if preference is BALANCED and (near is None or len(own) > 1) else OTHER_EFFORT
    result = solve_order(problem, seed=job.inputs.seed, effort=effort)
    return tuple(pieces.cuts.tolist()), result, rules.flags


def divided_anew(division: Division, plan: Ordered, pieces: CutSet) -> Ordered:
    """A plan for the same wish on another division, its order near that of the plan."""
    job = division.judged.job
    divided = with_ways(division, pieces)
    rules = Rules.of(job, divided)
    problem = order_problem(job, divided, rules, plan.preference)
    start = carried_order(problem, plan.divided.pieces, plan.result, divided.pieces)
    result = solve_order(problem, seed=job.inputs.seed, effort=OTHER_EFFORT, start=start)
    cuts = tuple(pieces.cuts.tolist())
    return with_options(division, plan.preference, cuts, result, rules.flags)


def with_options(
    division: Division,
    preference: Preference,
    cuts: Cuts,
    result: OrderResult,
    flags: tuple[str, ...],
) -> Ordered:
    """An order with the ways of its pieces, in the order of the cuts."""
    divided = with_ways(division, of_cuts(division.pieces, cuts))
    options = (divided.ways[row].options[result.picks[row]] for row in result.order)
    flags = (*divided.flags, *flags)
    return Ordered(preference, divided, result.order, tuple(options), result, flags)
