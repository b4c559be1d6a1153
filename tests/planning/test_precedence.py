import networkx as nx
import numpy as np

from tests.planning.test_candidates import RULES, weights
from tests.planning.trees import flat_ground, grown_tree
from treescan.planning.candidates import first_cuts
from treescan.planning.precedence import (
    ANCHOR,
    ROOM,
    add_soft,
    add_use,
    carriers,
    nodes_in_way,
    outer_first,
    room_wishes,
    violated,
)


def pieces_of(seed=2):
    graph = grown_tree(seed, 16.0, 0.5)
    return graph, first_cuts(graph, weights(graph), flat_ground(), RULES)


def test_the_tree_alone_gives_outer_before_inner():
    _, pieces = pieces_of()
    graph = outer_first(pieces)
    assert nx.is_directed_acyclic_graph(graph)
    order = list(nx.lexicographical_topological_sort(graph))
    assert not violated(graph, order)
    assert len(violated(graph, order[::-1])) == graph.number_of_edges()


def test_wood_under_an_anchor_waits_for_its_last_use():
    _, pieces = pieces_of()
    graph = outer_first(pieces)
    leaf = next(r for r in range(len(pieces)) if not pieces.outer[r])
    other = next(
        r
        for r in range(len(pieces))
        if r != leaf and not nx.has_path(graph, r, leaf) and not nx.has_path(graph, leaf, r)
    )
    node = int(pieces.members[other][0])
    assert add_use(graph, pieces, leaf, node, ANCHOR)
    assert graph.has_edge(leaf, other)
    assert not add_use(graph, pieces, other, int(pieces.members[leaf][0]), ANCHOR)
    assert nx.is_directed_acyclic_graph(graph)


def test_a_piece_cannot_hang_from_itself():
    _, pieces = pieces_of()
    graph = outer_first(pieces)
    assert not add_use(graph, pieces, 0, int(pieces.members[0][-1]), ANCHOR)


def test_everything_between_a_node_and_the_ground_carries_it():
    graph, pieces = pieces_of()
    tip = int(np.argmax(graph.position_m[:, 2]))
    rows = carriers(pieces, tip)
    assert rows[0] == pieces.piece_of[tip]
    assert pieces.holder[rows[-1]] == -1


def test_a_wish_that_contradicts_the_tree_is_left_out():
    _, pieces = pieces_of()
    graph = outer_first(pieces)
    a, b = next((a, b) for a, b in graph.edges)
    assert add_soft(graph, [(b, a, ROOM)]) == [(b, a, ROOM)]


def test_wood_in_the_way_of_a_fall_is_named():
    graph, pieces = pieces_of()
    row = int(pieces.piece_of[int(np.argmax(graph.position_m[:, 2]))])
    start = graph.position_m[pieces.members[row]].mean(0)
    lower = next(
        r
        for r in range(len(pieces))
        if r != row and r not in carriers(pieces, pieces.cuts[row]) and len(pieces.members[r]) > 3
    )
    end = graph.position_m[pieces.members[lower][2]]
    path = start + np.linspace(0, 1, 40)[:, None] * (end - start)
    other = np.flatnonzero((pieces.piece_of >= 0) & (pieces.piece_of != row))
    in_way = nodes_in_way(path, 0.5, graph.position_m, other)
    wishes = room_wishes(pieces, row, in_way)
    assert (lower, row, ROOM) in wishes
