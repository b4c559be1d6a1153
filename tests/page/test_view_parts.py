"""What the 3-D view draws, what a tap means and what a card says: plain functions on a job."""

from __future__ import annotations

import base64
import json
import shutil

import numpy as np
import pytest

pytest.importorskip("nicegui", reason="the extra “page” is not installed")
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.report.job import make_job
from treescan.page import view_cards
from treescan.page.view_looks import Shown, changed_cuts, looks, plan_cuts
from treescan.page.view_pick import (
    PointStore,
    Ray,
    WoodPick,
    pick_ground,
    pick_point,
    pick_union,
    pick_wood,
    picked_place,
)
from treescan.page.view_points import (
    NO_NODE,
    PointSource,
    make_block,
    part_of_block,
    scan_mark,
    write_block,
)
from treescan.page.view_scene import Block, eye_places, read_scene, wood_arrays


@pytest.fixture(scope="module")
def scene(made_job, tmp_path_factory):
    folder = tmp_path_factory.mktemp("scene") / "job"
    shutil.copytree(made_job, folder)
    return read_scene(folder / "plan", folder / "site.toml")


def ray_to(eye, to, spread=0.01):
    told = {"from": list(map(float, eye)), "way": (np.asarray(to) - eye).tolist(), "spread": spread}
    ray = Ray.of(told)
    assert ray is not None
    return ray


def array(scene, where, kind):
    first, count = where
    return np.frombuffer(scene.block, kind, count, first)


def test_the_surface_of_the_wood_knows_the_node_of_every_face(scene):
    wood, graph = scene.document["wood"], scene.graph
    place = array(scene, wood["place"], np.float32).reshape(-1, 3)
    face = array(scene, wood["face"], np.uint32).reshape(-1, 3)
    node = array(scene, wood["node"], np.float32)
    assert face.max() < len(place) == len(node)
    own = node[face[:, 2]].astype(int)
    assert set(range(1, len(graph))) == set(own.tolist())
    centre = place[face].mean(axis=1)
    a, b = graph.edge_start_m[own], graph.position_m[own]
    share = np.clip(np.sum((centre - a) * (b - a), 1) / np.sum((b - a) ** 2, 1), 0, 1)
    off = np.linalg.norm(centre - (a + share[:, None] * (b - a)), axis=1)
    near = graph.radius_m[graph.parent[own]] + graph.radius_m[own] + graph.edge_length_m[own]
    assert (off < 1.2 * near + 0.05).all()


def test_faces_of_the_wood_look_outward(scene):
    block = Block()
    wood = wood_arrays(scene.graph, block)
    data, graph = bytes(block.data), scene.graph
    place = np.frombuffer(data, np.float32, wood["place"][1], wood["place"][0]).reshape(-1, 3)
    face = np.frombuffer(data, np.uint32, wood["face"][1], wood["face"][0]).reshape(-1, 3)
    node = np.frombuffer(data, np.float32, wood["node"][1], wood["node"][0])
    a, b, c = (place[face[:, i]].astype(np.float64) for i in range(3))
    own = node[face[:, 2]].astype(int)
    axis = graph.position_m[own] - graph.edge_start_m[own]
    off = (a + b + c) / 3 - graph.edge_start_m[own]
    off -= (np.sum(off * axis, 1) / np.sum(axis * axis, 1))[:, None] * axis
    outward = np.sum(np.cross(b - a, c - a) * off, axis=1) > 0
    assert outward.mean() > 0.97


def test_signs_name_targets_zones_and_the_anchors_in_use(scene):
    texts = {s["text"] for s in scene.document["signs"]}
    assert {t.name for t in scene.job.site.target} <= texts
    used = {a["id"] for a in scene.plan["anchors"] if a["peak_N"] > 0}
    assert used <= texts
    assert len(texts) == len(scene.document["signs"])


def test_every_named_place_looks_at_what_it_says(scene):
    cut = scene.graph.position_m[-1]
    tie = np.asarray(scene.graph.position_m[10]) + np.array([0, 0, 1.0])
    whole = eye_places(scene)
    assert whole["plan"][0][2] > scene.graph.position_m[:, 2].max()
    assert whole["front"][0][1] < scene.graph.position_m[:, 1].min()
    near = eye_places(scene, cut, tie)
    assert np.linalg.norm(np.subtract(near["climber"][0], tie)) < 1.0
    assert near["climber"][1] == pytest.approx(cut, abs=1e-3)
    eye = near["ground"][0]
    level = float(scene.job.survey.ground.height(eye[0], eye[1]))
    assert eye[2] - level == pytest.approx(1.7, abs=0.01)


# taps


@settings(deadline=None, max_examples=25)
@given(row=st.integers(1, 10_000), turn=st.floats(0, 6.28))
def test_a_tap_on_wood_meets_the_wood_that_lies_in_front(scene, row, turn):
    graph = scene.graph
    node = 1 + row % (len(graph) - 1)
    at = 0.5 * (graph.edge_start_m[node] + graph.position_m[node])
    eye = at + 30 * np.array([np.cos(turn), np.sin(turn), 0.2])
    found = pick_wood(graph, ray_to(eye, at), np.ones(len(graph), bool))
    assert found
    first = found[0]
    reach = np.linalg.norm(first.at_m - eye)
    assert reach <= np.linalg.norm(at - eye) + graph.radius_m.max() + 0.01
    limbs = [int(graph.limb[p.node]) for p in found]
    assert len(limbs) == len(set(limbs))


def test_hidden_wood_cannot_be_tapped(scene):
    graph = scene.graph
    at = graph.position_m[40]
    shown = np.ones(len(graph), bool)
    shown[graph.subtree(40)] = False
    shown[40] = False
    ray = ray_to(at + np.array([25.0, 3.0, 2.0]), at)
    assert all(shown[p.node] for p in pick_wood(graph, ray, shown))


def test_a_tap_beside_everything_is_no_wood(scene):
    top = scene.graph.position_m.max(0)
    ray = ray_to(top + np.array([40.0, 0, 5]), top + np.array([0, 0, 5]))
    assert pick_wood(scene.graph, ray, np.ones(len(scene.graph), bool)) == []


def test_the_union_nearest_to_the_finger_comes_first(scene):
    union = scene.unions[0]
    shown = np.ones(len(scene.graph), bool)
    rows = pick_union(
        scene.unions, ray_to(union.at_m + np.array([20, 5, 1]), union.at_m, 0.02), shown
    )
    assert rows[0] == 0


def test_the_ray_meets_the_ground_where_the_model_has_it(scene):
    ground = scene.job.survey.ground
    base = scene.graph.position_m[0]
    eye = base + np.array([8.0, -6.0, 9.0])
    at = pick_ground(ground, ray_to(eye, base + np.array([2.0, 1.0, 0.0])))
    assert at is not None
    assert at[2] == pytest.approx(float(ground.height(at[0], at[1])), abs=0.01)
    assert pick_ground(ground, ray_to(eye, eye + np.array([0, 0, 1.0]))) is None


def test_a_point_of_the_front_layer_is_picked():
    rng = np.random.default_rng(1)
    wall = np.column_stack([np.zeros(4000), rng.uniform(-2, 2, 4000), rng.uniform(0, 4, 4000)])
    behind = wall + np.array([-5.0, 0, 0])
    points = np.concatenate([behind, wall]).astype(np.float32)
    ray = ray_to([10.0, 0, 2], np.array([0.0, 0.3, 1.7]), 0.02)
    hit = pick_point(points, ray)
    assert hit is not None
    assert hit[0] == pytest.approx(0.0, abs=1e-6)
    assert np.linalg.norm(hit[1:] - [0.3, 1.7]) < 0.2
    assert pick_point(points, ray_to([10.0, 0, 2], np.array([10.0, 0, 9.0]))) is None


def test_what_is_no_ray_is_none():
    bad = ({}, {"from": [1, 2], "way": [0, 0, 1], "spread": 0.01},
           {"from": [0, 0, 0], "way": [0, 0, 0], "spread": 0.01},
           {"from": [0, 0, 0], "way": [0, 0, float("nan")], "spread": 0.01},
           {"from": [0, 0, 0], "way": [0, 0, 1], "spread": 4},
           {"from": "x", "way": [0, 0, 1], "spread": 0.01})  # fmt: skip
    assert [Ray.of(b) for b in bad] == [None] * len(bad)


# cards


def names(card):
    return dict(card.lines)


def test_a_limb_card_gives_ranges_in_both_units_and_says_what_was_not_seen(scene):
    node = int(np.flatnonzero(scene.graph.limb == 2)[0])
    card = view_cards.limb_card(scene, WoodPick(node, scene.graph.position_m[node]))
    lines = names(card)
    assert card.title.metric == "Limb 2"
    weight = lines["Weight of all of it"]
    assert "kg" in weight.metric
    assert "lb" in weight.us
    assert "–" in weight.metric
    assert "What the scan saw" in lines
    assert any("high end" in w.metric for w in card.warnings)


def test_weight_beyond_a_place_is_that_of_the_wood_that_hangs_there(scene):
    node = int(np.flatnonzero(scene.graph.limb == 2)[2])
    lines = names(view_cards.limb_card(scene, WoodPick(node, scene.graph.position_m[node])))
    band = scene.job.mass.band(scene.graph.subtree(node))
    assert lines["Weight from here outward"] == view_cards.wording.mass_range(band)


def test_a_union_card_gives_the_verdict_on_it_as_an_anchor_and_why(scene):
    rows = {int(a["node"]): a for a in scene.plan["anchors"]}
    told = 0
    for union in scene.unions:
        card = view_cards.union_card(scene, union)
        lines = names(card)
        assert "As an anchor" in lines
        row = rows.get(union.node)
        if row is not None and row["rejected"]:
            assert lines["As an anchor"].metric.startswith("no: ")
            told += 1
        elif row is not None:
            assert row["id"] in lines["As an anchor"].metric
            assert "kN" in lines["May carry at most"].metric
            told += 1
        assert any("sound it" in w.metric for w in card.warnings)
    assert len(scene.unions) > 0


def test_a_place_card_gives_height_and_position(scene):
    base = scene.graph.position_m[0]
    ground = float(scene.job.survey.ground.height(base[0] + 3.0, base[1] + 4.0))
    at = np.array([base[0] + 3.0, base[1] + 4.0, ground + 2.5])
    place = picked_place(scene, at, "scan")
    assert place.height_m == pytest.approx(2.5)
    assert place.scan_m == pytest.approx(at + scene.job.survey.origin_m)
    lines = names(view_cards.place_card(scene, place))
    assert lines["Height above the ground there"].metric == "2.50 m"
    assert lines["From the stem"].metric.startswith("5.0 m to the north")


def test_a_step_card_says_limits_broken_first(scene):
    step = json.loads(json.dumps(scene.plan["steps"][0]))
    step["broken_limits"], step["warnings"] = ["line at 120 % of its limit"], ["wind may carry it"]
    card = view_cards.step_card(scene, step, "Limb 1", 9)
    assert card.warnings[0].metric == "Limit broken: line at 120 % of its limit."
    assert "plan on" in names(card)["Weight"].metric


def test_the_way_drawn_ends_where_the_plan_lands_and_names_the_closest_target(scene):
    for step in scene.plan["steps"]:
        drawing = view_cards.way_drawing(scene, step)
        end = scene.local(step["path"][-1][1:4])
        assert drawing["path"][-1] == pytest.approx(end, abs=2e-3)
        row = view_cards.nearest(step)
        if row is not None:
            assert drawing["near"]["name"] == row["target"]
            assert row["target"] in drawing["near"]["text"]


def test_the_way_drawn_can_be_played(scene):
    for step in scene.plan["steps"]:
        course = view_cards.way_drawing(scene, step)
        times, turns = np.array(course["times"]), np.array(course["turns"])
        assert len(times) == len(turns) == len(course["path"]) <= view_cards.MOST_PATH
        assert times[0] == 0.0
        assert (np.diff(times) > 0.0).all()
        assert times[-1] == pytest.approx(step["path"][-1][0] - step["path"][0][0], abs=0.002)
        assert np.linalg.norm(turns, axis=1) == pytest.approx(1.0, abs=1e-3)
        assert turns[0] == pytest.approx([1, 0, 0, 0], abs=1e-3)
        assert course["nodes"] == step["piece"]["nodes"]
        if "near" in course:
            assert 0.0 <= course["near"]["time"] <= times[-1] + 0.001


def test_the_nearest_place_on_a_target_is_on_its_surface(scene):
    target = scene.job.site.target[0]
    solid = next(s for s in scene.document["solids"] if s["name"] == target.name)
    corner = array(scene, solid["place"], np.float32).reshape(-1, 3)
    point = corner.mean(0) + np.array([30.0, 0, 0])
    at = view_cards.nearest_on_target(scene, target.name, point.astype(float))
    assert (at >= corner.min(0) - 1e-4).all()
    assert (at <= corner.max(0) + 1e-4).all()
    assert at[0] == pytest.approx(corner[:, 0].max(), abs=0.2)


# looks


def shown_steps(scene, shown):
    given, drawn = looks(scene, plan_cuts(scene), shown)
    rows = np.frombuffer(base64.b64decode(given["rows"]), "<u2")
    assert len(rows) == len(scene.graph)
    assert rows.max() < len(given["kinds"])
    alpha = np.array([k[1] for k in given["kinds"]])
    assert ((alpha[rows] > 0) == drawn).all()
    return given, rows, drawn


def test_what_is_down_is_hidden_or_pale_and_the_current_piece_stands_out(scene):
    steps = scene.plan["steps"]
    given, rows, drawn = shown_steps(scene, Shown(current=2, done=frozenset({3})))
    assert not drawn[steps[0]["piece"]["nodes"]].any()
    assert not drawn[steps[2]["piece"]["nodes"]].any()
    colour = {given["kinds"][r][0] for r in rows[steps[1]["piece"]["nodes"]]}
    assert colour == {"#FFE600"}
    _, _, pale = shown_steps(scene, Shown(current=2, hide_down=False))
    assert pale.all()


def test_the_whole_tree_shows_every_piece(scene):
    _, _, drawn = shown_steps(scene, Shown())
    assert drawn.all()


def test_changed_cuts_leave_the_rest_as_planned(scene):
    first = plan_cuts(scene)
    assert (changed_cuts(scene, []) == first).all()
    step = max(scene.plan["steps"], key=lambda s: len(s["piece"]["nodes"]))
    node, inside = int(step["node"]), int(step["piece"]["nodes"][len(step["piece"]["nodes"]) // 2])
    after = changed_cuts(scene, [{"do": "split", "node": inside}])
    moved = np.flatnonzero(after != first)
    assert set(moved.tolist()) <= set(step["piece"]["nodes"])
    assert (after[moved] == inside).all()
    assert after[inside] == inside
    assert after[node] == node


# points


@pytest.fixture(scope="module")
def block():
    graph = make_job(with_plan=False).graph
    rng = np.random.default_rng(2)
    node = rng.integers(0, len(graph), 3000)
    on = graph.position_m[node] + rng.normal(0, 0.02, (3000, 3))
    low = graph.position_m.min(0)
    lawn = np.column_stack([rng.uniform(-9, 9, 2000), rng.uniform(-9, 9, 2000),
                            np.full(2000, low[2] - 1.0)])  # fmt: skip
    far = np.full((10, 3), 500.0)
    xyz = np.concatenate([on, lawn, far]).astype(np.float32)
    return graph, xyz, make_block(xyz, None, graph)


def test_points_know_the_wood_they_lie_on_and_keep_their_place(block):
    graph, xyz, made = block
    assert made.total == 5000
    back = made.corner_m + made.share / 65535.0 * made.extent_m
    gap = np.abs(back[:, None, :2] - xyz[None, :5000, :2]).sum(-1).min(1)
    assert gap.max() < 0.005
    low = graph.position_m[:, 2].min() - 0.9
    assert (made.node[back[:, 2] < low] == NO_NODE).all()
    on = made.node != NO_NODE
    assert on.sum() >= 2900
    off = np.linalg.norm(back[on] - graph.position_m[made.node[on]], axis=1)
    assert (off < graph.radius_m[made.node[on]] + 0.26).all()


def test_a_first_part_of_the_points_is_an_even_sample(block):
    _, _, made = block
    part = (made.node[:1000] != NO_NODE).mean()
    assert part == pytest.approx((made.node != NO_NODE).mean(), abs=0.06)


def test_points_come_in_parts_and_nothing_else_does(block, tmp_path):
    _, _, made = block
    write_block(made, tmp_path / "view", "m")
    data = part_of_block(tmp_path / "view", 100, 50)
    assert data is not None
    assert len(data) == 50 * 12
    assert (np.frombuffer(data[:300], "<u2").reshape(-1, 3) == made.share[100:150]).all()
    assert (np.frombuffer(data[300:400], "<u2") == made.node[100:150]).all()
    for first, many in ((-1, 10), (0, 0), (0, 10_000_000), (5000, 1), (10**12, 5)):
        assert part_of_block(tmp_path / "view", first, many) is None
    store = PointStore(tmp_path)
    assert store.points().shape == (5000, 3)


def test_without_a_scan_the_view_says_why_there_are_no_points(tmp_path):
    source = PointSource(tmp_path)
    assert source.about([], tmp_path / "tree.json")["state"] == "none"
    gone = source.about([str(tmp_path / "gone.laz")], tmp_path / "tree.json")
    assert "no scan" in gone["why"]
    assert "gone" in scan_mark([str(tmp_path / "gone.laz")], tmp_path / "tree.json")
