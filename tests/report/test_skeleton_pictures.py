"""Misfit of the skeleton to the points, as the picture colours it."""

import numpy as np
import pytest

from treescan.report.skeleton_pictures import node_misfit_m
from treescan.skeleton.graph import TreeGraph


def pole(radius_m=0.2, nodes=11) -> TreeGraph:
    n = nodes
    z = np.linspace(0.0, 2.0, n)
    return TreeGraph(
        position_m=np.column_stack([np.zeros(n), np.zeros(n), z]),
        radius_m=np.full(n, radius_m),
        radius_sd_m=np.full(n, 0.002),
        parent=np.arange(-1, n - 1, dtype=np.int32),
        limb=np.zeros(n, np.int32),
        order=np.zeros(n, np.int32),
        support=np.ones(n),
        source=np.zeros(n, np.int32),
        bridged=np.zeros(n, bool),
        origin_m=np.zeros(3),
    )


def skin(radius_m, low, high, count=4000):
    rng = np.random.default_rng(5)
    turn, z = rng.uniform(0, 2 * np.pi, count), rng.uniform(low, high, count)
    return np.column_stack([radius_m * np.cos(turn), radius_m * np.sin(turn), z])


def test_misfit_is_the_distance_of_the_points_from_the_skin():
    points = np.concatenate([skin(0.2, 0.0, 1.0), skin(0.215, 1.0, 1.6)])
    misfit = node_misfit_m(pole(), points)
    assert misfit[1:6] == pytest.approx(0.0, abs=1e-6)
    assert misfit[6:9] == pytest.approx(0.015, abs=1e-6)


def test_misfit_is_unknown_where_no_points_lie():
    misfit = node_misfit_m(pole(), skin(0.2, 0.0, 1.0))
    assert np.isnan(misfit[7:]).all()
    assert np.isnan(node_misfit_m(pole(), np.zeros((0, 3)))).all()
