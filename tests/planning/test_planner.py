"""Whole plans: what every one of them keeps, whatever the tree and the site."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.planning.jobs import grown_inputs, inputs_of, sample_inputs
from tests.planning.sites import box, open_field, yard
from tests.planning.trees import grown_tree
from treescan.planning.candidates import STUMP_HEIGHT_M
from treescan.planning.planner import make_plan
from treescan.site.model import Site


def small_job(seed=3, site=None):
    return grown_inputs("leaning", seed, site or open_field(), height_m=9.0)


def tiny_job(site):
    return inputs_of(grown_tree(3, 6.5, 0.2, limbs=4, side_branches=1), site)


def faults_of(inputs, plan) -> list[str]:
    """Partition, precedence and limits, straight from the steps."""
    graph, faults = inputs.graph, []
    standing = inputs.standing.copy()
    anchors = {r.anchor.anchor_id: r.anchor for r in plan.anchors}
    for number, step in enumerate(plan.steps, start=1):
        nodes = step.piece.nodes
        if step.number != number:
            faults.append(f"{number}: numbered {step.number}")
        if not standing[nodes].all():
            faults.append(f"{number}: takes wood twice")
        if step.anchor_id is not None:
            node = anchors[step.anchor_id].node
            if not standing[node] or node in nodes:
                faults.append(f"{number}: its anchor is gone")
        standing[nodes] = False
        if (standing[1:] & ~standing[graph.parent[1:]]).any():
            faults.append(f"{number}: wood hangs in the air")
        if step.load is not None and step.load.share > 1.0 and not step.broken_limits:
            faults.append(f"{number}: {step.load.share:.2f} of a limit, unsaid")
        if step.method == "lower" and step.load is None:
            faults.append(f"{number}: lowered without a load")
        names = [c.target for c in step.clearances]
        wanted = [t.name for t in (*inputs.site.target, *inputs.site.conductor)]
        if names != wanted:
            faults.append(f"{number}: clearances name {names}")
        if not np.all(np.diff(step.path.time_s) > 0):
            faults.append(f"{number}: time does not rise")
    height = graph.position_m[:, 2] - graph.position_m[0, 2]
    if (standing & inputs.standing & (height > STUMP_HEIGHT_M + 1e-6)).any():
        faults.append("wood above the stump is left")
    if plan.feasible != (not any(s.broken_limits for s in plan.steps)):
        faults.append("feasible does not fit the steps")
    return faults


@settings(
    deadline=None, max_examples=4, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)
@given(st.integers(0, 1000), st.sampled_from(["yard", "field"]))
def test_every_plan_keeps_the_rules(seed, place):
    site = yard() if place == "yard" else open_field()
    graph = grown_tree(seed, 8.0 + seed % 5, 0.2 + 0.02 * (seed % 7), limbs=6, side_branches=2)
    inputs = inputs_of(graph, site)
    assert faults_of(inputs, make_plan(inputs)) == []


@pytest.mark.slow
@pytest.mark.parametrize("shape", ["broadleaf", "conifer", "multistem", "leaning"])
def test_plans_of_full_grown_trees_keep_the_rules(shape):
    inputs = grown_inputs(shape, 5, yard())
    assert faults_of(inputs, make_plan(inputs)) == []


def test_an_open_field_needs_no_line_for_light_wood():
    plan = make_plan(small_job())
    assert plan.feasible
    assert plan.smallest_change == ""
    light = [s for s in plan.steps if s.piece.mass_kg.high < 50]
    assert light
    assert all(s.method in ("free fall", "hinge fall") for s in light)
    assert plan.steps[-1].piece.limb == 0


def test_the_same_job_gives_the_same_plan():
    first, second = make_plan(small_job()), make_plan(small_job())
    assert [s.piece.butt_node for s in first.steps] == [s.piece.butt_node for s in second.steps]
    assert [s.chance_of_breach for s in first.steps] == [s.chance_of_breach for s in second.steps]


def test_without_any_zone_the_plan_says_so_and_does_not_raise():
    plan = make_plan(tiny_job(Site(local=True)))
    assert not plan.feasible
    assert "larger drop zone or landing" in plan.smallest_change


def test_a_weak_surface_asks_for_a_mat():
    zone = {"name": "paving", "footprint_m": box(-30, -30, 30, 30), "max_energy_kj": 0.2}
    plan = make_plan(small_job(site=open_field(drop_zone=[zone])))
    broken = [s for s in plan.steps if s.broken_limits]
    lowered = [s for s in plan.steps if s.method == "lower"]
    assert lowered
    if broken:
        assert any("kJ" in b for s in broken for b in s.broken_limits)
        assert "mat" in plan.smallest_change


def taken(steps) -> list[int]:
    """All wood of some steps; plans may be cut in other places."""
    return sorted(int(node) for step in steps for node in step.piece.nodes)


def test_alternatives_are_whole_plans_with_a_paragraph_each():
    plan = make_plan(sample_inputs("maple_phone"))
    names = [a.name for a in plan.alternatives]
    assert names == ["balanced", "least load", "most clearance", "fastest", "fewest anchor moves"]
    for alternative in plan.alternatives:
        assert taken(alternative.steps) == taken(plan.steps)
        assert len(alternative.explanation) > 40
        assert alternative.hours.low <= alternative.hours.likely <= alternative.hours.high
    assert "ties in at" in plan.explanation or "No tie-in" in plan.explanation


def test_a_small_crew_is_slower():
    few = small_job(site=open_field(crew={"ground": 1, "chipper_t_h": 0.5}))
    many = small_job(site=open_field(crew={"ground": 4, "chipper_t_h": 5.0}))
    assert make_plan(few).hours.likely > make_plan(many).hours.likely


def test_a_wire_in_the_way_is_for_its_operator():
    wire = {"name": "line", "path_m": [(-9, 0.3, 4), (9, 0.3, 4)], "kilovolts": 11.0}
    plan = make_plan(tiny_job(open_field(conductor=[wire])))
    assert not plan.feasible
    assert "have its operator switch it off" in plan.smallest_change
    assert any("3.0 m is to be kept" in b for s in plan.steps for b in s.broken_limits)


def test_dead_wood_over_the_work_comes_first_and_is_said():
    inputs = grown_inputs("broadleaf", 3, open_field(), height_m=12.0, dbh_m=0.3)
    graph = inputs.graph
    limbs = [n for n in np.flatnonzero(graph.starts_limb) if graph.order[n] == 1]
    limb = int(graph.limb[max(limbs, key=lambda n: graph.position_m[n, 2] * graph.radius_m[n])])
    site = open_field(defect=[{"kind": "dead", "limb": limb}])
    sound = make_plan(inputs)
    dead = make_plan(inputs_of(graph, site))

    def place(plan):
        steps = [s.number for s in plan.steps if limb in graph.limb[s.piece.nodes]]
        return min(steps) / len(plan.steps)

    assert place(dead) <= place(sound)
    assert any("Dead or cracked wood" in c for c in dead.cautions)
    assert not any("Dead or cracked wood" in c for c in sound.cautions)


def test_a_storm_is_cautioned():
    plan = make_plan(small_job(site=open_field(conditions={"wind_m_s": 20.0})))
    assert any("Wind of 20 m/s" in c for c in plan.cautions)


def test_progress_rises_to_one():
    told: list[float] = []
    make_plan(small_job(), progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0


@pytest.mark.slow
def test_three_hundred_pieces_of_twenty_thousand_nodes_are_planned():
    graph = grown_tree(8, 26.0, 1.0, limbs=60, side_branches=8, step_m=0.04)
    assert len(graph) > 18_000
    site = open_field(limits={"max_piece_kg": 60.0, "log_length_m": 1.0})
    inputs = inputs_of(graph, site)
    plan = make_plan(inputs)
    assert len(plan.steps) >= 250
    assert faults_of(inputs, plan) == []


def test_a_lost_anchor_is_not_used():
    inputs = sample_inputs("maple_phone")
    plan = make_plan(inputs)
    used = {s.anchor_id for s in plan.steps if s.anchor_id and s.anchor_id.startswith("A")}
    if not used:
        pytest.skip("this plan hangs nothing from a fixed anchor")
    lost = {r.anchor.node for r in plan.anchors if r.anchor.anchor_id in used}
    after = make_plan(replace(inputs, lost_anchors=frozenset(lost)))
    nodes = {r.anchor.anchor_id: r.anchor.node for r in after.anchors}
    assert not {nodes[s.anchor_id] for s in after.steps if s.anchor_id} & lost
