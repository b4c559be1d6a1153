"""Which cut must come before which: a directed graph with the reason on every edge."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import networkx as nx
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from treescan.planning.candidates import CutSet

Floats = npt.NDArray[np.float64]
Int32s = npt.NDArray[np.int32]

OUTER = "outer wood comes off before the wood it grows on"
ANCHOR = "carries the anchor until then"
TIE_IN = "carries the climber's tie-in until then"
ROOM = "makes room for the path of the later piece"
DEAD = "dead wood over the climber comes off first"


def outer_first(pieces: CutSet) -> nx.DiGraph:
    """Edges from every piece to the one it grows on; the tree's own order.

    Nodes are piece rows; each edge has ``reason`` and ``hard`` (True).
    """
    graph = nx.DiGraph()
    graph.add_nodes_from(range(len(pieces)))
    for row, holder in enumerate(pieces.holder):
        if holder >= 0:
            graph.add_edge(row, int(holder), reason=OUTER, hard=True)
    return graph


def carriers(pieces: CutSet, node: int) -> list[int]:
    """Rows of the pieces between ``node`` and the ground: cutting any of them drops it."""
    found: list[int] = []
    row = int(pieces.piece_of[node])
    while row >= 0:
        found.append(row)
        row = int(pieces.holder[row])
    return found


def add_use(graph: nx.DiGraph, pieces: CutSet, row: int, node: int, reason: str) -> bool:
    """Keep whatever carries ``node`` standing until piece ``row`` is down.

    Returns
    -------
    bool
        False, with the graph unchanged, when the piece itself or wood that must go before it
        carries the node.
    """
    holding = carriers(pieces, node)
    if not holding:
        return True
    first = holding[0]
    if first == row or nx.has_path(graph, first, row):
        return False
    if not graph.has_edge(row, first):
        graph.add_edge(row, first, reason=reason, hard=True)
    return True


def add_soft(
    graph: nx.DiGraph, edges: Iterable[tuple[int, int, str]]
) -> list[tuple[int, int, str]]:
    """Add wishes one by one; return those left out because they contradict the rest."""
    refused = []
    for before, after, reason in edges:
        if before == after or graph.has_edge(before, after):
            continue
        if nx.has_path(graph, after, before):
            refused.append((before, after, reason))
            continue
        graph.add_edge(before, after, reason=reason, hard=False)
    return refused


def violated(graph: nx.DiGraph, order: Iterable[int]) -> list[str]:
    """Say which precedence an order breaks, one sentence each."""
    place: Mapping[int, int] = {row: i for i, row in enumerate(order)}
    return [
        f"step {place[a] + 1} must come before step {place[b] + 1}: {data['reason']}"
        for a, b, data in graph.edges(data=True)
        if a in place and b in place and place[a] > place[b] and data["hard"]
    ]


def nodes_in_way(path_m: Floats, radius_m: float, position_m: Floats, nodes: Int32s) -> Int32s:
    """Nodes that a piece sweeps on its way once it has left the place it grew at.

    Parameters
    ----------
    path_m : ndarray, shape (k, 3)
        Way of the centre of mass.
    radius_m : float
        Radius around it that the piece fills.
    position_m : ndarray, shape (n, 3)
        Nodes of the tree.
    nodes : ndarray, shape (m,)
        Those that may be in the way: standing, and not of the piece itself.
    """
    none = np.zeros(0, dtype=np.int32)
    if len(nodes) == 0 or len(path_m) < 2:
        return none
    later = path_m[np.linalg.norm(path_m - path_m[0], axis=1) > radius_m]
    if len(later) == 0:
        return none
    distance, _ = cKDTree(later).query(position_m[nodes], distance_upper_bound=radius_m)
    result: Int32s = nodes[np.isfinite(distance)].astype(np.int32)
    return result


def room_wishes(pieces: CutSet, row: int, in_way: Int32s) -> list[tuple[int, int, str]]:
    """Pieces that stand in the way of the path of ``row`` and would better go first.

    Parameters
    ----------
    in_way : ndarray, shape (m,)
        Nodes in the way: see :func:`nodes_in_way`.
    """
    if len(in_way) == 0:
        return []
    rows = pieces.piece_of[in_way]
    below = set(carriers(pieces, int(pieces.cuts[row])))
    return [(int(r), row, ROOM) for r in np.unique(rows[rows >= 0]) if int(r) not in below]
