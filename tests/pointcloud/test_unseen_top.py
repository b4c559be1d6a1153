"""A crown beyond the instrument's reach is said, with a rough share that holds the truth."""

from __future__ import annotations

import numpy as np
import pytest

from treescan.pointcloud.cloud import Ground
from treescan.pointcloud.unseen import what_was_unseen

LEVEL = Ground(-10.0, -10.0, 0.5, np.zeros((41, 41)), np.ones((41, 41), dtype=bool))


def crown(height_m: float, cut_m: float, seed: int = 1):
    """An ellipsoid crown of twigs from a third of the height on a stem, cut off; and its share."""
    rng = np.random.default_rng(seed)
    ball = rng.normal(size=(60_000, 3))
    ball *= rng.uniform(0, 1, (len(ball), 1)) ** (1 / 3) / np.linalg.norm(ball, axis=1)[:, None]
    middle, half = height_m * 2 / 3, height_m / 3
    xyz = ball * [0.8 * half, 0.8 * half, half] + [0, 0, middle]
    stem = np.column_stack((rng.normal(0, 0.05, (4000, 2)), rng.uniform(0, middle, 4000)))
    seen = xyz[:, 2] < cut_m
    return np.vstack((xyz[seen], stem[stem[:, 2] < cut_m])).astype(np.float32), 1 - seen.mean()


@pytest.mark.parametrize("height_m", [7.0, 8.0, 9.0])
def test_a_crown_that_ends_where_phones_end(height_m):
    xyz, missing = crown(height_m, 6.5)
    found = what_was_unseen(xyz, np.zeros(3), (), LEVEL, ceiling_m=6.5)
    low, high = found.beyond_share
    assert found.top_cut
    assert low <= missing <= high
    assert any("more than 6.5 m above the ground" in text for text in found.sentences)


def test_a_whole_tall_crown_gets_no_such_warning():
    xyz, _ = crown(14.0, 20.0)
    found = what_was_unseen(xyz, np.zeros(3), (), LEVEL, ceiling_m=14.0)
    assert not found.top_cut
    assert found.beyond_share == (0.0, 0.0)
    assert not any("WARNING" in text for text in found.sentences)
