"""Why this anchor: the ranking, the climber's load and the redirects that reach the plan."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.planning.jobs import inputs_of
from tests.planning.sites import box, yard
from tests.planning.trees import Builder
from treescan.motion.body import rigid_piece
from treescan.motion.swing import lowered
from treescan.planning.anchor_ranks import swings_from, with_anchor_ranks
from treescan.planning.hangs import hang_options
from treescan.planning.job import prepare
from treescan.planning.options import standing_distance_m
from treescan.planning.steps import step_of
from treescan.planning.ties import reachable_anchors
from treescan.rigging.proposals import rank_for_piece
from treescan.rigging.tie_ins import APART_M, climber_n

SITE = yard(
    target=[{"name": "glasshouse", "footprint_m": box(1.6, -2, 6, 2), "height_m": 2.5}],
    conductor=[],
    drop_zone=[{"name": "lawn", "footprint_m": box(-12, -8, 1.4, 8)}],
    landing=[],
)


@cache
def job():
    """A stem with a level limb over a glasshouse and another leader to hang it from."""
    tree = Builder(0.30)
    stem = tree.grow(0, [0, 0, 1], 14.0, 0.25, 0.10, 0)
    tree.grow(stem[23], [1, 0, 0.05], 4.0, 0.05, 0.01, 1)
    tree.grow(stem[30], [-0.3, 0, 1], 4.0, 0.09, 0.04, 1)
    graph = tree.graph()
    ready = prepare(inputs_of(graph, SITE))
    start = int(np.flatnonzero(graph.starts_limb)[0])
    return ready, ready.table.piece(start)


@cache
def hung_step():
    ready, piece = job()
    options = [o for o in hang_options(ready, piece, 1) if o.load.case.piece is piece]
    return step_of(1, min(options, key=lambda o: len(o.broken)))


def test_a_lowered_piece_says_what_its_anchor_takes_and_which_others_there_are():
    ready, _ = job()
    step = with_anchor_ranks(ready, [hung_step()])[0]
    anchor, load = step.load.case.anchor.anchor_id, step.load
    told = next(r for r in step.reasons if r.startswith(f"from {anchor}: "))
    assert f"{load.governs} at {load.share:.0%} of its limit" in told
    assert "off the wood's axis" in told
    assert "of line left" in told
    others = next(r for r in step.reasons if r.startswith("other anchors"))
    assert anchor + " (" not in others


def followed(ready, piece, case):
    tie, anchor = case.tie_m.mean(axis=0), case.anchor.position_m
    return lowered(piece, tie, anchor, ready.inputs.ground, run_m=case.run_m)


@pytest.mark.parametrize(
    ("east", "north", "too_near"), [(0.9, 0.4, True), (2.0, 4.0, False)], ids=["near", "aside"]
)
def test_what_a_swing_passes_is_what_the_whole_motion_passes(east, north, too_near):
    """A post as high as the limb, against the same piece followed alone from every anchor."""
    post = {"name": "post", "footprint_m": box(east, north, east + 0.6, north + 1.1)}
    site = yard(target=[{**post, "height_m": 12.5}], conductor=[], drop_zone=[], landing=[])
    ready = prepare(inputs_of(job()[0].inputs.graph, site))
    piece, obstacles = ready.table.piece(job()[1].butt_node), ready.field.obstacles
    spar, case = ready.spar_beside(piece.butt_node), hung_step().load.case
    ranked = rank_for_piece(case, tuple(reachable_anchors(ready, piece)), spar, 0.0, None)
    told = swings_from(ready, ranked)
    wanted = min(obstacles.margin_m[0], standing_distance_m(piece, obstacles)[0])
    rigid = rigid_piece(piece)
    assert len(ranked) >= 2
    for row in ranked:
        at = row.result.case
        path = followed(ready, piece, at)
        early = path.time_s <= 4.0
        balls = np.einsum("kab,jb->kja", path.rotation[early], rigid.offset_m)
        balls = (balls + path.centre_m[early][:, None]).reshape(-1, 3)
        gaps = obstacles.distance(balls, np.tile(rigid.radius_m, int(early.sum())))
        lack = float(wanted - gaps.min())
        assert (lack > 0.05) == too_near
        words = told[at.anchor.anchor_id]
        assert ("too near post" in words) == too_near
        if too_near:
            said = float(words.split(" comes ")[1].split(" m ")[0])
            assert said == pytest.approx(lack, abs=0.15)


def test_a_piece_that_falls_says_nothing_of_anchors():
    ready, _ = job()
    fallen = replace(hung_step(), load=None, method="free fall", anchor_id=None)
    assert with_anchor_ranks(ready, [fallen]) == (fallen,)


def test_the_climber_hangs_on_the_same_tree():
    ready, piece = job()
    spar = ready.spar_beside(piece.butt_node)
    rider = ready.rider(spar.standing)
    assert rider.node == ready.tie_in.node
    assert rider.pull_n == pytest.approx(climber_n(SITE.climber.mass_kg))
    gone = spar.standing.copy()
    gone[ready.inputs.graph.subtree(ready.tie_in.node)] = False
    lower = ready.rider(gone)
    assert lower is None or gone[lower.node]
    assert ready.rider(np.zeros_like(gone)) is None


def test_the_climbers_place_is_not_rigged_on():
    ready, _ = job()
    for anchor in ready.usable:
        assert np.linalg.norm(anchor.position_m - ready.tie_in.position_m) >= APART_M


def test_the_climber_is_told_to_move_before_the_tie_in_comes_down():
    ready, _ = job()
    tie = ready.tie_in
    taking = ready.table.piece(int(tie.node))
    step = replace(hung_step(), piece=taking, load=None, method="hinge fall", anchor_id=None)
    told = with_anchor_ranks(ready, [step])[0].warnings[-1]
    gone = ready.inputs.standing.copy()
    gone[taking.nodes] = False
    left = ready.tie_in_on(gone)
    assert f"move the tie-in to {left.anchor_id}, {left.height_m:.1f} m up, before this cut" in told
    whole = replace(step, piece=ready.table.piece(int(ready.inputs.graph.subtree(0)[1])))
    last = with_anchor_ranks(ready, [whole])[0].warnings[-1]
    assert "the last tie-in" in last
    assert "a lift or the ground" in last
