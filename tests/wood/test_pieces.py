"""Pieces: additivity, agreement of the fast and the plain way, geometry, outline."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treescan.errors import InvalidInputError
from treescan.wood.crown import edge_direction
from treescan.wood.mass import green_mass
from treescan.wood.outline import cover_with_balls
from treescan.wood.pieces import MAX_BALLS, PieceTable
from treescan.wood.solids import centre_and_inertia, node_moments
from treescan.wood.species import find_species

from .trees import chain, grown, random_tree, scaled

OAK = find_species("white oak")
SIDES = ("low", "likely", "high")


def weighed(seed, **options):
    graph = random_tree(seed)
    return graph, green_mass(graph, OAK, in_leaf=True, **options)


def divided(graph, mass, cuts):
    """Pieces of a cut set, each with the cuts beyond it taken away."""
    return [PieceTable(graph, mass).piece(int(c), [int(o) for o in cuts if o != c]) for c in cuts]


@given(st.integers(0, 20), st.integers(1, 60), st.booleans())
@settings(deadline=None, max_examples=25)
def test_pieces_sum_to_the_whole(seed, count, wet):
    graph, mass = weighed(seed, wet=wet)
    rng = np.random.default_rng(seed + count)
    cuts = np.unique(np.append(rng.integers(1, len(graph), count), 1))
    inside = [[int(o) for o in cuts if o != c and c in graph.ancestors(int(o))] for c in cuts]
    pieces = [PieceTable(graph, mass).piece(int(c), i) for c, i in zip(cuts, inside, strict=True)]
    nodes = np.sort(np.concatenate([p.nodes for p in pieces]))
    assert (nodes == np.arange(1, len(graph))).all()
    for side, whole in zip(SIDES, (mass.low_kg, mass.likely_kg, mass.high_kg), strict=True):
        total = sum(getattr(p.mass_kg, side) for p in pieces)
        assert total == pytest.approx(whole[1:].sum(), rel=1e-9)
    moment = sum(p.mass_kg.likely * (p.centre_m - graph.position_m[0]) for p in pieces)
    one = PieceTable(graph, mass).piece(1)
    assert moment == pytest.approx(
        one.mass_kg.likely * (one.centre_m - graph.position_m[0]), rel=1e-9, abs=1e-6
    )


def test_inertia_of_parts_by_steiner_is_that_of_the_whole():
    graph, mass = weighed(4)
    cuts = [1, *np.random.default_rng(1).choice(np.arange(2, len(graph)), 12, replace=False)]
    inside = [[int(o) for o in cuts if o != c and c in graph.ancestors(int(o))] for c in cuts]
    whole = PieceTable(graph, mass).piece(1)
    total = np.zeros((3, 3))
    for c, i in zip(cuts, inside, strict=True):
        piece = PieceTable(graph, mass).piece(int(c), i)
        arm = piece.centre_m - whole.centre_m
        total += piece.inertia_kg_m2
        total += piece.mass_kg.likely * (arm @ arm * np.eye(3) - np.outer(arm, arm))
    assert total == pytest.approx(whole.inertia_kg_m2, rel=1e-9, abs=1e-6)


@given(st.integers(0, 20), st.integers(0, 10_000))
@settings(deadline=None, max_examples=25)
def test_candidates_agree_with_whole_pieces(seed, draw):
    graph, mass = weighed(seed)
    rng = np.random.default_rng(draw)
    table = PieceTable(graph, mass)
    butts = rng.integers(1, len(graph), 12)
    inner = [
        [int(n) for n in rng.integers(1, len(graph), rng.integers(0, 6)) if n not in
         graph.ancestors(int(b))]
        for b in butts
    ]  # fmt: skip
    found = table.candidates(butts, inner)
    offsets = np.concatenate([[0], np.cumsum([len(i) for i in inner])])
    flat = np.array([n for i in inner for n in i], dtype=np.int64)
    again = table.candidates(butts, (offsets, flat))
    assert (again.mass_kg == found.mass_kg).all()
    for k, butt in enumerate(butts):
        piece = PieceTable(graph, mass).piece(int(butt), inner[k])
        band = [getattr(piece.mass_kg, side) for side in SIDES]
        assert found.mass_kg[k] == pytest.approx(band, rel=1e-9, abs=1e-9)
        assert found.centre_m[k] == pytest.approx(piece.centre_m, abs=1e-6)
        assert found.inertia_kg_m2[k] == pytest.approx(piece.inertia_kg_m2, rel=1e-6, abs=1e-6)
        assert found.length_m[k] == pytest.approx(piece.length_m, abs=1e-9)


def test_removed_may_be_a_mask_or_nodes_and_takes_what_grows_on_it():
    graph, mass = weighed(2)
    limb = int(np.flatnonzero(graph.starts_limb)[0])
    mask = np.zeros(len(graph), bool)
    mask[limb] = True
    by_mask = PieceTable(graph, mass).piece(1, removed=mask)
    by_node = PieceTable(graph, mass).piece(1, removed=np.array([limb]))
    by_cut = PieceTable(graph, mass).piece(1, [limb])
    assert (by_mask.nodes == by_cut.nodes).all()
    assert (by_node.nodes == by_cut.nodes).all()
    assert not set(graph.subtree(limb)) & set(by_mask.nodes)


def test_a_piece_that_is_gone_or_not_there_is_refused():
    graph, mass = weighed(2)
    with pytest.raises(InvalidInputError, match="already cut away"):
        PieceTable(graph, mass).piece(5, removed=np.array([1]))
    with pytest.raises(InvalidInputError, match="not in the tree"):
        PieceTable(graph, mass).piece(len(graph))


def test_a_log_of_a_straight_stem():
    graph = chain(np.linspace(0.30, 0.20, 21), 5.0)
    mass = green_mass(graph, OAK, in_leaf=False)
    log = PieceTable(graph, mass).piece(5, [13])  # edges 5..12, 1.00 to 3.00 m
    assert log.length_m == pytest.approx(2.0)
    assert log.butt_diameter_m == pytest.approx(0.56)
    assert log.top_diameter_m == pytest.approx(0.48)
    assert log.cut_m == pytest.approx([0, 0, 1.0])
    assert log.axis == pytest.approx([0, 0, 1])
    assert log.centre_m[:2] == pytest.approx([0, 0])
    assert 1.9 < log.centre_m[2] < 2.0
    volume = np.pi * 2 / 12 * (0.56**2 + 0.56 * 0.48 + 0.48**2)
    density = log.mass_kg.likely / volume
    assert 1000 < density < 1080  # white oak over bark 1016, sapwood wetter
    assert log.inertia_kg_m2[2, 2] == pytest.approx(0.5 * log.mass_kg.likely * 0.26**2, rel=0.02)


def test_a_limb_is_cut_outside_its_parents_wood():
    graph, mass = weighed(1)
    limb = int(np.flatnonzero(graph.starts_limb)[0])
    piece = PieceTable(graph, mass).piece(limb)
    assert piece.cut_m == pytest.approx(graph.edge_start_m[limb])
    assert piece.butt_diameter_m == pytest.approx(2 * graph.radius_m[limb])
    assert np.linalg.norm(piece.axis) == pytest.approx(1.0)
    assert piece.limb == graph.limb[limb]


def test_doubling_every_length_multiplies_wood_by_eight():
    graph, _ = weighed(6)
    steady = find_species("unknown broadleaf")  # its density does not change with diameter
    small = green_mass(graph, steady, in_leaf=False).woody_kg.sum()
    large = green_mass(scaled(graph, 2.0), steady, in_leaf=False).woody_kg.sum()
    assert large == pytest.approx(8 * small, rel=1e-12)


@pytest.mark.parametrize("shape", ["broadleaf", "conifer"])
def test_outline_covers_wood_and_leaves_with_few_balls(shape):
    graph = grown(shape, 1)
    mass = green_mass(graph, OAK, in_leaf=True)
    rng = np.random.default_rng(0)
    for butt in [1, *rng.integers(1, len(graph), 25)]:
        piece = PieceTable(graph, mass).piece(int(butt))
        assert 1 <= len(piece.outline_radius_m) <= MAX_BALLS
        nodes = piece.nodes
        axis = edge_direction(graph)[nodes]
        around = np.cross(axis, rng.normal(size=(len(nodes), 3)))  # on the rim of the edge's end
        around /= np.linalg.norm(around, axis=1)[:, None]
        wood = graph.position_m[nodes] + graph.radius_m[nodes, None] * around
        ahead = mass.crown_centre_m[nodes] - graph.position_m[nodes]
        leaves = (graph.position_m[nodes] + 2.99 * ahead)[mass.crown_kg[nodes] > 0]
        for points in (wood, graph.edge_start_m[nodes], leaves):
            gap = np.linalg.norm(points[:, None] - piece.outline_m[None], axis=2)
            assert ((gap - piece.outline_radius_m).min(axis=1) <= 1e-9).all()


def test_outline_stays_close_to_a_long_limb():
    graph = chain(np.full(201, 0.05), 20.0)
    mass = green_mass(graph, OAK, in_leaf=False)
    piece = PieceTable(graph, mass).piece(1)
    wood = piece.outline_m[:, 2] < 19.0
    assert piece.outline_radius_m[wood].max() < 0.8


def test_few_balls_are_left_as_they_are():
    centres, radii = np.arange(9.0).reshape(3, 3), np.ones(3)
    kept, same = cover_with_balls(centres, radii, 40)
    assert kept is centres
    assert same is radii


def test_a_table_belongs_to_its_mass():
    graph, bare = random_tree(0), None
    bare = green_mass(graph, OAK, in_leaf=False)
    full = green_mass(graph, OAK, in_leaf=True)
    assert (
        PieceTable(graph, full).piece(1).mass_kg.likely
        > PieceTable(graph, bare).piece(1).mass_kg.likely
    )


def test_candidates_need_one_list_of_cuts_each():
    graph, mass = weighed(0)
    with pytest.raises(InvalidInputError, match="not 2; one list each"):
        PieceTable(graph, mass).candidates([1, 2], [[3]])


def test_moments_of_the_whole_tree_by_subtree_sums():
    graph, mass = weighed(8)
    sums = node_moments(graph, mass)
    centre, inertia = centre_and_inertia(graph.subtree_sum(sums)[:1], graph.position_m[0])
    whole = PieceTable(graph, mass).piece(0)
    assert centre[0] == pytest.approx(whole.centre_m)
    assert inertia[0] == pytest.approx(whole.inertia_kg_m2, rel=1e-9, abs=1e-6)
