"""How many candidate pieces a second; prints, never fails on a number."""

import time

import numpy as np
import pytest

from treescan.wood.mass import green_mass
from treescan.wood.pieces import PieceTable
from treescan.wood.species import find_species

from .trees import grown


@pytest.mark.benchmark
def test_candidate_pieces_a_second():
    graph = grown("broadleaf", 0)
    table = PieceTable(graph, green_mass(graph, find_species("white oak"), in_leaf=True))
    rng = np.random.default_rng(0)
    count = 200_000
    butts = rng.integers(1, len(graph), count)
    offsets = 3 * np.arange(count + 1)
    inner = rng.integers(1, len(graph), 3 * count)
    table.candidates(butts[:2], (offsets[:3], inner[:6]))
    start = time.perf_counter()
    found = table.candidates(butts, (offsets, inner))
    rate = count / (time.perf_counter() - start)
    print(f"{rate:,.0f} candidate pieces a second, {len(graph)} nodes, 3 inner cuts each")
    assert np.isfinite(found.mass_kg).all()
