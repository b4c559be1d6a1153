"""Sway, topping, buckling, ranking for a piece, redirects."""

from dataclasses import replace

import numpy as np
import pytest

from tests.rigging.trees import (
    MODEL,
    OAK,
    anchor_at,
    flat_ground,
    graph_of,
    grown,
    log_case,
    log_piece,
    massless,
    measures,
    model_of,
    solve,
    spar_graph,
)
from treescan.errors import InvalidInputError
from treescan.mechanics.hinge import push_back_peak
from treescan.mechanics.spar import loaded_frequency_hz, tip_stiffness_n_m
from treescan.rigging.anchors import find_anchors
from treescan.rigging.proposals import propose_redirects, propose_swing_moves, rank_for_piece
from treescan.rigging.spar import one_case, peak_shares, section_forces
from treescan.rigging.sway import buckling_load_n, sway_at, topping_effect
from treescan.site.model import Site
from treescan.wood.pieces import PieceTable
from treescan.wood.types import GreenMass

BARK = np.sqrt(1 + OAK.bark_pct_of_wood_volume / 100)


def loaded_spar(height=10.0, radius=0.15, density=1000.0, step=0.05):
    graph = spar_graph(height, radius, step_m=step)
    weight = np.full(len(graph), np.pi * (radius / BARK) ** 2 * step * density)
    weight[0] = 0.0
    zero = np.zeros(len(graph))
    return model_of(graph, GreenMass(weight, zero, zero, weight, weight, weight))


@pytest.mark.published
@pytest.mark.parametrize(
    ("height", "radius", "rider"), [(10, 0.15, 80), (15, 0.15, 80), (10, 0.1, 80)]
)
def test_k4_frequency_of_a_spar_with_a_climber(height, radius, rider):
    model = loaded_spar(float(height), radius)
    node = len(model.graph) - 1
    got = sway_at(model, node, [0.0, 0.0, 0.0], rider)
    wanted = loaded_frequency_hz(OAK.moe_green_pa, 1000.0, 2 * radius / BARK, height, rider)
    assert got.frequency_hz == pytest.approx(float(wanted), rel=0.01)


@pytest.mark.published
def test_k3_topping_pushes_the_spar_back():
    # a slender cone: r = L/4, rho² = L²/10
    model = loaded_spar()
    node = len(model.graph) - 1
    length, mass = 6.0, 200.0
    turn = mass * length**2 * (1 / 10 - 1 / 16)
    piece = replace(
        log_piece(mass, length, model.graph.position_m[node]),
        butt_node=node,
        centre_m=model.graph.position_m[node] + np.array([0, 0, length / 4]),
        inertia_kg_m2=np.diag([turn, turn, 1.0]),
    )
    piece = replace(piece, butt_node=node)
    below = int(model.graph.parent[node])
    got = topping_effect(model, piece, 90.0, 48.0)
    assert got.push_back_n == pytest.approx(375.0, abs=1.0)
    assert got.push_back_n / (mass * 9.81) == pytest.approx(
        float(push_back_peak(0.625)[1]), rel=2e-3
    )
    assert got.pull_forward_n < 1.0
    stiffness = float(tip_stiffness_n_m(OAK.moe_green_pa, 0.3 / BARK, model.height_m[below]))
    assert got.sway_m == pytest.approx(2 * 375.0 / stiffness, rel=0.01)
    assert 0 < got.share < 1


def test_a_wide_face_drags_the_spar_forward():
    model = loaded_spar()
    node = len(model.graph) - 1
    piece = replace(log_piece(200.0, 4.0, model.graph.position_m[node]), butt_node=node)
    narrow, wide = topping_effect(model, piece, 0.0, 45.0), topping_effect(model, piece, 0.0, 90.0)
    assert narrow.pull_forward_n == 0.0
    assert wide.pull_forward_n == pytest.approx(1.5 * 200 * 9.81, rel=0.02)
    assert wide.share > narrow.share
    assert "whip back" in wide.notes[0]
    stump = replace(piece, butt_node=1)
    assert "no spar below" in topping_effect(model, stump, 0.0).notes[0]


@pytest.mark.published
def test_k6_buckling_of_a_thin_spar():
    graph = spar_graph(15.0, 0.125 * BARK)
    model = model_of(graph)
    got = buckling_load_n(model, len(graph) - 1)
    assert got * 9e9 / OAK.moe_green_pa == pytest.approx(18_900, rel=5e-3)
    assert buckling_load_n(model, 4) == float("inf")


def test_buckling_can_govern_a_thin_conifer_spar():
    model = model_of(spar_graph(14.0, 0.07))
    case = log_case(anchor=anchor_at((0, 0, 13.7), node=54, diameter_m=0.1), drop_m=6.0,
                    device_m=np.array([0.0, 0.0, 0.5]))  # fmt: skip
    case = replace(
        case, piece=log_piece(60.0, 1.5, (0, 0, 14.0)), tie_m=np.array([[0.0, 0.0, 14.4]])
    )
    got = solve(case, model)
    assert got.failed == ""
    assert got.utilisation["buckling of the spar"] > 1.0


def test_only_standing_wood_sways():
    with pytest.raises(InvalidInputError, match="not standing wood"):
        sway_at(MODEL, 0, [1.0, 0.0, 0.0])


def test_anchors_are_ranked_for_a_piece():
    graph, mass, model = grown()
    anchors = find_anchors(graph, measures(), OAK, mass, Site(local=True), flat_ground())
    starts = np.flatnonzero(graph.starts_limb & (graph.order == 1) & (graph.radius_m > 0.03))
    low = int(starts[np.argmin(graph.position_m[starts, 2])])
    piece = PieceTable(graph, mass).piece(low)
    case = log_case(piece=piece, tie_m=(piece.cut_m + 0.4 * piece.axis)[None], drop_m=0.0,
                    device_m=np.array([0.4, 0.0, 1.0]), run_m=1.0)  # fmt: skip
    ranked = rank_for_piece(case, anchors, model, 0.0)
    assert len(ranked) >= 2
    bad = [row.clearance_m < 0.0 or row.result.share > 1.0 for row in ranked]
    assert bad == sorted(bad), "what touches the ground or breaks a limit comes last"
    for group in (False, True):
        shares = [round(r.result.share, 1) for r, b in zip(ranked, bad, strict=True) if b is group]
        assert shares == sorted(shares)
    for row in ranked:
        assert not row.result.case.anchor.rejected
        assert 0.0 <= row.off_axis_deg <= 180.0
        used = row.result.line_needed_m
        assert row.line_left_m == pytest.approx(case.gear.line_length_m - used)
        assert "of its limit" in row.reason


def test_a_redirect_on_the_stem_is_proposed_when_the_device_stands_off():
    away = log_case(device_m=np.array([9.0, 0.0, 0.5]), run_m=1.0)
    found = propose_redirects(away, MODEL)
    assert found
    section = [v for item, v in solve(away, MODEL).utilisation.items() if "section" in item]
    assert found[0].share_after < max(section)
    best = found[0].result
    assert best.redirect_loads_n[0] > 0
    assert np.degrees(np.arccos(-best.anchor_direction[2])) < 15.0
    assert "carries" in found[0].reason


def test_no_redirect_is_proposed_where_it_brings_nothing():
    near = log_case(device_m=np.array([0.0, 0.0, 0.5]), run_m=1.0)
    assert propose_redirects(near, MODEL) == ()
    assert propose_redirects(log_case(drop_m=-1.0), MODEL) == ()


def test_the_swing_can_be_moved_to_an_anchor_nearer_the_goal():
    position = [[0, 0, 0], [0, 0, 5], [0, 0, 10], [2, 0, 11], [4, 0, 12], [-2, 0, 11]]
    graph = graph_of(
        position, [-1, 0, 1, 2, 3, 2], [0.3, 0.3, 0.3, 0.14, 0.14, 0.14], limb=[0, 0, 0, 1, 1, 2]
    )
    model = model_of(graph)
    piece = log_piece(40.0, 2.0, (0.5, 0.0, 7.0), axis=(1, 0, 0))
    case = log_case(
        piece=piece,
        anchor=anchor_at((0, 0, 10.0), node=2),
        drop_m=0.0,
        run_m=1.0,
        tie_m=np.array([[0.9, 0.0, 7.0]]),
        device_m=np.array([0.3, 0.0, 1.0]),
    )
    others = [anchor_at((4, 0, 12), node=4), anchor_at((-2, 0, 11), node=5), case.anchor]
    moves = propose_swing_moves(case, others, model, np.array([5.0, 0.0]))
    assert [move.node for move in moves] == [4]
    assert moves[0].result.redirect_loads_n[0] > 0
    assert "1.0 m from the goal instead of 5.0 m" in moves[0].reason
    assert propose_swing_moves(case, others, model, np.array([0.0, 0.0])) == ()


def test_a_union_is_not_charged_twice_for_the_weight_it_carries():
    position = [[0, 0, 0], [0, 0, 3], [0, 0, 6], [2, 0, 8], [-2, 0, 8]]
    graph = graph_of(
        position, [-1, 0, 1, 2, 2], [0.2, 0.2, 0.2, 0.19, 0.19], limb=[0, 0, 0, 0, 1], order=[0] * 5
    )
    weight = np.array([0.0, 50, 50, 300, 300])
    zero = massless(graph).low_kg
    model = model_of(graph, GreenMass(weight, zero, zero, weight, weight, weight))
    assert model.union[3] == pytest.approx(0.35)
    none = one_case([3], graph.position_m[[3]], [0, 0, 0.0])
    idle, forces = peak_shares(model, none), section_forces(model, none)
    sound = OAK.mor_green_pa * (1 - 1.645 * 0.16)
    path = [3, 2, 1]
    normal = forces.bending_n_m / model.modulus_m3 + np.abs(forces.axial_n) / model.area_m2
    tangent = np.abs(forces.torsion_n_m) / (2 * model.modulus_m3)
    tangent += 4 / 3 * forces.shear_n / model.area_m2
    grain = 0.15 * OAK.mor_green_pa * (1 - 1.645 * 0.14)
    wanted = np.hypot(normal / sound, tangent / grain)[path].max()
    assert idle.share[0] == pytest.approx(wanted, rel=1e-6)
