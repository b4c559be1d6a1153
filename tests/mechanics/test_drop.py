"""Drops on an elastic line against published and worked values (g = 9.81 m/s²)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treescan.errors import InvalidInputError
from treescan.mechanics import drop
from treescan.units import G_M_S2

pytestmark = pytest.mark.published

# id, m kg, h m, EA kN, l m, F N, F/W, stretch m: closed form of Weber 2002 (ITRS)
A_ROWS = [
    ("A1", 100, 0, 250, 15, 1962.0, 2.0000, 0.1177),
    ("A2", 100, 1, 250, 15, 6782.9, 6.9143, 0.4070),
    ("A3", 100, 2, 250, 15, 9127.3, 9.3041, 0.5476),
    ("A4", 100, 2, 250, 30, 6782.9, 6.9143, 0.8140),
    ("A5", 100, 2, 250, 7.5, 12459.8, 12.7011, 0.3738),
    ("A6", 200, 2, 250, 15, 13565.9, 6.9143, 0.8140),
    ("A7", 300, 3, 400, 20, 21964.6, 7.4633, 1.0982),
    ("A8", 50, 1, 150, 10, 4357.7, 8.8843, 0.2905),
    ("A9", 100, 2, 150, 10, 8715.5, 8.8843, 0.5810),
]


@pytest.mark.parametrize(
    ("name", "mass", "fall", "modulus", "length", "force", "factor", "stretch"), A_ROWS
)
def test_a1_to_a9_drop(name, mass, fall, modulus, length, force, factor, stretch):
    weight = mass * G_M_S2
    stiffness = drop.line_stiffness_n_m(modulus * 1e3, length)
    tension = drop.drop_tension_n(weight, fall, stiffness)
    assert tension == pytest.approx(force, abs=0.06), name
    assert tension / weight == pytest.approx(factor, abs=6e-5)
    assert tension / stiffness == pytest.approx(stretch, abs=6e-5)


@pytest.mark.parametrize(
    ("mass", "factor", "peak", "modulus"),
    [(100, 0.3, 6000, 41_162), (80, 1.77, 9000, 24_071), (80, 1.77, 12000, 45_053)],
)
def test_a10_to_a12_modulus_from_a_drop_test(mass, factor, peak, modulus):
    # EN 1891 type A (A10) and EN 892 (A11, A12) test set-ups
    assert drop.modulus_from_drop_test_n(mass * G_M_S2, factor, peak) == pytest.approx(
        modulus, rel=1e-4
    )


def test_a3_energy_balance():
    weight, stiffness = 981.0, 250e3 / 15
    tension = drop.drop_tension_n(weight, 2.0, stiffness)
    assert drop.catch_energy_j(weight, 2.0, stiffness) == pytest.approx(2499, abs=1)
    assert tension**2 / (2 * stiffness) == pytest.approx(
        float(drop.catch_energy_j(weight, 2.0, stiffness)), rel=1e-9
    )


@pytest.mark.parametrize(
    ("name", "exponent", "coefficient", "strain", "tension"),
    [
        ("A13", 1.0, 250e3, 0.03651, 9127),
        ("A14", 1.5, 790.57e3, 0.05039, 8942),
        ("A15", 2.0, 2500e3, 0.06118, 9357),
    ],
)
def test_a13_to_a15_stiffening_line(name, exponent, coefficient, strain, tension):
    got = drop.stiffening_drop_tension_n(981.0, 2.0, 15.0, coefficient, exponent)
    assert got == pytest.approx((strain, tension), rel=2e-4), name


@pytest.mark.parametrize(
    ("zeta", "factor"), [(0.0, 9.304), (0.05, 8.641), (0.10, 8.133), (0.20, 7.489), (0.30, 7.268)]
)
def test_a16_damped_line(zeta, factor):
    peak = drop.damped_drop_tension_n(981.0, 2.0, 250e3 / 15, zeta)
    assert peak / 981.0 == pytest.approx(factor, rel=2e-3)


@pytest.mark.parametrize(
    ("anchor", "factor"), [(20e3, 5.084), (50e3, 6.489), (100e3, 7.463), (200e3, 8.209)]
)
def test_a17_yielding_anchor(anchor, factor):
    stiffness = drop.series_stiffness_n_m(250e3 / 15, anchor)
    assert drop.drop_tension_n(981.0, 2.0, stiffness) / 981.0 == pytest.approx(factor, abs=6e-4)


A_FRICTION = [
    ("A18", 1.0, 16_666.7, 9127, 9127, 18_255, 18.61),
    ("A19", 1.2, 19_607.8, 9807, 8173, 17_980, 18.33),
    ("A20", 1.5, 23_809.5, 10_697, 7131, 17_828, 18.17),
    ("A21", 2.0, 30_303.0, 11_930, 5965, 17_894, 18.24),
    ("A22", 3.0, 41_666.7, 13_805, 4602, 18_407, 18.76),
]


@pytest.mark.parametrize(("name", "q", "k", "lead", "fall", "anchor", "factor"), A_FRICTION)
def test_a18_to_a22_friction_aloft(name, q, k, lead, fall, anchor, factor):
    stiffness = drop.two_leg_stiffness_n_m(250e3, 1.5, 13.5, q)
    tension = drop.drop_tension_n(981.0, 2.0, stiffness)
    assert stiffness == pytest.approx(k, abs=0.06), name
    assert tension == pytest.approx(lead, abs=0.6)
    assert tension / q == pytest.approx(fall, abs=0.6)
    assert tension * (1 + 1 / q) == pytest.approx(anchor, abs=0.8)
    assert tension * (1 + 1 / q) / 981.0 == pytest.approx(factor, abs=0.006)


def test_friction_aloft_raises_the_lead_but_hardly_the_anchor():
    ratio = np.linspace(1.0, 3.0, 41)
    lead = drop.drop_tension_n(981.0, 2.0, drop.two_leg_stiffness_n_m(250e3, 1.5, 13.5, ratio))
    anchor = lead * (1 + 1 / ratio)
    assert (np.diff(lead) > 0).all()
    assert np.ptp(anchor) / anchor.mean() < 0.04
    assert 1.3 < ratio[np.argmin(anchor)] < 1.8


def test_b1_low_stretch_line_at_the_elongation_limit():
    # EN 1891: 5 % between 50 and 150 kg gives EA 19,620 N; impact at fall factor 0.3
    assert drop.drop_tension_n(981.0, 0.3, 19_620.0) == pytest.approx(4518, abs=1)


positive = st.floats(0.1, 1e4)


@settings(deadline=None, max_examples=80)
@given(mass=st.floats(1, 5000), fall=st.floats(0, 30), stiffness=st.floats(100, 1e6))
def test_drop_properties(mass, fall, stiffness):
    weight = mass * G_M_S2
    force = drop.drop_tension_n(weight, fall, stiffness)
    assert force >= 2 * weight * (1 - 1e-12)
    assert drop.drop_tension_n(weight, fall + 0.1, stiffness) > force
    assert drop.drop_tension_n(weight, fall, stiffness * 1.1) >= force
    assert drop.drop_tension_n(weight * 1.1, fall, stiffness) > force
    assert (
        drop.drop_tension_n(weight * 1.1, fall, stiffness) / (weight * 1.1) <= force / weight + 1e-9
    )
    assert drop.drop_tension_n(weight, 0.0, stiffness) == pytest.approx(2 * weight, rel=1e-12)
    excess = (force / weight - 1) ** 2 - 1
    longer = (drop.drop_tension_n(weight, fall, stiffness / 2) / weight - 1) ** 2 - 1
    assert longer == pytest.approx(excess / 2, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize(
    ("weight", "fall", "stiffness", "message"),
    [
        (0.0, 1.0, 1.0, "weight is 0"),
        (-1.0, 1.0, 1.0, "weight is -1"),
        (float("nan"), 1.0, 1.0, "weight is nan"),
        (1.0, -0.1, 1.0, "fall is -0.1"),
        (1.0, float("inf"), 1.0, "fall is inf"),
        (1.0, 1.0, 0.0, "stiffness is 0"),
    ],
)
def test_bad_input_is_refused(weight, fall, stiffness, message):
    with pytest.raises(InvalidInputError, match=message):
        drop.drop_tension_n(weight, fall, stiffness)


def test_a_peak_below_twice_the_weight_is_no_drop_test():
    with pytest.raises(InvalidInputError, match="the line ran"):
        drop.modulus_from_drop_test_n(981.0, 0.3, 1900.0)
