"""Frusta as rigid bodies against closed forms and Monte Carlo."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treescan.mensuration.volume import edge_volume_m3
from treescan.wood.mass import green_mass
from treescan.wood.solids import (
    centre_and_inertia,
    frustum_centre_share,
    frustum_inertia_per_mass,
    node_moments,
)
from treescan.wood.species import find_species

from .trees import chain, random_tree


def test_cylinder_cone_and_sharp_end():
    assert frustum_centre_share(0.2, 0.2) == pytest.approx(0.5)
    assert frustum_centre_share(0.2, 0.0) == pytest.approx(0.25)
    axial, across = frustum_inertia_per_mass(0.2, 0.2, 3.0)
    assert axial == pytest.approx(0.02)
    assert across == pytest.approx(0.04 / 4 + 9 / 12)
    axial, across = frustum_inertia_per_mass(0.2, 0.0, 3.0)
    assert axial == pytest.approx(0.3 * 0.04)
    assert across == pytest.approx(3 / 20 * 0.04 + 3 / 80 * 9)


@given(st.floats(0.02, 1.0), st.floats(0.02, 1.0), st.floats(0.05, 6.0))
@settings(deadline=None, max_examples=60)
def test_turning_a_frustum_round_changes_nothing(r0, r1, length):
    there = frustum_inertia_per_mass(r0, r1, length)
    back = frustum_inertia_per_mass(r1, r0, length)
    assert there == pytest.approx(back, rel=1e-9)
    centres = frustum_centre_share(r0, r1) + frustum_centre_share(r1, r0)
    assert centres == pytest.approx(1.0, rel=1e-12)


def test_a_tilted_chain_against_points_thrown_into_it():
    graph = chain(np.linspace(0.3, 0.1, 9), 4.0, tilt=(1.0, 0.5, 2.0))
    mass = green_mass(graph, find_species("white oak"), in_leaf=False)
    bare = type(mass)(
        mass.woody_kg, 0 * mass.crown_kg, 0 * mass.water_kg, mass.woody_kg, mass.woody_kg,
        mass.woody_kg,
    )  # fmt: skip
    centre, inertia = centre_and_inertia(
        node_moments(graph, bare).sum(axis=0)[None, :], graph.position_m[0]
    )
    rng = np.random.default_rng(0)
    edge = rng.choice(len(graph), 400_000, p=bare.woody_kg / bare.woody_kg.sum())
    r0, r1 = graph.edge_start_radius_m[edge], graph.radius_m[edge]
    # along the edge evenly by volume: r³ is linear in it; the root's edge has no length
    at = np.cbrt(r0**3 + rng.random(len(edge)) * (r1**3 - r0**3))
    x = (at - r0) / (r1 - r0)
    axis = np.array([1.0, 0.5, 2.0]) / np.linalg.norm([1.0, 0.5, 2.0])
    side = np.cross(axis, [0.0, 0.0, 1.0])
    side /= np.linalg.norm(side)
    other = np.cross(axis, side)
    radius = at * np.sqrt(rng.random(len(edge)))
    turn = 2 * np.pi * rng.random(len(edge))
    start = graph.edge_start_m[edge]
    points = start + (graph.position_m[edge] - start) * x[:, None]
    points += radius[:, None] * (np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * other)
    assert centre[0] == pytest.approx(points.mean(axis=0), abs=0.01)
    offset = points - points.mean(axis=0)
    second = offset.T @ offset / len(offset) * bare.woody_kg.sum()
    expected = np.trace(second) * np.eye(3) - second
    assert inertia[0] == pytest.approx(expected, abs=0.01 * np.abs(expected).max())


@pytest.mark.published
def test_check_20_cylinder_chain_errors_of_a_cone():
    # .60 -> .42 m, L 5: mid-diameter cylinders fall short by 1.03 / .26 / .041 / .010 %,
    # larger-end cylinders are 37.0 / 18.0 / 7.1 / 3.5 % over; the graph's frusta are exact
    exact = np.pi * 5 / 12 * (0.6**2 + 0.6 * 0.42 + 0.42**2)
    for n, mid, larger in ((1, 1.03, 37.0), (2, 0.26, 18.0), (5, 0.041, 7.1), (10, 0.010, 3.5)):
        ends = np.linspace(0.6, 0.42, n + 1)
        graph = chain(ends / 2, 5.0)
        assert edge_volume_m3(graph).sum() == pytest.approx(exact, rel=1e-12)
        middle = 0.5 * (ends[:-1] + ends[1:])
        short = 1 - (np.pi / 4 * middle**2 * 5 / n).sum() / exact
        over = (np.pi / 4 * ends[:-1] ** 2 * 5 / n).sum() / exact - 1
        assert 100 * short == pytest.approx(mid, abs=0.01)
        assert 100 * over == pytest.approx(larger, abs=0.1)


@pytest.mark.parametrize("seed", range(3))
def test_inertia_tensors_are_those_of_bodies(seed):
    graph = random_tree(seed)
    mass = green_mass(graph, find_species("white oak"), in_leaf=True)
    sums = graph.subtree_sum(node_moments(graph, mass))[1:]
    _, inertia = centre_and_inertia(sums, graph.position_m[0])
    values = np.linalg.eigvalsh(inertia)
    assert (values > 0).all()
    assert (values[:, 0] + values[:, 1] >= values[:, 2] * (1 - 1e-6)).all()
