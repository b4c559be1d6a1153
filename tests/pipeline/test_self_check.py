"""The plan's own check: silent on a sound plan, aloud where the documents disagree."""

from dataclasses import replace

import numpy as np
import pytest

from tests.pipeline.small_tree import SITE, write_tree
from treescan.pipeline import self_check
from treescan.pipeline.outputs import save_results
from treescan.pipeline.replanning import Changes, replan_folder
from treescan.pipeline.run import RunOptions, measure_scan, plan_removal


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    folder = tmp_path_factory.mktemp("job")
    scan, site = write_tree(folder / "tree.json"), folder / "site.toml"
    site.write_text(SITE)
    return plan_removal([scan], site, RunOptions(seed=3))


def own_words(result):
    return [text for text in result.cautions if "plan's own check" in text]


def test_a_sound_plan_passes_its_own_check(planned):
    assert planned.plan.steps
    assert not own_words(planned)


def test_a_spoilt_plan_is_told_aloud(planned):
    spoilt = replace(planned, plan=replace(planned.plan, steps=planned.plan.steps[:-1]))
    told = self_check.with_check(spoilt)
    assert any("in no step" in text for text in own_words(told))
    assert set(own_words(told)) <= set(told.decisions)


def test_many_faults_are_counted(planned, monkeypatch):
    monkeypatch.setattr(self_check, "check_plan", lambda *_, **__: [f"fault {n}" for n in range(9)])
    told = self_check.with_check(planned)
    assert len(own_words(told)) == self_check.MOST_TOLD
    assert any("and 4 more points" in text for text in told.cautions)


def test_the_rest_of_a_job_is_checked_without_what_is_down(planned, tmp_path):
    folder = save_results(planned, tmp_path / "first")
    rest, state = replan_folder(folder, Changes(done=frozenset({1})))
    assert len(state.gone_nodes) > 0
    assert not own_words(rest)
    assert own_words(self_check.with_check(rest, np.arange(1, 4)))


def test_no_plan_no_check(tmp_path):
    measured, _ = measure_scan([write_tree(tmp_path / "tree.json")], None)
    assert self_check.with_check(measured) is measured
