"""What the second look adds to chosen steps, and that it changes nothing else."""

from dataclasses import replace

from tests.motion.pieces import rod
from tests.planning.jobs import grown_inputs
from tests.planning.sites import open_field, yard
from treescan.motion.fall import hinge_fall
from treescan.motion.flat_landing import flat_chance
from treescan.planning.job import prepare
from treescan.planning.options import judged_gaps
from treescan.planning.planner import make_plan
from treescan.planning.robust import tried
from treescan.planning.second_look import least_sure, with_second_look
from treescan.site.model import Site


def test_it_adds_words_and_no_decision():
    inputs = grown_inputs("leaning", 3, yard(), height_m=9.0)
    plan = make_plan(inputs)
    bare = replace(
        plan,
        steps=tuple(replace(s, warnings=(), reasons=(), chance_of_breach=None) for s in plan.steps),
    )
    seen = with_second_look(prepare(inputs), bare)
    for before, after in zip(bare.steps, seen.steps, strict=True):
        same = {"warnings": (), "reasons": (), "chance_of_breach": None, "path": before.path}
        assert replace(after, **same) == before
        assert (after.path.centre_m == before.path.centre_m).all()
    assert any(r.startswith("stand to the ") for s in seen.steps for r in s.reasons)


def test_the_least_sure_steps_are_named_worst_first():
    plan = make_plan(grown_inputs("leaning", 3, open_field(), height_m=9.0))
    sure, broken = replace(plan.steps[0], chance_of_breach=0.05), ("too heavy",)
    chances = [0.06, 0.31, 0.06, 0.2, 0.07, 0.9]
    steps = [
        replace(sure, number=i + 2, chance_of_breach=chance) for i, chance in enumerate(chances)
    ]
    steps[-1] = replace(steps[-1], broken_limits=broken)
    told = least_sure([sure, *steps])
    worst = "step 3 (31 % of trials), step 5 (20 % of trials), step 6 (7 % of trials), step 2 (6 %"
    assert worst in told
    assert " and 1 more." in told
    assert "step 7" not in told
    assert least_sure([sure, steps[-1]]) == ""


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
    """A log felled past a bench: where a case comes too near, the step says so."""
    top = rod((0, 0, 8), (0, 0, 1), 3, 90, diameter=0.25)
    data = open_field().model_dump()
    square = [(0.4, 3.6), (1.2, 3.6), (1.2, 4.4), (0.4, 4.4)]
    data["target"] = [{"name": "bench", "footprint_m": square, "height_m": 0.8, "margin_m": 0.3}]
    inputs = grown_inputs("leaning", 3, Site.model_validate(data), height_m=9.0)
    job, plan = prepare(inputs), make_plan(inputs)
    said = {}
    for azimuth in (0.0, 200.0):
        path = hinge_fall(top, inputs.ground, hinge_azimuth_deg=azimuth)
        gaps = judged_gaps(top, path, job.field.obstacles, 0.0)
        step = replace(plan.steps[0], piece=top, path=path, clearances=gaps, warnings=(),
                       reasons=(), broken_limits=(), method="hinge fall", landing="grass",
                       load=None)  # fmt: skip
        seen = with_second_look(job, replace(plan, steps=(step,))).steps[0]
        said[azimuth] = any("bench" in warning for warning in seen.warnings)
        trial = tried(step, job.field, job.draws)
        assert said[azimuth] == ("bench" in trial.worst)
        broken = replace(step, broken_limits=("known",))
        again = with_second_look(job, replace(plan, steps=(broken,))).steps[0]
        assert not any("bench" in warning for warning in again.warnings)
    assert said == {0.0: True, 200.0: False}


def test_topping_says_where_to_go_and_a_hard_blow_what_would_take_it():
    inputs = grown_inputs("leaning", 3, open_field(), height_m=9.0)
    job, plan = prepare(inputs), make_plan(inputs)
    log = rod((0, 0, 8), (0, 0, 1), 3, 900, diameter=0.5)
    path = hinge_fall(log, inputs.ground, hinge_azimuth_deg=0.0)
    limit = job.field.obstacles.drop_zones[0].max_energy_j
    step = replace(plan.steps[0], piece=log, path=replace(path, impact_energy_j=2.5 * limit),
                   method="hinge fall", landing="grass", load=None, warnings=(),
                   reasons=())  # fmt: skip
    told = with_second_look(job, replace(plan, steps=(step,))).steps[0].reasons
    assert any("once it goes, back away to the " in reason for reason in told)
    assert any("kN while it stops" in reason for reason in told)
    assert any("brush mat" in reason for reason in told)
    assert any("3 shorter sections" in reason for reason in told)
    soft = replace(step, path=replace(path, impact_energy_j=0.1 * limit))
    told = with_second_look(job, replace(plan, steps=(soft,))).steps[0].reasons
    assert not any("kN while it stops" in reason for reason in told)
