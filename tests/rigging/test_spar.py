"""The spar as a structure: against beam theory, a frame solver and worked values."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from Pynite import FEModel3D

from tests.rigging.trees import OAK, graph_of, grown, massless, model_of, spar_graph
from treescan.errors import InvalidInputError
from treescan.mechanics.spar import base_moment_n_m, tip_stiffness_n_m
from treescan.rigging.model import FIELD
from treescan.rigging.spar import (
    allowable_n,
    deflection_m,
    each_a_case,
    one_case,
    peak_shares,
    root_holds_n_m,
    section_forces,
)
from treescan.skeleton.graph import FITTED
from treescan.wood.decay import DefectMark, wood_state
from treescan.wood.types import GreenMass


def random_tree(seed, nodes=14):
    """A random tree of straight members with weight, limbs starting anywhere."""
    rng = np.random.default_rng(seed)
    position, parent, limb, radius = [[0.0, 0.0, 0.0]], [-1], [0], [0.3]
    tips = {0: 0}
    for node in range(1, nodes):
        if node > 3 and rng.random() < 0.4:
            up = int(rng.integers(1, node))
            limb.append(max(limb) + 1)
        else:
            chosen = int(rng.choice(list(tips)))
            up = tips[chosen]
            limb.append(chosen)
        step = rng.normal(size=3) * 0.5 + np.array([0, 0, 1.0])
        position.append(list(np.array(position[up]) + step))
        parent.append(up)
        radius.append(radius[up] * (0.5 if limb[-1] != limb[up] else 0.9))
        tips[limb[-1]] = node
    graph = graph_of(position, parent, radius, limb=limb)
    weight = rng.uniform(1.0, 40.0, nodes)
    weight[0] = 0.0
    zero = np.zeros(nodes)
    return graph, GreenMass(weight, zero, zero, weight, weight, weight), rng


def frame_forces(graph, mass, loads):
    """Section forces from a general frame solver, at the lower end of every edge."""
    frame = FEModel3D()
    frame.add_material("green", 9e9, 0.6e9, 0.3, 0.0)
    for node, place in enumerate(graph.position_m):
        frame.add_node(f"N{node}", *map(float, place))
    frame.def_support("N0", True, True, True, True, True, True)
    for node in range(1, len(graph)):
        area = np.pi * graph.radius_m[node] ** 2
        inertia = area * graph.radius_m[node] ** 2 / 4
        frame.add_section(f"S{node}", area, inertia, inertia, 2 * inertia)
        frame.add_member(f"M{node}", f"N{graph.parent[node]}", f"N{node}", "green", f"S{node}")
        start, end = graph.edge_start_m[node], graph.position_m[node]
        below = graph.position_m[graph.parent[node]]
        at = float(np.linalg.norm(0.5 * (start + end) - below))
        frame.add_member_pt_load(f"M{node}", "FZ", float(-mass.high_kg[node] * 9.81), at)
    for node, force in loads:
        for axis, value in zip(("FX", "FY", "FZ"), force, strict=True):
            frame.add_node_load(f"N{node}", axis, float(value))
    frame.analyze(check_statics=False)
    rows = np.zeros((len(graph), 4))
    for node in range(1, len(graph)):
        member = frame.members[f"M{node}"]
        at = float(np.linalg.norm(graph.edge_start_m[node] - graph.position_m[graph.parent[node]]))
        rows[node] = (
            np.hypot(member.moment("My", at), member.moment("Mz", at)),
            abs(member.torque(at)),
            np.hypot(member.shear("Fy", at), member.shear("Fz", at)),
            abs(member.axial(at)),
        )
    return rows


@pytest.mark.parametrize("seed", range(12))
def test_section_forces_match_a_frame_solver(seed):
    graph, mass, rng = random_tree(seed)
    nodes = rng.integers(1, len(graph), 3)
    force = rng.normal(size=(3, 3)) * 4000
    model = model_of(graph, mass)
    got = section_forces(model, one_case(nodes, graph.position_m[nodes], force))
    mine = np.stack(
        [got.bending_n_m, np.abs(got.torsion_n_m), got.shear_n, np.abs(got.axial_n)], axis=1
    )
    other = frame_forces(graph, mass, list(zip(nodes, force, strict=True)))
    scale = np.abs(other).max(axis=0)
    assert np.abs(mine[1:] - other[1:]).max(axis=0) / scale == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("seed", range(4))
def test_deflection_matches_a_frame_solver(seed):
    graph, _, rng = random_tree(seed)
    model = model_of(graph)
    node = len(graph) - 1
    force = rng.normal(size=3) * 1000
    frame = FEModel3D()
    elastic = float(model.elasticity_pa[0])
    frame.add_material("green", elastic, 1e3 * elastic, 0.3, 0.0)  # rigid in torsion
    for at, place in enumerate(graph.position_m):
        frame.add_node(f"N{at}", *map(float, place))
    frame.def_support("N0", True, True, True, True, True, True)
    for at in range(1, len(graph)):
        inertia = float(model.inertia_m4[at])
        frame.add_section(f"S{at}", 1e3, inertia, inertia, 2 * inertia)  # rigid along the axis
        frame.add_member(f"M{at}", f"N{graph.parent[at]}", f"N{at}", "green", f"S{at}")
    for axis, value in zip(("FX", "FY", "FZ"), force, strict=True):
        frame.add_node_load(f"N{node}", axis, float(value))
    frame.analyze(check_statics=False)
    top = frame.nodes[f"N{node}"]
    other = np.array([top.DX["Combo 1"], top.DY["Combo 1"], top.DZ["Combo 1"]])
    got = deflection_m(model, node, force)
    assert got == pytest.approx(other, abs=2e-3 * np.linalg.norm(other))


@pytest.mark.parametrize("seed", range(6))
def test_fast_walk_agrees_with_the_plain_sum(seed):
    graph, mass, rng = random_tree(seed, 40)
    model = model_of(graph, mass)
    count = 60
    nodes = rng.integers(1, len(graph), count)
    force = rng.normal(size=(count, 3)) * 3000
    point = graph.position_m[nodes] + rng.normal(size=(count, 3)) * 0.3
    got = peak_shares(model, each_a_case(nodes, point, force), 1.0)
    for case in range(count):
        plain = section_forces(model, one_case(nodes[case], point[case], force[case]))
        path = graph.ancestors(int(nodes[case]))[:-1]
        assert got.share[case] == pytest.approx(plain.share[path].max(), rel=1e-9)
        assert got.worst_node[case] == path[int(np.argmax(plain.share[path]))]


def test_loads_of_one_case_act_together():
    graph = spar_graph()
    model = model_of(graph)
    top, low = len(graph) - 1, 8
    pull = np.array([[800.0, 0.0, 0.0], [-800.0, 0.0, 0.0]])
    both = peak_shares(model, one_case([top, low], graph.position_m[[top, low]], pull), 1.0)
    alone = peak_shares(model, one_case([top], graph.position_m[[top]], pull[:1]), 1.0)
    assert both.share[0] < alone.share[0]
    arm = graph.position_m[top, 2] - graph.position_m[low, 2]
    assert both.base_moment_n_m[0] == pytest.approx(800.0 * arm)


def test_base_stress_of_a_cantilever_by_hand():
    graph = spar_graph(10.0, 0.15)
    model = model_of(graph)
    top = len(graph) - 1
    got = section_forces(model, one_case([top], graph.position_m[[top]], [[1000.0, 0, 0]]))
    assert got.bending_n_m[1] == pytest.approx(10_000.0)
    assert got.shear_n[1] == pytest.approx(1000.0)
    diameter = 0.30 / np.sqrt(1 + OAK.bark_pct_of_wood_volume / 100)
    stress = 32 * 10_000 / (np.pi * diameter**3)
    strength = OAK.mor_green_pa * (1 - 1.645 * 0.16) * FIELD
    normal = stress / strength
    tangent = 4 / 3 * 1000 / (np.pi * diameter**2 / 4) / model.shear_pa[1]
    assert got.share[1] == pytest.approx(np.hypot(normal, tangent), rel=1e-9)


@pytest.mark.published
def test_k1_tip_deflection():
    graph = spar_graph(10.0, 0.15, step_m=0.05)
    model = model_of(graph)
    moved = deflection_m(model, len(graph) - 1, [1000.0, 0.0, 0.0])
    diameter = 2 * 0.15 / np.sqrt(1 + OAK.bark_pct_of_wood_volume / 100)
    stiffness = float(tip_stiffness_n_m(OAK.moe_green_pa, diameter, 10.0))
    assert moved[0] == pytest.approx(1000.0 / stiffness, rel=1e-3)
    assert moved[1:] == pytest.approx([0.0, 0.0], abs=1e-12)


@pytest.mark.published
def test_q1_base_moment_of_a_leaning_spar():
    lean = np.radians(3.0)
    graph = spar_graph(12.0, 0.2, lean)
    model = model_of(graph)
    top = len(graph) - 1
    point = graph.position_m[top] + np.array([0.4, 0.0, 0.0])
    got = peak_shares(model, one_case([top], point, [0.0, 0.0, -20e3]))
    offset, slant = base_moment_n_m(20e3, 0.4, lean, 12.0)
    assert got.base_moment_n_m[0] == pytest.approx(float(offset + slant), rel=1e-9)
    assert got.base_moment_n_m[0] == pytest.approx(8000 + 12_600, rel=5e-3)


@pytest.mark.published
def test_d3_a_top_strains_the_base_like_a_butt_log_three_times_its_mass():
    # Kane, Brena and Autio 2009 (AUF 35(2):68-74): stress at breast height differs little
    graph = spar_graph(15.0, 0.18, np.radians(2.0))
    model = model_of(graph)
    heights = {"top": 13.0, "log": 5.0}
    base = {}
    for (name, height), mass in zip(heights.items(), (60.0, 180.0), strict=True):
        node = int(np.argmin(np.abs(graph.position_m[:, 2] - height)))
        resultant = 12.0 * mass * 9.81 * np.array([np.sin(0.15), 0.0, -np.cos(0.15)])
        got = section_forces(model, one_case([node], graph.position_m[[node]], [resultant]))
        base[name] = got.bending_n_m[5]
    assert 0.5 < base["top"] / base["log"] < 2.0


@pytest.mark.published
def test_x2_limb_anchor_section():
    # worked example X2: 7675 N at 0.8 m on 0.22 m inside bark: 6.14 kN m, 5.87 MPa, ratio 5.34
    radius = 0.11 * np.sqrt(1 + OAK.bark_pct_of_wood_volume / 100)
    graph = graph_of(
        [[0, 0, 0], [0, 0, 6], [0.8 + 0.3, 0, 6]], [-1, 0, 1], [0.3, 0.3, radius], limb=[0, 0, 1]
    )
    model = model_of(graph)
    got = section_forces(model, one_case([2], graph.position_m[[2]], [0.0, 0.0, -7675.0]))
    assert got.bending_n_m[2] == pytest.approx(6140, rel=1e-3)
    stress = got.bending_n_m[2] / model.modulus_m3[2]
    assert stress == pytest.approx(5.87e6, rel=2e-3)
    assert 57e6 * 0.55 / stress == pytest.approx(5.34, abs=0.01)


def test_the_root_plate_goes_with_the_thickest_stem():
    position = [[0, 0, 0], [0.2, 0, 1], [-0.2, 0, 1], [0.3, 0, 6], [-0.3, 0, 6]]
    graph = graph_of(
        position, [-1, 0, 0, 1, 2], [0.3, 0.1, 0.2, 0.1, 0.2], limb=[0, 1, 0, 1, 0], order=[0] * 5
    )
    model = model_of(graph)
    assert model.foot == 2
    got = peak_shares(model, one_case([4], graph.position_m[[4]], [500.0, 0.0, 0.0]))
    moment = 500.0 * 6.0
    assert got.base_moment_n_m[0] == pytest.approx(moment)
    factor = model.safety[2] / model.limits.anchor_share
    holds = 0.7 * model.bending_pa[2] * model.modulus_m3[2]
    assert got.root_share[0] == pytest.approx(factor * moment / holds)


@pytest.mark.published
@pytest.mark.parametrize(("stem_kg", "by_mass"), [(100.0, True), (1e5, False)])
def test_the_root_plate_holds_no_more_than_winched_trees_did(stem_kg, by_mass):
    # Byrne 2005 (UBC thesis, abstract): turning moment over stem mass 77.4 to 145.6 N m/kg
    graph = spar_graph(10.0, 0.15)
    share = graph.edge_length_m / graph.edge_length_m.sum()
    kg, zero = stem_kg * share, np.zeros(len(graph))
    heavy = GreenMass(kg, zero, zero, 0.8 * kg, kg, 1.2 * kg)
    model = model_of(graph, heavy)
    bends = 0.7 * model.bending_pa[model.foot] * model.modulus_m3[model.foot]
    assert root_holds_n_m(model) == pytest.approx(77.4 * 0.8 * stem_kg if by_mass else bends)
    half = graph.position_m[:, 2] < 5.0
    assert root_holds_n_m(model_of(graph, heavy, standing=half)) == root_holds_n_m(model)
    assert root_holds_n_m(model_of(graph)) == pytest.approx(bends)


def test_self_weight_of_what_was_taken_is_gone():
    graph, mass, model = grown()
    cut = int(np.flatnonzero(graph.starts_limb & (graph.order == 1))[0])
    standing = np.ones(len(graph), bool)
    standing[graph.subtree(cut)] = False
    after = model_of(graph, mass, standing=standing)
    gone = mass.high_kg[~standing].sum() * 9.81
    assert model.self_force_n[0, 2] - after.self_force_n[0, 2] == pytest.approx(-gone)
    with pytest.raises(InvalidInputError, match="no longer standing"):
        peak_shares(after, one_case([cut], graph.position_m[[cut]], [0, 0, -1.0]))


def test_pieces_must_be_whole():
    graph = spar_graph()
    standing = np.ones(len(graph), bool)
    standing[5] = False
    with pytest.raises(InvalidInputError, match="without its parent"):
        model_of(graph, standing=standing)
    with pytest.raises(InvalidInputError, match="one entry for each"):
        model_of(graph, standing=np.ones(3, bool))


@settings(deadline=None, max_examples=25)
@given(
    seed=st.integers(0, 1000),
    tilt=st.floats(0, 1.4),
    turn=st.floats(0, 6.2),
    safety=st.floats(1, 10),
)
def test_the_allowable_is_where_the_share_reaches_one(seed, tilt, turn, safety):
    graph, mass, rng = random_tree(seed, 25)
    model = model_of(graph, mass)
    node = np.array([int(rng.integers(1, len(graph)))])
    way = np.array([[np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), -np.cos(tilt)]])
    point = graph.position_m[node] + 0.2
    force, section = allowable_n(model, node, point, way, safety)
    got = peak_shares(model, each_a_case(node, point, force[:, None] * way), safety)
    if force[0] > 1.0:
        assert got.share[0] == pytest.approx(1.0, rel=1e-4)
        assert section[0] in graph.ancestors(int(node[0]))


def test_sections_are_inside_bark_at_the_low_side_and_hollow_where_known():
    graph = spar_graph(8.0, 0.15)
    graph.radius_sd_m[:] = 0.006
    inside = 0.30 / np.sqrt(1 + OAK.bark_pct_of_wood_volume / 100)
    sound = model_of(graph)
    assert sound.diameter_m == pytest.approx(inside * (1 - 1.645 * 0.04))
    graph.radius_sd_m[:] = 0.09
    assert model_of(graph).diameter_m == pytest.approx(0.5 * inside)
    graph.radius_sd_m[:] = 0.006
    shell = DefectMark("cavity", height_m=4.0, sound_shell_m=0.15 * inside)
    state = wood_state(graph, [shell], OAK.bark_pct_of_wood_volume / 100)
    left = model_of(graph, state=state).modulus_m3 / sound.modulus_m3
    assert left[16] == pytest.approx(1 - 0.7**4)
    assert left[1] == 1.0


def test_thinner_weaker_or_hollow_wood_allows_less():
    def allowed(graph, **changes):
        model = model_of(graph, **changes)
        top = np.array([len(graph) - 1])
        way = np.array([[0.3, 0.0, -0.95]])
        return float(allowable_n(model, top, graph.position_m[top], way)[0][0])

    whole = allowed(spar_graph(8.0, 0.15))
    assert allowed(spar_graph(8.0, 0.12)) < whole
    uncertain = spar_graph(8.0, 0.15)
    uncertain.radius_sd_m[:] = 0.02
    assert allowed(uncertain) < whole
    graph = spar_graph(8.0, 0.15)
    hollow = wood_state(graph, [DefectMark("cavity", height_m=1.0, sound_shell_m=0.03)], 0.1)
    assert allowed(graph, state=hollow) < whole
    cracked = wood_state(graph, [DefectMark("crack", height_m=1.0)], 0.1)
    assert allowed(graph, state=cracked) < whole


def test_a_codominant_fork_weakens_both_legs():
    position = [[0, 0, 0], [0, 0, 1], [0, 0, 2], [0.4, 0, 3], [-0.4, 0, 3]]
    graph = graph_of(
        position, [-1, 0, 1, 2, 2], [0.2, 0.2, 0.2, 0.18, 0.18], limb=[0, 0, 0, 0, 1], order=[0] * 5
    )
    model = model_of(graph)
    assert model.union[[3, 4]] == pytest.approx([0.35, 0.35])
    assert model.union[:3] == pytest.approx([1, 1, 1])
    assert (graph.source == FITTED).all()


def test_a_load_that_is_not_finite_is_refused():
    graph = spar_graph()
    with pytest.raises(InvalidInputError, match="not finite"):
        peak_shares(model_of(graph), one_case([3], graph.position_m[[3]], [np.nan, 0, 0]))


def test_mass_without_loads_bends_a_leaning_stem():
    graph = spar_graph(10.0, 0.15, np.radians(10.0))
    weight = np.full(len(graph), 20.0)
    weight[0] = 0.0
    zero = massless(graph).low_kg
    mass = GreenMass(weight, zero, zero, weight, weight, weight)
    model = model_of(graph, mass)
    got = section_forces(model, one_case([1], graph.position_m[[1]], [0.0, 0.0, 0.0]))
    total = weight.sum() * 9.81
    assert got.bending_n_m[1] == pytest.approx(total * 5.0 * np.sin(np.radians(10.0)), rel=1e-6)
