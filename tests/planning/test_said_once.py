"""A warning that holds for most steps is said once."""

from dataclasses import replace

from tests.planning.jobs import grown_inputs
from tests.planning.sites import yard
from treescan.motion.fall import FLOPS
from treescan.planning.planner import make_plan
from treescan.planning.said_once import LEAST_STEPS, with_general_cautions


def plan_with(flops, others):
    plan = make_plan(grown_inputs("leaning", 3, yard(), height_m=9.0))
    first = replace(plan.steps[0], warnings=(FLOPS, "mind the pond"))
    plain = replace(plan.steps[0], warnings=("mind the pond",))
    return replace(plan, steps=(first,) * flops + (plain,) * others, cautions=("dry crown",))


def test_what_most_steps_say_is_said_once_with_what_to_do():
    found = with_general_cautions(plan_with(LEAST_STEPS, 3))
    assert {step.warnings for step in found.steps} == {("mind the pond",)}
    assert found.cautions[0] == "dry crown"
    assert f"On {LEAST_STEPS} of {LEAST_STEPS + 3} steps" in found.cautions[1]
    assert "everyone twice its length away" in found.cautions[1]


def test_what_few_steps_say_stays_on_them():
    for flops, others in ((LEAST_STEPS - 1, 0), (LEAST_STEPS, 2 * LEAST_STEPS)):
        plan = plan_with(flops, others)
        assert with_general_cautions(plan) == plan
