"""The pipe model where nothing was seen sharply."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from treescan.skeleton.taper import TIP_LENGTH_M, calibrate


@given(st.floats(1.1, 2.5))
def test_a_stem_thicker_than_its_limbs_call_for_does_not_make_the_limbs_thick(swelled):
    stem, limbs = np.linspace(60.0, 100.0, 60), np.geomspace(0.5, 12.0, 200)
    carried = np.concatenate([stem, limbs])
    is_side = np.repeat([False, True], [60, 200])
    true = 0.01 * (carried + TIP_LENGTH_M) ** 0.52
    seen = np.where(is_side, true, swelled * true)
    blurred = np.where(is_side, 0.5, 0.2) ** 2
    found = calibrate(carried, is_side, seen, blurred).radius_m(limbs, np.ones(200, dtype=bool))
    alone = calibrate(carried, is_side, seen, np.where(is_side, np.inf, blurred))
    assert found == pytest.approx(true[60:], rel=0.25)
    if swelled > 1.5:
        assert (alone.radius_m(limbs, np.ones(200, dtype=bool)) > found).all()
