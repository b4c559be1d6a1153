from dataclasses import replace

import numpy as np
import pytest

from treescan.planning.order_bound import lower_bound
from treescan.planning.order_search import search
from treescan.planning.order_solver import solve_order
from treescan.planning.ordering import (
    NO_ANCHOR,
    Below,
    OrderProblem,
    Way,
    cost,
    exhaustive,
    greedy,
    is_valid,
)


def random_problem(seed: int, size: int) -> OrderProblem:
    rng = np.random.default_rng(seed)
    before = tuple((a, b) for b in range(1, size) for a in range(b) if rng.random() < 1.2 / size)
    ways = []
    for row in range(size):
        later = [r for r in range(row + 1, size) if rng.random() < 0.3][:1]
        own = [Way(float(rng.integers(5, 12)), int(rng.integers(0, 3)), tuple(later))]
        own.append(Way(float(rng.integers(8, 20)), int(rng.integers(0, 3))))
        if rng.random() < 0.4:
            own.append(Way(2.0, NO_ANCHOR))
        ways.append(tuple(own))
    wishes = tuple((int(a), int(b), 3.0) for a, b in rng.integers(0, size, (2, 2)) if a != b)
    return OrderProblem(
        tuple(ways),
        before,
        tuple(int(v) for v in rng.integers(0, 3, size)),
        tuple(float(v) for v in rng.uniform(1, 12, size)),
        wishes,
    )


@pytest.mark.parametrize("seed", range(6))
def test_small_orders_are_the_best_of_all_orders(seed):
    problem = random_problem(seed, 5)
    best = exhaustive(problem)
    found = solve_order(problem, seed=1)
    assert found.proved
    assert is_valid(problem, found.order, found.picks)
    assert found.cost_min == pytest.approx(best.cost_min, abs=0.1)
    assert found.bound_min <= best.cost_min + 0.1


def best_cost(problem: OrderProblem) -> float:
    """Least cost of all orders and ways, by dynamic programming over the sets of pieces cut.

    Exact for problems without a ground crew: what comes next depends on the set that is down,
    the anchor in use and the part of the crown, and on nothing else of the past.
    """
    n = problem.size
    earlier = [sum(1 << a for a in problem.earlier[row]) for row in range(n)]
    states = {(0, NO_ANCHOR, -1): 0.0}
    for i in range(n):
        after: dict[tuple[int, int, int], float] = {}
        for (down, anchor, place), spent in states.items():
            for row in range(n):
                if down >> row & 1 or earlier[row] & ~down:
                    continue
                missed = sum(m for a, b, m in problem.wishes if b == row and not down >> a & 1)
                step = missed - problem.height_weight_min * problem.height_m[row] * i
                step += problem.place_move_min * (place not in (-1, problem.place[row]))
                for way in problem.ways[row]:
                    if any(down >> other & 1 for other in way.stands):
                        continue
                    moved = way.anchor != NO_ANCHOR and anchor not in (NO_ANCHOR, way.anchor)
                    value = spent + step + way.cost_min + problem.anchor_move_min * moved
                    used = anchor if way.anchor == NO_ANCHOR else way.anchor
                    key = (down | 1 << row, used, problem.place[row])
                    after[key] = min(value, after.get(key, np.inf))
        states = after
    return min(states.values())


@pytest.mark.parametrize(("seed", "size"), [(0, 6), (1, 7), (2, 8), (3, 8), (4, 8)])
def test_orders_of_up_to_eight_pieces_are_proved_and_the_best_of_all(seed, size):
    problem = random_problem(seed, size)
    found = solve_order(problem, seed=1)
    assert found.proved
    assert is_valid(problem, found.order, found.picks)
    assert found.cost_min == pytest.approx(best_cost(problem), abs=0.05)


@pytest.mark.parametrize("seed", range(3))
def test_the_two_ways_of_trying_all_orders_agree(seed):
    problem = random_problem(seed, 5)
    assert best_cost(problem) == pytest.approx(exhaustive(problem).cost_min)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2))
def test_orders_of_eight_pieces_with_a_ground_crew_are_the_best_of_all_orders(seed):
    """All 40,320 orders; a piece has one way, two of them two."""
    problem = with_ground_crew(random_problem(seed, 8), seed)
    ways = tuple(ways[: 2 if row < 2 else 1] for row, ways in enumerate(problem.ways))
    problem = replace(problem, ways=ways)
    best = exhaustive(problem)
    found = solve_order(problem, seed=1)
    assert found.cost_min == pytest.approx(best.cost_min, abs=1e-6)
    assert found.bound_min <= best.cost_min + 1e-6


@pytest.mark.parametrize("seed", range(2))
def test_long_orders_keep_every_rule_and_beat_the_greedy_start(seed):
    problem = random_problem(seed, 40)
    start = greedy(problem)
    found = solve_order(problem, seed=3)
    assert sorted(found.order) == list(range(40))
    assert is_valid(problem, found.order, found.picks)
    assert found.cost_min == pytest.approx(cost(problem, found.order, found.picks))
    assert found.cost_min < start.cost_min


def test_the_same_seed_gives_the_same_order():
    problem = random_problem(4, 30)
    assert solve_order(problem, seed=7) == solve_order(problem, seed=7)


def test_wood_that_carries_an_anchor_stays_until_its_last_use():
    ways = ((Way(5.0, 0, (2,)),), (Way(5.0, 0, (2,)),), (Way(1.0),))
    problem = OrderProblem(ways, (), (0, 1, 2), (9.0, 9.0, 1.0))
    assert solve_order(problem).order[-1] == 2


def with_ground_crew(problem: OrderProblem, seed: int) -> OrderProblem:
    rng = np.random.default_rng(seed)
    n = problem.size
    ways = tuple(tuple(replace(w, aloft_min=w.cost_min) for w in ws) for ws in problem.ways)
    heavy = tuple(float(v) for v in rng.choice([1.0, 40.0], n))
    below = Below(heavy, (0.0,) * n, tuple(10.0 * h for h in heavy), 2, 900.0)
    return replace(problem, ways=ways, below=below)


@pytest.mark.parametrize("seed", range(8))
def test_the_bound_is_below_every_order(seed):
    problem = random_problem(seed, 5)
    best = exhaustive(problem)
    assert lower_bound(problem) <= best.cost_min + 1e-6
    waiting = with_ground_crew(problem, seed)
    assert lower_bound(waiting) <= exhaustive(waiting).cost_min + 1e-6


@pytest.mark.parametrize("seed", range(4))
def test_the_search_finds_the_best_of_all_orders_of_a_few_pieces(seed):
    problem = with_ground_crew(random_problem(seed, 6), seed)
    problem = replace(problem, ways=tuple(w[:2] for w in problem.ways))
    found = search(problem, greedy(problem), seed=1, trials=40_000)
    assert found.cost_min == pytest.approx(exhaustive(problem).cost_min, abs=1e-6)


def test_the_order_spares_the_ground_crew():
    """Heavy pieces right after one another make work aloft wait; the order avoids that."""
    ways = tuple((Way(10.0, aloft_min=10.0),) for _ in range(8))
    heavy = (25.0, 25.0, 25.0, 25.0, 1.0, 1.0, 1.0, 1.0)
    below = Below(heavy, (0.0,) * 8, tuple(20.0 * h for h in heavy), 2, 900.0)
    blind = OrderProblem(ways, (), (0,) * 8, (1.0,) * 8)
    seeing = replace(blind, below=below)
    one, two = solve_order(blind), solve_order(seeing)
    assert cost(seeing, two.order, two.picks) < cost(seeing, range(8), one.picks) - 5.0


def test_large_orders_come_with_a_bound_that_is_near():
    problem = random_problem(40, 40)
    found = solve_order(problem)
    assert found.bound_min <= found.cost_min
    assert np.isfinite(found.gap_min)
    easy = replace(problem, wishes=(), place=(0,) * 40, ways=tuple((Way(5.0),) for _ in range(40)))
    easy = replace(easy, before=tuple((i, i + 1) for i in range(39)))
    assert solve_order(easy).proved
