"""What else may happen to a piece: every way has its cases, and a path knows its own."""

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.pieces import flat_ground, rod
from treescan.errors import InvalidInputError
from treescan.motion.cases import CAUSES, cases_of, drop_cases, hinge_cases, line_cases
from treescan.motion.fall import free_fall
from treescan.motion.speed_line import StretchedLine, speed_line
from treescan.motion.swing import caught
from treescan.motion.turned import slid_off, turned_on_hinge

FLAT = flat_ground()
LIMB = rod((-1, 0, 11), (-1, 0.2, 0.2), 4, 200, diameter=0.2)
TOP = rod((-2, 0, 9), (0, 0, 1), 3, 120, diameter=0.25)
UP = np.array([0.0, 0.0, 1.0])
ABOVE = np.array([0.0, 0.0, 15.0])


def all_paths():
    yield TOP, hinge_cases(TOP, FLAT, hinge_azimuth_deg=280.0).likely
    yield LIMB, free_fall(LIMB, FLAT)
    yield LIMB, free_fall(LIMB, FLAT, release_speed_m_s=3.0, push_azimuth_deg=90.0)
    yield LIMB, line_cases(LIMB, FLAT, tie_m=LIMB.cut_m, anchor_m=ABOVE, run_m=0.6).likely
    yield TOP, caught(TOP, TOP.cut_m + 0.4 * UP, TOP.cut_m - 0.4 * UP, FLAT,
                      hinge_azimuth_deg=280.0, run_m=1.0)  # fmt: skip
    mid = LIMB.cut_m + 2.0 * LIMB.axis
    yield LIMB, turned_on_hinge(LIMB, mid, mid + 4.0 * UP, FLAT, hinge_azimuth_deg=0.0,
                                below_level_deg=15.0, turn_deg=40.0).path  # fmt: skip
    yield LIMB, slid_off(LIMB, mid, mid + 4.0 * UP, FLAT, slope_azimuth_deg=270.0)
    line = StretchedLine(np.array([1.0, 0, 14.0]), np.array([-24.0, 0, 2.0]), 300e3, 4e3)
    yield LIMB, speed_line(LIMB, LIMB.centre_m, line, FLAT, strop_m=2.5).path


@pytest.mark.parametrize("number", range(8))
def test_a_path_knows_its_own_cases(number):
    piece, path = list(all_paths())[number]
    found = cases_of(piece, path, FLAT)
    assert found.likely is path
    assert len(found.labels) == len(found.others) == len(set(found.labels)) >= 2
    assert [CAUSES[label] for label in found.labels] == list(found.causes)
    rebuilt = cases_of(piece, path, FLAT, rebuilt=True).likely
    np.testing.assert_allclose(rebuilt.centre_m, path.centre_m)
    for other in found.others:
        count = min(len(other.time_s), len(path.time_s))
        moved = np.abs(other.centre_m[:count] - path.centre_m[:count]).max()
        assert moved > 1e-4 or abs(len(other.time_s) - len(path.time_s)) > 0


def test_path_without_a_recipe_has_no_cases():
    with pytest.raises(InvalidInputError, match="does not say how"):
        cases_of(TOP, replace(free_fall(TOP, FLAT), recipe=None), FLAT)


def test_late_fibres_bring_a_limb_nearer_to_the_stem():
    """While it hangs on its last fibres it gains speed toward the stem (handbook 10.2)."""
    found = drop_cases(LIMB, FLAT)
    late = found.others[found.labels.index("fibres hold longer")]
    clean = found.others[found.labels.index("parts clean")]
    away = [float(np.hypot(*(p.landing_m - LIMB.cut_m)[:2])) for p in (late, clean)]
    assert away[0] < away[1]


def test_a_hinge_that_fails_throws_less_far_than_one_that_holds():
    found = hinge_cases(TOP, FLAT, hinge_azimuth_deg=280.0)
    fails = found.others[found.labels.index("hinge fails")]
    throw = [float(np.hypot(*(p.landing_m - TOP.cut_m)[:2])) for p in (fails, found.likely)]
    assert throw[0] != pytest.approx(throw[1], abs=0.05)
