"""Solids of the site: distances against a dense reference, margins by voltage."""

import numpy as np
import pytest
import shapely

from treescan.errors import SiteFileError
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
