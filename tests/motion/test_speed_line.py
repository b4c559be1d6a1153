"""Speed line against the closed forms, the lead against obstacles, blows on the ground."""

import numpy as np
import pytest

from tests.motion.pieces import flat_ground, rod
from tests.site.test_obstacles import scene
from treescan.errors import InvalidInputError
from treescan.motion.fall import free_fall
from treescan.motion.impact import blow, impact_energy_j, mean_force_n
from treescan.motion.lead import lead_clearances
from treescan.motion.speed_line import StretchedLine, carriage_place, speed_line
from treescan.motion.swing import lowered
from treescan.site.obstacles import build_obstacles

FLAT = flat_ground()


@pytest.mark.published
@pytest.mark.parametrize(
    ("weight", "span", "modulus", "pretension", "sag", "tension"),
    [
        (1000, 30, 150e3, 2000, 2.1403, 3539.6),
        (1000, 30, 150e3, 1e-6, 2.8483, 2680.2),
        (1000, 30, 400e3, 2000, 1.6762, 4502.2),
        (2000, 30, 150e3, 2000, 3.0246, 5059.2),
        (1000, 20, 150e3, 4000, 1.0405, 4831.4),
    ],
    ids=["h2", "h3", "h4", "h5", "h6"],
)
def test_h2_to_h6_carriage_at_midspan(weight, span, modulus, pretension, sag, tension):
    line = StretchedLine(
        np.array([0, 0, 10.0]), np.array([span, 0, 10.0]), modulus, pretension
    )  # fmt: skip
    place, pull = carriage_place(line, 0.5, weight)
    assert 10.0 - place[0, 2] == pytest.approx(sag, rel=0.005)
    assert pull[0] == pytest.approx(tension, rel=0.005)


def test_tighter_and_heavier_raise_the_tension_and_sag_behaves():
    """Signs found on model skylines: Kane and Arwade 2020 [abstract only]."""

    def at(weight, pretension):
        line = StretchedLine(np.array([0, 0, 12.0]), np.array([30.0, 0, 3]), 2e5, pretension)
        place, pull = carriage_place(line, 0.5, weight)
        return 7.5 - place[0, 2], pull[0]

    assert at(2000, 2000)[1] > at(1000, 2000)[1] < at(1000, 4000)[1]
    assert at(2000, 2000)[0] > at(1000, 2000)[0] > at(1000, 4000)[0] > 0.2


def test_piece_travels_down_and_is_set_down_under_the_stop():
    limb = rod((1, 0.2, 10), (1, 0, 0.2), 3, 80, diameter=0.15)
    line = StretchedLine(np.array([0, 0, 14.0]), np.array([30.0, 0, 1.5]), 3e5, 3000.0)
    result = speed_line(limb, limb.centre_m + 0.05 * np.eye(3)[2], line, FLAT, strop_m=1.0)
    path = result.path
    assert path.kind == "speed line"
    assert path.landing_m[0] == pytest.approx(27.0, abs=1.7)
    assert abs(path.landing_m[1]) < 0.6
    assert np.diff(path.time_s).max() <= 0.05 + 1e-9
    assert result.peak_n > result.line_n
    assert result.sag_m > 0.3


def test_line_must_fall():
    limb = rod((1, 0, 10), (1, 0, 0.2), 3, 80, diameter=0.15)
    level = StretchedLine(np.array([0, 0, 14.0]), np.array([30.0, 0, 14.0]), 3e5, 3000.0)
    with pytest.raises(InvalidInputError, match="must fall"):
        speed_line(limb, limb.centre_m, level, FLAT)


def test_lead_to_a_wire_is_exact_to_five_centimetres():
    obstacles = build_obstacles(scene(), FLAT)
    limb = rod((2, 0, 11), (1, 0.3, 0.3), 4, 200, diameter=0.2)
    anchor = np.array([0, 3.0, 15.0])
    path = lowered(limb, limb.cut_m, anchor, FLAT)
    found = lead_clearances(limb, path, limb.cut_m, anchor, obstacles)
    assert [gap.target for gap in found] == [f"{name} (line)" for name in obstacles.names]
    share = np.linspace(0, 1, 2000)[:, None]
    closest = np.inf
    for row in range(0, len(path.time_s), 3):
        end = path.centre_m[row] + path.rotation[row] @ (limb.cut_m - limb.centre_m)
        closest = min(closest, obstacles.distance(anchor + share * (end - anchor))[:, 2].min())
    assert found[2].distance_m == pytest.approx(closest, abs=0.05)


@pytest.mark.published
def test_l15_l16_blow_on_the_ground():
    assert impact_energy_j(100, 10) == pytest.approx(9810, rel=0.001)
    assert mean_force_n(impact_energy_j(100, 10, 0.05), 0.05) == pytest.approx(197e3, rel=0.005)
    assert mean_force_n(impact_energy_j(100, 10, 0.15), 0.15) == pytest.approx(66.4e3, rel=0.005)
    assert mean_force_n(impact_energy_j(300, 10, 0.10), 0.10) == pytest.approx(297e3, rel=0.005)
    assert mean_force_n(impact_energy_j(300, 10, 0.02), 0.02) == pytest.approx(1474e3, rel=0.005)


def test_blow_over_the_limit_offers_protection():
    log = rod((0, 0, 10), (1, 0, 0), 2, 300, diameter=0.4)
    path = free_fall(log, FLAT, break_angle_deg=0.0)
    hit = blow(path, "turf", 10e3)
    assert hit.mean_force_n[0] < hit.mean_force_n[1]
    assert any("brush mat" in option for option in hit.options)
    assert blow(path, "turf", 100e3).options == ()
    with pytest.raises(InvalidInputError, match="Use one of"):
        blow(path, "ice", 1.0)
