from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.planning.trees import flat_ground, grown_tree
from treescan.errors import InvalidInputError
from treescan.planning.candidates import (
    CutRules,
    cut_set,
    first_cuts,
    height_above_ground_m,
    split_piece,
    stump_cuts,
)

RULES = CutRules(
    max_mass_kg=150.0, max_length_m=6.0, log_length_m=2.4, max_cut_diameter_m=0.8, reach_m=4.0
)


@dataclass
class Weights:
    high_kg: np.ndarray


def weights(graph, density=1100.0):
    area = graph.radius_m**2 + graph.edge_start_radius_m**2
    area += graph.radius_m * graph.edge_start_radius_m
    return Weights(density * np.pi / 3 * graph.edge_length_m * area)


@settings(deadline=None, max_examples=15)
@given(st.integers(0, 10_000), st.floats(6.0, 22.0), st.floats(0.15, 0.7))
def test_every_node_above_the_stump_is_in_exactly_one_piece(seed, height_m, dbh_m):
    graph = grown_tree(seed, height_m, dbh_m, limbs=8)
    pieces = first_cuts(graph, weights(graph), flat_ground(), RULES)
    above = height_above_ground_m(graph, flat_ground()) > RULES.stump_height_m
    assert (pieces.piece_of[above] >= 0).all()
    counted = np.concatenate(pieces.members)
    assert len(counted) == len(np.unique(counted)) == (pieces.piece_of >= 0).sum()


def test_pieces_keep_mass_and_log_length_where_a_climber_can_cut():
    graph = grown_tree(3, 18.0, 0.6, limbs=14)
    mass = weights(graph)
    pieces = first_cuts(graph, mass, flat_ground(), RULES)
    for nodes in pieces.members:
        if len(nodes) > 1:
            assert mass.high_kg[nodes].sum() <= RULES.max_mass_kg + 1e-9
        stem = nodes[(graph.limb[nodes] == 0) & (graph.radius_m[nodes] > 0.1)]
        if len(stem) > 1:
            assert np.ptp(graph.path_length_m[stem]) <= RULES.log_length_m + 1e-9


def test_limbs_leave_the_stem_at_their_base():
    graph = grown_tree(5, 16.0, 0.5)
    pieces = first_cuts(graph, weights(graph), flat_ground(), RULES)
    thick = graph.starts_limb & (graph.limb[np.maximum(graph.parent, 0)] == 0)
    thick &= (graph.radius_m > 0.03) & (graph.radius_m[np.maximum(graph.parent, 0)] > 0.08)
    assert thick.sum() > 3
    assert np.isin(np.flatnonzero(thick), pieces.cuts).all()


def test_a_cut_out_of_reach_is_not_offered():
    graph = grown_tree(5, 16.0, 0.5)
    near = CutRules(5.0, 6.0, 2.4, 0.8, 0.5)
    pieces = first_cuts(graph, weights(graph), flat_ground(), near)
    far = np.zeros(len(graph), bool)
    strong = np.flatnonzero(graph.radius_m >= 0.05)
    for node in pieces.cuts:
        gap = np.linalg.norm(graph.position_m[strong] - graph.edge_start_m[node], axis=1).min()
        far[node] = gap > 0.5 + 0.3
    assert not far.any()


def test_splitting_a_piece_leaves_the_others_alone():
    graph = grown_tree(3, 18.0, 0.6, limbs=14)
    mass = weights(graph)
    pieces = first_cuts(graph, mass, flat_ground(), RULES)
    row = max(
        range(len(pieces)),
        key=lambda r: len(pieces.members[r]) > 6 and mass.high_kg[pieces.members[r]].sum(),
    )
    finer = split_piece(pieces, row, mass, flat_ground(), RULES, 0.5)
    assert set(pieces.cuts.tolist()) < set(finer.cuts.tolist())
    new = sorted(set(finer.cuts.tolist()) - set(pieces.cuts.tolist()))
    assert set(new) <= set(pieces.members[row].tolist())


def test_the_stump_stays_below_its_height():
    graph = grown_tree(1)
    last = stump_cuts(graph, flat_ground(), 0.2)
    assert len(last) == 1
    assert graph.position_m[last[0], 2] > 0.2 >= graph.position_m[graph.parent[last[0]], 2]


def test_a_cut_at_the_root_is_refused():
    with pytest.raises(InvalidInputError, match="cuts lie on nodes"):
        cut_set(grown_tree(0), [0])
