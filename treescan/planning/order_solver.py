"""Orders of the cuts: searched by annealing, proved by CP-SAT where pieces are few, else bounded.

One worker, a fixed seed and limits in deterministic time or in trials: the same input gives the
same order on every machine.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from ortools.sat.python import cp_model

from treescan.planning.order_bound import lower_bound
from treescan.planning.order_search import HOTTEST_MIN, WARM_MIN, search
from treescan.planning.ordering import NO_ANCHOR, OrderProblem, OrderResult, cost, greedy

SCALE = 100
WHOLE_UP_TO = 10
TRIALS_A_PIECE = 3000
LEAST_TRIALS, MOST_TRIALS = 40_000, 400_000
PROVED_WITHIN_MIN = 0.02
"""An order this close to the bound counts as proved (rounding of the model). [min]"""


def solve_order(
    problem: OrderProblem,
    *,
    seed: int = 0,
    effort: float = 1.0,
    start: OrderResult | None = None,
) -> OrderResult:
    """Return a good order with a bound; with its proof for up to ``WHOLE_UP_TO`` pieces.

    Parameters
    ----------
    effort : float
        Scales the trials and the deterministic time spent.
    start : OrderResult, optional
        A good order to search near; it must keep every rule.

    Returns
    -------
    OrderResult
        ``bound_min`` holds for every order.  Waiting for the ground crew is in the cost of an
        order but not in the bound.
    """
    hottest_min = HOTTEST_MIN if start is None else WARM_MIN
    start = start or greedy(problem)
    if problem.size < 2 or start.dead_ends:
        return start
    trials = int(min(max(TRIALS_A_PIECE * problem.size, LEAST_TRIALS), MOST_TRIALS) * effort)
    found = search(problem, start, seed=seed, trials=trials, hottest_min=hottest_min)
    if problem.size <= WHOLE_UP_TO:
        whole = _solve_whole(problem, found, seed, 4.0 * effort)
        return _told(whole if whole.cost_min < found.cost_min else found, whole.bound_min)
    return _told(found, lower_bound(problem, seed=seed))


def _told(found: OrderResult, bound_min: float) -> OrderResult:
    proved = found.cost_min <= bound_min + PROVED_WITHIN_MIN
    return replace(found, bound_min=bound_min, proved=proved)


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
            problem.anchor_move_min,
        )
        self._changes(
            set(problem.place),
            lambda p, _k: problem.place[p],
            problem.place_move_min,
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

    def _changes(
        self, states: set[int], state_of: Callable[[int, int], int], minutes: float
    ) -> None:
        """Charge every change of a state (anchor, place) along the order."""
        names = sorted(states)
        if len(names) < 2 or minutes <= 0:
            return
        n, model = self.problem.size, self.model
        held = {(s, i): model.new_bool_var("") for s in names for i in range(n)}
        for i in range(n):
            model.add_exactly_one(held[s, i] for s in names)
        for (p, k, i), literal in self.at.items():
            state = state_of(p, k)
            if state != NO_ANCHOR:
                model.add_implication(literal, held[state, i])
        for i in range(1, n):
            moved = model.new_bool_var("")
            for s in names:
                model.add(held[s, i] - held[s, i - 1] <= moved)
            self.terms.append(round(SCALE * minutes) * moved)

    def hint(self, order: Sequence[int], picks: Sequence[int]) -> None:
        """Start from a known order."""
        chosen = {(p, picks[p], i) for i, p in enumerate(order)}
        for key, literal in self.at.items():
            self.model.add_hint(literal, key in chosen)


def _solve_whole(problem: OrderProblem, start: OrderResult, seed: int, limit: float) -> OrderResult:
    """Solve one problem as a whole; the start comes back when nothing better is found."""
    built = _Model(problem)
    built.hint(start.order, start.picks)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = seed
    solver.parameters.max_deterministic_time = limit
    status = solver.solve(built.model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return start
    n = problem.size
    order, picks = [0] * n, [0] * n
    for (p, k, i), literal in built.at.items():
        if solver.value(literal):
            order[i], picks[p] = p, k
    value = cost(problem, order, picks)
    bound = solver.best_objective_bound / SCALE
    return OrderResult(tuple(order), tuple(picks), value, bound, status == cp_model.OPTIMAL)
