"""A roof is left out with its strips and single lines of points; a limb close to it is not."""

import numpy as np
import pytest

from tests.pointcloud.test_borders import limb
from treescan.pointcloud.growth import cell_graph
from treescan.pointcloud.planes import flat_pieces
from treescan.pointcloud.structure_cells import structure_cells

EAVES_M, RIDGE_M, HALF_M, LONG_M = 3.0, 5.4, 3.5, 10.0


def slope(side, shown, rng, count=60_000):
    """Points of one side of a gable roof, where ``shown`` of the way along and down says."""
    along, down = rng.uniform(0, LONG_M, count), rng.uniform(0, 1, count)
    keep = shown(along, down)
    along, down = along[keep], down[keep]
    height = RIDGE_M - down * (RIDGE_M - EAVES_M)
    noise = rng.normal(0, 0.004, len(along))
    return np.column_stack((along, side * down * HALF_M, height + noise))


def strips(along, down):
    """Bands 0.3 m wide and two lines along the ridge, as between trees and at a graze."""
    band = np.abs((along - 2.0 * down) % 2.5 - 1.0) < 0.15
    return band | (np.abs(down - 0.1) < 0.005) | (np.abs(down - 0.2) < 0.005)


@pytest.mark.parametrize("seed", range(3))
def test_the_far_side_of_a_roof_is_left_out_with_the_near_one(seed):
    rng = np.random.default_rng(seed)
    over = np.array([5.0, 0.0, 8.5])
    hanging = limb(over, (5.5, 2.2, EAVES_M + 1.2), rng, 12)  # ends 0.3 m above the roof
    near, far = slope(-1, lambda a, d: d < 2, rng), slope(1, strips, rng)
    parts = [near, far, hanging]
    xyz = np.concatenate(parts).astype(np.float32)
    part = np.repeat(np.arange(3), [len(p) for p in parts])
    graph = cell_graph(xyz, 0.05, reach_m=0.6)
    found = structure_cells(graph.centre_m, graph.cell_m, graph.near)[graph.cell_of_point]
    alone = np.zeros(len(graph.centre_m), dtype=bool)
    for piece in flat_pieces(graph.centre_m, graph.cell_m, graph.near):
        alone[piece.cells] = True
    assert alone[graph.cell_of_point][part == 1].mean() < 0.9  # else this test shows nothing
    assert found[part == 0].mean() > 0.99
    assert found[part == 1].mean() > 0.97
    assert found[part == 2].mean() < 0.02


@pytest.mark.parametrize("seed", range(3))
def test_a_stem_beside_a_wall_is_no_part_of_it(seed):
    rng = np.random.default_rng(seed)
    wall = np.column_stack(
        (rng.uniform(0, 6, 40_000), rng.normal(0, 0.003, 40_000), rng.uniform(0, 3, 40_000))
    )
    turn = rng.uniform(0, np.pi, 12_000)
    stem = np.column_stack(
        (3 + 0.3 * np.cos(turn), -0.5 - 0.3 * np.sin(turn), rng.uniform(0, 4, 12_000))
    )
    xyz = np.concatenate((wall, stem)).astype(np.float32)
    graph = cell_graph(xyz, 0.05, reach_m=0.6)
    found = structure_cells(graph.centre_m, graph.cell_m, graph.near)[graph.cell_of_point]
    assert found[: len(wall)].mean() > 0.99
    assert found[len(wall) :].mean() < 0.02
