"""How many motions, load vectors and candidate pieces a second."""

from __future__ import annotations

import os
import statistics
import time
from collections.abc import Callable

import numpy as np

from tests.motion.test_laws import lowered_batch
from tests.motion.test_screening import FLAT, OBSTACLES
from tests.motion.test_screening import options as ways_on_the_line
from tests.rigging.trees import OAK, measures
from tests.scenes.grow import truth_graph
from treescan.motion.rigid_body import simulate_lowered_batch
from treescan.motion.screening import screen_lowered
from treescan.motion.swing import lowered
from treescan.rigging.model import spar_model
from treescan.rigging.spar import each_a_case, peak_shares
from treescan.site.model import Site
from treescan.wood.mass import green_mass
from treescan.wood.pieces import PieceTable

ROUNDS = 3
MOTION_S, STEP_S, EVERY = 4.0, 0.005, 5
LARGE_TREE = {"shape": "broadleaf", "seed": 5, "dbh_m": 0.9, "height_m": 22.0}


def rates(share: float = 1.0) -> None:
    """Print every rate: the middle one of three rounds, after one that compiles.

    ``share`` makes the batches smaller.  Rates are by the wall clock; where processor seconds
    are few beside it the machine was busy with other work.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    print(
        f"{'work':<64} {'number':>8} {'seconds':>8} {'processor s':>11} "
        f"{'a second':>10}   ({cores} cores)"
    )
    _motions(share)
    graph = truth_graph(**LARGE_TREE)
    mass = green_mass(graph, OAK, in_leaf=True)
    rng = np.random.default_rng(0)
    count = max(int(10_000 * share), 10)
    model = spar_model(graph, mass, OAK, measures(), Site(local=True))
    nodes = rng.integers(1, len(graph), count)
    loads = each_a_case(nodes, graph.position_m[nodes], 5000 * rng.normal(size=(count, 3)))
    _show(
        f"load vectors on a tree of {len(graph):,} nodes", count, lambda: peak_shares(model, loads)
    )
    count = max(int(100_000 * share), 10)
    table = PieceTable(graph, mass)
    butts = rng.integers(1, len(graph), count)
    inner = (3 * np.arange(count + 1), rng.integers(1, len(graph), 3 * count))
    _show(
        "candidate pieces of that tree, 3 inner cuts each",
        count,
        lambda: table.candidates(butts, inner),
    )


def _motions(share: float) -> None:
    count = max(int(4000 * share), 6)
    steps = round(MOTION_S / STEP_S)
    batch = lowered_batch(count)
    _show(
        f"lowered pieces followed for {MOTION_S:g} s, in one batch",
        count,
        lambda: simulate_lowered_batch(batch, STEP_S, steps, EVERY),
    )
    pieces, ties, anchors = ways_on_the_line()
    times = max(int(200 * share), 1)
    many = (pieces * times, np.tile(ties, (times, 1)), np.tile(anchors, (times, 1)))
    _show(
        "the same with clearance to ground, targets and wires",
        len(many[0]),
        lambda: screen_lowered(*many, FLAT, OBSTACLES, seconds=MOTION_S),
    )
    one_by_one = list(zip(pieces, ties, anchors, strict=True)) * max(times // 20, 1)
    _show(
        "whole paths from the cut to the ground, one by one on one core",
        len(one_by_one),
        lambda: [lowered(piece, tie, anchor, FLAT) for piece, tie, anchor in one_by_one],
    )


def _show(name: str, count: int, work: Callable[[], object]) -> None:
    work()
    spent = []
    for _ in range(ROUNDS):
        start, worked = time.perf_counter(), time.process_time()
        work()
        spent.append((time.perf_counter() - start, time.process_time() - worked))
    seconds, of_processor = (statistics.median(column) for column in zip(*spent, strict=True))
    print(
        f"{name:<64} {count:>8,} {seconds:>8.3f} {of_processor:>11.3f} {count / seconds:>10,.0f}",
        flush=True,
    )
