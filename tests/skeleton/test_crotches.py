"""Forks are followed down between members that ghost points hang together, and none is found."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.skeleton.test_extract import skin
from treescan.skeleton.geodesic import measure_from_base
from treescan.skeleton.rings import cut_rings
from treescan.skeleton.voxels import neighbours, symmetric_edges, voxelise

STEM_M, TOP_M, RADIUS_M, OUT = 0.6, 3.0, 0.08, 0.25


def rings_of(points):
    """Rings of voxels and the rings' heights."""
    voxels = voxelise(points, 0.02, np.zeros(3))
    centre = voxels.centre_m
    edges = symmetric_edges(*neighbours(centre, 14, 0.11))
    height = centre[:, 2] - centre[:, 2].min()
    seeds = np.flatnonzero(height < 0.1)
    paths = measure_from_base(centre, edges, seeds, height, height < 0.1)
    whole = np.ones(len(centre), dtype=bool)
    return cut_rings(centre, edges, paths, 0.1, whole, ~whole, voxels.count)


def large_in(rings, low_m, high_m):
    """Rings of more than 40 voxels in each band whose rings lie between two heights."""
    band = np.floor(rings.distance_m / 0.1).astype(int)
    z = rings.centre_m[:, 2]
    large = (rings.count > 40) & (z > low_m) & (z < high_m)
    return np.unique(band[large], return_counts=True)[1]


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


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 1000), high_m=st.floats(1.6, 2.4), a_metre=st.integers(500, 1000))
def test_members_that_ghosts_hang_together_are_two_down_to_where_their_skins_part(
    seed, high_m, a_metre
):
    rng = np.random.default_rng(seed)
    stem = skin([0, 0, 0], [0, 0, STEM_M], 0.12, 0.12, 0.006)
    points = np.concatenate([stem, member(-1), member(1), ghosts(rng, high_m, a_metre)])
    apart_m = STEM_M + (RADIUS_M + 0.06) / OUT
    parts = large_in(rings_of(points), apart_m + 0.1, TOP_M - 0.3)
    assert len(parts) > 10
    assert set(parts) == {2}


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 1000), share=st.floats(0.12, 0.2))
def test_two_sides_of_one_stem_with_little_between_are_not_taken_for_two_stems(seed, share):
    rng = np.random.default_rng(seed)
    stem = skin([0, 0, 0], [0, 0, TOP_M], 0.2, 0.15, 0.006)
    seen = np.abs(np.sin(np.arctan2(stem[:, 1], stem[:, 0]))) > 0.5
    points = stem[seen | (rng.uniform(size=len(stem)) < share)]
    assert set(large_in(rings_of(points), 0.3, TOP_M - 0.3)) == {1}
