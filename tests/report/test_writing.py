"""All files of a run: the contract's names, the same bytes twice, errors that say what to do."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pypdf
import pytest
from shapely.geometry import shape

from treescan.errors import OutputError
from treescan.planning.types import HaulPlan
from treescan.report.geojson import site_geojson
from treescan.report.pictures import pictures_of, write_picture
from treescan.report.writing import write_measure_outputs, write_plan_outputs
from treescan.site.model import Site

CONTRACT = {
    "tree.json", "plan.json", "cut_list.csv", "cut_list.pdf", "tree.glb", "tree.ply", "haul.csv",
    "report.html",
}  # fmt: skip


@pytest.fixture(scope="module")
def written(job, tmp_path_factory):
    folder = tmp_path_factory.mktemp("plan")
    return folder, write_plan_outputs(job, folder)


def test_every_file_of_the_contract_is_written_and_listed(written):
    folder, paths = written
    assert {p.name for p in paths} >= CONTRACT
    assert set(paths) == {p for p in folder.rglob("*") if p.is_file()}
    assert all(p.stat().st_size > 100 for p in paths)


def test_pictures_come_as_png_and_svg(written):
    names = {p.name for p in written[1] if p.parent.name == "pictures"}
    for name in (
        "tree",
        "skeleton",
        "plan_view",
        "anchors",
        "load_shares",
        "clearance",
        "schedule",
    ):
        assert {f"{name}.png", f"{name}.svg"} <= names


def test_pictures_are_the_same_bytes_twice(job, written, tmp_path):
    for name, picture in pictures_of(job).items():
        write_picture(picture, job, tmp_path / name)
    for path in tmp_path.iterdir():
        assert path.read_bytes() == (written[0] / "pictures" / path.name).read_bytes(), path.name


def test_measurements_without_a_plan(measured, tmp_path):
    names = {p.name for p in write_measure_outputs(measured, tmp_path)}
    assert {"tree.json", "measurements.csv", "measurements.txt", "haul.csv"} <= names
    assert not {"plan.json", "cut_list.pdf", "cut_list.csv"} & names


def test_a_missing_folder_and_a_missing_plan_are_told(job, measured, tmp_path):
    with pytest.raises(OutputError, match=r"no such folder to write to\. Make it first"):
        write_plan_outputs(job, tmp_path / "none")
    with pytest.raises(OutputError, match=r"made no plan\. Write the measurements"):
        write_plan_outputs(measured, tmp_path)


def test_a_file_that_cannot_be_written_is_named(job, tmp_path):
    (tmp_path / "tree.json").mkdir()
    with pytest.raises(OutputError, match=r"tree\.json: not written"):
        write_plan_outputs(job, tmp_path)


def test_geojson_only_with_a_coordinate_system(job):

    assert site_geojson(replace(job, crs="")) is None
    document = json.loads(json.dumps(site_geojson(job)))
    kinds = {f["properties"]["kind"] for f in document["features"]}
    assert kinds >= {"tree", "target", "drop zone", "landing", "conductor", "landing footprint"}
    if "crs" in document:
        assert document["crs"]["properties"]["name"] == "urn:ogc:def:crs:EPSG::32632"
        x, y = document["features"][0]["geometry"]["coordinates"]
        base = job.graph.position_m[0] + job.origin_m
        assert (x, y) == pytest.approx((base[0], base[1]), abs=1e-3)
    else:
        x, y = document["features"][0]["geometry"]["coordinates"]
        assert 6 < x < 12  # UTM zone 32 lies there
        assert 40 < y < 60


def test_geojson_holds_the_landing_footprint_and_rings_turn_left(job):
    corner = np.array([[-4.0, -5.0], [-2.0, -5.0], [-2.0, -3.0], [-4.0, -3.0]])[::-1]
    step = job.plan.steps[0]
    step = replace(step, path=replace(step.path, footprint_m=corner))
    changed = replace(job, plan=replace(job.plan, steps=(step, *job.plan.steps[1:])))
    shapes = {
        f["properties"]["step"]: shape(f["geometry"])
        for f in site_geojson(replace(changed, crs="made-up grid"))["features"]
        if f["properties"]["kind"] == "landing footprint"
    }
    assert shapes[1].area == pytest.approx(4.0, rel=1e-3)
    np.testing.assert_allclose(
        shapes[1].centroid.coords[0], np.array([-3.0, -4.0]) + job.origin_m[:2], atol=1e-2
    )
    # RFC 7946, 3.1.6: an exterior ring is counterclockwise
    assert all(one.exterior.is_ccw for one in shapes.values())
    disc = job.plan.steps[1].path.landing_radius_m
    assert shapes[2].area == pytest.approx(np.pi * disc**2, rel=0.03)


def bare_job(job):
    """A job as poor as a run can make it: no cuts, no site, no scan points, nothing to haul."""
    plan = replace(
        job.plan, steps=(), anchors=(), tie_ins=(), alternatives=(), schedule=(), feasible=False
    )
    nothing = np.zeros((0, 3), dtype=np.float32)
    return replace(
        job, plan=plan, site=Site(local=True), display_xyz=nothing, display_rgb=None,
        tree_xyz=nothing, haul=HaulPlan((), (), (), ()), gear=None, crs="", unseen=(), decisions=(),
    )  # fmt: skip


def test_a_plan_without_cuts_or_site_is_still_written_whole(job, tmp_path):
    names = {p.name for p in write_plan_outputs(bare_job(job), tmp_path)}
    assert names >= CONTRACT
    assert "No order of cuts" in "".join(
        page.extract_text() for page in pypdf.PdfReader(tmp_path / "cut_list.pdf").pages
    )
