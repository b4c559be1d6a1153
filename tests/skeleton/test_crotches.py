"""Forks are followed down between members that ghost points hang together, and none is found."""

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.skeleton.test_extract import skin
from treescan.skeleton.geodesic import measure_from_base
from treescan.skeleton.rings import cut_rings
from treescan.skeleton.voxels import neighbours, symmetric_edges, voxelise

STEM_M, TOP_M, RADIUS_M, OUT = 0.6, 3.0, 0.08, 0.25


def rings_of(points, dense=True):
    """Rings of voxels; where it is not told how ``dense`` they are no fork is followed down."""
    voxels = voxelise(points, 0.02, np.zeros(3))
    centre = voxels.centre_m
    edges = symmetric_edges(*neighbours(centre, 14, 0.11))
    height = centre[:, 2] - centre[:, 2].min()
    seeds = np.flatnonzero(height < 0.1)
    paths = measure_from_base(centre, edges, seeds, height, height < 0.1)
    whole = np.ones(len(centre), dtype=bool)
    count = voxels.count if dense else np.ones_like(voxels.count)
    return cut_rings(centre, edges, paths, 0.1, whole, ~whole, count)


def large_in(rings, low_m, high_m):
    """Rings as large as a member's, not those of ghosts, in each band between two heights."""
    band = np.floor(rings.distance_m / 0.1).astype(int)
    large = rings.count > 100
    count = np.bincount(band[large])
    z = np.bincount(band[large], rings.centre_m[large, 2]) / np.maximum(count, 1)
    return count[(z > low_m) & (z < high_m)]


def member(side):
    """A member of the fork, leaning to one side."""
    return skin(
        [0, 0, STEM_M], [side * OUT * (TOP_M - STEM_M), 0, TOP_M], RADIUS_M, RADIUS_M, 0.006
    )


def ghosts(rng, high_m, a_metre):
    """Points strewn between the two members, about one a voxel."""
    z = rng.uniform(STEM_M, high_m, int(a_metre * (high_m - STEM_M)))
    x = rng.uniform(-1, 1, len(z)) * OUT * (z - STEM_M)
    return np.column_stack([x, rng.uniform(-RADIUS_M, RADIUS_M, len(z)), z])


def test_members_that_ghosts_hang_together_are_two_down_to_where_their_skins_part():
    apart_m = STEM_M + (RADIUS_M + 0.06) / OUT
    parts = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        strewn = ghosts(rng, rng.uniform(2.0, 2.4), rng.integers(400, 800))
        stem = skin([0, 0, 0], [0, 0, STEM_M], 0.12, 0.12, 0.006)
        points = np.concatenate([stem, member(-1), member(1), strewn])
        parts.append(large_in(rings_of(points), apart_m + 0.1, TOP_M - 0.3))
    # Without following down about half of the bands are one ring.
    assert np.mean(np.concatenate(parts) == 2) > 0.9


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 1000), share=st.floats(0.12, 0.2))
def test_two_sides_of_one_stem_with_little_between_are_not_taken_for_two_stems(seed, share):
    rng = np.random.default_rng(seed)
    stem = skin([0, 0, 0], [0, 0, TOP_M], 0.2, 0.15, 0.006)
    seen = np.abs(np.sin(np.arctan2(stem[:, 1], stem[:, 0]))) > 0.5
    points = stem[seen | (rng.uniform(size=len(stem)) < share)]
    assume(set(large_in(rings_of(points, dense=False), 0.0, TOP_M)) == {1})
    assert set(large_in(rings_of(points), 0.0, TOP_M)) == {1}
