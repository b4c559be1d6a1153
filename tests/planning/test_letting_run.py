"""A line that is let run further where a shorter run would overload something."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.planning.jobs import grown_inputs
from tests.planning.sites import yard
from treescan.planning.hangs import hang_options
from treescan.planning.job import prepare
from treescan.planning.letting_run import LONG_RUN_M, MOST_OVER, run_longer
from treescan.planning.ties import hung_cases
from treescan.rigging.cases import solve_many


@cache
def job_and_pieces():
    job = prepare(grown_inputs("broadleaf", 3, yard(), height_m=12.0))
    graph = job.inputs.graph
    none = np.zeros(len(graph), dtype=bool)
    thick = (graph.radius_m > 0.02) & (graph.radius_m < 0.06) & (graph.order > 0)
    pieces = [job.table.piece(int(n), (), removed=none) for n in np.flatnonzero(thick)[::9]]
    return job, [piece for piece in pieces if piece.mass_kg.high > 5.0]


@cache
def lifts():
    job, pieces = job_and_pieces()
    cases = [case for piece in pieces for case in hung_cases(job, piece)]
    return tuple(r for r in solve_many(cases, job.spar) if not r.failed)


def test_an_overload_that_a_longer_run_mends_is_mended_and_nothing_else_is_touched():
    job, _ = job_and_pieces()
    longer = [(r, run_longer(r, job.spar, None)) for r in lifts()]
    mended = [(r, then) for r, then in longer if then is not None]
    assert mended, "no lift of this tree is overloaded by so little"
    for before, then in mended:
        assert 1.0 < before.share <= MOST_OVER
        assert then.share <= 1.0
        assert then.run_m == LONG_RUN_M
        assert then.lead_tension_n.high < before.lead_tension_n.high
    for before, then in longer:
        if before.share <= 1.0 or before.share > MOST_OVER:
            assert then is None


def test_a_locked_line_is_not_let_run():
    job, _ = job_and_pieces()
    over = next(r for r in lifts() if run_longer(r, job.spar, None) is not None)
    locked = solve_many([replace(over.case, locked=True)], job.spar)[0]
    assert run_longer(locked, job.spar, None) is None


def run_of(recipe):
    """Line let run in the motion that a path was worked out from. [m]"""
    _, options = recipe
    return run_of(options["then"]) if "then" in options else options["run_m"]


def test_the_way_is_followed_with_the_run_that_its_load_counts_on_and_says_so():
    job, pieces = job_and_pieces()
    hung = [o for p in pieces for o in hang_options(job, p, 1) if o.method == "lower"]
    followed = [o for o in hung if o.path.recipe[0] in ("lowered", "aside_first")]
    assert len(followed) > 3
    for option in followed:
        assert run_of(option.path.recipe) == pytest.approx(option.load.run_m)
        told = f"counts on {option.load.run_m:.1f} m of line run"
        assert any(told in warning for warning in option.warnings)
