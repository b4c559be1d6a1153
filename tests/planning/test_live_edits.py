"""One changed cut answered at once."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.planning.jobs import sample_inputs
from treescan.errors import InvalidInputError
from treescan.planning.dividing import pieces_of_cuts
from treescan.planning.edits import Edit
from treescan.planning.job import prepare
from treescan.planning.live_edits import evaluate_piece, preview_edit
from treescan.planning.planner import make_plan


@cache
def bench():
    inputs = sample_inputs("maple_phone")
    job, plan = prepare(inputs), make_plan(inputs)
    return job, pieces_of_cuts(job, [s.piece.butt_node for s in plan.steps]), plan


def test_the_pieces_of_a_plan_come_back_from_its_cuts():
    _, pieces, plan = bench()
    assert sorted(s.piece.butt_node for s in plan.steps) == pieces.cuts.tolist()


def test_a_review_agrees_with_the_plan_on_weight_and_length():
    job, pieces, plan = bench()
    for step in plan.steps[::6]:
        before = [s.piece.butt_node for s in plan.steps[: step.number - 1]]
        review = evaluate_piece(job, pieces, step.piece.butt_node, down=before)
        assert review.mass_kg.likely == pytest.approx(step.piece.mass_kg.likely)
        assert review.piece.length_m == pytest.approx(step.piece.length_m)
        assert review.kept
        assert [o.kept for o in review.options] == sorted(o.kept for o in review.options)[::-1]


def test_a_split_makes_two_pieces_of_the_same_wood():
    job, pieces, plan = bench()
    step = max(plan.steps, key=lambda s: len(s.piece.nodes))
    inside = int(step.piece.nodes[len(step.piece.nodes) // 2])
    seen = preview_edit(job, pieces, Edit("split", node=inside))
    assert {r.cut_node for r in seen.changed} == {inside, step.piece.butt_node}
    total = sum(r.mass_kg.likely for r in seen.changed)
    assert total == pytest.approx(step.piece.mass_kg.likely)
    assert seen.flags == ()
    for review in seen.changed:
        names = {c.target for c in review.best.clearances}
        assert names == {t.name for t in (*job.inputs.site.target, *job.inputs.site.conductor)}
    again = preview_edit(job, seen.pieces, Edit("merge", node=inside))
    assert again.gone == (inside,)
    assert np.array_equal(again.pieces.cuts, pieces.cuts)
    assert again.changed[0].mass_kg.likely == pytest.approx(total)


def test_a_moved_cut_shifts_weight_from_one_piece_to_the_other():
    job, pieces, _ = bench()
    row = next(
        r for r in range(len(pieces)) if pieces.holder[r] >= 0 and len(pieces.members[r]) > 6
    )
    cut, to = int(pieces.cuts[row]), int(pieces.members[row][2])
    seen = preview_edit(job, pieces, Edit("move cut", node=cut, to=to))
    assert seen.gone == (cut,)
    outer = next(r for r in seen.changed if r.cut_node == to)
    before = evaluate_piece(job, pieces, cut)
    assert outer.mass_kg.likely < before.mass_kg.likely


def test_an_anchor_that_is_down_is_not_offered():
    job, pieces, plan = bench()
    lined = next(s for s in plan.steps if s.anchor_id and s.anchor_id.startswith("A"))
    node = next(r.anchor.node for r in plan.anchors if r.anchor.anchor_id == lined.anchor_id)
    holder = int(pieces.cuts[pieces.piece_of[node]])
    if lined.piece.butt_node in job.inputs.graph.subtree(holder):
        pytest.skip("the anchor's wood carries the piece")
    review = evaluate_piece(job, pieces, lined.piece.butt_node, down=[holder])
    assert all(o.anchor is None or o.anchor.node != node for o in review.options)


def test_a_forced_way_is_judged_first():
    job, pieces, plan = bench()
    node = plan.steps[0].piece.butt_node
    seen = preview_edit(job, pieces, Edit("force", node=node, method="lower"))
    assert seen.changed[0].best.method == "lower"
    assert preview_edit(job, pieces, Edit("force", node=0, method="lower")).flags


def test_what_cannot_be_done_is_said():
    job, pieces, _ = bench()
    assert preview_edit(job, pieces, Edit("merge", node=1)).flags
    with pytest.raises(InvalidInputError, match="no cut at node"):
        evaluate_piece(job, pieces, int(pieces.cuts[-1]) + 1)
    with pytest.raises(InvalidInputError, match="is down by then"):
        outer = next(r for r in range(len(pieces)) if pieces.holder[r] >= 0)
        holder = int(pieces.cuts[pieces.holder[outer]])
        evaluate_piece(job, pieces, int(pieces.cuts[outer]), down=[holder])
