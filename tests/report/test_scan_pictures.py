"""The stems found are numbered with the places that choose them; unseen parts are drawn dark."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.report.job import make_job
from treescan.pointcloud.cloud import StemSeed, Unseen
from treescan.report.pictures import pictures_of, write_picture
from treescan.report.scan_pictures import stems_picture, unseen_picture


@pytest.fixture(scope="module")
def job():
    seen = np.ones((6, 24), dtype=bool)
    seen[:, 3:9] = False  # a quarter about north: sectors run anticlockwise from east
    density = np.ones(8)
    density[2] = 0.1
    unseen = Unseen(0.25, seen, density, 0.1, True, (0.0, 0.36), ())
    stems = tuple(
        StemSeed(1.5 * k, 2.0 - k, 0.0, 0.4 if k < 3 else 0.0, 100, 12.0 - k) for k in range(4)
    )
    rng = np.random.default_rng(0)
    return replace(
        make_job(with_plan=False), stems=stems, own_stems=2, not_seen=unseen,
        display_xyz=rng.uniform(-5, 5, (500, 3)).astype(np.float32),
    )  # fmt: skip


def texts(figure):
    found = [text.get_text() for axes in figure.axes for text in axes.texts]
    for axes in figure.axes:
        for table in axes.tables:
            found += [cell.get_text().get_text() for cell in table.get_celld().values()]
    return found


def test_every_stem_is_numbered_with_its_near_m(job):
    said = texts(stems_picture(job))
    for number, stem in enumerate(job.stems, start=1):
        assert said.count(str(number)) == 2, "once on the plan, once in the table"
        x, y = stem.x_m + job.origin_m[0], stem.y_m + job.origin_m[1]
        assert f"[{x:.2f}, {y:.2f}]" in said
    assert "not seen" in said


def test_the_side_without_points_is_dark_and_the_top_is_doubted(job):
    figure = unseen_picture(job)
    stem, crown = figure.axes
    picture = stem.images[0].get_array()
    north = np.r_[0:3, 21:24]  # columns run clockwise from north
    assert (picture[:, north] == 0).all()
    assert picture.mean() == pytest.approx(0.75)
    assert "E\n10%" in [text.get_text() for text in crown.texts]
    assert "THE TOP MAY NOT HAVE BEEN SEEN: 0% to about 36%" in figure.get_supxlabel()


@pytest.mark.parametrize("units", ["metric", "us"])
def test_they_are_written_when_a_scan_was_looked_at(job, tmp_path, units):
    pictures = pictures_of(job)
    for name in ("stems_found", "not_seen"):
        paths = write_picture(pictures[name], job, tmp_path / name, units)
        assert [path.name for path in paths] == [f"{name}.png", f"{name}.svg"]
        assert all(path.stat().st_size > 100 for path in paths)
    assert not {"stems_found", "not_seen"} & set(pictures_of(replace(job, not_seen=None)))
