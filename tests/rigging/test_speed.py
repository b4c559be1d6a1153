"""Timing of the section check; shown, never judged."""

import time

import numpy as np
import pytest

from tests.rigging.trees import OAK, measures
from tests.scenes.grow import truth_graph
from treescan.rigging.model import spar_model
from treescan.rigging.spar import each_a_case, peak_shares
from treescan.site.model import Site
from treescan.wood.mass import green_mass


@pytest.mark.benchmark
def test_ten_thousand_loads_on_a_large_tree(capsys):
    graph = truth_graph("broadleaf", 4, dbh_m=1.1, height_m=27.0)
    mass = green_mass(graph, OAK)
    model = spar_model(graph, mass, OAK, measures(), Site(local=True))
    rng = np.random.default_rng(0)
    nodes = rng.integers(1, len(graph), 10_000)
    loads = each_a_case(nodes, graph.position_m[nodes], 5000 * rng.normal(size=(10_000, 3)))
    peak_shares(model, loads)
    start = time.perf_counter()
    got = peak_shares(model, loads)
    spent = time.perf_counter() - start
    with capsys.disabled():
        print(f"\n10,000 loads on {len(graph):,} nodes: {spent:.3f} s")
    assert (got.share > 0).all()
