"""People, bins and posts beside a tree are never taken for it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from treescan.errors import ScanError
from treescan.pointcloud.cloud import PointCloud
from treescan.pointcloud.ground import find_ground
from treescan.pointcloud.isolate import isolate_tree
from treescan.pointcloud.reading import read_scan
from treescan.pointcloud.stems import find_stems

DATA = Path(__file__).parents[3] / "shared" / "data"
GROUND, TREE, POST, PERSON = range(4)


def upright(x, y, radius, low, high, rng, per_m=900):
    count = int(per_m * (high - low))
    angle = rng.uniform(0, 2 * np.pi, count)
    return np.column_stack(
        (x + radius * np.cos(angle), y + radius * np.sin(angle), rng.uniform(low, high, count))
    )


def limbs(x, y, low, high, reach, rng, number=40):
    parts = []
    for k in range(number):
        start = rng.uniform(low, high)
        turn = k * 2.4
        out = np.sort(rng.uniform(0, reach * (1.3 - (start - low) / (high - low)), 220))
        along = np.column_stack((np.cos(turn) * out, np.sin(turn) * out, 0.3 * out))
        parts.append(along + np.array([x, y, start]) + rng.normal(0, 0.015, along.shape))
    return np.vstack(parts)


def lamp(x, y, rng):
    arm = np.column_stack((x + rng.uniform(0, 1.0, 900), np.full(900, y), np.full(900, 7.0)))
    return np.vstack((upright(x, y, 0.08, 0, 7, rng), arm + rng.normal(0, 0.03, arm.shape)))


def person(x, y, rng):
    return np.vstack(
        (upright(x, y, 0.19, 0.05, 1.5, rng, 2500), upright(x, y, 0.1, 1.5, 1.8, rng, 2500))
    )


def scene(*kinds):
    rng = np.random.default_rng(3)
    ground = np.column_stack((rng.uniform(-9, 9, (60_000, 2)), rng.normal(0, 0.01, 60_000)))
    things = {
        TREE: lambda: np.vstack(
            (upright(0, 0, 0.12, 0, 8, rng), limbs(0, 0, 2.6, 7.5, 2.6, rng)),
        ),
        POST: lambda: lamp(-4.0, 1.0, rng),
        PERSON: lambda: person(1.6, 0.3, rng),
    }
    parts = [ground, *(things[kind]() for kind in kinds)]
    xyz = np.vstack(parts).astype(np.float32)
    label = np.repeat([GROUND, *kinds], [len(part) for part in parts])
    return PointCloud(xyz, np.zeros(3), spacing_m=0.02, source_name="scene"), label


@pytest.mark.parametrize("near_m", [None, (0.2, 0.1), (-1.4, 0.4)])
def test_the_tree_is_taken_and_neither_the_person_nor_the_lamp(near_m):
    cloud, label = scene(TREE, POST, PERSON)
    taken = isolate_tree(cloud, find_ground(cloud), near_m=near_m)
    kept = label[taken.index]
    assert (kept == TREE).sum() > 0.97 * (label == TREE).sum()
    assert (kept == TREE).mean() > 0.995
    assert np.hypot(*taken.base_m[:2]) < 0.05
    assert any("taken for posts" in note for note in taken.notes)


def test_a_person_is_no_stem():
    cloud, _ = scene(TREE, PERSON)
    assert [stem.diameter_m for stem in find_stems(cloud, find_ground(cloud))] == pytest.approx(
        [0.24], abs=0.02
    )


def test_a_post_alone_is_taken_with_a_warning():
    """It could be the stem of a tree whose limbs are down already: the user decides."""
    cloud, _ = scene(POST)
    taken = isolate_tree(cloud, find_ground(cloud))
    assert any(note.startswith("WARNING: what was taken has no crown") for note in taken.notes)


def test_a_tree_has_a_crown():
    cloud, _ = scene(TREE)
    taken = isolate_tree(cloud, find_ground(cloud))
    assert not any("crown" in note for note in taken.notes if "WARNING" in note)


def test_a_real_street_lamp_is_refused():
    path = DATA / "urban" / "nyc_lightpole_chunked.las"
    if not path.exists():
        pytest.skip("the real scans are not here")
    cloud = read_scan([path], scan_units="us-ft")
    with pytest.raises(ScanError, match="looks like a post"):
        isolate_tree(cloud, find_ground(cloud))


def test_isolated_points_in_the_crown_are_dropped():
    cloud, label = scene(TREE)
    rng = np.random.default_rng(5)
    strays = rng.uniform((-2.0, -2.0, 9.0), (2.0, 2.0, 9.5), (6, 3)).astype(np.float32)
    with_strays = PointCloud(np.vstack((cloud.xyz, strays)), np.zeros(3), spacing_m=0.02)
    taken = isolate_tree(with_strays, find_ground(with_strays))
    assert not np.isin(taken.index, np.arange(len(cloud), len(with_strays))).any()
    assert (label[taken.index] == TREE).sum() > 0.97 * (label == TREE).sum()
