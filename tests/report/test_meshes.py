"""Meshes: closed smooth surfaces of the right volume, GLB a validator accepts, PLY with pieces."""

from __future__ import annotations

import io
import json
import shutil
import struct
import subprocess
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from tests.report.job import make_graph
from treescan.report import colours
from treescan.report.limb_surface import piece_surfaces
from treescan.report.meshes import job_surfaces, piece_of_node, tree_glb, tree_ply
from treescan.report.site_shapes import ball, pipe
from treescan.report.swept_room import swept_room
from treescan.report.union_blend import blend_size_m, flared

SHAPES = ("broadleaf", "conifer", "multistem", "leaning")


def volume_of(surface):
    a, b, c = (surface.vertex_m[surface.face[:, i]] for i in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def frusta_m3(graph, nodes):
    length = graph.edge_length_m[nodes]
    a, b = graph.edge_start_radius_m[nodes], graph.radius_m[nodes]
    return float((np.pi / 3 * length * (a * a + a * b + b * b)).sum())


@pytest.fixture(scope="module")
def surfaces(job):
    return job_surfaces(job)


@pytest.fixture(scope="module")
def glb(job, surfaces):
    return tree_glb(job, surfaces)


@pytest.fixture(scope="module")
def document(glb):
    magic, version, total = struct.unpack("<4sII", glb[:12])
    assert (magic, version, total) == (b"glTF", 2, len(glb))
    size = struct.unpack("<I", glb[12:16])[0]
    return json.loads(glb[20 : 20 + size])


def closed_mesh(surface):
    """As a reader of the file gets it: single precision, equal positions joined."""
    vertex = (surface.vertex_m - surface.vertex_m.mean(0)).astype(np.float32)
    mesh = trimesh.Trimesh(vertex, surface.face, process=False)
    mesh.merge_vertices(merge_norm=True, digits_vertex=7)
    return mesh


@cache
def grown(shape):
    """A grown tree of known geometry, and its surface in one piece."""
    graph = make_graph(5, shape)
    return graph, piece_surfaces(graph, np.zeros(len(graph), dtype=np.int64))[0]


@pytest.mark.parametrize("shape", SHAPES)
def test_the_tree_is_one_closed_surface_with_the_volume_of_its_wood(shape):
    # Independent truth: sum of conical frusta, the rule of the graph.
    graph, surface = grown(shape)
    mesh = closed_mesh(surface)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.body_count == 1
    assert mesh.volume == pytest.approx(frusta_m3(graph, np.arange(1, len(graph))), rel=0.01)


def off_the_wood(graph, point_m):
    """Distance of points outside the nearest cones of the graph, negative inside."""
    start, along = graph.edge_start_m[1:], graph.position_m[1:] - graph.edge_start_m[1:]
    near = cKDTree(start + along / 2).query(point_m, k=12)[1]
    v = point_m[:, None] - start[near]
    t = np.einsum("ijk,ijk->ij", v, along[near])
    t = np.clip(t / np.maximum((along[near] ** 2).sum(-1), 1e-12), 0, 1)
    gap = np.linalg.norm(v - t[..., None] * along[near], axis=-1)
    a, b = graph.edge_start_radius_m[1:][near], graph.radius_m[1:][near]
    return (gap - a - t * (b - a)).min(axis=1)


@pytest.mark.parametrize("shape", SHAPES)
def test_the_surface_follows_the_radii_and_has_no_spike_at_a_union(shape):
    graph, surface = grown(shape)
    off = off_the_wood(graph, surface.vertex_m)
    union = np.flatnonzero(graph.starts_limb)
    tree = cKDTree(graph.edge_start_m[union])
    far, which = tree.query(surface.vertex_m)
    parent, own = graph.radius_m[graph.parent[union]], graph.edge_start_radius_m[union]
    away = far > (2.5 * parent + 2 * own)[which]
    assert away.sum() > 300
    # a square has its corners 25 % beyond the circle of its area: thin twigs only
    assert off[away].max() < 0.02
    assert np.percentile(np.abs(off[away]), 90) < 0.01
    assert (off[~away] < 0.012 + 0.75 * own[which[~away]]).all()


def test_a_limb_is_flared_into_its_parent(job):
    """Just outside the parent the surface stands off the limb's own cone, by a third or less."""
    parent = np.array([[0.0, 0, -2], [0.0, 0, 2]]), np.array([0.2, 0.2])
    size = blend_size_m(0.05, 0.2)
    turn = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    out = np.stack([np.zeros(12), np.cos(turn), np.sin(turn)], -1)
    x = np.linspace(0.1, 0.35, 20)
    rings = np.array([1.0, 0, 0]) * x[:, None, None] + 0.05 * out
    made = flared(rings, np.tile(out, (20, 1, 1)), *parent, size)
    across = np.hypot(made[..., 1], made[..., 2])
    assert across[-1] == pytest.approx(0.05, abs=2e-3)  # free of the blend
    assert (np.diff(across.mean(1)) < 0).all()  # wider toward the parent
    assert 0.05 + 0.6 * size < across[0].mean() < 0.05 + 1.1 * size
    depth = 0.2 - np.hypot(made[0, :, 0], made[0, :, 1])
    assert ((depth > 0) & (depth < 0.03)).all()  # the rim lies just below the parent's surface


def test_pieces_are_closed_and_share_the_ring_at_the_cut(job, surfaces):
    assert set(surfaces) == {0, *(s.number for s in job.plan.steps)}
    for number, surface in surfaces.items():
        assert closed_mesh(surface).is_watertight, f"piece {number}"
        assert surface.sawn.any(), f"piece {number} has no cut face"
    stem = [s for s in job.plan.steps if s.piece.limb == 0]
    upper, lower = (surfaces[s.number].vertex_m for s in stem[:2])
    shared = {tuple(v) for v in upper.round(4)} & {tuple(v) for v in lower.round(4)}
    assert len(shared) >= 5


def test_a_cut_limb_and_its_parent_do_not_hold_the_same_wood(job, surfaces):
    step = next(
        s for s in job.plan.steps
        if s.piece.limb != 0 and job.graph.limb[job.graph.parent[s.piece.butt_node]] == 0
    )  # fmt: skip
    piece = closed_mesh(surfaces[step.number]).volume
    centre = surfaces[step.number].vertex_m.mean(0)
    near = [
        n for n, s in surfaces.items()
        if n != step.number and np.linalg.norm(s.vertex_m - centre, axis=1).min() < 3
    ]  # fmt: skip
    owner = piece_of_node(job)
    joint = piece_surfaces(job.graph, np.where(np.isin(owner, [step.number, *near]), 1, 0))[1]
    apart = piece + sum(volume_of(surfaces[n]) for n in near)
    assert apart == pytest.approx(volume_of(joint), rel=0.01)


def test_pieces_together_are_the_whole_tree(job, surfaces):
    whole = piece_surfaces(job.graph, np.zeros(len(job.graph), dtype=np.int64))
    assert sum(map(volume_of, surfaces.values())) == pytest.approx(volume_of(whole[0]), rel=0.01)


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
        "landing step 02", "swept room step 02",
    ):  # fmt: skip
        assert name in nodes


def winding(solid, point_m):
    """Winding number of a surface about points: 1 inside (van Oosterom and Strackee 1983)."""
    a, b, c = (solid.vertex_m[solid.face[:, i]][None] - point_m[:, None] for i in range(3))
    la, lb, lc = (np.linalg.norm(v, axis=2) for v in (a, b, c))
    top = (a * np.cross(b, c)).sum(2)
    low = la * lb * lc + (a * b).sum(2) * lc + (b * c).sum(2) * la + (c * a).sum(2) * lb
    return np.arctan2(top, low).sum(1) / (2 * np.pi)


def test_the_swept_room_holds_the_piece_all_the_way_down(job):
    for step in job.plan.steps[:4]:
        room = swept_room(step.piece, step.path)
        mesh = trimesh.Trimesh(room.vertex_m, room.face, process=False)
        assert mesh.is_watertight
        offset = step.piece.outline_m - step.piece.centre_m
        for k in np.linspace(0, len(step.path.time_s) - 1, 7).astype(int):
            place = offset @ step.path.rotation[k].T + step.path.centre_m[k]
            assert winding(room, place).min() > 0.99
    twig = replace(
        job.plan.steps[0].piece, outline_m=step.piece.centre_m[None], centre_m=step.piece.centre_m,
        outline_radius_m=np.array([0.005]),
    )  # fmt: skip
    for times in (slice(None), [0, 1]):
        way = replace(
            step.path, time_s=step.path.time_s[times], centre_m=step.path.centre_m[times],
            rotation=step.path.rotation[times],
        )  # fmt: skip
        assert len(swept_room(twig, way).face) >= 4
    still = replace(step.path, time_s=np.zeros(1))
    assert swept_room(step.piece, still) is None


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


def test_an_anchor_says_at_which_step_its_wood_goes(job, document):
    node = next(n for n in document["nodes"] if n["name"] == "anchor A1")
    anchor = job.plan.anchors[0].anchor
    step = next(s for s in job.plan.steps if anchor.node in s.piece.nodes)
    assert node["extras"]["cut_away_at_step"] == step.number


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


def test_glb_is_small_and_the_same_bytes_twice(job, glb):
    assert len(glb) < 8e6
    assert tree_glb(job) == glb


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


def test_ply_carries_piece_and_load_on_every_vertex(job, surfaces, tmp_path):
    path = Path(tmp_path) / "tree.ply"
    path.write_bytes(tree_ply(job, surfaces))
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
