"""Answers of a motion to its uncertain causes: exact on the cases, right against brute force."""

import numpy as np
import pytest

from tests.motion.pieces import flat_ground, rod
from tests.site.test_obstacles import site
from treescan.errors import InvalidInputError
from treescan.motion.cases import AIM_SPREAD_DEG, BREAK_SPREAD_DEG, Cause, hinge_cases
from treescan.motion.clearance import near_passes_m
from treescan.motion.fall import hinge_fall
from treescan.motion.response import changes, drawn, response
from treescan.site.obstacles import build_obstacles

FLAT = flat_ground()
LIKELY = np.array([2.0, 5.0])
CASES = [np.array([1.5, 5.0]), np.array([2.2, 4.0]), np.array([2.0, 6.0]), np.array([0.0, 0.0])]
KNOWN = [Cause("a", -2.0), Cause("a", 2.0), Cause("b", -1.645, 1.645), Cause("c", chance=0.1)]


def test_it_goes_through_every_case_and_on_beyond_it():
    found = response(LIKELY, CASES, KNOWN)
    a, b = found.axes
    np.testing.assert_allclose(changes(a, np.array([-2.0, 0.0, 2.0])), [[-0.5, 0], [0, 0], [0.2, -1]])  # noqa: E501  # fmt: skip
    np.testing.assert_allclose(changes(a, np.array([-1.0, 2.5])), [[-0.25, 0], [0.25, -1.25]])
    np.testing.assert_allclose(changes(a, np.array([3.0])), changes(a, np.array([9.0])))
    np.testing.assert_allclose(changes(b, np.array([-1.645, 1.645])), [[0, 1], [0, 0]])


def test_a_side_without_a_case_changes_nothing():
    axis = response(LIKELY, CASES[:1], [Cause("late", 2.0)]).axes[0]
    np.testing.assert_allclose(changes(axis, np.array([-3.0, -0.1])), 0.0)
    assert changes(axis, np.array([1.0]))[0, 0] == pytest.approx(-0.25)


def test_events_come_as_often_as_they_should():
    found = drawn(response(LIKELY, CASES, KNOWN), np.random.default_rng(3), 20_000)
    assert (found == 0.0).all(axis=1).mean() == pytest.approx(0.1, abs=0.01)


def test_shared_draws_are_used():
    heavy = np.full(10, 1.645)
    found = drawn(response(LIKELY, CASES[2:3], KNOWN[2:3]), np.random.default_rng(0), 10,
                  {"b": heavy})  # fmt: skip
    np.testing.assert_allclose(found, np.repeat(LIKELY[None], 10, axis=0))


def test_one_set_of_figures_for_each_cause():
    with pytest.raises(InvalidInputError, match="one each"):
        response(LIKELY, CASES, KNOWN[:2])


def chances_apart(azimuth):
    """Chance of passing nearer than each decile: from the cases, less from 250 simulated draws."""
    top = rod((0, 0, 8), (0.1, 0, 1), 3.0, 90, diameter=0.25, balls=10)
    corners = [[3.0, 3.0], [6.0, 3.0], [6.0, 6.0], [3.0, 6.0]]
    shed = {"name": "shed", "footprint_m": corners, "height_m": 2.0, "margin_m": 0.5}
    obstacles = build_obstacles(site(target=[shed]), FLAT)
    cases = hinge_cases(top, FLAT, hinge_azimuth_deg=azimuth)
    near = [near_passes_m(top, p, obstacles, 20.0) for p in (cases.likely, *cases.others)]
    keep = [row for row, cause in enumerate(cases.causes) if not cause.chance]
    answer = response(near[0], [near[1 + row] for row in keep], [cases.causes[row] for row in keep])
    ours = drawn(answer, np.random.default_rng(1), 4000)[:, 0]
    rng = np.random.default_rng(2)
    theirs = np.array(
        [
            near_passes_m(
                top,
                hinge_fall(
                    top, FLAT,
                    hinge_azimuth_deg=azimuth + 0.5 * AIM_SPREAD_DEG * rng.standard_normal(),
                    break_angle_deg=55.0 + 0.5 * BREAK_SPREAD_DEG * rng.standard_normal(),
                ),
                obstacles,
                20.0,
            )[0]
            for _ in range(250)
        ]
    )  # fmt: skip
    levels = np.quantile(theirs, np.linspace(0.1, 0.9, 9))
    return (ours[:, None] < levels).mean(axis=0) - (theirs[:, None] < levels).mean(axis=0)


def test_chances_are_those_of_simulating_every_draw():
    """A chance near one half is too high by up to 0.3, a small one is right to 0.15.

    The causes add up, and the answer jumps where a late hinge makes the top flop the other way.
    """
    apart = np.array([chances_apart(azimuth) for azimuth in (20.0, 35.0, 60.0, 80.0, 95.0)])
    assert np.abs(apart[:, 0]).max() < 0.15
    assert np.abs(apart).max() < 0.3
    assert np.abs(apart).mean() < 0.12
    assert apart.min() > -0.12
