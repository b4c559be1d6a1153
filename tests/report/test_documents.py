"""tree.json and plan.json: the schemas hold, what was written can be planned from again."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib import resources

import jsonschema
import numpy as np
import pytest

from tests.report.job import ORIGIN
from treescan.errors import InvalidInputError, OutputError
from treescan.report.plan_json import plan_document, plan_identity
from treescan.report.tree_json import read_ground, read_tree, tree_document
from treescan.site.model import Site


def schema(name):
    text = resources.files("treescan.report").joinpath("schemas", name).read_text()
    return jsonschema.Draft202012Validator(json.loads(text))


def through_json(document):
    return json.loads(json.dumps(document, allow_nan=False))


def test_tree_document_meets_its_schema(job):
    schema("tree.schema.json").validate(through_json(tree_document(job)))


def test_plan_document_meets_its_schema(job):
    schema("plan.schema.json").validate(through_json(plan_document(job)))


@pytest.mark.parametrize(
    ("path", "bad"),
    [
        (("steps", 0, "method"), "crane"),
        (("steps", 0, "piece", "mass_kg"), {"low": 1.0, "high": 2.0}),
        (("anchors", 0, "allowable_N"), "much"),
        (("version",), 2),
    ],
)
def test_plan_schema_refuses_what_the_contract_does_not_know(job, path, bad):
    document = through_json(plan_document(job))
    place = document
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = bad
    with pytest.raises(jsonschema.ValidationError, match=r"."):
        schema("plan.schema.json").validate(document)


def test_a_tree_comes_back_as_it_was_written(job, tmp_path):
    path = tmp_path / "tree.json"
    path.write_text(json.dumps(tree_document(job)))
    graph, document = read_tree(path)
    np.testing.assert_allclose(graph.position_m, job.graph.position_m, atol=5.1e-5)
    np.testing.assert_allclose(graph.radius_m, job.graph.radius_m, atol=5.1e-6)
    np.testing.assert_allclose(graph.radius_sd_m, job.graph.radius_sd_m, atol=5.1e-6)
    np.testing.assert_allclose(graph.support, job.graph.support, atol=5.1e-4)
    np.testing.assert_array_equal(graph.origin_m, ORIGIN)
    for name in ("parent", "limb", "order", "source", "bridged"):
        np.testing.assert_array_equal(getattr(graph, name), getattr(job.graph, name), name)
    assert graph.unseen_share == pytest.approx(job.measures.unseen_share)
    assert document["summary"]["dbh_m"] == pytest.approx(job.measures.dbh_m)
    assert document["crs"] == job.crs


def test_the_ground_comes_back_too(job):
    ground = read_ground(through_json(tree_document(job)))
    assert ground is not None
    np.testing.assert_allclose(ground.height([0, 3], [1, -4]), job.ground.height([0, 3], [1, -4]))
    assert read_ground({"nodes": []}) is None


def test_node_plus_origin_is_in_scan_coordinates(job):
    document = tree_document(job)
    node = document["nodes"][7]
    there = np.array([node["x"], node["y"], node["z"]]) + document["origin_m"]
    np.testing.assert_allclose(there, job.graph.position_m[7] + ORIGIN, atol=1e-4)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: d.update(format="other"), "not a treescan-tree file. Give a scan"),
        (lambda d: d.update(version=9), "version 9; this program reads version 1. Measure"),
        (lambda d: d["nodes"][3].pop("radius_m"), "node 3 lacks radius_m. Add it"),
        (lambda d: d["nodes"][3].update(id=2), "node id 2 occurs twice. Keep one"),
        (lambda d: d["nodes"][3].update(parent=10**9), "a node's value cannot be used"),
        (lambda d: d["nodes"][3].update(radius_m=-1), "a radius is zero or negative"),
        (lambda d: d["nodes"][3].update(x="far"), "a node's value cannot be used"),
        (lambda d: d.update(nodes=[]), "holds no nodes. Measure the scan again"),
    ],
)
def test_a_damaged_tree_file_says_what_is_wrong_and_what_to_do(job, tmp_path, change, said):
    document = through_json(tree_document(job))
    change(document)
    path = tmp_path / "tree.json"
    path.write_text(json.dumps(document))
    with pytest.raises(InvalidInputError, match=said) as caught:
        read_tree(path)
    assert "\n" not in str(caught.value)
    assert "tree.json" in str(caught.value)


def test_a_file_that_is_no_json_is_refused(tmp_path):
    path = tmp_path / "tree.json"
    path.write_bytes(b"\xff\xfe no")
    with pytest.raises(InvalidInputError, match="not readable as a tree file"):
        read_tree(path)


def test_every_woody_node_above_the_stump_is_in_one_step(job):
    taken = [n for s in plan_document(job)["steps"] for n in s["piece"]["nodes"]]
    assert len(taken) == len(set(taken))
    left = np.setdiff1d(np.arange(len(job.graph)), taken)
    assert job.graph.position_m[left, 2].max() < 3.0


def test_plan_coordinates_are_scan_coordinates(job):
    document, step = plan_document(job), job.plan.steps[1]
    told = document["steps"][1]
    np.testing.assert_allclose(told["piece"]["cut_m"], step.piece.cut_m + ORIGIN, atol=1e-3)
    np.testing.assert_allclose(told["tie_m"][0], step.tie_m[0] + ORIGIN, atol=1e-3)
    np.testing.assert_allclose(
        np.array(told["path"])[:, 1:], step.path.centre_m + ORIGIN, atol=1e-3
    )
    assert np.diff(np.array(told["path"])[:, 0]).max() <= 0.05 + 1e-9
    anchor = job.plan.anchors[0].anchor
    np.testing.assert_allclose(
        document["anchors"][0]["position_m"], anchor.position_m + ORIGIN, atol=1e-3
    )


def test_clearance_names_every_target_and_wire(job):
    names = {t.name for t in job.site.target} | {c.name for c in job.site.conductor}
    for step in plan_document(job)["steps"]:
        assert set(step["clearance_m"]) == names


def test_the_site_is_echoed_in_scan_coordinates_and_reads_back(job):
    echoed = Site.model_validate(plan_document(job)["site"])
    assert not echoed.local
    again = echoed.localised(ORIGIN)
    want = job.site.localised(np.zeros(3))
    np.testing.assert_allclose(again.target[0].footprint_m, want.target[0].footprint_m, atol=1e-6)
    np.testing.assert_allclose(again.conductor[0].path_m, want.conductor[0].path_m, atol=1e-6)
    assert again.limits == want.limits


def test_plan_identity_changes_with_the_plan_and_not_with_the_day(job):
    assert plan_identity(replace(job, date="2030-01-01")) == plan_identity(job)
    step = replace(job.plan.steps[0], landing="road")
    other = replace(job.plan, steps=(step, *job.plan.steps[1:]))
    assert plan_identity(replace(job, plan=other)) != plan_identity(job)


def test_no_plan_no_plan_document(measured):
    with pytest.raises(OutputError, match=r"made no plan\. Give a site file"):
        plan_document(measured)
    assert plan_identity(measured) == ""
