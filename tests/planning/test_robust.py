"""How sure ways are: chances from simulated cases, and that surer ways are chosen."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.motion.pieces import rod
from tests.planning.jobs import grown_inputs, sample_inputs
from tests.planning.sites import open_field
from treescan.motion.climber import safe_side
from treescan.motion.fall import free_fall, hinge_fall
from treescan.motion.swing import lowered
from treescan.planning.draws import Draws
from treescan.planning.falls import fall_options
from treescan.planning.hangs import aside_first
from treescan.planning.job import prepare
from treescan.planning.options import CREDIBLE, front, judged_gaps
from treescan.planning.planner import make_plan
from treescan.planning.robust import chance_of_breach, draw, tried, way_cases, with_chance
from treescan.planning.turning import after_turning, pose_after
from treescan.rigging.cases import solve_many
from treescan.rigging.types import LoadCase
from treescan.site.model import Site
from treescan.units import Band

LOG = rod((0, 0, 8), (0, 0, 1), 3, 90, diameter=0.25)


@cache
def maple():
    inputs = sample_inputs("maple_phone")
    return prepare(inputs), make_plan(inputs)


def job_with(*targets):
    data = open_field().model_dump()
    data["target"] = list(targets)
    return prepare(grown_inputs("leaning", 3, Site.model_validate(data), height_m=9.0))


def square(x, y, half=0.4):
    return [[x + a * half, y + b * half] for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]


def felled(job, azimuth=0.0):
    """The log felled so, as an option judged by the planner's own rules."""
    path = hinge_fall(LOG, job.inputs.ground, hinge_azimuth_deg=azimuth)
    options = fall_options(LOG, 0, job.field)
    gaps = judged_gaps(LOG, path, job.field.obstacles, 0.0)
    return replace(options[0], path=path, method="hinge fall", clearances=gaps, broken=(),
                   piece=LOG, hinge_azimuth_deg=azimuth, landing="grass")  # fmt: skip


def test_draws_of_a_band_hit_its_quantiles():
    values = draw(Band(60.0, 100.0, 160.0), np.random.default_rng(1).standard_normal(200_000))
    assert np.quantile(values, [0.05, 0.5, 0.95]) == pytest.approx([60, 100, 160], rel=0.02)


def test_the_chance_of_a_breach_grows_with_the_load():
    job, plan = maple()
    step = next(s for s in plan.steps if s.load is not None)
    none = replace(tried(step, job.field, job.draws), breach=np.zeros(2000, dtype=bool))
    chances = []
    for factor in (0.2, 1.0, 3.0):
        used = {k: factor * v / step.load.share for k, v in step.load.utilisation.items()}
        harder = replace(step, load=replace(step.load, utilisation=used))
        chances.append(chance_of_breach(harder, none, job.field, job.draws))
    assert chances[0] < chances[1] < chances[2]
    assert chances[0] < 0.1
    assert chances[2] > 0.5


def test_every_step_of_a_plan_says_its_chance():
    _, plan = maple()
    chances = [s.chance_of_breach for s in plan.steps]
    assert all(0.0 <= c <= 1.0 for c in chances)
    kept = [s.chance_of_breach for s in plan.steps if not s.broken_limits]
    assert np.mean(kept) < 0.1


def test_the_chance_grows_as_a_target_moves_into_the_way():
    chances = []
    for aside in (9.0, 1.6, 1.2, 0.8):
        job = job_with({"name": "bench", "footprint_m": square(aside, 4.0), "height_m": 1.0,
                        "margin_m": 0.3})  # fmt: skip
        chances.append(tried(felled(job), job.field, job.draws).breach.mean())
    assert chances[0] == 0.0
    assert chances == sorted(chances)
    assert chances[-1] > 0.5


def test_the_spread_is_what_the_unlucky_twentieth_loses():
    job = job_with({"name": "bench", "footprint_m": square(3.0, 4.0), "height_m": 1.0,
                    "margin_m": 0.3})  # fmt: skip
    option = felled(job)
    surer = with_chance(option, job.field, job.draws)
    gap = surer.clearances[0]
    assert gap.spread_m > 0.0
    assert surer.room_m == pytest.approx(gap.distance_m - gap.spread_m - gap.margin_m)
    assert with_chance(replace(option, broken=("no",)), job.field, job.draws).chance == 0.0


def test_worst_case_is_told_when_the_likely_path_keeps_its_margin():
    job = job_with({"name": "bench", "footprint_m": square(0.8, 4.0), "height_m": 1.0,
                    "margin_m": 0.3})  # fmt: skip
    option = felled(job)
    assert option.clearances[0].distance_m >= 0.3
    told = tried(option, job.field, job.draws).worst
    assert told.startswith("if the piece aims right, it may pass the bench at 0.1")


def test_a_log_that_lands_on_an_end_may_flop_against_what_stands_beside():
    """It comes down a metre off its length away: a quarter of the draws flop that way."""
    job = job_with({"name": "bench", "footprint_m": square(2.8, 2.5), "height_m": 1.0,
                    "margin_m": 0.3})  # fmt: skip
    assert tried(felled(job), job.field, job.draws).breach.mean() == pytest.approx(0.25, abs=0.03)


def test_the_same_seed_has_the_same_luck():
    job = job_with({"name": "bench", "footprint_m": square(2.4, 4.0), "height_m": 1.0})
    one = tried(felled(job), job.field, Draws.of(3)).breach
    np.testing.assert_array_equal(one, tried(felled(job), job.field, Draws.of(3)).breach)


def test_of_two_ways_that_keep_every_limit_the_surer_is_taken_first():
    job = job_with()
    sure = replace(felled(job), chance=0.0)
    risky = replace(felled(job, 90.0), chance=0.4)
    assert front([risky, sure])[0] is sure
    slow = replace(sure, minutes=Band(5, 5 + risky.minutes.likely, 30))
    assert front([risky, slow])[0] is slow


def test_a_risky_fall_makes_the_search_go_on():
    job = job_with()
    limb = rod((0, 0, 6), (1, 0, 0.1), 2.0, 30, diameter=0.1)
    sure = fall_options(limb, 1, job.field, lambda o: replace(o, chance=0.0))
    risky = fall_options(limb, 1, job.field, lambda o: replace(o, chance=2 * CREDIBLE))
    assert len(risky) >= len(sure)
    upright = fall_options(LOG, 0, job.field, lambda o: replace(o, chance=2 * CREDIBLE))
    assert len(upright) > len(fall_options(LOG, 0, job.field, lambda o: o))


def test_cases_of_a_limb_turned_by_hand_start_where_the_turn_leaves_it():
    job = job_with()
    limb = rod((0, 0, 6), (1, 0, 0.1), 2.0, 4, diameter=0.05)
    turn, carried = (np.array([0.0, -1.0, 0.0]), 1.0), np.array([0.0, 0.8, 0.0])
    after = free_fall(pose_after(limb, turn, carried), job.inputs.ground, release_speed_m_s=2.0,
                      break_angle_deg=0.0, push_azimuth_deg=0.0)  # fmt: skip
    path = after_turning(limb, turn, after, 0.0, "thrown", carried_m=carried)
    cases = way_cases(limb, path, job.field)
    assert cases.likely is path
    assert "pushed to the left" in cases.labels
    for other in cases.others:
        np.testing.assert_allclose(other.centre_m[:20], path.centre_m[:20])
        assert abs(other.landing_m - path.landing_m).max() < 5.0


def test_cases_of_a_piece_pulled_aside_are_pulled_aside_too():
    job, plan = maple()
    step = next(s for s in plan.steps if s.method == "lower")
    cases = way_cases(step.piece, step.path, job.field)
    for other in cases.others:
        assert np.hypot(*(other.landing_m - step.path.landing_m)[:2]) < 1.0
    bare = replace(step.path, recipe=("aside_first", {"anchor_m": np.array([0, 0, 9.0]),
                   "slope": 0.5, "then": step.path.recipe}))  # fmt: skip
    if step.path.recipe[0] != "aside_first":
        assert way_cases(step.piece, bare, job.field).labels == cases.labels
    assert aside_first(step.path, np.array([0, 0, -9.0]), 0.5) is step.path


def umbrella(kg):
    """An upright top whose limbs spread above a climber's head all round the cut."""
    top = rod((0, 0, 9), (0, 0, 1), 3.0, kg, diameter=0.15)
    turn = np.radians(np.arange(0, 360, 15))
    ring = np.column_stack([0.8 * np.sin(turn), 0.8 * np.cos(turn), np.full(24, 11.6)])
    return replace(
        top,
        outline_m=np.vstack([top.outline_m, ring]),
        outline_radius_m=np.append(top.outline_radius_m, np.full(24, 0.15)),
    )


def dropped_straight(piece, path):
    """The path of a piece that comes down past its own cut without turning."""
    time = np.arange(0.0, 1.2, 0.02)
    centre = np.repeat(piece.centre_m[None], len(time), axis=0)
    centre[:, 2] -= 0.5 * 9.81 * time**2
    return replace(
        path, time_s=time, centre_m=centre, tension_n=np.zeros(len(time)),
        rotation=np.repeat(np.eye(3)[None], len(time), axis=0), recipe=None, landing_m=centre[-1],
    )  # fmt: skip


def test_a_piece_through_the_climbers_space_is_refused():
    """A top comes down round the climber on every side; a light one is guided by hand."""
    job = job_with()
    option = felled(job)
    for kg, refused in ((80, True), (6, False)):
        top = umbrella(kg)
        path = dropped_straight(top, option.path)
        assert safe_side(top, path).refused
        told = with_chance(replace(option, piece=top, path=path), job.field, job.draws).broken
        assert told == (
            ("would come through the climber's space whatever side of the cut he works from",)
            if refused
            else ()
        )


def test_a_piece_that_leaves_a_side_clear_is_not_refused():
    job = job_with()
    option = felled(job)
    top = umbrella(80)
    aside = dropped_straight(top, option.path)
    gone = aside.centre_m + 4.0 * aside.time_s[:, None] * np.array([1.0, 0.0, 0.0])
    path = replace(aside, centre_m=gone)
    assert not safe_side(top, path).refused
    assert with_chance(replace(option, piece=top, path=path), job.field, job.draws).kept


def test_a_line_too_near_a_conductor_is_refused():
    """The piece keeps its distance, the line that it hangs from does not."""
    data = open_field().model_dump()
    wire = {"name": "service drop", "kilovolts": 0.4,
            "path_m": [[-30.0, 1.5, 11.6], [30.0, 1.5, 11.6]]}  # fmt: skip
    data["conductor"] = [wire]
    job = prepare(grown_inputs("leaning", 3, Site.model_validate(data), height_m=9.0))
    limb = rod((0, 0, 4), (1, 0, 0.1), 1.0, 8, diameter=0.08)
    tie = limb.cut_m + 0.3 * limb.axis
    found = {}
    for height in (4.9, 12.0):
        anchor = replace(job.anchors[0], position_m=np.array([0.3, 0.0, height]), rejected="")
        path = lowered(limb, tie, anchor.position_m, job.inputs.ground)
        gaps = judged_gaps(limb, path, job.field.obstacles, 0.0)
        option = replace(felled(job), piece=limb, path=path, method="lower", anchor=anchor,
                         tie_m=tie[None], clearances=gaps, landing="grass")  # fmt: skip
        found[height] = with_chance(option, job.field, job.draws).broken
    assert found[4.9] == ()
    assert found[12.0][0].startswith("its line would pass the service drop at ")


def test_a_fall_too_near_a_conductor_is_refused():
    """The lead keeps its distance, the line on its way down to the device does not."""
    data = open_field().model_dump()
    wire = {"name": "service drop", "kilovolts": 0.4,
            "path_m": [[-30.0, -3.0, 6.0], [30.0, -3.0, 6.0]]}  # fmt: skip
    data["conductor"] = [wire]
    job = prepare(grown_inputs("leaning", 3, Site.model_validate(data), height_m=9.0))
    limb = rod((0, 6, 8), (0, 1, 0.1), 1.0, 8, diameter=0.08)
    tie = limb.cut_m + 0.3 * limb.axis
    anchor = replace(job.anchors[0], position_m=np.array([0.0, 6.0, 11.0]), rejected="")
    path = lowered(limb, tie, anchor.position_m, job.inputs.ground)
    gaps = judged_gaps(limb, path, job.field.obstacles, 0.0)
    found = {}
    for side in (6.0, -12.0):
        case = LoadCase(
            piece=limb, anchor=anchor, tie="butt", tie_m=tie[None],
            redirects_m=np.zeros((0, 3)), device_m=np.array([0.0, side, 1.0]),
            gear=job.inputs.gear, drop_m=0.0, swing_rad=0.0,
        )  # fmt: skip
        load = solve_many([case], job.spar_without(job.inputs.standing))[0]
        option = replace(felled(job), piece=limb, path=path, method="lower", anchor=anchor,
                         tie_m=tie[None], clearances=gaps, landing="grass", load=load)  # fmt: skip
        found[side] = with_chance(option, job.field, job.draws).broken
    assert not any("line would pass" in text for text in found[6.0])
    assert found[-12.0][0].startswith("its line would pass the service drop at ")
