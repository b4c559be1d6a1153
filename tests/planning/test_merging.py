"""Fewer cuts: what the merging leaves out keeps every limit, and it leaves out something."""

import numpy as np
import pytest

from tests.planning.jobs import grown_inputs, sample_inputs
from tests.planning.sites import yard
from treescan.planning import dividing
from treescan.planning.candidates import split_piece
from treescan.planning.dividing import divide, with_ways
from treescan.planning.job import prepare
from treescan.planning.judging import Judge
from treescan.planning.merging import with_fewer_cuts
from treescan.planning.options import CREDIBLE


def divided(job):
    division = divide(job, lambda _share: None)
    return with_ways(division, division.pieces)


@pytest.mark.parametrize("name", ["maple_phone", "oak_pond"])
def test_fewer_pieces_that_are_all_kept_where_they_were_kept(name, monkeypatch):
    job = prepare(sample_inputs(name))
    fewer = divided(job)
    monkeypatch.setattr(dividing, "with_fewer_cuts", lambda job, pieces, *rest: pieces)
    finer = divided(job)
    assert len(fewer.pieces) < len(finer.pieces)
    assert sum(not w.kept for w in fewer.ways) <= sum(not w.kept for w in finer.ways)


def test_a_cut_that_may_not_be_left_out_stays():
    job = prepare(grown_inputs("broadleaf", 2, yard(), height_m=10.0))
    pieces = dividing._start(job)
    judged = Judge(job)
    left = with_fewer_cuts(job, pieces, judged.options, judged.may_fall, set())
    assert left.cuts.tolist() == pieces.cuts.tolist()


def test_pieces_joined_keep_the_rules_of_size_and_the_chance():
    job = prepare(grown_inputs("broadleaf", 2, yard(), height_m=10.0))
    coarse = dividing._start(job)
    row = int(np.argmax([len(nodes) for nodes in coarse.members]))
    finer = split_piece(coarse, row, job.inputs.mass, job.inputs.ground, job.rules, 0.2)
    judged = Judge(job)
    new = set(finer.cuts.tolist()) - set(coarse.cuts.tolist())
    joined = with_fewer_cuts(job, finer, judged.options, judged.may_fall, new)
    before = {int(c): judged(finer, r) for r, c in enumerate(finer.cuts)}
    worst = max(w.options[0].chance for w in before.values())
    for number, cut in enumerate(joined.cuts):
        way = judged(joined, number)
        if way.piece.mass_kg.high > before[int(cut)].piece.mass_kg.high + 1e-9:
            assert way.kept
            assert way.piece.mass_kg.high <= job.rules.max_mass_kg
            assert way.options[0].chance <= max(CREDIBLE, worst)
