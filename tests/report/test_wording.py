"""Words for people: outward rounding, two unit systems, compass."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treescan.report import wording
from treescan.units import FOOT_M, POUND_FORCE_N, POUND_KG, Band


def numbers(text: str) -> list[float]:
    return [float(n.replace(",", "")) for n in re.findall(r"\d[\d,]*\.?\d*", text)]


@settings(max_examples=200, deadline=None)
@given(st.floats(0.5, 20_000), st.floats(0, 0.5), st.floats(0, 1.0))
def test_a_mass_range_is_never_narrower_than_the_band(likely, below, above):
    band = Band(likely * (1 - below), likely, likely * (1 + above))
    words = wording.mass_range(band)
    for text, unit_kg in ((words.metric, 1.0), (words.us, POUND_KG)):
        shown = numbers(text)
        assert shown[0] * unit_kg <= band.low * (1 + 1e-9)
        assert shown[-1] * unit_kg >= band.high * (1 - 1e-9)


@settings(max_examples=200, deadline=None)
@given(st.floats(10, 200_000))
def test_loads_are_rounded_up_and_strengths_down(value):
    most, least = wording.force_most(value), wording.force_least(value)
    assert numbers(most.metric)[0] * 1e3 >= value * (1 - 1e-6)
    assert numbers(most.us)[0] * POUND_FORCE_N >= value * (1 - 1e-6)
    if least.metric.startswith("under "):
        assert value < numbers(least.metric)[0] * 1e3
        assert value < numbers(least.us)[0] * POUND_FORCE_N * 1.1
    else:
        assert numbers(least.metric)[0] * 1e3 <= value * (1 + 1e-6)
        assert numbers(least.us)[0] * POUND_FORCE_N <= value * (1 + 1e-6)


@settings(max_examples=100, deadline=None)
@given(st.floats(0, 40))
def test_a_clearance_is_rounded_down(value):
    words = wording.length_least(value)
    assert numbers(words.metric)[0] <= value + 1e-6
    assert numbers(words.us)[0] * FOOT_M <= value + 1e-6


def test_a_negative_low_end_keeps_its_sign_or_is_shown_as_nothing():
    assert wording.mass_range(Band(0.0, 0.4, 0.8)).metric == "0–1 kg"


@pytest.mark.parametrize(
    ("azimuth", "point", "letters"),
    [(0, "north", "N"), (359, "north", "N"), (90, "east", "E"), (202.5, "south-southwest", "SSW")],
)
def test_compass_points_run_clockwise_from_north(azimuth, point, letters):
    assert wording.compass(azimuth) == point
    assert wording.short_compass(azimuth) == letters


@pytest.mark.parametrize(
    ("text", "us"),
    [
        ("stay 3 m off", "stay 9.8 ft off"),
        ("sweeps the shed by 0.6 m.", "sweeps the shed by 2.0 ft."),
        ("between 2–4 m", "between 6.6–13.1 ft"),
        ("piece of 120 kg at 4.5 kN", "piece of 265 lb at 1,012 lbf"),
        ("3 men, limb 4, 40 % of its limit", "3 men, limb 4, 40 % of its limit"),
        ("tag line: about 36 N at the ground", "tag line: about 8.1 lbf at the ground"),
        ("wind of 5 m/s", "wind of 5 m/s"),
        ("one per 1 cm voxel", "one per 0.4 in voxel"),
        ("A1 holds 12 mm line", "A1 holds 0.5 in line"),
    ],
)
def test_free_text_gets_its_us_twin(text, us):
    assert wording.bilingual(text).us == us


def test_minutes_and_hours_are_ranges():
    assert wording.minutes_range(Band(5.0, 7.0, 9.6)) == "5–10 min"
    assert wording.hours_range(Band(3.4, 4.2, 5.6)) == "3.25–5.75 h"


def test_words_join_in_both_systems():
    both = wording.fill("{} up, {}", wording.length(3.048), "at the stem") + "."
    assert both == wording.Words("3.0 m up, at the stem.", "10 ft up, at the stem.")
