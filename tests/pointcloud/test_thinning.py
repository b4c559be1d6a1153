"""The voxel thinner beside the same rule in plain Python, whatever the chunks and the room."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treescan.pointcloud.source import read_ahead
from treescan.pointcloud.thinning import FEWEST_SLOTS, FULL, VoxelThinner

SIDE_M = 0.25


def scattered(seed, count, *, spread_m=1.5):
    """Points about the origin, some of them twice, not finite or beyond the grid."""
    rng = np.random.default_rng(seed)
    xyz = rng.normal(0.0, spread_m, (count, 3)).astype(np.float32)
    xyz[rng.integers(0, count, count // 10)] = xyz[rng.integers(0, count, count // 10)]
    for bad in (np.nan, np.inf, 1e7):
        xyz[rng.integers(0, count), rng.integers(0, 3)] = bad
    rgb = rng.integers(0, 65536, (count, 3)).astype(np.uint16)
    return xyz, rgb, rng.integers(0, 60000, count).astype(np.uint16)


def by_hand(xyz, rgb, tone):
    """Kept rows in the order of their voxels, and what was dropped; all in single precision."""
    one = np.float32(1.0)
    voxels, dropped = {}, {"not_finite": 0, "duplicates": 0, "far": 0}
    for i, point in enumerate(xyz):
        if not np.isfinite(point).all():
            dropped["not_finite"] += 1
            continue
        place = np.floor(point.astype(np.float64) * (1.0 / SIDE_M))
        if np.abs(place).max() >= (1 << 20) - 1:
            dropped["far"] += 1
            continue
        kept = voxels.setdefault(tuple(place), [i, point.copy(), 0])
        if kept[2] and (xyz[kept[0]] == point).all():
            dropped["duplicates"] += 1
            continue
        kept[2] = min(kept[2], 254) + 1
        kept[1] += one / np.float32(kept[2]) * (point - kept[1])
        new, old = ((xyz[k] - kept[1]) ** 2 for k in (i, kept[0]))
        if new[0] + new[1] + new[2] < old[0] + old[1] + old[2]:
            kept[0] = i
    rows = [kept[0] for kept in voxels.values()]
    return xyz[rows], (rgb[rows] >> 8).astype(np.uint8), tone[rows].astype(np.float32), dropped


def thinned(xyz, rgb, tone, cuts=(), **how):
    thinner = VoxelThinner(SIDE_M, **how)
    for part in np.split(np.arange(len(xyz)), sorted(cuts)):
        thinner.add(xyz[part], rgb[part], tone[part], rgb_shift=8)
    return thinner.result()


@given(seed=st.integers(0, 2**32 - 1), count=st.integers(20, 1500), near=st.booleans())
@settings(max_examples=25, deadline=None)
def test_the_kept_points_are_those_of_the_rule(seed, count, near):
    points = scattered(seed, count, spread_m=0.2 if near else 1.5)
    got = thinned(*points)
    xyz, rgb, tone, dropped = by_hand(*points)
    assert {name: getattr(got, name) for name in dropped} == dropped
    np.testing.assert_array_equal(got.xyz, xyz)
    np.testing.assert_array_equal(got.rgb, rgb)
    np.testing.assert_array_equal(got.intensity, tone)


@given(
    cuts=st.lists(st.integers(0, 100_000), max_size=6),
    expected=st.sampled_from([0, 10_000, 3_000_000]),
    most=st.sampled_from([3_000, 12_000_000]),
)
@settings(max_examples=12, deadline=None)
def test_neither_chunks_nor_room_change_the_result(cuts, expected, most):
    """100,000 points, mostly one to a voxel: the table grows, or the voxels do."""
    points = scattered(5, 100_000, spread_m=9.0)
    whole = thinned(*points, max_voxels=most)
    parts = thinned(*points, cuts, expected=expected, max_voxels=most)
    for name in ("xyz", "rgb", "intensity"):
        np.testing.assert_array_equal(getattr(parts, name), getattr(whole, name))
    assert parts.voxel_m == whole.voxel_m
    assert (len(whole.xyz) > FULL * FEWEST_SLOTS) if most > 3_000 else (len(whole.xyz) <= 3_000)


@pytest.mark.parametrize("most", [40, 400])
def test_larger_voxels_hold_one_point_each_and_none_was_moved(most):
    xyz, rgb, tone = scattered(11, 5_000)
    got = thinned(xyz, rgb, tone, max_voxels=most)
    assert got.voxel_m > SIDE_M
    assert len(got.xyz) <= most
    places = np.floor(got.xyz.astype(np.float64) * (1.0 / got.voxel_m))
    assert len(np.unique(places, axis=0)) == len(places)
    fed = {tuple(point): k for k, point in enumerate(xyz)}
    rows = [fed[tuple(point)] for point in got.xyz]
    same = [(xyz == point).all(axis=1).sum() == 1 for point in got.xyz]
    np.testing.assert_array_equal(got.rgb[same], (rgb[rows] >> 8)[same])


def test_points_without_colour_leave_that_of_their_voxel():
    thinner = VoxelThinner(1.0)
    thinner.add(
        np.array([[0.1, 0.1, 0.1]], np.float32),
        np.array([[9, 8, 7]], np.uint8),
        np.array([5.0], np.float32),
    )
    thinner.add(np.array([[0.5, 0.5, 0.5], [0.4, 0.4, 0.4]], np.float32))
    got = thinner.result()
    assert got.xyz.tolist() == [[np.float32(0.4)] * 3]
    assert got.rgb.tolist() == [[9, 8, 7]]
    assert got.intensity.tolist() == [5.0]


def test_chunks_come_in_order_whether_or_not_work_on_them_is_told():
    """The next chunk waits for the work to begin, but not for ever, and its fault comes through."""
    begun = [0]

    def chunks():
        for number in range(4):
            yield number, 0.25 * (number + 1)
        raise OSError("cut short")

    for told in (0, 1):
        seen = []
        with pytest.raises(OSError, match="cut short"):
            for number, _ in read_ahead(chunks(), lambda: begun[0]):
                seen.append(number)
                begun[0] += told
        assert seen == [0, 1, 2, 3]


def test_the_next_chunk_is_begun_after_the_work(monkeypatch):
    monkeypatch.setattr("treescan.pointcloud.source.LONGEST_WAITS", 10**9)
    begun, when_decoded = [0], []

    def chunks():
        for number in range(5):
            when_decoded.append(begun[0])
            yield number, 0.2 * (number + 1)

    for _ in read_ahead(chunks(), lambda: begun[0]):
        before = len(when_decoded)
        time.sleep(0.002)  # what is done under Python's lock before the work
        assert len(when_decoded) == before
        begun[0] += 1
    assert when_decoded == [0, 1, 2, 3, 4]
