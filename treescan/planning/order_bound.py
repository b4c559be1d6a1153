"""A cost that no order of a job can be below.

The cost of an order falls into parts that are bounded one by one, and the sum of the bounds is a
bound of the whole:

* ways and anchor moves: every anchor in use but one is moved to at least once, so the cheapest
  choice of ways with a charge for each anchor opened (an uncapacitated facility location problem,
  solved by CP-SAT, whose own bound is taken) is never dearer than any order's;
* moves in the crown: every part of it but one is moved to at least once;
* heights: the term is a sum over pairs of pieces of the height of the later one; a pair whose
  order follows from the rules counts as it must, any other as it likes best;
* wishes that the rules contradict are missed; waiting is at least none.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from ortools.sat.python import cp_model

from treescan.planning.ordering import NO_ANCHOR, OrderProblem

SCALE = 100
EFFORT = 2.0


def lower_bound(problem: OrderProblem, *, seed: int = 0) -> float:
    """Bound from below of the cost of every valid order. [min]"""
    if problem.size == 0:
        return 0.0
    first = _must_precede(problem)
    heights = np.array(problem.height_m)
    later = np.maximum(heights[:, None], heights[None, :])
    later = np.where(first, heights[None, :], np.where(first.T, heights[:, None], later))
    pairs = float(np.triu(later, 1).sum())
    places = problem.place_move_min * (len(set(problem.place)) - 1)
    missed = sum(m for a, b, m in problem.wishes if first[b, a])
    return _ways_min(problem, seed) + places + missed - problem.height_weight_min * pairs


def _must_precede(problem: OrderProblem) -> npt.NDArray[np.bool_]:
    """Which piece (row) comes before which (column) in every valid order, shape (n, n)."""
    n = problem.size
    first = np.zeros((n, n), dtype=bool)
    for a, b in problem.before:
        first[a, b] = True
    for row, ways in enumerate(problem.ways):
        for other in set.intersection(*(set(w.stands) for w in ways)) if ways else ():
            first[row, other] = True
    for k in range(n):
        first |= first[:, k : k + 1] & first[k : k + 1, :]
    return first


def _ways_min(problem: OrderProblem, seed: int) -> float:
    """Cheapest ways with every anchor in use but one charged a move. [min]"""
    model = cp_model.CpModel()
    anchors = sorted({w.anchor for ways in problem.ways for w in ways} - {NO_ANCHOR})
    opened = {a: model.new_bool_var("") for a in anchors}
    terms: list[cp_model.LinearExprT] = []
    for ways in problem.ways:
        taken = [model.new_bool_var("") for _ in ways]
        model.add_exactly_one(taken)
        for way, literal in zip(ways, taken, strict=True):
            terms.append(int(np.floor(SCALE * way.cost_min)) * literal)
            if way.anchor != NO_ANCHOR:
                model.add_implication(literal, opened[way.anchor])
    charge = int(np.floor(SCALE * problem.anchor_move_min))
    if anchors:
        some = model.new_bool_var("")
        for literal in opened.values():
            model.add_implication(literal, some)
        terms += [charge * literal for literal in opened.values()]
        terms.append(-charge * some)
    model.minimize(sum(terms))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = seed
    solver.parameters.max_deterministic_time = EFFORT
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return sum(min(w.cost_min for w in ways) for ways in problem.ways)
    return float(solver.best_objective_bound) / SCALE
