"""Better orders by annealing: blocks of cuts move to other places, pieces change their way.

The cost is that of :func:`treescan.planning.ordering.cost`, worked out anew for every trial by
one compiled kernel (about a microsecond for a hundred pieces).  Fixed seed, fixed number of
trials: the same input gives the same order on every machine.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.planning.crew_clock import WAITED, Handling, lay_out
from treescan.planning.ordering import NO_ANCHOR, OrderProblem, OrderResult, cost

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LONGEST_BLOCK = 8
HOTTEST_MIN, COLDEST_MIN = 6.0, 0.02
WARM_MIN = 1.5
"""How much worse an order may get at first that is carried over from a plan much like it. [min]"""

FORBIDDEN = 1e9


class _Arrays(NamedTuple):
    """A problem as arrays; ways padded to the most that a piece has."""

    way_cost: Floats
    way_aloft: Floats
    way_anchor: Ints
    ways: Ints
    stands: Ints
    before: Ints
    place: Ints
    height: Floats
    wish: Ints
    wish_min: Floats
    ground: Floats
    loader: Floats
    kg: Floats
    pile_pieces: int
    pile_kg: float
    anchor_move: float
    place_move: float
    height_weight: float


def search(
    problem: OrderProblem,
    start: OrderResult,
    *,
    seed: int = 0,
    trials: int = 200_000,
    hottest_min: float = HOTTEST_MIN,
) -> OrderResult:
    """Return the best order found from ``start``, never a worse one; its bound is not set.

    ``hottest_min`` says how much worse an order may get at first: little where the start is
    nearly right. [min]
    """
    if problem.size < 2:
        return start
    arrays = _arrays(problem)
    order = np.array(start.order, dtype=np.int64)
    picks = np.array(start.picks, dtype=np.int64)
    found, chosen = _anneal(arrays, order, picks, trials, np.random.default_rng(seed), hottest_min)
    value = cost(problem, found.tolist(), chosen.tolist())
    if value >= start.cost_min - 1e-9:
        return start
    return OrderResult(
        tuple(int(v) for v in found), tuple(int(v) for v in chosen), value, start.bound_min, False
    )


def _arrays(problem: OrderProblem) -> _Arrays:
    n, most = problem.size, max(len(w) for w in problem.ways)
    longest = max((len(w.stands) for ways in problem.ways for w in ways), default=0)
    way_cost, way_aloft = np.zeros((n, most)), np.zeros((n, most))
    way_anchor = np.full((n, most), NO_ANCHOR, dtype=np.int64)
    stands = np.full((n, most, max(longest, 1)), -1, dtype=np.int64)
    for row, ways in enumerate(problem.ways):
        for k, way in enumerate(ways):
            way_cost[row, k], way_aloft[row, k] = way.cost_min, way.aloft_min
            way_anchor[row, k] = way.anchor
            stands[row, k, : len(way.stands)] = way.stands
    below = problem.below
    none = np.zeros(0 if below is None else n)
    return _Arrays(
        way_cost,
        way_aloft,
        way_anchor,
        np.array([len(w) for w in problem.ways], dtype=np.int64),
        stands,
        _pairs(problem.before),
        np.array(problem.place, dtype=np.int64),
        np.array(problem.height_m, dtype=np.float64),
        _pairs([(a, b) for a, b, _ in problem.wishes]),
        np.array([m for _, _, m in problem.wishes], dtype=np.float64),
        none if below is None else np.array(below.ground_min),
        none if below is None else np.array(below.loader_min),
        none if below is None else np.array(below.kg),
        3 if below is None else below.pile_pieces,
        1e9 if below is None else below.pile_kg,
        problem.anchor_move_min,
        problem.place_move_min,
        problem.height_weight_min,
    )


def _pairs(rows: Sequence[tuple[int, int]]) -> Ints:
    return np.array(list(rows), dtype=np.int64).reshape(-1, 2)


@njit(cache=True)
def _value(of: _Arrays, order: Ints, picks: Ints, at: Ints, stop_above: float) -> float:
    """Cost of an order; FORBIDDEN where it breaks a rule, or soon above ``stop_above``."""
    n = len(order)
    for i in range(n):
        at[order[i]] = i
    for k in range(len(of.before)):
        if at[of.before[k, 0]] > at[of.before[k, 1]]:
            return FORBIDDEN
    total = 0.0
    anchor, place = -1, -1
    move = np.zeros(n)
    for i in range(n):
        row = order[i]
        pick = picks[row]
        for m in range(of.stands.shape[2]):
            other = of.stands[row, pick, m]
            if other >= 0 and at[other] < i:
                return FORBIDDEN
        total += of.way_cost[row, pick] - of.height_weight * of.height[row] * i
        used = of.way_anchor[row, pick]
        if used >= 0:
            if anchor >= 0 and anchor != used:
                move[i] += of.anchor_move
            anchor = used
        if place >= 0 and place != of.place[row]:
            move[i] += of.place_move
        place = of.place[row]
        total += move[i]
    for k in range(len(of.wish)):
        if at[of.wish[k, 0]] > at[of.wish[k, 1]]:
            total += of.wish_min[k]
    if len(of.kg) == 0 or total > stop_above:
        return total
    aloft = np.empty(n)
    for i in range(n):
        aloft[i] = of.way_aloft[order[i], picks[order[i]]]
    below = Handling(of.ground[order], of.loader[order], np.zeros(n), of.kg[order])
    times = lay_out(aloft, move, below, of.pile_pieces, of.pile_kg, 0.0)
    return total + times[:, WAITED].sum()


@njit(cache=True)
def _moved_block(order: Ints, first: int, size: int, to: int, out: Ints) -> None:
    """Copy of an order with a block taken out and put back ``to`` places from the front."""
    n = len(order)
    j = 0
    for i in range(n):
        if first <= i < first + size:
            continue
        if j == to:
            for k in range(size):
                out[j] = order[first + k]
                j += 1
        out[j] = order[i]
        j += 1
    if j < n:
        for k in range(size):
            out[j] = order[first + k]
            j += 1


@njit(cache=True)
def _repicked(of: _Arrays, order: Ints, picks: Ints, out: Ints, rng: np.random.Generator) -> None:
    """Other ways: of one piece, or of a run of pieces that can share one anchor."""
    n = len(order)
    out[:] = picks
    row = order[int((n) * rng.random())]
    pick = int((of.ways[row]) * rng.random())
    out[row] = pick
    anchor = of.way_anchor[row, pick]
    if anchor < 0 or rng.random() < 0.4:
        return
    first = int((n) * rng.random())
    for i in range(first, min(first + 1 + int((n) * rng.random()), n)):
        other = order[i]
        if of.way_anchor[other, out[other]] < 0:
            continue
        for k in range(of.ways[other]):
            if of.way_anchor[other, k] == anchor:
                out[other] = k
                break


@njit(cache=True)
def _anneal(
    of: _Arrays,
    order: Ints,
    picks: Ints,
    trials: int,
    rng: np.random.Generator,
    hottest_min: float,
) -> tuple[Ints, Ints]:
    """Best order and ways of a run of trials with falling willingness to get worse."""
    n = len(order)
    order, picks = order.copy(), picks.copy()
    at = np.zeros(n, dtype=np.int64)
    now = _value(of, order, picks, at, 1e18)
    best, best_order, best_picks = now, order.copy(), picks.copy()
    new_order, new_picks = order.copy(), picks.copy()
    cooling = np.log(COLDEST_MIN / hottest_min)
    for trial in range(trials):
        heat = hottest_min * np.exp(cooling * trial / trials)
        new_order[:] = order
        new_picks[:] = picks
        if rng.random() < 0.25:
            _repicked(of, order, picks, new_picks, rng)
        else:
            size = 1 if rng.random() < 0.5 else 1 + int((LONGEST_BLOCK) * rng.random())
            size = min(size, n - 1)
            first = int((n - size + 1) * rng.random())
            if rng.random() < 0.7:
                to = first + int(13 * rng.random()) - 6
            else:
                to = int((n - size + 1) * rng.random())
            to = min(max(to, 0), n - size)
            if to == first:
                continue
            _moved_block(order, first, size, to, new_order)
        allowed = now - heat * np.log(1.0 - rng.random())
        value = _value(of, new_order, new_picks, at, allowed)
        if value <= allowed:
            now = value
            order[:] = new_order
            picks[:] = new_picks
            if now < best - 1e-9:
                best = now
                best_order[:] = order
                best_picks[:] = picks
    return best_order, best_picks
