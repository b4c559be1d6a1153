"""Solids of the site: distances against a dense reference, margins by voltage."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from treescan.errors import SiteFileError
from treescan.geometry.open3d_gate import open3d
from treescan.pointcloud.cloud import Ground
from treescan.site.model import Site
from treescan.site.obstacles import build_obstacles, check_site_against_tree

L_SHAPE = ((4.0, 0.0), (9.0, 0.0), (9.0, 2.0), (6.0, 2.0), (6.0, 6.0), (4.0, 6.0))


def flat_ground(height=0.0):
    shape = (41, 41)
    return Ground(-20.0, -20.0, 1.0, np.full(shape, height), np.ones(shape, dtype=bool))


def site(**parts):
    return Site.model_validate({"local": True, **parts})


def scene():
    return site(
        target=[
            {"name": "house", "footprint_m": L_SHAPE, "height_m": 3.0},
            {"name": "fence", "path_m": [(-3.0, -4.0), (3.0, -4.0), (5.0, -8.0)], "width_m": 0.2,
             "height_m": 1.8, "margin_m": 0.5},
        ],
        conductor=[{"name": "line", "path_m": [(-8, 8, 7.0), (8, 8, 6.5)], "kilovolts": 11}],
        drop_zone=[{"name": "lawn", "footprint_m": [(-6, -2), (-1, -2), (-1, 3), (-6, 3)]}],
    )  # fmt: skip


def test_prism_distance_agrees_with_shapely_and_heights():
    rng = np.random.default_rng(1)
    obstacles = build_obstacles(scene(), flat_ground())
    points = rng.uniform((-10, -10, -0.5), (12, 12, 9), (4000, 3))
    found = obstacles.distance(points)
    polygon = shapely.Polygon(L_SHAPE)
    where = shapely.points(points[:, :2])
    plan = shapely.distance(polygon.exterior, where)
    plan = np.where(shapely.contains(polygon, where), -plan, plan)
    rise = np.maximum(-1.0 - points[:, 2], points[:, 2] - 3.0)
    expected = np.where(
        (plan <= 0) & (rise <= 0),
        np.maximum(plan, rise),
        np.hypot(np.maximum(plan, 0), np.maximum(rise, 0)),
    )
    np.testing.assert_allclose(found[:, 0], expected, atol=1e-9)


def test_band_and_wire_distances():
    obstacles = build_obstacles(scene(), flat_ground(2.0))
    found = obstacles.distance([[0.0, 0.0, 3.0], [0.0, 8.0, 6.75], [0.0, -4.0, 5.8]], 0.25)
    assert found[0, 1] == pytest.approx(4.0 - 0.1 - 0.25)
    assert found[1, 2] == pytest.approx(-0.02 - 0.25, abs=1e-3)
    assert found[2, 1] == pytest.approx(5.8 - 3.8 - 0.25)


def test_distances_agree_with_a_mesh_library():
    """The same house and wire as triangles, asked of open3d: outside within a millimetre.

    Walls stand a metre into the ground; the wire's tube has a radius of 2 cm.
    """
    o3d = open3d()

    def asked(meshes, points):
        world = o3d.t.geometry.RaycastingScene(nthreads=1)
        for mesh in meshes:
            world.add_triangles(o3d.t.geometry.TriangleMesh.from_legacy(mesh))
        return world.compute_distance(o3d.core.Tensor(points.astype(np.float32))).numpy()

    def block(x0, y0, x1, y1):
        mesh = o3d.geometry.TriangleMesh.create_box(x1 - x0, y1 - y0, 4.0)
        return mesh.translate((x0, y0, -1.0))

    wire_from, wire_to = np.array([-8.0, 8.0, 7.0]), np.array([8.0, 8.0, 6.5])
    along = wire_to - wire_from
    tube = o3d.geometry.TriangleMesh.create_cylinder(0.02, float(np.linalg.norm(along)), 64, 4)
    turn = np.arctan2(along[0], along[2])
    tube.rotate(o3d.geometry.get_rotation_matrix_from_xyz((0.0, turn, 0.0)), (0.0, 0.0, 0.0))
    tube.translate((wire_from + wire_to) / 2.0)
    rng = np.random.default_rng(4)
    points = rng.uniform((-10, -10, -0.5), (12, 12, 9), (4000, 3))
    found = build_obstacles(scene(), flat_ground()).distance(points)
    house = asked([block(4, 0, 9, 2), block(4, 0, 6, 6)], points)
    outside = found[:, 0] > 0.0
    assert outside.sum() > 3000
    np.testing.assert_allclose(found[outside, 0], house[outside], atol=1e-3)
    middle = np.abs(points[:, 0]) < 7.0  # the ends of a wire are round here, flat on the tube
    np.testing.assert_allclose(found[middle, 2], asked([tube], points)[middle], atol=1e-3)


def test_fence_follows_sloping_ground():
    heights = np.tile(np.arange(41) * 0.2, (41, 1))
    ground = Ground(-20.0, -20.0, 1.0, heights, np.ones_like(heights, dtype=bool))
    fence = {"name": "f", "path_m": [(-10.0, 0.0), (10.0, 0.0)], "height_m": 1.0}
    obstacles = build_obstacles(site(target=[fence]), ground)
    tops = obstacles.solids.top
    assert tops.min() == pytest.approx(0.2 * 11 + 1.0)
    assert tops.max() == pytest.approx(0.2 * 30 + 1.0)


def test_margins_follow_voltage_and_low_voltage_drop_may_have_its_own():
    base = {"path_m": [(0.0, 0.0, 5.0), (9.0, 0.0, 5.0)]}
    obstacles = build_obstacles(
        site(
            conductor=[
                {"name": "a", "kilovolts": 33.0, **base},
                {"name": "b", "kilovolts": 133.0, **base},
                {"name": "c", "kilovolts": 0.4, "margin_m": 1.0, **base},
            ]
        ),
        flat_ground(),
    )
    np.testing.assert_allclose(obstacles.margin_m, [3.05, 3.95, 1.0])
    assert "network operator" in obstacles.notes[0]
    assert "sags" in build_obstacles(scene(), flat_ground()).notes[0]


def test_landings_default_to_drop_zones():
    obstacles = build_obstacles(scene(), flat_ground())
    assert obstacles.landings == obstacles.drop_zones
    assert obstacles.drop_zones[0].max_energy_j == 30e3


def test_site_must_be_localised():
    with pytest.raises(SiteFileError, match="localised"):
        build_obstacles(Site(), flat_ground())


@pytest.mark.parametrize("base", [(5.0, 1.0, 0.0), (3.8, 3.0, 0.0)])
def test_target_on_the_stem_is_refused(base):
    with pytest.raises(SiteFileError, match=r"target \[1\] \('house'\) stands on the stem"):
        check_site_against_tree(scene(), base, 0.6)


def test_target_beside_the_stem_is_fine():
    check_site_against_tree(scene(), (3.0, 3.0, 0.0), 0.6)


@settings(deadline=None)
@given(st.integers(0, 10_000))
def test_the_nearest_of_some_balls_is_the_least_distance(seed):
    """Distance of many balls at once, which leaves most parts out, against one by one."""
    rng = np.random.default_rng(seed)
    obstacles = build_obstacles(scene(), flat_ground())
    points, radius = rng.uniform(-12, 12, (9, 3)), rng.uniform(0.0, 1.0, 9)
    gap, ball = obstacles.nearest(points, radius)
    every = obstacles.distance(points, radius)
    np.testing.assert_array_equal(gap, every.min(axis=0))
    np.testing.assert_array_equal(every[ball, range(len(gap))], gap)
