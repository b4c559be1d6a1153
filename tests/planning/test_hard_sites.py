"""Sites that leave little or no way: what the planner does, and what it says would help."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from tests.planning.jobs import inputs_of
from tests.planning.sites import glass_all_round, open_field, wire_over_the_crown
from tests.planning.trees import grown_tree
from treescan.planning.candidates import LEAST_SPLIT_KG
from treescan.planning.job import prepare
from treescan.planning.near_pass import Strike, borne_by
from treescan.planning.planner import make_plan


@cache
def planned(name):
    site = {"wire": wire_over_the_crown, "glass": glass_all_round, "field": open_field}[name]()
    inputs = inputs_of(grown_tree(3, 8.0, 0.22, limbs=4, side_branches=1), site)
    return inputs, make_plan(inputs)


def broken(plan):
    return [s for s in plan.steps if s.broken_limits]


def test_a_wire_in_the_crown_is_for_its_operator_and_nothing_else_is_blamed():
    _, plan = planned("wire")
    assert not plan.feasible
    assert "have its operator switch it off" in plan.smallest_change
    assert all("feeder" in b for s in broken(plan) for b in s.broken_limits)
    assert "m short" in plan.smallest_change


def test_glass_all_round_names_each_side_the_lack_and_honest_ways_out():
    _, plan = planned("glass")
    if plan.feasible:
        assert plan.smallest_change == ""
        return
    assert "crane or lift" in plan.smallest_change
    for step in broken(plan):
        assert all(any(ch.isdigit() for ch in b) or "roll" in b for b in step.broken_limits)
        assert step.reasons
    numbers = [str(s.number) for s in broken(plan)[:3]]
    assert all(n in plan.smallest_change for n in numbers)


def test_no_plan_leaves_slivers_where_the_neighbour_could_hold_them():
    for name in ("field", "glass"):
        inputs, plan = planned(name)
        rules = prepare(inputs).rules
        slivers = [
            s
            for s in plan.steps
            if not s.broken_limits
            and (s.piece.length_m < rules.least_length_m or s.piece.mass_kg.high < LEAST_SPLIT_KG)
        ]
        assert len(slivers) <= len(broken(plan))


def test_the_chosen_plan_is_beaten_by_no_other_in_every_figure():
    for name in ("field", "glass", "wire"):
        _, plan = planned(name)
        mine = next(a for a in plan.alternatives if a.explanation.startswith("Chosen"))
        assert plan.name == mine.name
        assert "is at least as good in every figure" not in mine.explanation


def test_struck_wood_counts_when_it_carries_something():
    inputs, _ = planned("field")
    job = prepare(inputs)
    anchor = next(a for a in job.usable if a.height_m > 3.0)
    there = Strike(anchor.node, anchor.height_m, tuple(anchor.position_m))
    assert borne_by(job, there, [anchor]) is anchor
    assert borne_by(job, there, []) is None
    foot = replace(there, node=1, height_m=0.2)
    assert np.linalg.norm(inputs.graph.position_m[1] - anchor.position_m) > 1.0
    assert borne_by(job, foot, [anchor]) is None
