"""Spread of a motion over its cases."""

from dataclasses import replace

import numpy as np
import pytest
import shapely

from tests.motion.pieces import flat_ground, rod
from tests.site.test_obstacles import scene, site
from treescan.errors import InvalidInputError
from treescan.motion.cases import (
    Cases,
    cases_of,
    drop_cases,
    hinge_cases,
    judged,
    line_cases,
    spread_of,
    without_rare,
    worst_case,
)
from treescan.motion.clearance import clearances
from treescan.site.obstacles import build_obstacles

FLAT = flat_ground()
OBSTACLES = build_obstacles(scene(), FLAT)


def all_cases():
    top = rod((-2, 0, 9), (0, 0, 1), 3, 120, diameter=0.25)
    limb = rod((-1, 0, 11), (-1, 0.2, 0.2), 4, 200, diameter=0.2)
    yield top, hinge_cases(top, FLAT, hinge_azimuth_deg=280.0)
    yield limb, drop_cases(limb, FLAT)
    yield limb, line_cases(limb, FLAT, tie_m=limb.cut_m, anchor_m=np.array([0, 0, 15.0]), run_m=0.6)


@pytest.mark.parametrize("number", range(3))
def test_spread_covers_every_case(number):
    piece, cases = list(all_cases())[number]
    path, gaps = judged(cases, piece, OBSTACLES)
    assert len(without_rare(cases).others) >= len(cases.others) - 1
    for other in without_rare(cases).others:
        for gap, its in zip(gaps, clearances(piece, other, OBSTACLES), strict=True):
            assert gap.distance_m - gap.spread_m <= its.distance_m + 1e-9
        own = shapely.Polygon(other.footprint_m)
        assert shapely.Polygon(path.footprint_m).buffer(1e-6).contains(own)
    assert len(cases.labels) == len(cases.others)


def test_wind_widens_the_spread():
    piece, cases = next(all_cases())
    calm = judged(cases, piece, OBSTACLES)[1]
    windy = judged(cases, piece, OBSTACLES, wind_m_s=6.0)[1]
    assert all(w.spread_m > c.spread_m for w, c in zip(windy, calm, strict=True))


def test_flat_chance_is_sure_for_a_long_low_section():
    long = rod((0, 0, 2.0), (0, 0, 1), 8, 400, diameter=0.3)
    cases = hinge_cases(long, FLAT, hinge_azimuth_deg=0.0)
    path, _ = judged(cases, long, OBSTACLES)
    assert path.flat_chance > 0.8
    short = rod((0, 0, 10.0), (0, 0, 1), 2.0, 100, diameter=0.3)
    path, _ = judged(hinge_cases(short, FLAT, hinge_azimuth_deg=0.0), short, OBSTACLES)
    assert path.flat_chance < 0.7


def test_no_cases_is_an_error():
    piece, cases = next(all_cases())
    with pytest.raises(InvalidInputError, match="at least one"):
        judged(Cases(cases.likely, (), ()), piece, OBSTACLES)


@pytest.mark.parametrize("number", range(3))
def test_a_path_knows_its_own_cases(number):
    piece, cases = list(all_cases())[number]
    again = cases_of(piece, cases.likely, FLAT)
    assert again.labels == cases.labels
    changed = replace(cases.likely, centre_m=cases.likely.centre_m + 1.0)
    rebuilt = cases_of(piece, changed, FLAT, rebuilt=True).likely
    np.testing.assert_allclose(rebuilt.centre_m, cases.likely.centre_m)
    for one, two in zip(again.others, cases.others, strict=True):
        np.testing.assert_allclose(one.centre_m, two.centre_m)
    assert spread_of(piece, cases.likely, FLAT, OBSTACLES)[1] == judged(cases, piece, OBSTACLES)[1]


def test_path_without_a_recipe_keeps_its_allowance():
    piece, cases = next(all_cases())
    bare = replace(cases.likely, recipe=None)
    assert spread_of(piece, bare, FLAT, OBSTACLES)[1] == clearances(piece, bare, OBSTACLES)
    assert bare.sway_m > 0.0
    with pytest.raises(InvalidInputError, match="does not say how"):
        cases_of(piece, bare, FLAT)


def test_worst_case_names_what_the_likely_path_misses():
    top = rod((-2, 0, 9), (0, 0, 1), 3, 120, diameter=0.25)
    cases = hinge_cases(top, FLAT, hinge_azimuth_deg=280.0)
    assert worst_case(cases, top, OBSTACLES) is None
    failing = next(p for p, label in zip(cases.others, cases.labels, strict=True)
                   if label == "hinge fails")  # fmt: skip
    end, likely = failing.landing_m[:2], cases.likely.landing_m[:2]
    aside = (end - likely) / np.linalg.norm(end - likely)
    spot = end + 2.6 * aside
    square = [tuple(spot + 0.2 * np.array(c)) for c in ((0, 0), (1, 0), (1, 1), (0, 1))]
    near = build_obstacles(
        site(target=[{"name": "bench", "footprint_m": square, "height_m": 0.5, "margin_m": 1.5}]),
        FLAT,
    )
    found = worst_case(cases, top, near)
    if clearances(top, cases.likely, near)[0].distance_m >= 1.5:
        assert found is not None
        assert found[1].target == "bench"
        assert found[1].distance_m < 1.5
