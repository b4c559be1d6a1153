"""What people type is read in their units and kept in SI."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from treescan.page import quantities
from treescan.page.quantities import COUNT, LENGTH, MASS, SHARE, Quantity

ALL = [q for q in vars(quantities).values() if isinstance(q, Quantity)]


@pytest.mark.parametrize("system", ["metric", "us"])
@given(value=st.floats(0.01, 1000.0), which=st.sampled_from(ALL))
def test_what_is_shown_reads_back_within_its_last_digit(value, which, system):
    if which.whole:
        value = float(round(value))
    unit = which.unit(system)
    back = which.read(which.shown(value, system), system)
    assert abs(back - value) <= 0.5001 * unit.si * 10**-unit.digits


def test_feet_pounds_and_percent():
    assert LENGTH.read("10", "us") == pytest.approx(3.048)
    assert MASS.read("100", "us") == pytest.approx(45.359237)
    assert SHARE.read("20", "us") == pytest.approx(0.2)
    assert LENGTH.read("2,5", "metric") == 2.5
    assert LENGTH.text(3.048, "us") == "10 ft"


def test_a_fraction_of_a_person_is_refused_and_not_cut_off():
    with pytest.raises(ValueError, match="not a whole number"):
        COUNT.read("2.7", "metric")
    assert COUNT.read("2", "metric") == 2


@pytest.mark.parametrize("text", ["two", "1e", "--"])
def test_words_are_no_number(text):
    with pytest.raises(ValueError, match="is not a number"):
        LENGTH.read(text, "metric")
