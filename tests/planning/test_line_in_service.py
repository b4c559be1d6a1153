"""The line that the motion follows is the line that the loads are worked out on."""

from dataclasses import replace

import numpy as np
import pytest

from tests.planning.jobs import grown_inputs
from tests.planning.sites import yard
from treescan.planning.job import prepare
from treescan.planning.line_in_service import line_in_service
from treescan.planning.ties import hung_cases
from treescan.rigging.cases import solve_many
from treescan.rigging.lift import lift_of


def result_of_a_lift():
    job = prepare(grown_inputs("leaning", 3, yard(), height_m=9.0))
    graph = job.inputs.graph
    none = np.zeros(len(graph), dtype=bool)
    for node in np.flatnonzero((graph.order == 1) & (graph.radius_m < 0.04)):
        piece = job.table.piece(int(node), (), removed=none)
        cases = hung_cases(job, piece) if piece.mass_kg.high > 2.0 else []
        good = [r for r in solve_many(cases, job.spar) if not r.failed] if cases else []
        if good:
            return good[0]
    raise AssertionError("no limb of this tree hangs from any anchor")


def test_lengths_friction_and_give_are_those_of_the_loads():
    result = result_of_a_lift()
    lift, line = lift_of(result.case), line_in_service(result)
    whole = lift.lead_m + lift.legs_m.sum()
    modulus = result.case.gear.line.modulus_n
    assert line["rope_stiffness_n_m"] == pytest.approx(modulus / max(whole, 5.0))
    assert line["run_m"] == result.run_m > 0.0
    assert line["beyond"].length_m == pytest.approx(tuple(lift.legs_m))
    assert line["beyond"].ratio == pytest.approx(tuple(np.maximum(lift.ratio, 1.0)))
    if result.anchor_sway_m > 1e-4:
        moved = result.anchor_load_n.high / line["beyond"].anchor_n_m
        assert moved == pytest.approx(result.anchor_sway_m)


def test_a_stiff_anchor_does_not_give():
    result = replace(result_of_a_lift(), anchor_sway_m=0.0)
    assert line_in_service(result)["beyond"].give_m_n == 0.0
