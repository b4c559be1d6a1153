"""What the second look adds to chosen steps, and that it changes nothing else."""

from dataclasses import replace

import numpy as np

from tests.motion.pieces import flat_ground, rod
from tests.planning.jobs import grown_inputs
from tests.planning.sites import open_field, yard
from treescan.motion.cases import cases_of, worst_case
from treescan.motion.fall import hinge_fall
from treescan.motion.flat_landing import flat_chance
from treescan.planning.job import prepare
from treescan.planning.planner import make_plan
from treescan.planning.second_look import with_second_look
from treescan.site.model import Site


def test_it_adds_words_and_no_decision():
    inputs = grown_inputs("leaning", 3, yard(), height_m=9.0)
    plan = make_plan(inputs)
    bare = replace(
        plan, steps=tuple(replace(s, warnings=(), reasons=()) for s in plan.steps)
    )  # fmt: skip
    seen = with_second_look(prepare(inputs), bare)
    for before, after in zip(bare.steps, seen.steps, strict=True):
        assert replace(after, warnings=(), reasons=()) == before
    assert any(r.startswith("stand to the ") for s in seen.steps for r in s.reasons)


def test_logs_say_how_they_land_and_what_length_would_lie_flat():
    inputs = grown_inputs("leaning", 3, open_field(), height_m=9.0)
    plan = make_plan(inputs)
    log = rod((0, 0, 6), (0, 0, 1), 2.0, 90, diameter=0.25)
    path = hinge_fall(log, inputs.ground, hinge_azimuth_deg=0.0)
    step = replace(
        plan.steps[0], piece=log, path=path, method="hinge fall", warnings=(), reasons=()
    )
    seen = with_second_look(prepare(inputs), replace(plan, steps=(step,))).steps[0]
    chance = float(flat_chance([2.0], 6.0)[0])
    assert any(f"flat in {chance * 100:.0f} %" in reason for reason in seen.reasons)
    assert any("would land flat" in reason for reason in seen.reasons) == (chance < 0.5)


def test_a_case_that_strikes_is_named_on_its_step():
    """A log felled toward a bench: where a case strikes it, the step says so."""
    top = rod((0, 0, 8), (0, 0, 1), 3, 90, diameter=0.25)
    ground = flat_ground()
    path = hinge_fall(top, ground, hinge_azimuth_deg=0.0)
    spot = farthest_spot(top, path, cases_of(top, path, ground).others)
    square = [
        tuple(spot + np.array(c)) for c in ((-0.2, -0.2), (0.2, -0.2), (0.2, 0.2), (-0.2, 0.2))
    ]
    data = open_field().model_dump()
    data["target"] = [{"name": "bench", "footprint_m": square, "height_m": 0.8, "margin_m": 0.2}]
    inputs = grown_inputs("leaning", 3, Site.model_validate(data), height_m=9.0)
    job = prepare(inputs)
    plan = make_plan(inputs)
    step = replace(plan.steps[0], piece=top, path=path, warnings=(), reasons=(), broken_limits=())
    seen = with_second_look(job, replace(plan, steps=(step,))).steps[0]
    said = any("bench" in warning for warning in seen.warnings)
    found = worst_case(cases_of(top, path, inputs.ground), top, job.field.obstacles)
    assert said == (found is not None)
    assert found is not None
    elsewhere = replace(step, path=replace(path, landing_m=path.landing_m + 1.0))
    again = with_second_look(job, replace(plan, steps=(elsewhere,))).steps[0]
    assert not any("bench" in warning for warning in again.warnings)


def farthest_spot(piece, path, others):
    """Place in plan where a case comes to lie, farthest from all that the likely path sweeps."""
    arm = piece.outline_m - piece.centre_m
    swept = (path.rotation @ arm.T).transpose(0, 2, 1) + path.centre_m[:, None]
    ends = np.concatenate([p.centre_m[-1] + arm @ p.rotation[-1].T for p in others])
    near = np.linalg.norm(ends[:, None, :2] - swept.reshape(-1, 3)[None, :, :2], axis=2).min(axis=1)
    return ends[int(np.argmax(near)), :2]
