"""What the site file names is not the tree's."""

import numpy as np

from treescan.pipeline.known_things import without_targets
from treescan.pointcloud.cloud import Ground, PointCloud
from treescan.site.model import Site, Target, TreeHint

GROUND = Ground(-20.0, -20.0, 10.0, np.full((5, 5), 1.0), np.ones((5, 5), dtype=bool))
SITE = Site(
    local=True,
    tree=TreeHint(near_m=(0.0, 0.0)),
    target=(
        Target(name="shed", footprint_m=((2, 2), (4, 2), (4, 4), (2, 4)), height_m=2.5),
        Target(name="fence", path_m=((-5, -5), (5, -5)), width_m=0.1, height_m=1.8),
    ),
)


def test_walls_and_what_is_inside_go_and_wood_above_the_roof_stays():
    points = {
        (2.0, 3.0, 2.0): False,  # wall
        (3.0, 3.0, 3.5): False,  # roof
        (3.0, 3.0, 5.0): True,  # limb over the roof
        (1.5, 3.0, 2.0): True,  # half a metre off the wall
        (0.0, -5.0, 2.0): False,  # fence
        (0.0, -5.0, 4.0): True,  # limb over the fence
    }
    cloud = PointCloud(np.array(list(points), np.float32), np.zeros(3))
    kept, rows, notes = without_targets(cloud, GROUND, SITE)
    assert rows.tolist() == [i for i, stays in enumerate(points.values()) if stays]
    np.testing.assert_array_equal(kept.xyz, cloud.xyz[rows])
    assert any("shed" in note and "2 points" in note for note in notes)


def test_a_site_without_targets_changes_nothing():
    cloud = PointCloud(np.zeros((5, 3), np.float32), np.zeros(3))
    kept, rows, notes = without_targets(cloud, GROUND, Site(local=True))
    assert kept is cloud
    assert (len(rows), notes) == (5, ())


def test_without_the_trees_place_nothing_is_left_out():
    cloud = PointCloud(np.array([(2.0, 3.0, 2.0)], np.float32), np.zeros(3))
    blind = SITE.model_copy(update={"tree": TreeHint()})
    assert without_targets(cloud, GROUND, blind)[0] is cloud
