"""plan.json says how each piece turns, what its line carries and what ground it may cover."""

from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from tests.report.job import ORIGIN
from treescan.report.plan_json import plan_document


def test_a_row_of_attitude_and_tension_for_every_row_of_the_path(job):
    for step, written in zip(job.plan.steps, plan_document(job)["steps"], strict=True):
        detail = written["path_detail"]
        rows = len(written["path"])
        assert len(detail["turn_wxyz"]) == len(detail["lead_tension_N"]) == rows
        turns = np.array(detail["turn_wxyz"])
        np.testing.assert_allclose(np.linalg.norm(turns, axis=1), 1.0, atol=1e-3)
        again = Rotation.from_quat(turns[:, [1, 2, 3, 0]]).as_matrix()
        np.testing.assert_allclose(again, step.path.rotation, atol=1e-3)


def test_the_first_touch_and_the_outline_are_in_scan_coordinates(job):
    step = job.plan.steps[0]
    corners = np.array([[0.0, 0.0], [2.0, 0.0], [1.0, 1.5]])
    path = replace(step.path, footprint_m=corners, contact_time_s=1.25, contact_attitude_deg=88.0)
    plan = replace(job.plan, steps=(replace(step, path=path), *job.plan.steps[1:]))
    detail = plan_document(replace(job, plan=plan))["steps"][0]["path_detail"]
    np.testing.assert_allclose(detail["landing_outline_m"], corners + ORIGIN[:2], atol=1e-3)
    assert (detail["contact_time_s"], detail["contact_attitude_deg"]) == (1.25, 88.0)


def test_a_path_that_never_touches_has_no_contact(job):
    step = job.plan.steps[0]
    path = replace(step.path, footprint_m=None, contact_time_s=float("nan"))
    plan = replace(job.plan, steps=(replace(step, path=path), *job.plan.steps[1:]))
    detail = plan_document(replace(job, plan=plan))["steps"][0]["path_detail"]
    assert detail["contact_time_s"] is None
    assert detail["landing_outline_m"] == []
