"""Leaders that one cut below their union takes together."""

from __future__ import annotations

from tests.planning.jobs import inputs_of
from tests.planning.sites import box, open_field
from tests.planning.trees import Builder
from treescan.planning.planner import make_plan


def twin():
    """A slim stem that forks at 5 m into two slim leaders, one of them leaning."""
    tree = Builder(0.14)
    stem = tree.grow(0, [0, 0, 1], 5.0, 0.11, 0.09, 0)
    tree.grow(stem[-1], [0.12, 0, 1], 3.0, 0.05, 0.02, 0)
    tree.grow(stem[-1], [-0.35, 0, 1], 3.0, 0.06, 0.02, 1)
    return tree.graph()


def planned(**limits):
    zone = {"name": "grass", "footprint_m": box(-40, -40, 40, 40), "max_energy_kj": 200.0}
    inputs = inputs_of(twin(), open_field(drop_zone=[zone], **limits))
    return inputs.graph, make_plan(inputs)


def leaders_apart(graph, plan):
    """Whether the tips of both leaders come down in different steps."""
    tips = [max((graph.limb == limb).nonzero()[0]) for limb in (1, 2)]
    steps = [next(s.number for s in plan.steps if tip in s.piece.nodes) for tip in tips]
    return steps[0] != steps[1]


def test_light_leaders_of_one_union_may_go_together():
    graph, plan = planned()
    assert plan.feasible
    assert not leaders_apart(graph, plan)
    assert any("takes 2 leaders together" in c for c in plan.cautions)
    step = max(plan.steps, key=lambda s: len(s.piece.nodes))
    assert step.method == "hinge fall"
    assert step.piece.mass_kg.high < 400.0


def test_leaders_too_heavy_for_one_piece_stay_apart():
    graph, plan = planned(limits={"max_piece_kg": 25.0})
    assert leaders_apart(graph, plan)
    assert not any("leaders together" in c for c in plan.cautions)
