"""A leader whose axis is drawn aside by the stem it touches at breast height."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treescan.mensuration.breast_height import breast_height
from treescan.pointcloud.cloud import Ground, TreePoints
from treescan.skeleton.graph import TreeGraph

STEM_M, LEADER_M, BREAST_M = 0.12, 0.08, 1.3
FLAT = Ground(-20.0, -20.0, 40.0, np.zeros((2, 2)), np.ones((2, 2), dtype=bool))


def beside(tilt_deg, turn, bend=0.0):
    """Axis (k, 3) of a leader that touches the stem at breast height and leans away from it.

    ``bend`` lets it level out: a bough.
    """
    out = np.arange(0.0, 2.5, 0.1)
    up = out * np.cos(np.radians(tilt_deg)) * (1.0 - bend)
    aside = STEM_M + LEADER_M + out * np.sin(np.radians(tilt_deg))
    return np.column_stack([aside * np.cos(turn), aside * np.sin(turn), BREAST_M + up])


def drawn_tree(axis):
    """A stem, and a limb that runs through its wood below breast height to the clear axis."""
    stem = np.column_stack([np.zeros((41, 2)), np.linspace(0.0, 4.0, 41)])
    clear = np.hypot(axis[:, 0], axis[:, 1]) > 1.02 * (STEM_M + LEADER_M) + 0.02
    ahead = axis[clear]
    away = axis[0, :2] / np.hypot(*axis[0, :2])
    through = np.linspace(-0.10, 0.14, 5)
    flat = np.column_stack([through[:, None] * away, np.linspace(1.25, 1.29, 5)])
    limb = np.concatenate([flat, ahead])
    n, m = len(stem), len(limb)
    radius = np.concatenate([np.full(n, STEM_M), np.full(m, LEADER_M)])
    parent = np.concatenate([np.arange(-1, n - 1), [12], np.arange(n, n + m - 1)])
    return TreeGraph(
        position_m=np.concatenate([stem, limb]),
        radius_m=radius,
        radius_sd_m=np.full(n + m, 0.003),
        parent=parent.astype(np.int32),
        limb=np.repeat([0, 1], [n, m]).astype(np.int32),
        order=np.repeat([0, 1], [n, m]).astype(np.int32),
        support=np.ones(n + m),
        source=np.zeros(n + m, dtype=np.int32),
        bridged=np.zeros(n + m, dtype=bool),
        origin_m=np.zeros(3),
    )


def skin(start, along, radius_m, count, rng):
    """Points of a straight stem from 1 m below ``start`` to 1.5 m above."""
    along = along / np.linalg.norm(along)
    side = np.cross(along, [0.3, -0.5, 0.8])
    side /= np.linalg.norm(side)
    turn, way = rng.uniform(0, 2 * np.pi, count), rng.uniform(-1.0, 1.5, count)
    ring = np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * np.cross(along, side)
    points = start + way[:, None] * along + (radius_m + rng.normal(0, 0.002, count))[:, None] * ring
    return points


def scanned(axis, rng):
    """Points of both stems, without those inside the other's wood."""
    up = np.array([0.0, 0.0, 1.0])
    stem = skin(np.array([0.0, 0.0, BREAST_M]), up, STEM_M, 30_000, rng)
    lean = axis[-1] - axis[0]
    leader = skin(axis[0], lean, LEADER_M, 30_000, rng)
    unit = lean / np.linalg.norm(lean)
    off = stem - axis[0]
    off -= (off @ unit)[:, None] * unit
    stem = stem[np.linalg.norm(off, axis=1) > LEADER_M - 0.004]
    leader = leader[np.hypot(leader[:, 0], leader[:, 1]) > STEM_M - 0.004]
    xyz = np.concatenate([stem, leader]).astype(np.float32)
    return TreePoints(xyz, np.zeros(3), (), np.arange(len(xyz)))


@given(tilt=st.floats(15.0, 50.0), turn=st.floats(0.0, 2 * np.pi), seed=st.integers(0, 20))
@settings(max_examples=15, deadline=None)
def test_a_leader_drawn_aside_is_measured_where_its_own_line_crosses(tilt, turn, seed):
    axis = beside(tilt, turn)
    graph, rng = drawn_tree(axis), np.random.default_rng(seed)
    both = 2 * np.hypot(STEM_M, LEADER_M)
    found = breast_height(graph, FLAT, scanned(axis, rng), BREAST_M)
    assert found.stems == 2
    assert found.diameter_m == pytest.approx(both, rel=0.03)
    alone = breast_height(graph, FLAT, None, BREAST_M)
    assert alone.stems == 2
    assert alone.diameter_m == pytest.approx(both)


@given(turn=st.floats(0.0, 2 * np.pi), bend=st.floats(0.5, 0.9))
@settings(max_examples=10, deadline=None)
def test_a_bough_that_touches_the_stem_is_none(turn, bend):
    graph = drawn_tree(beside(45.0, turn, bend))
    found = breast_height(graph, FLAT, None, BREAST_M)
    assert found.stems == 1
    assert found.diameter_m == pytest.approx(2 * STEM_M)
