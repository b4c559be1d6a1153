"""Proposed things around the tree: places, heights, marks, and a site file that validates."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest
from shapely import LineString, Polygon

from tests.pointcloud.test_ground_and_tree import cloud_of, slope_z, yard
from treescan.errors import SiteFileError
from treescan.pointcloud.ground import find_ground
from treescan.pointcloud.isolate import isolate_tree
from treescan.pointcloud.openings import without_holes
from treescan.pointcloud.proposals import _is_wall, propose_site, proposed_site_toml
from treescan.site.reading import parse_site


@pytest.fixture(scope="module")
def proposals():
    xyz, _ = yard()
    cloud = cloud_of(xyz)
    ground = find_ground(cloud)
    return propose_site(cloud, ground, isolate_tree(cloud, ground))


def of_kind(proposals, kind):
    return [proposal for proposal in proposals if proposal.kind == kind]


def test_the_house_is_proposed_with_its_roof(proposals):
    (house,) = of_kind(proposals, "building")
    true = Polygon([(-11, -4), (-6, -4), (-6, 4), (-11, 4)])
    found = Polygon(house.shape_m)
    assert found.intersection(true).area / found.union(true).area > 0.85
    # the roof rises from 3 m to 5 m above the ground at x = -8, on ground that falls outward
    top = slope_z(-8.0, 0.0, 8.0) + 5.0 - slope_z(-11.0, 0.0, 8.0)
    assert house.height_m == pytest.approx(top, abs=0.6)


def test_the_wire_is_proposed_with_its_sag(proposals):
    (wire,) = of_kind(proposals, "wire")
    at = slope_z(-8.0, 0.0, 8.0)
    t = np.linspace(0, 1, 200)
    true = np.array([-6.0, -7.0, at + 5.0]) + t[:, None] * np.array(
        [19.0, 1.0, slope_z(13.0, -6.0, 8.0) + 1.5 - at]
    )
    true[:, 2] -= 4 * 0.5 * t * (1 - t)
    line = LineString(true[:, :2])
    assert max(line.distance(LineString([p, p + 1e-6])) for p in wire.shape_m[:, :2]) < 0.1
    heights = np.interp(wire.shape_m[:, 0], true[:, 0], true[:, 2])
    assert np.abs(wire.shape_m[:, 2] - heights).max() < 0.1
    assert LineString(wire.shape_m).length > 0.9 * LineString(true).length
    assert "sag 0.5" in wire.remark or "sag 0.4" in wire.remark


def test_the_shrub_is_proposed_and_open_ground_keeps_off_it(proposals):
    plants = [Polygon(p.shape_m) for p in of_kind(proposals, "plants")]
    shrub = Polygon(
        np.column_stack(
            (2 + 0.8 * np.cos(np.r_[0:6.28:0.3]), -3.5 + 0.8 * np.sin(np.r_[0:6.28:0.3]))
        )
    )
    assert max(plant.intersection(shrub).area for plant in plants) > 0.7 * shrub.area
    open_ground = [Polygon(p.shape_m) for p in of_kind(proposals, "open ground")]
    assert open_ground
    assert all(patch.is_valid for patch in open_ground)
    assert sum(patch.intersection(shrub).area for patch in open_ground) < 0.1 * shrub.area


def test_the_proposed_file_is_marked_and_only_proposes(proposals):
    origin = np.array([500_000.0, 4_000_000.0, 100.0])
    text = proposed_site_toml(proposals, origin)
    data = tomllib.loads(text)
    assert "drop_zone" not in data  # only a person may say where wood can fall
    assert "# [[drop_zone]]" in text
    entries = len(data.get("target", [])) + len(data.get("conductor", []))
    assert text.count("# proposed, how sure: 0.") >= entries
    assert "species" not in data["job"]
    for corner in data["target"][0]["footprint_m"]:
        assert abs(corner[0] - 500_000) < 100
        assert abs(corner[1] - 4_000_000) < 100
    assert all(0 < p.how_sure <= 0.9 for p in proposals)


def test_polygons_are_cut_until_no_hole_is_left():
    ring = Polygon(
        [(0, 0), (10, 0), (10, 6), (0, 6)],
        [[(2, 2), (4, 2), (4, 4), (2, 4)], [(6, 2), (8, 2), (8, 4), (6, 4)]],
    )
    parts = without_holes(ring)
    assert all(not part.interiors for part in parts)
    assert sum(part.area for part in parts) == pytest.approx(ring.area)


def test_a_wire_keeps_the_file_from_use_until_its_voltage_is_given(proposals):
    wires = [p for p in proposals if p.kind == "wire"]
    text = proposed_site_toml(wires, np.zeros(3)).replace('# species = "..."', "species = 'Acer'")
    with pytest.raises(SiteFileError, match="kilovolts is 'unknown'"):
        parse_site(text)
    told = parse_site(text.replace('"unknown"', "0.4"))
    assert [wire.kilovolts for wire in told.conductor] == [0.4] * len(wires)


def test_a_wall_is_no_fence():
    house = np.array([[0.0, 0.0], [8.0, 0.0], [8.0, 6.0], [0.0, 6.0]])
    assert _is_wall(np.array([[0.2, -0.3], [7.5, -0.2]]), [house])
    assert not _is_wall(np.array([[0.2, -2.0], [7.5, -2.0]]), [house])
    assert not _is_wall(np.array([[4.0, 0.0], [4.0, -9.0]]), [house])
