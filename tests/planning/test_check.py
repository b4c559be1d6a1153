"""The independent checker: silent on real plans, loud on spoilt ones."""

import copy
from functools import cache

import pytest

from tests.planning.jobs import documents_of, grown_inputs, sample_inputs
from tests.planning.sites import open_field
from treescan.planning.check import check_plan


@cache
def documents(name: str):
    inputs = (
        sample_inputs(name) if "_" in name else grown_inputs(name, 2, open_field(), height_m=11.0)
    )
    return documents_of(inputs)


@pytest.mark.parametrize("name", ["leaning", "maple_phone"])
def test_a_real_plan_has_no_fault(name):
    plan, tree, site = documents(name)
    assert check_plan(plan, tree, site) == []


@pytest.mark.slow
@pytest.mark.parametrize("name", ["oak_pond", "spruce_garage"])
def test_the_plan_of_a_sample_has_no_fault(name):
    plan, tree, site = documents(name)
    assert check_plan(plan, tree, site) == []


def spoilt(name="maple_phone"):
    plan, tree, site = documents(name)
    return copy.deepcopy(plan), tree, site


def test_a_missing_step_leaves_wood():
    plan, tree, site = spoilt()
    plan["steps"].pop()
    assert any("in no step" in fault for fault in check_plan(plan, tree, site))


def test_inner_wood_before_outer_is_found():
    plan, tree, site = spoilt()
    plan["steps"] = plan["steps"][::-1]
    for number, step in enumerate(plan["steps"], start=1):
        step["step"] = number
    assert any("already down" in fault for fault in check_plan(plan, tree, site))


def test_a_light_line_is_found():
    plan, tree, site = spoilt()
    step = next(s for s in plan["steps"] if s["method"] == "lower")
    for key in ("low", "likely", "high"):
        step["line_tension_N"][key] *= 0.2
    assert any("less than the piece's weight" in f for f in check_plan(plan, tree, site))


def test_an_anchor_that_is_gone_is_found():
    plan, tree, site = spoilt()
    number = next(i for i, s in enumerate(plan["steps"]) if s["method"] == "lower")
    name = plan["steps"][number]["anchor"]
    anchor = next(a for a in plan["anchors"] if a["id"] == name)
    anchor["node"] = plan["steps"][0]["piece"]["nodes"][0]
    faults = check_plan(plan, tree, site)
    assert any("wood that is gone" in f for f in faults)


def test_a_heavy_piece_and_a_wrong_clearance_are_found():
    plan, tree, site = spoilt()
    first = plan["steps"][0]
    first["piece"]["mass_kg"] = dict.fromkeys(("low", "likely", "high"), 5e3)
    name = site.target[0].name
    first["clearance_m"][name] = 99.0
    faults = check_plan(plan, tree, site)
    assert any("too heavy" in f for f in faults)
    assert any(f"to {name} told" in f for f in faults)


def test_a_target_without_a_clearance_is_found():
    plan, tree, site = spoilt()
    del plan["steps"][0]["clearance_m"][site.target[0].name]
    assert any("does not name" in f for f in check_plan(plan, tree, site))


def test_a_document_of_another_kind_is_refused():
    assert check_plan({"format": "x"}, {}, open_field())
