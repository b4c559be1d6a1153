"""A piece that fails only on what stands by then is cut elsewhere, and nothing gets worse by it."""

from dataclasses import replace

import numpy as np
import pytest

from tests.planning.jobs import sample_inputs
from treescan.planning import repairing
from treescan.planning.dividing import divide
from treescan.planning.job import prepare
from treescan.planning.plan_search import whole_plans
from treescan.planning.repairing import late_failures, worked_out

SAID = "would strike the wood that carries the anchor A1 with 30 kg"


@pytest.fixture
def divided():
    """A job, its division and its plans before what stands by then is looked at."""
    job = prepare(sample_inputs("maple_phone"))
    division = divide(job, lambda _share: None)
    return division, whole_plans(job, division, lambda _share: None)


def keys_of(plan):
    return {plan.divided.pieces.key(row) for row in plan.rows}


def failing(bad):
    """The real working out, but pieces with a key in ``bad`` fail on what stands by then."""
    real = repairing.work_out

    def work_out(job, plan, wood):
        worked = real(job, plan, wood)
        at = [i for i, row in enumerate(plan.rows) if plan.divided.pieces.key(row) in bad]
        options, steps = list(worked.options), list(worked.steps)
        for i in at:
            options[i] = replace(options[i], broken=(SAID,))
            steps[i] = replace(steps[i], broken_limits=(SAID,))
        return replace(worked, options=tuple(options), steps=tuple(steps))

    return work_out


def test_a_piece_that_fails_by_then_is_cut_elsewhere(divided, monkeypatch):
    """Every plan loses that piece, keeps every limit again and takes the same wood."""
    division, plans = divided
    shared = set.intersection(*(keys_of(plan) for plan in plans))
    heavy = max(
        (key for key in shared if key[1]),
        key=lambda key: division.judged.known[key].piece.mass_kg.high,
    )
    wood = sorted(n for o in plans[0].options for n in o.piece.nodes)
    monkeypatch.setattr(repairing, "work_out", failing({heavy}))
    for worked in worked_out(division, plans):
        assert worked.broken == 0
        cuts = [int(o.piece.butt_node) for o in worked.options]
        assert len(cuts) == len(set(cuts))
        np.testing.assert_array_equal(
            sorted(n for o in worked.options for n in o.piece.nodes), wood
        )
    assert not division.judged.known[heavy].kept


def test_where_nothing_helps_the_plans_stay_as_they_were(divided, monkeypatch):
    division, plans = divided
    everything = type("All", (), {"__contains__": lambda _self, _key: True})()
    monkeypatch.setattr(repairing, "work_out", failing(everything))
    worked = worked_out(division, plans)
    assert [plan.broken for plan in worked] == [len(plan.rows) for plan in plans]
    assert [plan.rows for plan in worked] == [plan.rows for plan in plans]


def test_plans_that_hold_are_not_touched(divided, monkeypatch):
    division, plans = divided
    before = dict(division.judged.known)
    monkeypatch.setattr(repairing, "recut", None)
    worked = worked_out(division, plans)
    assert [plan.broken for plan in worked] == [0] * len(plans)
    assert division.judged.known == before
    assert not any(late_failures(*pair) for pair in zip(plans, worked, strict=True))
