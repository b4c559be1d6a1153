import copy
from dataclasses import replace
from functools import cache

import pytest

from tests.planning.jobs import grown_inputs, sample_inputs
from tests.planning.sites import open_field
from tests.planning.test_planner import faults_of
from treescan.errors import InvalidInputError
from treescan.planning.edits import Edit, edits_between, read_edits
from treescan.planning.planner import make_plan


def job():
    return grown_inputs("leaning", 3, open_field(), height_m=9.0)


@cache
def first():
    return make_plan(job())


def edited(*edits, inputs=None):
    inputs = replace(inputs or job(), edits=tuple(edits))
    return inputs, make_plan(inputs)


def cuts(plan):
    return [s.piece.butt_node for s in plan.steps]


def test_a_merged_cut_is_gone_and_its_wood_stays_in_the_plan():
    node = first().steps[0].piece.butt_node
    inputs, plan = edited(Edit("merge", node=node))
    assert node not in cuts(plan)
    assert faults_of(inputs, plan) == []
    assert any(node in s.piece.nodes for s in plan.steps)


def test_a_split_and_a_moved_cut_are_kept():
    long = max(first().steps, key=lambda s: len(s.piece.nodes))
    inside = int(long.piece.nodes[len(long.piece.nodes) // 2])
    inputs, plan = edited(Edit("split", node=inside))
    assert inside in cuts(plan)
    assert faults_of(inputs, plan) == []
    outer = next(s for s in first().steps if len(s.piece.nodes) > 6)
    node, to = int(outer.piece.nodes[0]), int(outer.piece.nodes[1])
    _, moved = edited(Edit("move cut", node=node, to=to))
    assert to in cuts(moved)
    assert node not in cuts(moved)


def test_a_forced_way_is_kept_and_flagged_where_it_breaks_a_limit():
    step = first().steps[0]
    _, plan = edited(Edit("force", node=step.piece.butt_node, method="lower"))
    forced = next(s for s in plan.steps if s.piece.butt_node == step.piece.butt_node)
    if forced.method == "lower":
        assert any("asked for by hand" in w for w in forced.warnings)
    else:
        assert any("not possible" in c for c in plan.cautions)


def test_a_forced_anchor_is_used_or_said_to_be_impossible():
    inputs = sample_inputs("maple_phone")
    plan = make_plan(inputs)
    step = next(s for s in plan.steps if s.method == "lower")
    others = [r.anchor for r in plan.anchors if not r.anchor.rejected]
    other = next(a for a in others if a.anchor_id != step.anchor_id)
    _, after = edited(Edit("force", node=step.piece.butt_node, anchor=other.node), inputs=inputs)
    again = next(s for s in after.steps if s.piece.butt_node == step.piece.butt_node)
    assert again.anchor_id == other.anchor_id or any("by hand" in c for c in after.cautions)


def test_an_order_asked_for_is_kept_where_the_tree_allows_it():
    start = cuts(first())
    leaves = [s.piece.butt_node for s in first().steps[:6]]
    wanted = (leaves[3], leaves[0])
    _, plan = edited(Edit("order", nodes=wanted))
    order = cuts(plan)
    kept = order.index(wanted[0]) < order.index(wanted[1])
    assert kept or any("cannot be kept" in c for c in plan.cautions)
    backwards = (start[-1], start[0])
    _, plan = edited(Edit("order", nodes=backwards))
    assert any("cannot be kept" in c for c in plan.cautions)


def test_an_impossible_edit_is_said():
    _, plan = edited(Edit("merge", node=1_000_000 % len(job().graph) or 3))
    assert any("no cut at node" in c for c in plan.cautions)


def test_edits_are_read_from_a_changed_plan():
    document = {
        "steps": [
            {"node": 5, "method": "lower", "tie": "butt", "anchor": "A1"},
            {"node": 9, "method": "free fall", "tie": None, "anchor": None},
            {"node": 3, "method": "free fall", "tie": None, "anchor": None},
        ]
    }
    changed = copy.deepcopy(document)
    changed["steps"][0]["tie"] = "tip"
    del changed["steps"][1]
    changed["steps"].reverse()
    found = edits_between(document, changed)
    assert Edit("merge", node=9) in found
    assert Edit("force", node=5, tie="tip") in found
    assert Edit("order", nodes=(3, 5)) in found
    assert edits_between(document, document) == ()


def test_rows_are_read_and_faults_named():
    rows = [{"do": "split", "node": 4}, {"do": "order", "nodes": [3, 1]}]
    assert read_edits(rows) == (Edit("split", node=4), Edit("order", nodes=(3, 1)))
    with pytest.raises(InvalidInputError, match="edit 1: do = 'cut'"):
        read_edits([{"do": "cut", "node": 3}])
    with pytest.raises(InvalidInputError, match="needs node, to"):
        read_edits([{"do": "move cut", "node": 3}])
