"""The virtual scanner: its points lie on what it hit, and each fault does what it says."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from scipy.spatial import cKDTree

from tests.scenes import place as p
from tests.scenes.catalogue import COLUMNS, evaluation_scenes, touching_scenes
from tests.scenes.grow import Tree, grow
from tests.scenes.instrument import POOR, SETTINGS, instrument
from tests.scenes.mesh import wood_mesh
from tests.scenes.scene import Scene, around, make_scene, scan_scene, yard
from treescan.geometry.open3d_gate import open3d

AT = np.array([1.0, -2.0])
CLEAN = replace(
    SETTINGS["tripod"], step_rad=3e-3, stations=4, shift_m=0.0, tilt_rad=0.0, sway_m=0.0
)


@lru_cache(maxsize=1)
def leaning() -> Tree:
    return grow("leaning", 0)


@lru_cache(maxsize=12)
def scene(tool=CLEAN, in_leaf: bool = False, things: str = "yard", seed: int = 7) -> Scene:
    rng = np.random.default_rng(seed)
    tree = leaning()
    ground = p.terrain(rng, 5.0)
    placed = yard(ground, AT, rng) if things == "yard" else []
    return scan_scene(
        "test", tree, AT, ground, placed, [], tool.name, "good", in_leaf, 400_000, rng,
        np.zeros(3), tool,
    )  # fmt: skip


def distance_to_wood_m(made: Scene, which: np.ndarray) -> np.ndarray:
    """Signed distance of points to the mesh of the tree, by open3d."""
    o3d = open3d()
    mesh = wood_mesh(leaning()).moved(made.truth.graph.position_m[0])
    ray = o3d.t.geometry.RaycastingScene(nthreads=1)
    ray.add_triangles(
        o3d.core.Tensor(mesh.vertex_m.astype(np.float32)),
        o3d.core.Tensor(mesh.triangle.astype(np.uint32)),
    )
    return ray.compute_distance(o3d.core.Tensor(made.cloud.xyz[which]), nthreads=1).numpy()


def test_the_same_seed_gives_the_same_points():
    first = scene()
    again = scene.__wrapped__()
    assert np.array_equal(first.cloud.xyz, again.cloud.xyz)
    assert np.array_equal(first.label, again.label)
    assert len(scene(things="none", seed=8).cloud) != len(first.cloud)


def test_points_on_wood_lie_within_the_noise_of_the_surface():
    made = scene()
    wood = np.flatnonzero((made.label == p.WOOD) & ~made.mixed & (made.node >= 0))
    away = distance_to_wood_m(made, wood)
    sd = CLEAN.noise_m + CLEAN.noise_per_m * 12
    thick = made.truth.graph.radius_m[made.node[wood]] > 0.05
    assert np.percentile(away[thick], 90) < 2 * sd
    # a beam wider than a twig puts points beside it: half the footprint, not more
    half = 0.5 * (CLEAN.exit_m + CLEAN.divergence_rad * 15)
    assert np.percentile(away, 97) < 3 * sd + half


def test_split_beams_throw_ghost_points_off_the_surface():
    made = scene()
    ghost = np.flatnonzero((made.label == p.WOOD) & made.mixed)
    assert len(ghost) > 50
    assert np.median(distance_to_wood_m(made, ghost)) > 0.01


def test_poor_registration_doubles_walls():
    poor = replace(CLEAN, **POOR["tripod"])
    made = scene(poor)
    stem = np.flatnonzero((made.node >= 0) & ~made.mixed)
    stem = stem[made.truth.graph.limb[made.node[stem]] == 0]
    clean = scene()
    same = np.flatnonzero((clean.node >= 0) & ~clean.mixed)
    same = same[clean.truth.graph.limb[clean.node[same]] == 0]
    assert np.median(distance_to_wood_m(made, stem)) > 2.5 * np.median(
        distance_to_wood_m(clean, same)
    )


def test_leaves_are_hit_and_hide_wood():
    bare, leaf = scene(), scene(in_leaf=True)
    assert (leaf.label == p.LEAF).sum() > 0.3 * (leaf.label == p.WOOD).sum()
    assert not (bare.label == p.LEAF).any()
    assert np.isin(leaf.label, (p.WOOD, p.LEAF)).sum() > (bare.label == p.WOOD).sum()
    seen_bare = len(np.unique(bare.node)) / len(bare.truth.graph)
    seen_leaf = len(np.unique(leaf.node)) / len(leaf.truth.graph)
    assert seen_leaf < seen_bare


def test_every_thing_of_a_yard_is_in_the_scan_where_its_truth_says():
    made = scene()
    for label in (p.GROUND, p.WOOD, p.BUILDING, p.FENCE, p.SHRUB, p.WIRE, p.POST, p.PERSON):
        assert (made.label == label).sum() > 15, p.LABEL_NAMES[label]
    ground = made.cloud.xyz[made.label == p.GROUND].astype(float)
    above = ground[:, 2] - made.ground.height(ground[:, 0], ground[:, 1])
    assert abs(np.median(above)) < 0.02
    assert np.percentile(np.abs(above), 95) < 0.08
    wire = next(t for t in made.things if t.label == p.WIRE)
    points = made.cloud.xyz[(made.label == p.WIRE) & ~made.mixed].astype(float)
    gap = np.linalg.norm(points[:, None] - wire.outline_m[None], axis=2).min(axis=1)
    step = np.linalg.norm(np.diff(wire.outline_m, axis=0), axis=1).max()
    assert np.percentile(gap, 95) < step / 2 + 0.05


def test_a_phone_does_not_see_the_top():
    tool = replace(instrument("phone"), stations=24, step_rad=8e-3)
    made = scene(tool, things="none")
    top = made.cloud.xyz[made.node >= 0, 2].max() - made.truth.graph.position_m[0, 2]
    assert top < 7.8 < made.truth.height_m
    away = np.linalg.norm(
        made.cloud.xyz[:, None, :].astype(float) - made.stations_m[None, :, :], axis=2
    ).min(axis=1)
    assert (away[made.label != p.STRAY] < tool.range_m + 0.2).all()


def test_colour_and_intensity_belong_to_every_point():
    made = scene()
    assert made.cloud.rgb.shape == (len(made.cloud), 3)
    assert made.cloud.rgb.dtype == np.uint8
    assert made.cloud.xyz.dtype == np.float32
    assert 0 <= made.cloud.intensity.min() <= made.cloud.intensity.max() <= 1


def test_stations_stand_outside_buildings_and_all_leave_points():
    from shapely.geometry import Point, Polygon

    made = scene()
    house = next(t for t in made.things if t.label == p.BUILDING)
    assert not any(Polygon(house.outline_m).contains(Point(*s[:2])) for s in made.stations_m)
    assert (np.bincount(made.station, minlength=CLEAN.stations) > 1000).all()


def test_crowns_of_neighbours_touch():
    rng = np.random.default_rng(1)
    ground = p.terrain(rng, 3.0)
    tree = grow("broadleaf", 1)
    _, trees = around("touching", ground, tree, AT, rng, 1)
    own = cKDTree(tree.graph.position_m + np.array([*AT, 0.0]))
    for other, spot in trees:
        gap, _ = own.query(other.graph.position_m + np.array([*spot, 0.0]))
        assert gap.min() < 0.3
        assert (gap < 0.6).sum() < 0.3 * len(gap)
        assert np.linalg.norm(spot - AT) > 2.0


def test_scenes_are_kept_outside_the_repository_and_come_back_the_same(tmp_path, monkeypatch):
    monkeypatch.setenv("TREESCAN_SCENE_CACHE", str(tmp_path))
    options = {"height_m": 7.0, "dbh_m": 0.25, "bole_m": 1.6, "fork_m": 2.0}
    first = make_scene("leaning", 0, "phone", surroundings="none", max_points=60_000, **options)
    assert len(list(tmp_path.iterdir())) == 1
    again = make_scene("leaning", 0, "phone", surroundings="none", max_points=60_000, **options)
    assert np.array_equal(first.cloud.xyz, again.cloud.xyz)


def test_the_catalogue_covers_what_is_asked():
    scenes = evaluation_scenes()
    assert len(scenes) >= 24
    assert len({s.shape for s in scenes}) >= 4
    assert {s.column for s in scenes} == set(COLUMNS)
    assert {s.in_leaf for s in scenes} == {True, False}
    assert {s.registration for s in scenes} == {"good", "poor"}
    assert len({s.name for s in scenes + touching_scenes()}) == len(scenes) + len(touching_scenes())


def test_an_unknown_setting_is_refused():
    with pytest.raises(ValueError, match="neither good nor poor"):
        instrument("tripod", "middling")
    with pytest.raises(ValueError, match="not none, yard or touching"):
        around("forest", p.terrain(np.random.default_rng(0)), grow("leaning", 0), AT, None, 0)
