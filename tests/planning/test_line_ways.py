"""Ways on a line beyond plain lowering: a stretched line, a slide off a slanted cut, a lean."""

from __future__ import annotations

import copy
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.planning.jobs import documents_of, inputs_of
from tests.planning.sites import box, open_field, over_the_pond
from tests.planning.trees import Builder
from treescan.motion.speed_line import StretchedLine
from treescan.planning.check import check_plan
from treescan.planning.check_lines import mid_tension_n
from treescan.planning.dividing import pieces_of_cuts
from treescan.planning.edits import Edit
from treescan.planning.falls import fall_options
from treescan.planning.hangs import hang_options, reloaded
from treescan.planning.job import prepare
from treescan.planning.judging import judge, ways_of
from treescan.planning.leaning import lean_of
from treescan.planning.sent_load import SentCase, from_case, sent_load
from treescan.planning.sliding import SLANT_DEG, slid_ways
from treescan.rigging.cases import solve_many
from treescan.units import G_M_S2, Band


@cache
def stout_tree():
    """A thick stem with one limb over the pond."""
    tree = Builder(0.42)
    stem = tree.grow(0, [0, 0, 1], 14.0, 0.36, 0.10, 0)
    tree.grow(stem[23], [1, 0, 0.05], 4.0, 0.05, 0.01, 1)
    return tree.graph()


@cache
def pond_job():
    graph = stout_tree()
    job = prepare(inputs_of(graph, over_the_pond()))
    start = int(np.flatnonzero(graph.starts_limb)[0])
    return job, job.table.piece(start)


def sent(job, piece):
    return [o for o in hang_options(job, piece, 1) if o.method == "speed line"]


def test_a_limb_over_a_pond_goes_down_the_stretched_line():
    job, piece = pond_job()
    assert not any(o.kept for o in fall_options(piece, 1, job.field))
    kept = [o for o in sent(job, piece) if o.kept]
    assert kept
    option = kept[0]
    assert option.landing == "far bank"
    assert 13.0 < option.path.landing_m[0] < 19.0
    assert any("ash" in w and "kN" in w for w in option.warnings)
    assert {"pond"} == {c.target for c in option.clearances}
    assert any(o.method == "speed line" for o in ways_of(job, piece))


def test_a_wish_that_no_way_meets_is_said_and_leaves_the_best_other_way():
    job, piece = pond_job()
    cut = int(piece.butt_node)
    edits = (Edit("force", node=cut, anchor="A999"),)
    asked = replace(job, inputs=replace(job.inputs, edits=edits))
    pieces = pieces_of_cuts(asked, (cut,))
    way = judge(asked, pieces, int(np.searchsorted(pieces.cuts, cut)))
    assert way.kept
    assert way.options[0].method == "speed line"
    told = "asked for by hand and not possible: from A999 (there is no anchor on what stands there)"
    assert told in way.options[0].warnings


def test_without_a_second_line_or_a_lower_end_nothing_is_sent():
    graph = stout_tree()
    for change in ({"gear": {"second_line": False}}, {"ground_anchor": []}):
        job = prepare(inputs_of(graph, over_the_pond(**change)))
        piece = job.table.piece(int(np.flatnonzero(graph.starts_limb)[0]))
        assert sent(job, piece) == []


def test_a_weak_lower_end_refuses_the_stretched_line():
    weak = [{"name": "ash", "at_m": (22.0, 0.0, 5.0), "holds_kn": 0.5}]
    graph = stout_tree()
    job = prepare(inputs_of(graph, over_the_pond(ground_anchor=weak)))
    piece = job.table.piece(int(np.flatnonzero(graph.starts_limb)[0]))
    found = sent(job, piece)
    assert found
    assert all(any("lower anchor ash at" in b for b in o.broken) for o in found)


def level_line_case(mass_kg, pretension_n=2000.0):
    """A line so flat that the middle of the span is a symmetric triangle."""
    job, piece = pond_job()
    heavy = replace(piece, mass_kg=Band(mass_kg, mass_kg, mass_kg))
    result = next(o.load for o in hang_options(job, piece, 1) if o.method == "lower")
    upper = result.case.anchor.position_m
    line = StretchedLine(upper, upper + np.array([20.0, 0.0, -1e-6]), 2e5, pretension_n)
    plain = replace(result.case, piece=heavy, tie="butt", tie_m=result.case.tie_m[:1])
    return job, from_case(plain, line=line, begin=0.5, stop=0.5)


def test_line_tension_at_mid_span_is_that_of_statics():
    """T = 2 W / (2 sin b) for a sudden load (twice the weight) in the middle: exact statics."""
    job, case = level_line_case(40.0)
    result = sent_load(case, job.spar)
    tension = result.lead_tension_n.high
    stretched = (1.0 + tension / 2e5) / (1.0 + 2000.0 / 2e5)
    slope = np.sqrt(1.0 - 1.0 / stretched**2)
    assert tension == pytest.approx(2.0 * 40.0 * G_M_S2 / (2.0 * slope), rel=0.01)


@pytest.mark.parametrize("share", [0.15, 0.4, 0.7, 0.9])
@pytest.mark.parametrize("tight_n", [500.0, 3000.0])
def test_line_tension_off_the_middle_of_a_falling_line_is_that_of_statics(share, tight_n):
    """Against the bisection of the independent check, which shares nothing with the planner."""
    job, case = level_line_case(40.0)
    upper = case.line.upper_m
    lower = upper + np.array([18.0, 3.0, -5.0])
    line = StretchedLine(upper, lower, 2e5, tight_n)
    result = sent_load(replace(case, line=line, begin=share, stop=share), job.spar)
    expected = mid_tension_n(upper, lower, (tight_n, 2e5), share, 2.0 * 40.0 * G_M_S2)
    assert result.lead_tension_n.high == pytest.approx(expected, rel=0.02)


def test_the_upper_anchor_carries_the_line_and_the_control_line_together():
    job, case = level_line_case(40.0)
    line = replace(case.line, lower_m=case.line.upper_m + np.array([18.0, 0.0, -6.0]))
    result = sent_load(replace(case, line=line, begin=0.3, stop=0.3), job.spar)
    held, control = result.lead_tension_n.high, result.fall_tension_n.high
    assert control > 0.0
    assert held < result.anchor_load_n.high <= held + 2.0 * control + 1e-6
    assert result.anchor_direction @ (line.lower_m - line.upper_m) > 0.0


def test_a_heavier_piece_loads_the_stretched_line_and_the_spar_more():
    job, light = level_line_case(20.0)
    _, heavy = level_line_case(60.0)
    one, two = sent_load(light, job.spar), sent_load(heavy, job.spar)
    assert one.lead_tension_n.high < two.lead_tension_n.high
    section = [max(v for k, v in r.utilisation.items() if "section" in k) for r in (one, two)]
    assert section[0] < section[1]
    assert two.anchor_load_n.high >= two.lead_tension_n.high


def test_a_stretched_line_is_answered_again_on_what_stands():
    job, piece = pond_job()
    option = next(o for o in sent(job, piece) if o.kept)
    assert isinstance(option.load.case, SentCase)
    spar = job.spar_beside(piece.butt_node)
    again = reloaded(option, spar, job.rider(spar.standing))
    assert again.share == pytest.approx(option.share)
    alone = reloaded(option, spar, None)
    sections = [
        max(v for k, v in o.load.utilisation.items() if "section" in k) for o in (again, alone)
    ]
    assert sections[0] > sections[1]
    standing = job.inputs.standing.copy()
    standing[job.inputs.graph.subtree(option.anchor.node)] = False
    fallen = reloaded(option, job.spar_without(standing), None)
    assert any("no longer stands" in b for b in fallen.broken)


@cache
def twin():
    """A stem that forks into an upright leader and a leaning one."""
    tree = Builder(0.25)
    stem = tree.grow(0, [0, 0, 1], 5.0, 0.20, 0.17, 0)
    tree.grow(stem[-1], [0.02, 0, 1], 9.0, 0.17, 0.08, 0)
    tree.grow(stem[-1], [-0.7, 0, 1], 3.0, 0.06, 0.02, 1)
    return tree.graph()


def leaning_piece(site=None):
    graph = twin()
    job = prepare(inputs_of(graph, site or open_field()))
    start = int(np.flatnonzero(graph.limb == graph.limb.max())[0])
    return job, job.table.piece(start)


def test_an_upright_piece_under_an_anchor_slides_off_its_stem():
    job, piece = leaning_piece()
    hung = [o for o in hang_options(job, piece, 1) if o.method == "lower" and o.anchor_id[0] == "A"]
    slid = [o for o in hung if any("slides off past the stem" in w for w in o.warnings)]
    assert slid
    option = slid[0]
    drop = piece.butt_diameter_m * np.tan(np.radians(SLANT_DEG))
    assert option.load.case.drop_m == pytest.approx(drop)
    level = replace(option.load.case, drop_m=0.0)
    taut = solve_many([level], job.spar_beside(piece.butt_node))[0]
    assert option.load.lead_tension_n.high > taut.lead_tension_n.high


def test_a_level_limb_needs_no_slanted_cut():
    job, piece = pond_job()
    result = next(o.load for o in hang_options(job, piece, 1) if o.method == "lower")
    assert slid_ways(job, result, None) == []


def test_a_leader_goes_its_own_way_and_not_against_it():
    _, light = leaning_piece()
    piece = replace(light, mass_kg=Band(60.0, 80.0, 100.0))
    site = open_field()
    with_it, against, across = (lean_of(piece, a, site) for a in (270.0, 90.0, 0.0))
    assert with_it.broken == ()
    assert with_it.pull_n == 0.0
    assert against.pull_n > 100.0
    assert any("twist" in b for b in across.broken)


def test_a_lean_that_the_crew_cannot_pull_is_refused():
    _, piece = leaning_piece()
    heavy = replace(piece, mass_kg=Band(1500.0, 1500.0, 1500.0))
    weak = open_field(crew={"ground": 1})
    told = lean_of(heavy, 90.0, weak).broken
    assert any("the crew gives 600 N" in b for b in told)


def test_a_leaning_leader_is_felled_the_way_it_leans():
    zone = {"name": "bed", "footprint_m": box(-30, -30, 30, 30), "max_energy_kj": 300.0}
    job, piece = leaning_piece(open_field(drop_zone=[zone]))
    felled = [o for o in fall_options(piece, 1, job.field) if o.hinge_azimuth_deg is not None]
    kept = [o for o in felled if o.kept]
    assert kept
    off = [abs((o.hinge_azimuth_deg - 270.0 + 180.0) % 360.0 - 180.0) for o in kept]
    assert off[0] < 1.0
    assert max(off) < 90.0


def test_a_plan_with_a_stretched_line_passes_the_independent_check():
    inputs = pond_job()[0].inputs
    plan, tree, site = documents_of(inputs)
    lined = [s for s in plan["steps"] if s["method"] == "speed line"]
    assert lined
    assert lined[0]["load"]["stretched_line"]["lower_end"] == "ash"
    assert check_plan(plan, tree, site) == []
    weak = copy.deepcopy(plan)
    step = next(s for s in weak["steps"] if s["method"] == "speed line")
    for key in ("low", "likely", "high"):
        step["line_tension_N"][key] *= 0.5
    assert any("statics gives" in f for f in check_plan(weak, tree, site))
    slack = copy.deepcopy(plan)
    step = next(s for s in slack["steps"] if s["method"] == "speed line")
    step["load"]["stretched_line"]["lower_holds_N"] = 0.5 * step["line_tension_N"]["high"]
    assert any("holds less than the line pulls" in f for f in check_plan(slack, tree, site))
    high = copy.deepcopy(plan)
    ends = next(s for s in high["steps"] if s["method"] == "speed line")["load"]["stretched_line"]
    ends["lower_m"][2] = ends["upper_m"][2] + 1.0
    assert any("does not fall to its lower end" in f for f in check_plan(high, tree, site))
