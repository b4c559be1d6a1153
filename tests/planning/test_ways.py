"""How single ways are judged: margins, falls, turning, robustness, what would mend."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.planning.jobs import grown_inputs, inputs_of
from tests.planning.sites import box, open_field, yard
from tests.planning.trees import Builder
from treescan.motion.types import Clearance
from treescan.planning.explaining import why_not_here
from treescan.planning.falls import fall_options
from treescan.planning.hangs import hang_options
from treescan.planning.job import prepare
from treescan.planning.options import passing
from treescan.planning.planner import make_plan
from treescan.planning.turning import pull_n, rotated
from treescan.units import Band

WIRE, TARGET = np.array([True]), np.array([False])


def gap(distance_m, margin_m=1.0, spread_m=0.0):
    return (Clearance("shed", distance_m, margin_m, 1.0, (0.0, 0.0, 0.0), spread_m),)


def test_a_margin_is_kept_with_its_spread():
    assert passing(gap(1.5), np.array([5.0]), TARGET).broken == ()
    told = passing(gap(1.2, spread_m=0.5), np.array([5.0]), TARGET).broken
    assert told == ("would pass the shed at 0.7 m; 1.0 m is wanted",)
    told = passing(gap(-0.4, spread_m=0.2), np.array([5.0]), TARGET).broken
    assert told == ("would sweep the shed by 0.6 m",)


def test_wood_inside_a_margin_may_come_no_nearer():
    held = passing(gap(0.4), np.array([0.4]), TARGET)
    assert held.broken == ()
    assert "hold it off" in held.warnings[0]
    assert passing(gap(0.1), np.array([0.4]), TARGET).broken


def test_a_wire_gives_no_grace():
    told = passing(gap(2.0, margin_m=3.05), np.array([2.0]), WIRE).broken
    assert told == ("stands 2.0 m from the shed, 3.0 m is to be kept",)


@cache
def limb_tree():
    """A stem with one level limb over a glasshouse, and a stronger limb above it."""
    tree = Builder(0.30)
    stem = tree.grow(0, [0, 0, 1], 14.0, 0.25, 0.08, 0)
    tree.grow(stem[23], [1, 0, 0.05], 4.0, 0.05, 0.01, 1)
    return tree.graph(), stem


def limb_job(site):
    graph, stem = limb_tree()
    inputs = inputs_of(graph, site)
    job = prepare(inputs)
    start = int(np.flatnonzero(graph.starts_limb)[0])
    return job, job.table.piece(start), stem


def test_a_limb_over_a_glasshouse_is_hung_not_dropped():
    site = yard(
        target=[{"name": "glasshouse", "footprint_m": box(1.6, -2, 6, 2), "height_m": 2.5}],
        conductor=[],
        drop_zone=[{"name": "lawn", "footprint_m": box(-12, -8, 1.4, 8)}],
        landing=[],
    )
    job, piece, _ = limb_job(site)
    falls = fall_options(piece, 1, job.field)
    assert not any(o.kept for o in falls)
    assert any("glasshouse" in b for o in falls for b in o.broken)
    hung = [o for o in hang_options(job, piece, 1) if o.kept]
    assert hung
    assert all(o.anchor.position_m[2] > piece.cut_m[2] for o in hung)


def test_the_same_limb_over_grass_is_dropped():
    job, piece, _ = limb_job(open_field())
    kept = [o for o in fall_options(piece, 1, job.field) if o.kept]
    assert kept
    assert kept[0].landing == "grass"


def wide_cuts(plan, reach_m):
    return sum(step.piece.butt_diameter_m > reach_m for step in plan.steps)


def test_a_cut_that_the_bar_does_not_reach_through_takes_longer():
    """Of one tree with a bar of 20 and of 40 cm: the short one reaches 40 cm from two sides."""
    plans, minutes = {}, {}
    for bar_m in (0.2, 0.4):
        site = open_field(climber={"saw_bar_m": bar_m})
        inputs = grown_inputs("leaning", 3, site, height_m=9.0, dbh_m=0.5)
        plans[bar_m], job = make_plan(inputs), prepare(inputs)
        wide = job.table.piece(int(plans[bar_m].steps[-1].piece.butt_node), ())
        assert 0.4 < wide.butt_diameter_m < 0.8
        fall = fall_options(wide, 0, job.field)[0]
        minutes[bar_m] = fall.minutes.likely
        told = [s for s in plans[bar_m].steps if any("bar reaches" in w for w in s.warnings)]
        assert len(told) == wide_cuts(plans[bar_m], 2.0 * bar_m)
    assert 0 < wide_cuts(plans[0.2], 0.4) <= wide_cuts(plans[0.4], 0.4)
    assert plans[0.2].hours.likely > plans[0.4].hours.likely
    assert minutes[0.2] - minutes[0.4] == pytest.approx(10.0)


def test_a_hanging_piece_ends_below_its_anchor():
    job, piece, _ = limb_job(open_field())
    for option in hang_options(job, piece, 1):
        if option.load.case.drop_m == 0.0:
            touch = np.searchsorted(option.path.time_s, option.path.contact_time_s) - 1
            hanging = option.path.centre_m[touch][:2]
            assert np.linalg.norm(hanging - option.anchor.position_m[:2]) < 0.4


def test_turning_a_piece_keeps_its_shape_and_needs_the_pull_of_statics():
    _, piece, _ = limb_job(open_field())
    turn = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    pose = rotated(piece, turn)
    assert np.allclose(
        np.linalg.norm(pose.outline_m - pose.cut_m, axis=1),
        np.linalg.norm(piece.outline_m - piece.cut_m, axis=1),
    )
    assert np.allclose(np.trace(pose.inertia_kg_m2), np.trace(piece.inertia_kg_m2))
    tie = piece.cut_m + 2.0 * piece.axis
    upright = pull_n(piece, tie, tie + np.array([0.0, 0.0, 5.0]), np.array([0.0, 1.0, 0.0]))
    arm = np.linalg.norm((piece.centre_m - piece.cut_m)[:2])
    lever = np.linalg.norm((tie - piece.cut_m)[:2])
    assert upright == pytest.approx(9.81 * piece.mass_kg.high * arm / lever, rel=1e-6)


def test_f7_pull_of_a_line_that_holds_a_limb_on_its_hinge():
    """Handbook 6.5 F7: W 1 kN, 3 m arm, tie at 2 m, line at 60 deg: 1.732 kN (exact statics)."""
    _, piece, _ = limb_job(open_field())
    cut = piece.cut_m
    level = replace(
        piece,
        mass_kg=Band(1000 / 9.81, 1000 / 9.81, 1000 / 9.81),
        centre_m=cut + np.array([3.0, 0.0, 0.0]),
    )
    line = np.array([-np.cos(np.radians(60.0)), 0.0, np.sin(np.radians(60.0))])
    tie = cut + np.array([2.0, 0.0, 0.0])
    assert pull_n(level, tie, tie + 5.0 * line, np.array([0.0, 1.0, 0.0])) == pytest.approx(
        1732.05, rel=1e-4
    )


def test_a_work_place_can_be_asked_about():
    inputs = grown_inputs("leaning", 3, open_field(), height_m=9.0)
    plan = make_plan(inputs)
    tip = int(np.argmax(inputs.graph.position_m[:, 2]))
    told = why_not_here(inputs, plan, tip)
    assert "too thin" in told
    assert "comes down in step" in told
