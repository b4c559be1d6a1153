"""Where one crown ends and the next begins when they touch.

The shortest way along the wood leads from a limb of one tree into a neighbour's limb that it
touches, and from there back toward the neighbour's stem.  Wood does not grow that way: limbs
leave the wood they grow on at less than a right angle.  So near every border both trees are
grown into each other, and each cell goes to the tree whose ways to it turn back less, with a
border that severs few links.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import (
    breadth_first_order,
    connected_components,
    dijkstra,
    maximum_flow,
)

from treescan.pointcloud.cloud import Floats, Ints
from treescan.pointcloud.growth import CellGraph, grow, reached_through, road_cost

Bools = npt.NDArray[np.bool_]

AXIS_M = 0.3
"""Length over which the direction of a way is taken. [m]"""
AHEAD_M = (0.1, 1.0)
"""How far behind a cell its way is held against the direction to it. [m]"""
FEWEST_TURNS = 3
"""Places of a way that must be judged."""
STAY = 0.05
"""What a change of tree must gain at least, in cosines."""
LINK = 2.0
"""What a severed link of neighbouring cells costs, in cosines of one cell."""
UNIT = 100
"""Flows are whole numbers: so many to one."""
HELD = 10_000.0
CROSSED_M = 1.0
"""Longest stretch of its way on which a limb may be hidden in what crosses it. [m]"""
MOST_ROUNDS = 4


@dataclass(frozen=True)
class Forest:
    """Ways along the wood from the sources of growth.

    Attributes
    ----------
    cost_m : ndarray, shape (m,)
    before : ndarray, shape (m,), int64
        The cell before each on its way; negative for sources and cells that nothing reaches.
    """

    cost_m: Floats
    before: Ints


def settled(
    graph: CellGraph,
    edge_cost_m: Floats,
    forest: Forest,
    mine: Bools,
    other: Bools,
    deep_m: float,
) -> Ints:
    """Who takes each cell: a cell of the side that it goes to, itself where nothing changes.

    Parameters
    ----------
    graph : CellGraph
    edge_cost_m : ndarray, shape (e,)
        Cost of each edge where there are no roads. [m]
    forest : Forest
        Grown without crossing from one side to the other.
    mine, other : ndarray, shape (m,), bool
        The two sides; cells of neither are left alone.
    deep_m : float
        Way along the wood from the border within which cells are judged anew, with all that
        hangs on them. [m]

    Returns
    -------
    ndarray, shape (m,), int64
    """
    size = len(mine)
    taker = np.arange(size)
    one, two = graph.edges[:, 0], graph.edges[:, 1]
    either = mine | other
    ends = np.unique(graph.edges[either[one] & either[two] & (mine[one] != mine[two])])
    if not len(ends):
        return taker
    near, _, _ = grow(graph.matrix(edge_cost_m, either), ends, limit=deep_m)
    judged = either & np.isfinite(near)
    _downward(np.argsort(forest.cost_m), forest.before, judged)
    judged &= either
    xyz = graph.centre_m.astype(np.float64)
    lead = _forwardness(forest.before, xyz, np.flatnonzero(judged), size)
    gain = np.zeros(size)
    invader = np.full(size, -1, dtype=np.int64)
    ways_of = []
    for own, into in ((mine, other), (other, mine)):
        seeds = ends[own[ends]]
        rows, before = _invasion(graph, edge_cost_m, forest, seeds, into & judged)
        ways = forest.before.copy()
        ways[rows] = before
        lead_there = _forwardness(ways, xyz, rows, size)
        known = rows[(lead[1][rows] >= FEWEST_TURNS) & (lead_there[1][rows] >= FEWEST_TURNS)]
        gain[known] = lead_there[0][known] - lead[0][known]
        invader[rows] = _origin(ways, own, rows)
        ways_of.append(ways)
    rooted = (forest.before < 0) & np.isfinite(forest.cost_m)
    able = judged & (invader >= 0)
    moved = able & (_cut(graph, mine, other, judged, gain, rooted) != mine)
    for _ in range(MOST_ROUNDS):
        adrift = able & _adrift(graph, mine ^ moved, mine | other, rooted, ways_of)
        if not adrift.any():
            break
        moved ^= adrift
    taker[moved] = invader[moved]
    return taker


def _adrift(
    graph: CellGraph, side: Bools, either: Bools, rooted: Bools, ways_of: list[Ints]
) -> Bools:
    """Cells that hang on no stem of their side.

    The cut weighs cells and links, not ways: it can leave the outer part of a limb with one
    tree and give its base to the other.  Where limbs cross, one of them is interrupted by no
    more than the other.

    Parameters
    ----------
    side : ndarray, shape (m,), bool
        True for cells of the tree, of those of ``either`` side.
    rooted : ndarray, shape (m,), bool
        Where growth began.
    ways_of : list of two ndarrays, shape (m,), int64
        The cell before each on its way from the tree and from the other side.
    """
    one, two = graph.edges[either[graph.edges].all(axis=1)].T
    held = side[one] == side[two]
    links = coo_matrix((np.ones(held.sum(), np.int8), (one[held], two[held])), 2 * side.shape)
    count, label = connected_components(links, directed=False)
    hung = np.zeros(count, dtype=bool)
    hung[label[rooted]] = True
    loose = np.flatnonzero(either & ~hung[label])
    xyz = graph.centre_m.astype(np.float64)
    apart = np.full(count, np.inf)
    for own, ways in zip((True, False), ways_of, strict=True):
        rows = loose[side[loose] == own]
        np.minimum.at(apart, label[rows], _interrupted(ways, side == own, xyz, rows))
    result: Bools = either & ~hung[label] & (apart[label] > CROSSED_M)
    return result


def _invasion(
    graph: CellGraph, cost: Floats, forest: Forest, seeds: Ints, into: Bools
) -> tuple[Ints, Ints]:
    """Cells of ``into`` that growth from the seeds reaches, and the cell before each."""
    size = len(into)
    rows = np.concatenate((np.flatnonzero(into), seeds))
    number = np.full(size, -1, dtype=np.int64)
    number[rows] = np.arange(len(rows))
    one, two = graph.edges[:, 0], graph.edges[:, 1]
    links = (number[one] >= 0) & (number[two] >= 0) & (into[one] | into[two])
    ends, length = number[graph.edges[links]], cost[links]
    start = len(rows)  # a place before all seeds, as far from each as it is from its stem
    ends = np.vstack((ends, np.column_stack((np.full(len(seeds), start), number[seeds]))))
    from_stem = forest.cost_m[seeds] + 1e-9
    traffic = np.ones(start + 1)
    for roads in (False, True):
        hop = road_cost(ends[: len(length)], length, traffic) if roads else length
        half = coo_matrix(
            (np.concatenate((hop, from_stem)), (ends[:, 0], ends[:, 1])),
            shape=(start + 1, start + 1),
        )
        reached, before = dijkstra(
            (half + half.T).tocsr(), directed=False, indices=start, return_predecessors=True
        )
        order = np.argsort(reached)
        traffic = reached_through(order[np.isfinite(reached[order])], before.astype(np.int64))
    fresh = np.flatnonzero(np.isfinite(reached[:start]) & into[rows])
    return rows[fresh], rows[before[fresh]]


def _forwardness(before: Ints, xyz: Floats, rows: Ints, size: int) -> tuple[Floats, Ints]:
    """Mean cosine between a cell's way and the direction to it, and of how many places."""
    axis = _axes(before, xyz, AXIS_M)
    mean, count = np.zeros(size), np.zeros(size, dtype=np.int64)
    _lead(rows, before, axis, xyz, AHEAD_M, mean, count)
    return mean, count


def _cut(
    graph: CellGraph, mine: Bools, other: Bools, judged: Bools, gain: Floats, rooted: Bools
) -> Bools:
    """The side of the tree after the cheapest cut (max flow, min cut: Ford and Fulkerson 1956).

    Each judged cell pulls toward the side its ways speak for; each severed link costs.  Where
    growth began stays as it is.
    """
    rows = np.flatnonzero(judged)
    number = np.full(len(mine), -1, dtype=np.int64)
    number[rows] = np.arange(len(rows))
    one, two = number[graph.edges[:, 0]], number[graph.edges[:, 1]]
    both = (one >= 0) & (two >= 0)
    link = LINK * UNIT * np.minimum(1.0, 1.5 * graph.cell_m / graph.length_m[both])
    own = np.where(gain[rows] != 0.0, STAY - gain[rows], 0.0)  # the same way says nothing
    pull = UNIT * np.where(mine[rows], own, -own)
    across = (one >= 0) != (two >= 0)
    free = np.where(one[across] >= 0, one[across], two[across])
    fixed = np.where(one[across] >= 0, graph.edges[across, 1], graph.edges[across, 0])
    hold = HELD * (mine[fixed].astype(np.float64) - other[fixed])  # walls hold nothing
    pull = np.rint(pull + np.bincount(free, weights=hold, minlength=len(rows)))
    pull += HELD * rooted[rows] * np.where(mine[rows], 1.0, -1.0)
    pull = np.clip(pull, -1e6, 1e6).astype(np.int32)
    source, sink = len(rows), len(rows) + 1
    for_me, against = np.flatnonzero(pull > 0), np.flatnonzero(pull < 0)
    first = (one[both], two[both], np.full(len(for_me), source), against)
    second = (two[both], one[both], for_me, np.full(len(against), sink))
    whole = np.maximum(np.rint(link), 1).astype(np.int32)
    room = np.concatenate((whole, whole, pull[for_me], -pull[against]))
    shape = (len(rows) + 2, len(rows) + 2)
    capacity = coo_matrix((room, (np.concatenate(first), np.concatenate(second))), shape).tocsr()
    left = capacity - maximum_flow(capacity, source, sink).flow
    left.data[left.data < 0] = 0
    left.eliminate_zeros()
    reached = breadth_first_order(left, source, return_predecessors=False)
    result = mine.copy()
    result[rows] = False
    result[rows[reached[reached < len(rows)]]] = True
    return result


@njit(cache=True)
def _downward(order: Any, before: Any, chosen: Any) -> None:
    """Choose all cells whose way leads through a chosen one."""
    for k in range(order.size):
        node = order[k]
        if before[node] >= 0 and chosen[before[node]]:
            chosen[node] = True


def first_on_way(before: Ints) -> Ints:
    """The cell at which the way to each cell begins, shape (m,).

    ``before`` (m,) is the cell before each on its way, negative where the way begins.
    """
    first: Ints = _origin(before, before < 0, np.arange(len(before)))
    return first


@njit(cache=True)
def _origin(before: Any, own: Any, rows: Any) -> Any:
    """The first cell of the own side on the way back from each row."""
    result = np.empty(rows.size, dtype=np.int64)
    for k in range(rows.size):
        node = rows[k]
        while node >= 0 and not own[node]:
            node = before[node]
        result[k] = node
    return result


@njit(cache=True)
def _interrupted(before: Any, own: Any, xyz: Any, rows: Any) -> Any:
    """Longest stretch outside the own side on the way back from each row; ways may be rings. [m]"""
    longest = np.zeros(rows.size)
    passed = np.full(before.size, -1)
    for k in range(rows.size):
        node, run = rows[k], 0.0
        while before[node] >= 0:
            if passed[node] == k:
                longest[k] = np.inf
                break
            passed[node] = k
            back = before[node]
            if own[node] and own[back]:
                run = 0.0
            else:
                run += _apart(xyz, node, back)
                longest[k] = max(longest[k], run)
            node = back
    return longest


@njit(inline="always")
def _apart(xyz: Any, one: Any, two: Any) -> Any:
    return np.sqrt(
        (xyz[one, 0] - xyz[two, 0]) ** 2
        + (xyz[one, 1] - xyz[two, 1]) ** 2
        + (xyz[one, 2] - xyz[two, 2]) ** 2
    )


@njit(cache=True)
def _axes(before: Any, xyz: Any, length_m: Any) -> Any:
    """Unit direction of the last stretch of the way to each cell; zero where it is too short."""
    axis = np.zeros(xyz.shape)
    for node in range(before.size):
        back, way = node, 0.0
        while before[back] >= 0 and way < length_m:
            way += _apart(xyz, back, before[back])
            back = before[back]
        straight = _apart(xyz, node, back)
        if way >= 0.5 * length_m and straight > 0.0:
            for d in range(3):
                axis[node, d] = (xyz[node, d] - xyz[back, d]) / straight
    return axis


@njit(cache=True)
def _lead(rows: Any, before: Any, axis: Any, xyz: Any, ahead_m: Any, mean: Any, count: Any) -> None:
    for k in range(rows.size):
        cell = rows[k]
        node, way, total, places = cell, 0.0, 0.0, 0
        while before[node] >= 0:
            way += _apart(xyz, node, before[node])
            node = before[node]
            if way > ahead_m[1]:
                break
            straight = _apart(xyz, cell, node)
            known = axis[node, 0] != 0.0 or axis[node, 1] != 0.0 or axis[node, 2] != 0.0
            if way > ahead_m[0] and straight > 0.0 and known:
                for d in range(3):
                    total += axis[node, d] * (xyz[cell, d] - xyz[node, d]) / straight
                places += 1
        if places:
            mean[cell] = total / places
        count[cell] = places
