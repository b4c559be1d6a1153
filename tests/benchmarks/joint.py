"""Cuts, order, ways and anchors together, four ways: ``python -m tests.benchmarks.joint``.

Trees of growing size with drawn costs (:mod:`tests.planning.libraries`): divided first and then
ordered; the joint local search; one CP-SAT model of it all; and every division with every order.
Prints a table, never passes or fails.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from typing import TypeVar

from tests.planning.libraries import Library, random_library, solved_together
from tests.planning.test_ordering import best_cost

A = TypeVar("A")

SIZES = ((2, 1), (2, 2), (3, 2), (4, 2), (3, 3), (5, 2), (4, 3))
MOST_LISTED = 7
"""Free cuts up to which every division is tried: eight pieces."""


def timed(work: Callable[[], A]) -> tuple[A, float]:
    """An answer and the processor time it took. [s]"""
    begun = time.process_time()
    answer = work()
    return answer, time.process_time() - begun


def best_of_all(library: Library) -> float:
    """Least cost of all divisions and orders. [min]"""
    return min(best_cost(library.problem(pieces)) for pieces in library.divisions())


def row(size: tuple[int, int], seed: int, seconds: float) -> str:
    """One tree: costs in minutes, processor times in seconds."""
    library = random_library(seed, *size)
    first, first_s = timed(library.divide_first)
    found, found_s = timed(library.jointly)
    solved, solved_s = timed(lambda: solved_together(library, seconds))
    best = "-"
    if len(library.free) <= MOST_LISTED:
        value, value_s = timed(lambda: best_of_all(library))
        best = f"{value:.1f} ({value_s:.1f})"
    told = "proved" if solved.proved else f"bound {solved.bound_min:.1f}"
    over = found.cost_min / solved.bound_min if solved.bound_min > 0 else float("inf")
    gap = max(100.0 * (over - 1.0), 0.0)
    return (
        f"| {len(library.free) + 1} | {len(library.pieces)} | {seed} | {first.cost_min:.1f}"
        f" ({first_s:.1f}) | {found.cost_min:.1f} ({found_s:.1f}) | {solved.cost_min:.1f}, {told}"
        f" ({solved_s:.1f}) | {best} | {gap:.1f} |"
    )


def main() -> None:
    """Print the table, a line as soon as it is known."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.joint")
    parser.add_argument("--seconds", type=float, default=60.0, help="for CP-SAT, of its own time")
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--sizes", type=int, default=len(SIZES), help="how many of the sizes")
    args = parser.parse_args()
    print(
        "| cuts | pieces | seed | divided first, min (s) | joint search | CP-SAT | all of them"
        " | joint over bound % |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for size in SIZES[: args.sizes]:
        for seed in range(args.seeds):
            print(row(size, seed, args.seconds), flush=True)


if __name__ == "__main__":
    main()
