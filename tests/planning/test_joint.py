"""Cuts, order and anchors together, held against all divisions with all their orders."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.planning.jobs import inputs_of
from tests.planning.libraries import random_library, solved_together
from tests.planning.sites import glass_all_round, yard
from tests.planning.test_ordering import best_cost
from tests.planning.trees import grown_tree
from treescan.planning.alternatives import BALANCED, PREFERENCES
from treescan.planning.dividing import divide
from treescan.planning.division_space import DivisionSpace
from treescan.planning.job import prepare
from treescan.planning.joint import Change, Effort, carried, carried_over
from treescan.planning.judging import Judge, judge
from treescan.planning.ordering import NO_ANCHOR, cost, is_valid
from treescan.planning.plan_search import jointly, serving

GAP = 0.08
"""A plan of the joint search is at most so much dearer than the best of all: of the sixty trees
here it finds the best on 46 and is 5.7 % dearer at worst; divided first, none is best and the mean
31 % dearer."""


@cache
def best_of_all(seed: int) -> float:
    """Least cost of all divisions, orders, ways and anchors."""
    library = random_library(seed)
    return min(best_cost(library.problem(pieces)) for pieces in library.divisions())


@settings(deadline=None, max_examples=25, derandomize=True)
@given(st.integers(0, 59))
def test_joint_plans_are_no_better_than_the_best_of_all_and_near_it(seed):
    library = random_library(seed)
    first, found = library.divide_first(), library.jointly()
    best = best_of_all(seed)
    assert len(found.pieces) <= 8
    assert best - 1e-6 <= found.cost_min <= (1.0 + GAP) * best
    assert found.cost_min <= first.cost_min + 1e-9


def test_the_joint_search_mends_a_division_chosen_by_its_pieces_alone():
    gains = [
        library.divide_first().cost_min - library.jointly().cost_min
        for library in map(random_library, range(8))
    ]
    assert max(gains) > 5.0


@pytest.mark.parametrize("seed", [3, 11])
def test_a_poor_start_is_left(seed):
    library = random_library(seed)
    whole = library.division(library.free)
    found = library.jointly(start=whole)
    assert found.cost_min < library.ordered(whole).cost_min - 1.0
    assert found.cost_min >= best_of_all(seed) - 1e-6


def test_the_model_of_cuts_order_and_anchors_agrees_with_all_of_them():
    library = random_library(5, limbs=2, cuts_a_limb=2)
    best = min(best_cost(library.problem(pieces)) for pieces in library.divisions())
    solved = solved_together(library, 30.0)
    assert solved.proved
    assert solved.cost_min == pytest.approx(best, abs=0.05)


def test_the_plan_that_is_found_is_what_it_says():
    found = random_library(4).jointly()
    order, picks = found.result.order, found.result.picks
    assert is_valid(found.problem, order, picks)
    assert cost(found.problem, order, picks) == pytest.approx(found.cost_min)


@settings(deadline=None, max_examples=20, derandomize=True)
@given(st.integers(0, 200), st.integers(0, 30))
def test_an_order_is_carried_over_to_other_cuts(seed, number):
    library = random_library(seed)
    whole = library.ordered(library.cheapest_division)
    changes = list(library.changes(whole.pieces))
    change = changes[number % len(changes)]
    after = whole.pieces.changed(add=list(change.add), drop=list(change.drop))
    order, picks = carried(whole.pieces, whole.result, after)
    assert sorted(order) == list(range(len(after)))
    at = {row: i for i, row in enumerate(order)}
    assert all(at[row] < at[int(h)] for row, h in enumerate(after.holder) if h >= 0)
    kept = {after.key(row): picks[row] for row in range(len(after))}
    for row in range(len(whole.pieces)):
        key = whole.pieces.key(row)
        assert kept.get(key, whole.result.picks[row]) == whole.result.picks[row]


@cache
def divided(site):
    graph = grown_tree(2, 7.0, 0.22, limbs=4, side_branches=1)
    return divide(prepare(inputs_of(graph, site())), lambda _share: None)


@pytest.mark.parametrize("site", [yard, glass_all_round])
def test_a_piece_looked_at_for_falls_has_the_ways_of_one_judged_whole_or_none_to_fall(site):
    division = divided(site)
    judged, pieces = Judge(division.judged.job), division.pieces
    rows = range(len(pieces))
    judged.learn([(pieces, r) for r in rows], falls_only=[pieces.key(r) for r in rows])
    left_out = 0
    for row in rows:
        whole = judge(judged.job, pieces, row)
        found = judged.known.get(pieces.key(row))
        if found is None:
            left_out += 1
            assert judged.falls[pieces.key(row)] is False
            assert not any(o.kept and o.anchor is None for o in whole.options)
        else:
            assert [o.minutes for o in found.options] == [o.minutes for o in whole.options]
            assert any(o.kept for o in found.options)
    assert left_out < len(pieces)
    assert left_out > 0 or site is yard


def test_looking_further_never_makes_a_dearer_plan():
    found = [jointly(apart(divided(yard)), 0, Effort(judged=most, batch=4)) for most in (4, 24, 96)]
    costs = [whole.cost_min for whole in found]
    assert costs == sorted(costs, reverse=True)


def test_a_piece_alone_on_its_anchor_is_named():
    for library in (random_library(seed, 6) for seed in range(12)):
        whole = library.ordered(library.division(library.free))
        anchors = [w[p].anchor for w, p in zip(whole.problem.ways, whole.result.picks, strict=True)]
        alone = {a for a in anchors if a != NO_ANCHOR and anchors.count(a) == 1}
        assert {anchors[row] for row in whole.alone} == alone
        assert len(whole.alone) == len(alone)


def apart(division):
    """The same division with its own memory of what was judged."""
    judged = Judge(division.judged.job, dict(division.judged.known))
    return replace(division, judged=judged)


@pytest.mark.parametrize("site", [yard, glass_all_round])
def test_a_job_is_divided_no_worse_and_twice_the_same(site):
    division, other = apart(divided(site)), apart(divided(site))
    found, again = jointly(division, 0), jointly(other, 0)
    assert found.pieces.cuts.tolist() == again.pieces.cuts.tolist()
    assert found.result == again.result
    space, first = DivisionSpace(division), division.pieces

    def stuck(pieces):
        return sum(space.stuck_kg(pieces, row) for row in range(len(pieces)))

    start = carried_over(space, found, first, 0)
    assert found.cost_min <= start.cost_min + 1e-9
    for preference in PREFERENCES:
        pieces = serving(division, preference, [found.pieces, first], found, 0)
        assert stuck(pieces) <= stuck(first) + 1e-6
        assert (pieces.piece_of >= 0).tolist() == (first.piece_of >= 0).tolist()


def test_the_cheapest_cover_is_the_cheapest_of_all_divisions_by_their_pieces():
    for seed in range(4):
        library = random_library(seed)

        def total(pieces, library=library):
            rows = range(len(pieces))
            return sum(library.least_min(pieces, row) + library.move_min for row in rows)

        value, cuts = library.cover.cheapest()
        assert value == pytest.approx(min(total(p) for p in library.divisions()))
        assert value == pytest.approx(total(library.division(c for c in cuts if c != library.root)))


def test_a_cover_without_anchors_uses_none_and_costs_no_less():
    cover = random_library(1).cover
    assert cover.cheapest(frozenset())[0] >= cover.cheapest()[0]
    assert cover.cheapest(frozenset(cover.anchors))[0] == pytest.approx(cover.cheapest()[0])


def test_changes_name_cuts_that_are_there_or_not():
    division = divided(yard)
    space, pieces = DivisionSpace(division, BALANCED), division.pieces
    cuts = set(pieces.cuts.tolist())
    found = list(space.changes(pieces))
    assert len(found) == len(set(found))
    assert {bool(c.add) and not c.drop for c in found} == {True, False}
    for change in found:
        assert isinstance(change, Change)
        assert set(change.drop) <= cuts
        assert not cuts & set(change.add)
        assert np.all(pieces.piece_of[list(change.add)] >= 0)
