"""Green strength at the low side."""

import numpy as np
import pytest

from treescan.wood.decay import DefectMark, sound_wood, wood_state
from treescan.wood.species import all_species, find_species
from treescan.wood.strength import green_strength, low_side

from .trees import chain

RED_OAK = find_species("northern red oak")
POLE = chain(np.full(41, 0.2), 10.0)


def test_strength_is_on_the_low_side():
    found = green_strength(RED_OAK, sound_wood(POLE))
    assert found.mor_pa == pytest.approx(57e6 * (1 - 1.645 * 0.16))
    assert found.shear_pa == pytest.approx(0.15 * 57e6 * (1 - 1.645 * 0.14))
    assert (found.moe_pa == RED_OAK.moe_green_pa).all()


@pytest.mark.parametrize("species", all_species(), ids=lambda s: s.common_name)
def test_every_species_has_strength_below_its_mean(species):
    found = green_strength(species, sound_wood(POLE))
    assert (found.mor_pa > 0).all()
    assert (found.mor_pa < species.mor_green_pa).all()
    assert (found.shear_pa < found.mor_pa).all()
    assert low_side(100.0, 0.16) == pytest.approx(73.68)


@pytest.mark.parametrize(("kind", "left"), [("decay", 0.3), ("crack", 0.5), ("dead", 0.3)])
def test_defects_cut_strength(kind, left):
    state = wood_state(POLE, [DefectMark(kind, height_m=5.0)])
    found, sound = green_strength(RED_OAK, state), green_strength(RED_OAK, sound_wood(POLE))
    assert found.mor_pa[20] == pytest.approx(left * sound.mor_pa[20])
    assert found.mor_pa[0] == sound.mor_pa[0]
    assert any("Do not rig" in note for note in state.notes)
