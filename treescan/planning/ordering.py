"""The order of the cuts and the way of each piece, chosen together.

A piece has one or more ways to come down (:class:`Way`).  Some ways hold another piece up:
its wood carries the anchor, so it must stand until then.  The cost of an order is in minutes:
the steps themselves, every move of the rigging anchor, every move of the climber to another
part of the crown, waiting aloft for a ground crew that falls behind, and penalties for wishes
not met.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import permutations, product

import numpy as np

from treescan.planning.crew_clock import WAITED, Handling, lay_out

NO_ANCHOR = -1


@dataclass(frozen=True)
class Way:
    """One way to take a piece, as the order sees it.

    ``anchor`` is a number (``NO_ANCHOR`` for a free fall); ``stands`` are pieces that must
    still stand; ``cost_min`` is minutes and penalties together, ``aloft_min`` the minutes alone.
    """

    cost_min: float
    anchor: int = NO_ANCHOR
    stands: tuple[int, ...] = ()
    aloft_min: float = 0.0


@dataclass(frozen=True)
class Below:
    """Work below for each piece (by piece), and how much may lie in the landing.

    Shapes (n,); see :class:`treescan.planning.crew_clock.Handling`.
    """

    ground_min: tuple[float, ...]
    loader_min: tuple[float, ...]
    kg: tuple[float, ...]
    pile_pieces: int = 3
    pile_kg: float = 600.0


@dataclass(frozen=True)
class OrderProblem:
    """Pieces, their ways and what must come first.

    ``before`` are hard pairs (earlier, later); ``wishes`` are (earlier, later, minutes) that
    cost when not met; ``place`` names the part of the crown each piece is cut from;
    ``height_m`` breaks ties: lower limbs first, which opens room; ``below`` is the ground
    crew's work, for which work aloft waits when it falls behind.
    """

    ways: tuple[tuple[Way, ...], ...]
    before: tuple[tuple[int, int], ...]
    place: tuple[int, ...]
    height_m: tuple[float, ...]
    wishes: tuple[tuple[int, int, float], ...] = ()
    anchor_move_min: float = 11.5
    place_move_min: float = 2.0
    height_weight_min: float = 0.02
    below: Below | None = None

    @property
    def size(self) -> int:
        """Number of pieces."""
        return len(self.ways)

    @cached_property
    def earlier(self) -> tuple[frozenset[int], ...]:
        """Direct hard predecessors of each piece."""
        rows: list[set[int]] = [set() for _ in range(self.size)]
        for a, b in self.before:
            rows[b].add(a)
        return tuple(frozenset(row) for row in rows)


@dataclass(frozen=True)
class OrderResult:
    """An order with the way of each piece (by piece, not by place in the order).

    ``bound_min`` is a cost that no order can be below; ``proved`` when this one reaches it.
    """

    order: tuple[int, ...]
    picks: tuple[int, ...]
    cost_min: float
    bound_min: float
    proved: bool
    dead_ends: tuple[int, ...] = field(default=())

    @property
    def gap_min(self) -> float:
        """How many minutes cheaper another order could be at most."""
        return max(self.cost_min - self.bound_min, 0.0)


def is_valid(problem: OrderProblem, order: Sequence[int], picks: Sequence[int]) -> bool:
    """Whether every hard pair and every piece that must stand is respected."""
    place = {row: i for i, row in enumerate(order)}
    if any(place[a] > place[b] for a, b in problem.before):
        return False
    return all(
        place[row] < place[other] for row in order for other in problem.ways[row][picks[row]].stands
    )


def cost(problem: OrderProblem, order: Sequence[int], picks: Sequence[int]) -> float:
    """Cost of an order in minutes; see the module's text."""
    total = 0.0
    anchor, place = NO_ANCHOR, -1
    moves = []
    for i, row in enumerate(order):
        way = problem.ways[row][picks[row]]
        total += way.cost_min - problem.height_weight_min * problem.height_m[row] * i
        moved = 0.0
        if way.anchor != NO_ANCHOR:
            moved += problem.anchor_move_min * (anchor not in (way.anchor, NO_ANCHOR))
            anchor = way.anchor
        moved += problem.place_move_min * (place not in (problem.place[row], -1))
        place = problem.place[row]
        moves.append(moved)
    at = {row: i for i, row in enumerate(order)}
    missed = sum(m for a, b, m in problem.wishes if at[a] > at[b])
    return total + sum(moves) + missed + waits_min(problem, order, picks, moves)


def waits_min(
    problem: OrderProblem, order: Sequence[int], picks: Sequence[int], moves: Sequence[float]
) -> float:
    """Minutes for which work aloft waits for the ground crew in this order."""
    below = problem.below
    if below is None or not order:
        return 0.0
    rows = list(order)
    ground, loader, kg = (np.array(v)[rows] for v in (below.ground_min, below.loader_min, below.kg))
    aloft = np.array([problem.ways[row][picks[row]].aloft_min for row in order])
    times = lay_out(
        aloft,
        np.array(moves),
        Handling(ground, loader, np.zeros(len(rows)), kg),
        below.pile_pieces,
        below.pile_kg,
        0.0,
    )
    return float(times[:, WAITED].sum())


def exhaustive(problem: OrderProblem) -> OrderResult | None:
    """Best order by trying all; for up to 8 pieces, to hold the other methods against."""
    best: OrderResult | None = None
    choices = list(product(*(range(len(ways)) for ways in problem.ways)))
    for order in permutations(range(problem.size)):
        at = {row: i for i, row in enumerate(order)}
        if any(at[a] > at[b] for a, b in problem.before):
            continue
        for picks in choices:
            if not is_valid(problem, order, picks):
                continue
            value = cost(problem, order, picks)
            if best is None or value < best.cost_min - 1e-9:
                best = OrderResult(order, picks, value, value, True)
    return best


def greedy(problem: OrderProblem) -> OrderResult:
    """Always take the cheapest next piece that leaves a way down for all the others."""
    done: set[int] = set()
    picks = [0] * problem.size
    order: list[int] = []
    dead: list[int] = []
    anchor, place = NO_ANCHOR, -1
    wish_of: dict[int, list[tuple[int, float]]] = {}
    for a, b, minutes in problem.wishes:
        wish_of.setdefault(b, []).append((a, minutes))
    users = _users(problem)
    while len(order) < problem.size:
        best: tuple[float, int, int] | None = None
        for row in range(problem.size):
            if row in done or not problem.earlier[row] <= done:
                continue
            base = problem.place_move_min * (place not in (problem.place[row], -1))
            base += problem.height_weight_min * problem.height_m[row] * 20
            base += sum(m for a, m in wish_of.get(row, []) if a not in done)
            base += 1e6 * _strands(problem, row, done, users)
            for k, way in enumerate(problem.ways[row]):
                value = base + way.cost_min
                value += 1e7 * any(other in done for other in way.stands)
                if way.anchor != NO_ANCHOR and anchor not in (way.anchor, NO_ANCHOR):
                    value += problem.anchor_move_min
                if best is None or value < best[0] - 1e-9:
                    best = (value, row, k)
        if best is None:
            raise ValueError("the order has a cycle: a hard pair contradicts another")
        _, row, k = best
        way = problem.ways[row][k]
        if any(other in done for other in way.stands):
            dead.append(row)
        anchor = way.anchor if way.anchor != NO_ANCHOR else anchor
        place = problem.place[row]
        picks[row] = k
        order.append(row)
        done.add(row)
    value = cost(problem, order, picks)
    return OrderResult(tuple(order), tuple(picks), value, float("-inf"), False, tuple(dead))


def _users(problem: OrderProblem) -> dict[int, set[int]]:
    """Pieces that have a way which needs the key piece standing."""
    users: dict[int, set[int]] = {}
    for row, ways in enumerate(problem.ways):
        for way in ways:
            for other in way.stands:
                users.setdefault(other, set()).add(row)
    return users


def _strands(problem: OrderProblem, row: int, done: set[int], users: dict[int, set[int]]) -> int:
    """Count pieces left without any way down once ``row`` is cut."""
    gone = done | {row}
    return sum(
        all(any(o in gone for o in way.stands) for way in problem.ways[other])
        for other in users.get(row, ())
        if other not in gone
    )
