"""A wire is no tree; two limbs in line on either side of a stem are no wire."""

import numpy as np
import pytest

from tests.pointcloud.test_borders import CELL_M, limb, stick
from treescan.pointcloud.growth import cell_graph
from treescan.pointcloud.wires import find_wires, hanging_wires

TOP_M = 14.0
STEM, LIMBS, WIRE = range(3)


def spruce(rng):
    """A stem with two bare limbs in line at 5 m and short limbs all round higher up."""
    stem = [stick((x, y, 0), (x, y, TOP_M)) for x in (-0.1, 0.1) for y in (-0.1, 0.1)]
    upper = []
    for height in np.arange(6.5, TOP_M, 0.25):
        turn = rng.uniform(0, 2 * np.pi)
        out = (np.cos(turn), np.sin(turn), height + 0.1)
        upper.append(limb((0, 0, height), out, rng, 4, 0.4))
    pair = [stick((side * 0.1, 0, 5.0), (side * 3.2, 0, 5.15)) for side in (-1.0, 1.0)]
    return np.concatenate(stem + upper), np.concatenate(pair)


def hung(away_m, end_m):
    """A sagging wire past the stem in x, ``away_m`` off it, from ``end_m`` on."""
    x = np.arange(end_m, 12.0, 0.02)
    return np.column_stack((x, np.full(len(x), away_m), 5.2 + 0.004 * (x - 4.0) ** 2))


def left_out(parts):
    """Share of each part's points in cells that are taken for wires, and the chains found."""
    xyz = np.concatenate(parts)
    part = np.repeat(np.arange(len(parts)), [len(p) for p in parts])
    graph = cell_graph(xyz.astype(np.float32), CELL_M, reach_m=0.3)
    above = graph.centre_m[:, 2].astype(np.float64)
    trunk = np.flatnonzero(np.abs(above - 1.3) < 0.2)
    keep = np.ones(len(above), dtype=bool)
    wire = hanging_wires(graph, above, keep, trunk, np.zeros(len(trunk), dtype=np.int64))
    of_point = wire[graph.cell_of_point]
    share = [of_point[part == k].mean() for k in range(len(parts))]
    return share, find_wires(graph.centre_m, above, graph.cell_m)


@pytest.mark.parametrize("seed", range(3))
def test_two_limbs_in_line_through_a_stem_are_kept(seed):
    share, chains = left_out(spruce(np.random.default_rng(seed)))
    assert chains  # they do look like one
    assert max(share) == 0.0


@pytest.mark.parametrize(("away_m", "end_m"), [(0.9, -8.0), (0.0, 0.15)])
def test_a_wire_that_passes_a_stem_or_ends_at_it_is_left_out(away_m, end_m):
    stem, _ = spruce(np.random.default_rng(0))
    (of_stem, of_wire), _ = left_out([stem, hung(away_m, end_m)])
    assert of_wire > 0.9
    assert of_stem < 0.01


@pytest.mark.parametrize(("rise_per_m", "run_m", "wire"), [(0.45, 14.0, True), (0.45, 6.0, False)])
def test_a_long_steep_span_is_a_wire_and_a_short_one_could_be_a_limb(rise_per_m, run_m, wire):
    stem, _ = spruce(np.random.default_rng(0))
    x = np.arange(0.15, run_m, 0.02)
    span = np.column_stack((x, np.zeros(len(x)), 3.5 + rise_per_m * x - 0.004 * x * (run_m - x)))
    (of_stem, of_span), _ = left_out([stem, span])
    assert of_stem < 0.01
    assert (of_span > 0.9) if wire else (of_span == 0.0)
