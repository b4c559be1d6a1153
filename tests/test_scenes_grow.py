"""The grown trees are what their truth says, by integration independent of the generator."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
import trimesh

from tests.scenes.grow import SHAPES, Tree
from tests.scenes.grow import grow as grow_anew
from tests.scenes.mesh import limb_meshes, wood_mesh, wood_nodes
from tests.scenes.truth import edge_diameter_m, edge_volume_m3, tree_truth


@lru_cache(maxsize=20)
def grow(shape: str, seed: int) -> Tree:
    return grow_anew(shape, seed)


SIZES = {
    "broadleaf": ((0.40, 0.75), (13.5, 22.0)),
    "conifer": ((0.30, 0.60), (16.0, 28.0)),
    "leaning": ((0.26, 0.48), (9.0, 17.0)),
    "multistem": ((0.28, 0.55), (8.0, 14.0)),
    "flared": ((0.72, 1.12), (16.0, 24.0)),
}


def test_a_seed_gives_the_same_tree_and_another_seed_another():
    one, same, other = (grow_anew("multistem", i) for i in (3, 3, 4))
    assert np.array_equal(one.graph.position_m, same.graph.position_m)
    assert np.array_equal(one.graph.radius_m, same.graph.radius_m)
    assert np.array_equal(one.leaves.centre_m, same.leaves.centre_m)
    assert len(one.graph) != len(other.graph)


def test_an_unknown_shape_is_refused():
    with pytest.raises(ValueError, match="no shape 'palm'"):
        grow_anew("palm", 0)


@pytest.mark.parametrize("shape", SHAPES)
def test_sizes_are_those_of_real_trees(shape):
    for seed in (0, 1):
        truth = tree_truth(grow(shape, seed), np.zeros(3))
        (dbh_low, dbh_high), (low, high) = SIZES[shape]
        assert dbh_low < truth.dbh_m < dbh_high
        assert low < truth.height_m < high
        assert 0.8 < truth.volume_over_7cm_m3 / truth.volume_m3 < 0.97 or shape == "multistem"
        # stem form: volume over DBH² height lies where forest tables put it, wide for crowns
        assert 0.25 < truth.volume_m3 / (truth.dbh_m**2 * truth.height_m * np.pi / 4) < 1.1


@pytest.mark.parametrize("shape", SHAPES)
def test_nodes_are_dense_and_reach_down_to_twigs(shape):
    graph = grow(shape, 0).graph
    inner = (graph.parent >= 0) & ~graph.starts_limb
    assert graph.edge_length_m[inner].max() < 0.25
    assert np.median(graph.edge_length_m[inner]) > 0.08
    assert graph.radius_m.min() < 0.006
    assert (np.diff(graph.radius_m[graph.limb == 0]) <= 1e-9).all()


@pytest.mark.parametrize("shape", ["broadleaf", "leaning", "flared"])
def test_areas_balance_at_unions(shape):
    graph = grow(shape, 1).graph
    for node in np.flatnonzero(graph.starts_limb):
        up = graph.parent[node]
        if graph.radius_m[up] < 0.05 or graph.position_m[up, 2] < 3.0:
            continue
        on = np.flatnonzero((graph.parent == up) & (graph.limb == graph.limb[up]))
        side = np.flatnonzero((graph.parent == up) & (graph.limb != graph.limb[up]))
        if len(on) != 1 or len(side) != 1:
            continue
        after = graph.radius_m[on[0]] ** 2 + graph.radius_m[side[0]] ** 2
        assert after / graph.radius_m[up] ** 2 == pytest.approx(1.0, abs=0.06)


@pytest.mark.parametrize("shape", SHAPES)
def test_volume_agrees_with_the_volume_of_the_scanned_mesh(shape):
    """Mesh volume by trimesh (divergence theorem), limb by limb, within 0.5 %."""
    tree = grow(shape, 0)
    total = 0.0
    for part in limb_meshes(tree.graph, tree.flare, root_m=0.0, clipped=True):
        solid = trimesh.Trimesh(part.vertex_m, part.triangle, process=False)
        assert solid.is_watertight
        total += solid.volume
    assert total == pytest.approx(tree_truth(tree, np.zeros(3)).volume_m3, rel=0.005)


@pytest.mark.parametrize("shape", ["broadleaf", "conifer", "multistem"])
def test_no_wood_is_counted_twice_at_unions(shape):
    """Volume of the union of all cones over 7 cm by chance sampling, within 2.5 %.

    A point drawn from the cones counts as one over the number of cones that hold it.
    """
    graph = grow(shape, 0).graph
    rng = np.random.default_rng(5)
    edges = np.flatnonzero((edge_diameter_m(graph) >= 0.07) & (graph.parent >= 0))
    a, b = graph.position_m[graph.parent[edges]], graph.position_m[edges]
    ra, rb = graph.edge_start_radius_m[edges], graph.radius_m[edges]
    length = np.linalg.norm(b - a, axis=1)
    whole = np.pi * length / 3 * (ra**2 + ra * rb + rb**2)
    pick = rng.choice(len(edges), 12_000, p=whole / whole.sum())
    share = rng.uniform(size=len(pick))
    fits = (
        rng.uniform(size=len(pick)) * np.maximum(ra, rb)[pick] ** 2
        <= (ra[pick] + share * (rb - ra)[pick]) ** 2
    )
    pick, share = pick[fits], share[fits]
    axis = (b - a) / length[:, None]
    helper = np.where(np.abs(axis[:, :1]) < 0.8, [[1.0, 0, 0]], [[0, 1.0, 0]])
    u = np.cross(axis, helper)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    v = np.cross(axis, u)
    turn = rng.uniform(0, 2 * np.pi, len(pick))
    out = np.sqrt(rng.uniform(size=len(pick))) * (ra[pick] + share * (rb - ra)[pick])
    point = a[pick] + (share * length[pick])[:, None] * axis[pick]
    point += (out * np.cos(turn))[:, None] * u[pick] + (out * np.sin(turn))[:, None] * v[pick]
    held = np.zeros(len(point))
    for i in range(len(edges)):
        t = (point - a[i]) @ axis[i]
        away = np.linalg.norm(point - a[i] - t[:, None] * axis[i], axis=1)
        own = pick == i
        inside = (t >= 0) & (t < length[i]) & (away <= ra[i] + t / length[i] * (rb[i] - ra[i]))
        held += inside | own
    union = whole.sum() * np.mean(1 / held)
    told = edge_volume_m3(graph)[edges].sum()
    assert told == pytest.approx(union, rel=0.025)


def test_dbh_of_a_flared_tree_is_what_a_tape_reads():
    """Section of the mesh at breast height: hull girth and area against the truth."""
    tree = grow("flared", 1)
    truth = tree_truth(tree, np.zeros(3))
    mesh = wood_mesh(tree)
    solid = trimesh.Trimesh(mesh.vertex_m, mesh.triangle, process=False)
    section = solid.section(plane_origin=[0, 0, 1.3], plane_normal=[0, 0, 1])
    rings = [r for r in section.discrete if np.hypot(*r[:, :2].mean(axis=0)) < 0.5]
    outline = max(rings, key=len)[:, :2]
    hull = trimesh.path.polygons.Polygon(outline).convex_hull
    assert hull.length / np.pi == pytest.approx(truth.dbh_m, rel=0.01)
    assert truth.dbh_m > truth.dbh_area_equivalent_m


def test_flare_keeps_the_area_of_the_section():
    tree = grow("flared", 0)
    theta = np.linspace(0, 2 * np.pi, 2001)[:-1]
    for height in (0.0, 0.3, 1.3):
        ratio = tree.flare.ratio(theta, height)
        assert np.mean(ratio**2) == pytest.approx(1.0, rel=1e-6)
    assert np.ptp(tree.flare.ratio(theta, 0.0)) > 0.2


def test_several_stems_are_summed_by_area():
    truth = tree_truth(grow("multistem", 0), np.zeros(3))
    assert len(truth.stem_dbh_m) >= 3
    assert truth.dbh_m == pytest.approx(np.sqrt(np.square(truth.stem_dbh_m).sum()))


def test_a_leaning_tree_leans_and_a_slope_lifts_breast_height():
    tree = grow("leaning", 0)
    stem = tree.graph.position_m[tree.graph.limb == 0]
    low = stem[stem[:, 2] < 3.0][-1]
    assert np.degrees(np.arctan2(np.hypot(*low[:2]), low[2])) > 6
    flat, steep = tree_truth(tree, np.zeros(3)), tree_truth(tree, np.zeros(3), 0.0, 0.2)
    assert steep.dbh_m < flat.dbh_m
    assert steep.height_m == pytest.approx(flat.height_m - 0.2)


def test_every_triangle_knows_its_node():
    tree = grow("leaning", 1)
    mesh, node = wood_mesh(tree), wood_nodes(tree)
    assert len(node) == len(mesh.triangle)
    middle = mesh.vertex_m[mesh.triangle].mean(axis=1)
    graph = tree.graph
    up = np.maximum(graph.parent[node], 0)
    a, b = graph.position_m[up], graph.position_m[node]
    t = np.einsum("ij,ij->i", middle - a, b - a) / np.maximum(((b - a) ** 2).sum(1), 1e-12)
    away = np.linalg.norm(middle - a - np.clip(t, 0, 1)[:, None] * (b - a), axis=1)
    above = middle[:, 2] > 0
    assert (away[above] < 1.3 * graph.edge_start_radius_m[node][above] + 0.02).mean() > 0.995


def test_leaves_hang_on_twigs():
    tree = grow("broadleaf", 0)
    assert 8000 < len(tree.leaves.centre_m) < 150_000
    top, leaf_top = tree.graph.position_m[:, 2].max(), tree.leaves.centre_m[:, 2].max()
    assert abs(leaf_top - top) < 0.3
    assert np.allclose(np.linalg.norm(tree.leaves.normal, axis=1), 1.0)
