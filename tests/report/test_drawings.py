"""Drawings: what they must contain, labels that hide nothing, the hinge's aim."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.report.job import NASTY
from treescan.report.drawings import cut_sketch, number_runs, plan_sketch, standing_runs
from treescan.report.hinge_sketch import section_points
from treescan.report.label_places import Box, free_place, text_box
from treescan.report.ribbons import wood_of
from treescan.report.site_shapes import own_landings
from treescan.report.sketch import (
    PLAN,
    Label,
    Sketch,
    clipped,
    north_arrow,
    side_view,
    swept_outline,
)
from treescan.report.sketch_svg import sketch_svg
from treescan.report.wording import plain
from treescan.site.model import GroundAnchor, Landing


def boxes(sketch):
    size = sketch.metre_per_pt
    return [
        text_box(i.at_m, i.text.metric, i.size_pt * size, i.anchor, bold=i.bold)
        for i in sketch.items
        if isinstance(i, Label)
    ]


@pytest.mark.parametrize("width_pt", [130.0, 240.0, 500.0])
def test_plan_names_everything_and_no_label_hides_another(job, width_pt):
    sketch = plan_sketch(job, width_pt=width_pt)
    said = " ".join(i.text.metric for i in sketch.items if isinstance(i, Label))
    for name in ("fence", "lawn", "drive", "service drop", "N", "m ("):
        assert name in said
    numbers = {s.number for s in job.plan.steps}
    assert numbers  # every landing's number is written somewhere
    found = boxes(sketch)
    clash = [a.overlap(b) for i, a in enumerate(found) for b in found[i + 1 :]]
    assert max(clash) < 0.15 * max((b.x1 - b.x0) * (b.y1 - b.y0) for b in found)
    x0, y0, x1, y1 = sketch.window_m
    for box in found:
        assert box.x0 >= x0 - 1e-6
        assert box.x1 <= x1 + 1e-6
        assert box.y0 >= y0 - 1e-6
        assert box.y1 <= y1 + 1e-6


def test_cut_picture_holds_cut_tie_and_anchor(job):
    step = next(s for s in job.plan.steps if s.method == "lower")
    sketch = cut_sketch(job, step)
    said = {i.text.metric for i in sketch.items if isinstance(i, Label)}
    assert {"cut", "A1"} <= said
    assert sketch.title.startswith("Seen from the ")


def test_what_is_cut_is_no_longer_drawn_as_standing(job):
    wood = wood_of(job)
    third = job.plan.steps[2]
    standing = set(wood.owner[standing_runs(wood, third)].tolist())
    assert standing == {0, *(s.number for s in job.plan.steps[3:])}


def test_bands_hold_the_shadow_of_the_wood(job):
    # The area of a band is the area a cone's axis section has: mean width times length.
    wood = wood_of(job)
    stem = wood.owner == max(s.number for s in job.plan.steps)
    view = side_view(0.0)
    outlines = wood.bands(view, stem, 0.0)
    shown = shapely.union_all([shapely.make_valid(shapely.Polygon(o)) for o in outlines]).area
    want = 0.0
    for run in np.flatnonzero(stem):
        part = slice(wood.first[run], wood.first[run + 1])
        flat, r = wood.centre_m[part] @ view.T, wood.radius_m[part]
        step = np.linalg.norm(np.diff(flat, axis=0), axis=1)
        want += float(((r[1:] + r[:-1]) * step).sum())
    assert shown == pytest.approx(want, rel=0.1)


def test_side_view_keeps_up_up_and_east_right_when_looking_north():
    view = side_view(0.0)
    np.testing.assert_allclose(view @ [1.0, 0, 0], [1, 0], atol=1e-12)
    np.testing.assert_allclose(view @ [0, 0, 2.0], [0, 2], atol=1e-12)
    np.testing.assert_allclose(side_view(90.0) @ [0, 1.0, 0], [-1, 0], atol=1e-12)


def test_swept_outline_holds_every_place_of_the_piece(job):
    step = job.plan.steps[0]
    p, path = step.piece, step.path
    area = swept_outline(
        p.outline_m, p.outline_radius_m, p.centre_m, path.centre_m, path.rotation, PLAN, 60
    ).buffer(0.06)
    offset = p.outline_m - p.centre_m
    for k in range(0, len(path.time_s), 5):
        place = (offset @ path.rotation[k].T + path.centre_m[k])[:, :2]
        assert shapely.contains(area, shapely.points(place)).all()


@settings(max_examples=60, deadline=None)
@given(st.floats(0, 359.9))
def test_hinge_drawing_aims_at_its_azimuth(azimuth):
    parts = section_points(azimuth, 10.0)
    x, y = parts["head"][0]
    assert np.degrees(np.arctan2(x, y)) % 360 == pytest.approx(azimuth % 360, abs=1e-6) or (
        azimuth < 1e-6
    )
    assert np.hypot(*parts["hinge"][0]) == pytest.approx(10.0)  # the hinge ends on the bark


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 10), st.floats(0, 10)), max_size=8))
def test_a_free_place_is_inside_the_frame_and_free_when_there_is_room(spots):
    frame = Box(0, 0, 30, 30)
    taken = [Box(x, y, x + 2, y + 1) for x, y in spots]
    place = free_place(Box(4, 4, 6, 5), taken, frame)
    assert place.x0 >= 0
    assert place.y1 <= 30
    if len(taken) <= 2:
        assert sum(place.overlap(t) for t in taken) == 0


def test_number_runs():
    assert number_runs([3, 1, 2, 7, 8, 10]) == "1–3, 7, 8, 10"


def test_svg_escapes_names_and_carries_both_units(job):
    text = sketch_svg(plan_sketch(job))
    assert NASTY[:12] not in text
    assert "<img" not in text
    assert "shed &lt;img" in text


def test_a_line_is_clipped_to_the_window_and_one_that_crosses_itself_stays_whole():
    window = (0.0, 0.0, 4.0, 4.0)
    through = clipped(np.array([[-2.0, 1.0], [9.0, 1.0]]), window)
    np.testing.assert_allclose(through, [[[0, 1], [4, 1]]])
    loop = np.array([[1.0, 1.0], [3.0, 3.0], [3.0, 1.0], [1.0, 3.0]])
    np.testing.assert_allclose(clipped(loop, window), [loop])
    assert clipped(np.array([[9.0, 9.0], [9.0, 8.0]]), window) == []


def test_a_landing_that_is_a_drop_zone_is_drawn_once(job):
    zone = job.site.drop_zone[0]
    again = Landing(name=zone.name, footprint_m=zone.footprint_m)
    site = job.site.model_copy(update={"landing": (*job.site.landing, again)})
    assert [place.name for place in own_landings(site)] == ["drive"]


def test_no_name_lies_over_the_north_arrow():
    sketch = Sketch((0.0, 0.0, 20.0, 20.0), width_pt=200.0)
    north_arrow(sketch)
    arrow = sketch.taken_m[0]
    middle = ((arrow.x0 + arrow.x1) / 2, (arrow.y0 + arrow.y1) / 2)
    sketch.say(middle, plain("house"), 8.0, bold=True, loose=True)
    sketch.settle()
    house = next(i for i in sketch.items if isinstance(i, Label) and i.text.metric == "house")
    box = text_box(house.at_m, "house", 8.0 * sketch.metre_per_pt, house.anchor, bold=True)
    assert box.overlap(arrow) == 0


def test_a_ground_anchor_stands_on_the_plan_with_its_name(job):
    base = job.graph.position_m[0]
    held = GroundAnchor(name="old maple", at_m=tuple(base + np.array([9.0, -8.0, 0.5])))
    far = GroundAnchor(name="far away", at_m=tuple(base + np.array([90.0, 0.0, 0.5])))
    sketch = plan_sketch(
        replace(job, site=job.site.model_copy(update={"ground_anchor": (held, far)}))
    )
    said = " ".join(i.text.metric for i in sketch.items if isinstance(i, Label))
    assert "old maple" in said
    assert "far away" not in said
