"""Ground and choice of the tree on scanned scenes with known truth (ray-cast; minutes)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.scenes import place
from tests.scenes.scene import make_scene
from treescan.pointcloud.ground import find_ground
from treescan.pointcloud.isolate import isolate_tree
from treescan.pointcloud.surface import stem_surface

pytestmark = pytest.mark.slow

SCENES = [
    {"shape": "broadleaf", "seed": 0},
    {"shape": "broadleaf", "seed": 1, "surroundings": "touching"},
    {"shape": "multistem", "seed": 2, "surroundings": "touching", "in_leaf": True},
    {"shape": "multistem", "seed": 130, "max_points": 1_200_000},
    {"shape": "conifer", "seed": 3, "setting": "mobile", "in_leaf": True},
    {"shape": "broadleaf", "seed": 5, "surroundings": "touching", "slope_deg": 35.0},
    {"shape": "leaning", "seed": 320, "surroundings": "touching", "max_points": 1_200_000},
    {
        "shape": "conifer",
        "seed": 911,
        "surroundings": "touching",
        "in_leaf": True,
        "max_points": 1_200_000,
    },
]


@pytest.mark.parametrize("options", SCENES, ids=lambda o: f"{o['shape']} {o['seed']}")
def test_ground_within_5_cm_and_the_tree_whole_and_alone(options):
    scene = make_scene(**options)
    ground = find_ground(scene.cloud)
    base = scene.truth.graph.position_m[0]
    ny, nx = ground.z_m.shape
    x, y = np.meshgrid(
        ground.x0_m + np.arange(nx) * ground.cell_m, ground.y0_m + np.arange(ny) * ground.cell_m
    )
    near = ground.seen & (np.hypot(x - base[0], y - base[1]) < 12.0)
    error = (ground.z_m - scene.ground.height(x, y))[near]
    assert np.sqrt(np.mean(error**2)) < 0.05
    tree = isolate_tree(scene.cloud, ground, near_m=scene.near_m)
    kept = np.zeros(len(scene.cloud), dtype=bool)
    kept[tree.index] = True
    assert kept[scene.label == place.WOOD].mean() >= 0.97
    mine = np.isin(scene.label[tree.index], [place.WOOD, place.LEAF, place.STRAY])
    assert (~mine).mean() <= 0.02


@pytest.mark.parametrize("toward_deg", [0.0, 60.0, 120.0])
def test_a_shift_of_15_mm_between_stations_is_reported_within_5_mm(toward_deg):
    scene = make_scene("broadleaf", 0)
    base = scene.truth.graph.position_m[0]
    near = np.hypot(*(scene.cloud.xyz[:, :2] - base[:2]).T) < 3.0
    for shift_m in (0.0, 0.015):
        xyz = scene.cloud.xyz.copy()
        along = np.radians(toward_deg)
        move = shift_m * np.array([np.cos(along), np.sin(along), 0.0])
        xyz[scene.station % 2 == 1] += move.astype(np.float32)
        cloud = replace(scene.cloud, xyz=xyz[near])
        tree = isolate_tree(cloud, find_ground(cloud), near_m=scene.near_m)
        found = stem_surface(tree.xyz, tree.stems[0])
        said = [note for note in tree.notes if "lies double" in note]
        if shift_m == 0.0:
            assert not said
        else:
            assert abs(found.shift_m - shift_m) < 0.005
            assert f"about {found.shift_m * 1000:.0f} mm apart" in said[0]
