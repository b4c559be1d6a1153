"""Orders by constraint programming (OR-Tools CP-SAT): whole for few pieces, in windows for many.

One worker, a fixed seed and a limit in deterministic time: the same input gives the same order
on every machine.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ortools.sat.python import cp_model

from treescan.planning.ordering import (
    NO_ANCHOR,
    OrderProblem,
    OrderResult,
    Way,
    cost,
    greedy,
    is_valid,
)

SCALE = 100
WHOLE_UP_TO = 10
WINDOW = 10
NOT_WORTH_MIN = 0.5
"""A window that cannot become this much cheaper is left as it is. [min]"""


def solve_order(problem: OrderProblem, *, seed: int = 0, effort: float = 1.0) -> OrderResult:
    """Return a good order; the best one, with its proof, for up to ``WHOLE_UP_TO`` pieces.

    Parameters
    ----------
    effort : float
        Scales the deterministic time spent.

    Returns
    -------
    OrderResult
        ``bound_min`` is the proved lower bound for a whole solve, -inf after windows.
    """
    start = greedy(problem)
    if problem.size < 2 or start.dead_ends:
        return start
    if problem.size <= WHOLE_UP_TO:
        return _solve_whole(problem, start, seed, 4.0 * effort)
    order, picks = list(start.order), list(start.picks)
    best = start.cost_min
    for _ in range(2 if effort >= 1.0 else 1):
        before = best
        for first in range(0, max(problem.size - WINDOW // 2, 1), WINDOW // 2):
            _improve(problem, order, picks, first, (seed, 0.06 * effort))
        best = cost(problem, order, picks)
        if best > before - 0.5:
            break
    return OrderResult(tuple(order), tuple(picks), best, float("-inf"), False)


def _improve(
    problem: OrderProblem, order: list[int], picks: list[int], first: int, run: tuple[int, float]
) -> None:
    """Re-solve one window of the order in place, when that makes the whole cheaper."""
    part = order[first : first + WINDOW]
    if len(part) < 2:
        return
    small = _window(problem, order, picks, first)
    now = _window_picks(problem, small, part, picks)
    if cost(small, range(len(part)), now) - _least_cost(small) < NOT_WORTH_MIN:
        return
    found = _solve_whole(
        small,
        None,
        run[0],
        run[1],
        (tuple(range(len(part))), now),
    )
    if not found.order:
        return
    new_order, new_picks = order.copy(), picks.copy()
    for i, local in enumerate(found.order):
        row = part[local]
        new_order[first + i] = row
        new_picks[row] = _same_way(problem, row, small.ways[local][found.picks[local]])
    cheaper = cost(problem, new_order, new_picks) < cost(problem, order, picks) - 1e-6
    if cheaper and is_valid(problem, new_order, new_picks):
        order[:] = new_order
        picks[:] = new_picks


def _least_cost(problem: OrderProblem) -> float:
    """Lower bound of any order: cheapest ways, no moves, no missed wish, heights as they like."""
    ways = sum(min(way.cost_min for way in ways) for ways in problem.ways)
    rise = sum(i * h for i, h in enumerate(sorted(problem.height_m)))
    return ways - problem.height_weight_min * rise


def _same_way(problem: OrderProblem, row: int, way: Way) -> int:
    """Index of a window's way among the piece's own ways."""
    for k, own in enumerate(problem.ways[row]):
        if own.cost_min == way.cost_min and own.anchor == way.anchor:
            return k
    return 0


def _window_picks(
    problem: OrderProblem, small: OrderProblem, part: Sequence[int], picks: Sequence[int]
) -> tuple[int, ...]:
    """Express the present picks in the window's own numbering."""
    result = []
    for local, row in enumerate(part):
        own = problem.ways[row][picks[row]]
        result.append(
            next(
                k
                for k, way in enumerate(small.ways[local])
                if way.cost_min == own.cost_min and way.anchor == own.anchor
            )
        )
    return tuple(result)


def _window(
    problem: OrderProblem, order: Sequence[int], picks: Sequence[int], first: int
) -> OrderProblem:
    """Return the sub-problem of a window, with what comes before and after it fixed."""
    part = order[first : first + WINDOW]
    local = {row: i for i, row in enumerate(part)}
    gone = set(order[:first])
    anchor, place = problem.first_anchor, problem.first_place
    for row in order[:first]:
        used = problem.ways[row][picks[row]].anchor
        anchor = used if used != NO_ANCHOR else anchor
        place = problem.place[row]
    next_anchor, next_place = problem.last_anchor, problem.last_place
    for row in reversed(order[first + WINDOW :]):
        used = problem.ways[row][picks[row]].anchor
        next_anchor = used if used != NO_ANCHOR else next_anchor
        next_place = problem.place[row]
    ways = tuple(
        tuple(
            replace(way, stands=tuple(local[o] for o in way.stands if o in local))
            for way in problem.ways[row]
            if not any(o in gone for o in way.stands)
        )
        for row in part
    )
    return replace(
        problem,
        ways=ways,
        before=tuple((local[a], local[b]) for a, b in problem.before if a in local and b in local),
        place=tuple(problem.place[row] for row in part),
        height_m=tuple(problem.height_m[row] for row in part),
        wishes=tuple(
            (local[a], local[b], m) for a, b, m in problem.wishes if a in local and b in local
        ),
        first_anchor=anchor,
        first_place=place,
        last_anchor=next_anchor,
        last_place=next_place,
    )


class _Model:
    """The constraint model: one Boolean per piece, way and place in the order."""

    def __init__(self, problem: OrderProblem):
        self.problem = problem
        self.model = cp_model.CpModel()
        n = problem.size
        self.at = {
            (p, k, i): self.model.new_bool_var("")
            for p in range(n)
            for k in range(len(problem.ways[p]))
            for i in range(n)
        }
        self.terms: list[cp_model.LinearExprT] = []
        self._assign()
        self._precede()
        self._changes(
            {w.anchor for ws in problem.ways for w in ws} - {NO_ANCHOR},
            lambda p, k: problem.ways[p][k].anchor,
            (problem.first_anchor, problem.last_anchor, problem.anchor_move_min),
        )
        self._changes(
            set(problem.place),
            lambda p, _k: problem.place[p],
            (problem.first_place, problem.last_place, problem.place_move_min),
        )
        self.model.minimize(sum(self.terms))

    def _assign(self) -> None:
        n, ways = self.problem.size, self.problem.ways
        for p in range(n):
            self.model.add_exactly_one(
                self.at[p, k, i] for k in range(len(ways[p])) for i in range(n)
            )
        for i in range(n):
            self.model.add_exactly_one(
                self.at[p, k, i] for p in range(n) for k in range(len(ways[p]))
            )
        self.place = [
            sum(i * self.at[p, k, i] for k in range(len(ways[p])) for i in range(n))
            for p in range(n)
        ]
        for (p, k, i), literal in self.at.items():
            weight = ways[p][k].cost_min - (
                self.problem.height_weight_min * self.problem.height_m[p] * i
            )
            self.terms.append(round(SCALE * weight) * literal)

    def _precede(self) -> None:
        problem, n = self.problem, self.problem.size
        for a, b in problem.before:
            self.model.add(self.place[a] + 1 <= self.place[b])
        for p in range(n):
            for k, way in enumerate(problem.ways[p]):
                if not way.stands:
                    continue
                used = self.model.new_bool_var("")
                self.model.add(sum(self.at[p, k, i] for i in range(n)) == used)
                for other in way.stands:
                    self.model.add(self.place[p] + 1 <= self.place[other]).only_enforce_if(used)
        for a, b, minutes in problem.wishes:
            missed = self.model.new_bool_var("")
            self.model.add(self.place[a] + 1 <= self.place[b]).only_enforce_if(~missed)
            self.terms.append(round(SCALE * minutes) * missed)

    def _changes(self, states, state_of, edges) -> None:  # type: ignore[no-untyped-def]  # noqa: ANN001
        """Charge every change of a state (anchor, place) along the order."""
        first, last, minutes = edges
        names = sorted(states | ({first, last} - {-1}))
        if len(names) < 2 or minutes <= 0:
            return
        n, model = self.problem.size, self.model
        held = {(s, i): model.new_bool_var("") for s in names for i in range(-1, n + 1)}
        for i in range(-1, n + 1):
            model.add_exactly_one(held[s, i] for s in names)
        if first != -1:
            model.add(held[first, -1] == 1)
        if last != -1:
            model.add(held[last, n] == 1)
        for (p, k, i), literal in self.at.items():
            state = state_of(p, k)
            if state != -1:
                model.add_implication(literal, held[state, i])
        for i in range(n + 1):
            moved = model.new_bool_var("")
            for s in names:
                model.add(held[s, i] - held[s, i - 1] <= moved)
            self.terms.append(round(SCALE * minutes) * moved)

    def hint(self, order: Sequence[int], picks: Sequence[int]) -> None:
        """Start from a known order."""
        chosen = {(p, picks[p], i) for i, p in enumerate(order)}
        for key, literal in self.at.items():
            self.model.add_hint(literal, key in chosen)


def _solve_whole(
    problem: OrderProblem,
    start: OrderResult | None,
    seed: int,
    limit: float,
    hint: tuple[Sequence[int], Sequence[int]] | None = None,
) -> OrderResult:
    """Solve one problem as a whole; the start comes back when nothing better is found."""
    built = _Model(problem)
    if start is not None:
        hint = (start.order, start.picks)
    if hint is not None:
        built.hint(*hint)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = seed
    solver.parameters.max_deterministic_time = limit
    status = solver.solve(built.model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return start if start is not None else OrderResult((), (), 0.0, float("-inf"), False)
    n = problem.size
    order, picks = [0] * n, [0] * n
    for (p, k, i), literal in built.at.items():
        if solver.value(literal):
            order[i], picks[p] = p, k
    value = cost(problem, order, picks)
    if start is not None and start.cost_min < value:
        order, picks, value = list(start.order), list(start.picks), start.cost_min
    bound = solver.best_objective_bound / SCALE
    return OrderResult(tuple(order), tuple(picks), value, bound, status == cp_model.OPTIMAL)
