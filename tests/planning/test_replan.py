from dataclasses import replace

import numpy as np
import pytest

from tests.planning.jobs import grown_inputs, sample_inputs
from tests.planning.sites import open_field
from tests.planning.test_planner import faults_of
from treescan.errors import InvalidInputError
from treescan.planning.job import prepare
from treescan.planning.judging import ALWAYS_LINED_KG, ways_of
from treescan.planning.planner import make_plan
from treescan.planning.replan import FALLS, earlier_steps, replan, still_standing
from treescan.wood.mass import green_mass


def job():
    return grown_inputs("leaning", 3, open_field(), height_m=9.0)


def test_the_rest_of_a_job_takes_what_is_left_and_keeps_its_ways():
    inputs = job()
    plan = make_plan(inputs)
    rest = replan(inputs, plan.steps, {1, 2, 3}, set())
    gone = np.concatenate([s.piece.nodes for s in plan.steps[:3]])
    taken = np.concatenate([s.piece.nodes for s in rest.steps])
    assert not np.intersect1d(gone, taken).size
    standing = still_standing(inputs.graph, earlier_steps(plan.steps), {1, 2, 3}, ())
    assert faults_of(replace(inputs, done=standing), rest) == []
    assert [s.piece.butt_node for s in plan.steps[3:]] == [s.piece.butt_node for s in rest.steps]
    assert f"{len(rest.steps)} are as before" in rest.cautions[0]


def test_the_cuts_of_another_whole_plan_may_be_kept_instead():
    inputs = job()
    plan = make_plan(inputs)
    joined = plan.steps[0].piece.butt_node
    others = [s.piece.butt_node for s in plan.steps if s.piece.butt_node != joined]
    rest = replan(inputs, plan.steps, set(), set(), cuts=others)
    assert joined not in {s.piece.butt_node for s in rest.steps} or not rest.feasible
    assert faults_of(inputs, rest) == []


def test_a_limb_that_broke_off_is_left_out():
    inputs = job()
    plan = make_plan(inputs)
    limb = next(s.piece.limb for s in plan.steps if s.piece.limb > 0)
    rest = replan(inputs, plan.steps, set(), {limb})
    assert all(s.piece.limb != limb for s in rest.steps)
    assert "no longer needed" in rest.cautions[0]


def test_a_wet_crown_is_heavier_and_what_changes_is_said():
    inputs = sample_inputs("maple_phone")
    plan = make_plan(inputs)
    wet = green_mass(inputs.graph, inputs.species, in_leaf=True, wet=True)
    rest = replan(replace(inputs, mass=wet), plan.steps, {1}, set())
    dry = {s.piece.butt_node: s.piece.mass_kg.high for s in plan.steps}
    both = [s for s in rest.steps if s.piece.butt_node in dry]
    assert both
    assert sum(s.piece.mass_kg.high for s in both) > sum(dry[s.piece.butt_node] for s in both)
    assert rest.cautions[0].startswith("Of ")


def test_steps_are_read_from_a_document_too():
    inputs = job()
    plan = make_plan(inputs)
    rows = [
        {
            "step": s.number,
            "node": int(s.piece.butt_node),
            "piece": {"nodes": [int(n) for n in s.piece.nodes]},
            "method": s.method,
            "tie": s.tie,
            "anchor": s.anchor_id,
        }
        for s in plan.steps
    ]
    assert earlier_steps(rows) == earlier_steps(plan.steps)
    with pytest.raises(InvalidInputError, match="step 1 lacks 'node'"):
        earlier_steps([{"step": 1}])


def test_faults_are_named():
    inputs = job()
    steps = earlier_steps(make_plan(inputs).steps)
    with pytest.raises(InvalidInputError, match="--done 999"):
        still_standing(inputs.graph, steps, {999}, ())
    with pytest.raises(InvalidInputError, match="no such limb"):
        still_standing(inputs.graph, steps, (), {9999})
    with pytest.raises(InvalidInputError, match="main stem"):
        still_standing(inputs.graph, steps, (), {0})


def test_a_lost_tie_in_is_not_climbed_on():
    inputs = sample_inputs("oak_pond")
    first = prepare(inputs)
    assert first.tie_in is not None
    lost = frozenset({first.tie_in.node})
    after = prepare(replace(inputs, lost_anchors=lost))
    assert after.tie_in is None or after.tie_in.node not in lost
    told = {t.node: t.rejected for t in after.tie_ins}
    assert all(told[node] == "lost during the job" for node in lost)
    assert all(a.rejected for a in after.anchors if a.node in lost)


def test_a_piece_that_fell_before_and_still_may_is_not_looked_at_on_the_line():
    inputs = job()
    plan = make_plan(inputs)
    fallen = [s.piece for s in plan.steps if s.method in FALLS]
    heavy = [p for p in fallen if p.mass_kg.high > ALWAYS_LINED_KG]
    cuts = frozenset(int(p.butt_node) for p in heavy)
    first, after = prepare(inputs), prepare(replace(inputs, fell_before=cuts))

    def lined(job):
        return [o for p in heavy for o in ways_of(job, p) if o.method not in FALLS]

    assert lined(first)
    assert not lined(after)
