"""Meshes: closed smooth surfaces of the right volume, GLB a validator accepts, PLY with pieces."""

from __future__ import annotations

import io
import json
import shutil
import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest
import trimesh

from tests.report.job import make_graph
from treescan.report import colours
from treescan.report.limb_surface import piece_surfaces
from treescan.report.meshes import piece_of_node, tree_glb, tree_ply
from treescan.report.site_shapes import ball, pipe

SHAPES = ("broadleaf", "conifer", "multistem", "leaning")


def volume_of(surface):
    a, b, c = (surface.vertex_m[surface.face[:, i]] for i in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def frusta_m3(graph, nodes):
    length = graph.edge_length_m[nodes]
    a, b = graph.edge_start_radius_m[nodes], graph.radius_m[nodes]
    return float((np.pi / 3 * length * (a * a + a * b + b * b)).sum())


@pytest.fixture(scope="module")
def glb(job):
    return tree_glb(job)


@pytest.fixture(scope="module")
def document(glb):
    magic, version, total = struct.unpack("<4sII", glb[:12])
    assert (magic, version, total) == (b"glTF", 2, len(glb))
    size = struct.unpack("<I", glb[12:16])[0]
    return json.loads(glb[20 : 20 + size])


@pytest.mark.parametrize("shape", SHAPES)
def test_surface_holds_the_wood_and_nowhere_folds_over(shape):
    # Independent truth: sum of conical frusta.  Above it by what is hidden inside unions.
    graph = make_graph(5, shape)
    surface = piece_surfaces(graph, np.zeros(len(graph), dtype=np.int64))[0]
    ratio = volume_of(surface) / frusta_m3(graph, np.arange(1, len(graph)))
    assert 0.99 < ratio < 1.06
    a, b, c = (surface.vertex_m[surface.face[:, i]] for i in range(3))
    faces = np.cross(b - a, c - a)
    outward = (faces * surface.normal[surface.face].sum(1)).sum(1)
    assert (outward > -1e-12).all()


def test_no_vertex_stands_off_the_wood(job):
    graph = job.graph
    surface = piece_surfaces(graph, np.zeros(len(graph), dtype=np.int64))[0]
    start, end = graph.edge_start_m[1:], graph.position_m[1:]
    along = end - start
    from scipy.spatial import cKDTree

    near = cKDTree((start + end) / 2).query(surface.vertex_m, k=8)[1]
    v = surface.vertex_m[:, None]
    t = np.einsum("ijk,ijk->ij", v - start[near], along[near])
    t = np.clip(t / np.maximum((along[near] ** 2).sum(-1), 1e-12), 0, 1)
    gap = np.linalg.norm(v - start[near] - t[..., None] * along[near], axis=-1)
    radius = np.maximum(graph.edge_start_radius_m[1:], graph.radius_m[1:])[near]
    off = (gap - 1.26 * radius).min(axis=1)  # 1.26: a square of the circle's area has that corner
    assert off.max() < 0.02


def test_pieces_are_closed_and_share_the_ring_at_the_cut(job):
    owner = piece_of_node(job)
    surfaces = piece_surfaces(job.graph, owner)
    assert set(surfaces) == {0, *(s.number for s in job.plan.steps)}
    for number, surface in surfaces.items():
        mesh = trimesh.Trimesh(surface.vertex_m, surface.face, process=False)
        mesh.merge_vertices(merge_norm=True, digits_vertex=7)
        assert mesh.is_watertight, f"piece {number}"
        assert surface.sawn.any(), f"piece {number} has no cut face"
    stem = [s for s in job.plan.steps if s.piece.limb == 0]
    upper, lower = (surfaces[s.number].vertex_m for s in stem[:2])
    shared = {tuple(v) for v in upper.round(6)} & {tuple(v) for v in lower.round(6)}
    assert len(shared) >= 5


def test_pieces_together_are_the_whole_tree(job):
    parts = piece_surfaces(job.graph, piece_of_node(job))
    whole = piece_surfaces(job.graph, np.zeros(len(job.graph), dtype=np.int64))
    assert sum(map(volume_of, parts.values())) == pytest.approx(volume_of(whole[0]), rel=0.01)


def test_glb_names_one_node_a_piece_with_mass_and_loads(job, document):
    nodes = {n["name"]: n for n in document["nodes"]}
    for step in job.plan.steps:
        found = [n for n in nodes if n.startswith(f"step {step.number:02d} ")]
        assert len(found) == 1
        extras = nodes[found[0]]["extras"]
        assert extras["mass_kg"]["high"] == pytest.approx(step.piece.mass_kg.high, abs=0.05)
        if step.load:
            assert extras["anchor_load_N"]["high"] == pytest.approx(
                step.load.anchor_load_n.high, abs=0.5
            )
    for name in (
        "anchor A1", "tie-in T1", "target fence", "conductor service drop", "drop zone lawn",
        "landing zone drive", "ground", "stays standing", "path step 02", "tie step 02.1",
        "landing step 02",
    ):  # fmt: skip
        assert name in nodes


def test_glb_has_a_track_a_step_that_ends_where_the_piece_comes_to_rest(job, document, glb):
    tracks = {a["name"]: a for a in document["animations"]}
    assert len(tracks) == len(job.plan.steps)
    size = struct.unpack("<I", glb[12:16])[0]
    data = glb[28 + size :]
    step = job.plan.steps[1]
    track = next(a for n, a in tracks.items() if n.startswith("step 02 "))
    node = document["nodes"][track["channels"][0]["target"]["node"]]
    np.testing.assert_allclose(node["translation"], step.piece.centre_m, atol=1e-6)
    output = document["accessors"][track["samplers"][0]["output"]]
    view = document["bufferViews"][output["bufferView"]]
    moves = np.frombuffer(data, "<f4", output["count"] * 3, view["byteOffset"]).reshape(-1, 3)
    np.testing.assert_allclose(moves[0], step.piece.centre_m, atol=1e-5)
    np.testing.assert_allclose(moves[-1], step.path.landing_m, atol=1e-5)
    turns = document["accessors"][track["samplers"][1]["output"]]
    place = document["bufferViews"][turns["bufferView"]]["byteOffset"]
    quaternions = np.frombuffer(data, "<f4", turns["count"] * 4, place).reshape(-1, 4)
    np.testing.assert_allclose(np.linalg.norm(quaternions, axis=1), 1.0, atol=1e-6)
    assert (np.sum(quaternions[1:] * quaternions[:-1], axis=1) > 0).all()


def test_glb_opens_right_side_up_in_metres(job, glb):
    scene = trimesh.load(io.BytesIO(glb), file_type="glb")
    top = job.graph.position_m[:, 2].max()
    trees = [n for n in scene.graph.nodes_geometry if "step" in n and n.split()[0] == "step"]
    high = max(
        trimesh.transform_points(scene.geometry[scene.graph[n][1]].vertices, scene.graph[n][0])[
            :, 1
        ].max()
        for n in trees
    )
    assert high == pytest.approx(top, abs=0.1)


def test_glb_is_small(glb):
    assert len(glb) < 8e6


def test_glb_passes_the_khronos_validator(glb, tmp_path):
    node, npm = shutil.which("node"), shutil.which("npm")
    if not node or not npm:
        pytest.skip("node and npm are needed to run the Khronos validator")
    got = subprocess.run(
        [npm, "install", "--no-audit", "--no-fund", "--prefix", str(tmp_path), "gltf-validator"],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    if got.returncode:
        pytest.skip("the package gltf-validator could not be installed")
    (tmp_path / "tree.glb").write_bytes(glb)
    script = (
        "const v=require('gltf-validator'),f=require('fs');"
        "v.validateBytes(new Uint8Array(f.readFileSync('tree.glb')),{maxIssues:20})"
        ".then(r=>console.log(JSON.stringify(r.issues)))"
    )
    done = subprocess.run(
        [node, "-e", script], cwd=tmp_path, capture_output=True, text=True, timeout=120, check=True
    )
    issues = json.loads(done.stdout)
    assert issues["numErrors"] == 0, issues["messages"]
    assert issues["numWarnings"] == 0, issues["messages"]


def test_ply_carries_piece_and_load_on_every_vertex(job, tmp_path):
    path = Path(tmp_path) / "tree.ply"
    path.write_bytes(tree_ply(job))
    mesh = trimesh.load(path)
    data = mesh.metadata["_ply_raw"]["vertex"]["data"]
    assert set(np.unique(data["piece"])) == {0, *(s.number for s in job.plan.steps)}
    for step in job.plan.steps:
        load = data["load"][data["piece"] == step.number]
        want = step.load.share if step.load else -1.0
        np.testing.assert_allclose(load, want, atol=1e-6)


def test_a_measured_tree_without_plan_is_one_named_mesh(measured):
    glb = tree_glb(measured)
    size = struct.unpack("<I", glb[12:16])[0]
    names = [n["name"] for n in json.loads(glb[20 : 20 + size])["nodes"]]
    assert "tree" in names
    assert not [n for n in names if n.startswith("step")]


@pytest.mark.parametrize(
    "solid", [pipe(np.array([[0, 0, 0], [1, 0, 2], [3, 1, 2.0]]), 0.1), ball([1, 2, 3], 0.4)]
)
def test_solids_face_outward(solid):
    a, b, c = (solid.vertex_m[solid.face[:, i]] for i in range(3))
    faces = np.cross(b - a, c - a)
    assert ((faces * solid.normal[solid.face].sum(1)).sum(1) > -1e-12).all()


def test_colours_are_linear_and_over_the_limit_stands_out():
    # IEC 61966-2-1: sRGB 0.5 is 0.2140 linear
    assert colours.linear("#808080")[0] == pytest.approx(0.2159, abs=1e-4)  # 128/255
    assert colours.load_colour(1.01) == colours.OVER_LIMIT
    assert colours.load_colour(None) == colours.NO_LOAD
    lightness = [
        colours.rgb(colours.load_colour(s)) @ [0.2126, 0.7152, 0.0722] for s in (0.1, 0.5, 1.0)
    ]
    assert lightness[0] > lightness[1] > lightness[2]
