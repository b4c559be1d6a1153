"""Sections and green strength at the low side."""

import numpy as np
import pytest

from treescan.wood.decay import DefectMark, wood_state
from treescan.wood.species import all_species, find_species
from treescan.wood.strength import low_side, ring_section, section_strength

from .trees import chain

RED_OAK = find_species("northern red oak")


@pytest.mark.published
@pytest.mark.parametrize(
    ("diameter", "modulus"),
    [(0.10, 9.817e-5), (0.15, 3.313e-4), (0.20, 7.854e-4), (0.25, 1.534e-3), (0.30, 2.651e-3),
     (0.40, 6.283e-3)],
)  # fmt: skip
def test_m1_section_modulus(diameter, modulus):
    assert ring_section(diameter, 0.0)[1] == pytest.approx(modulus, rel=1e-3)


@pytest.mark.published
@pytest.mark.parametrize(
    ("t", "area", "modulus"),
    [(0.5, 0.25, 0.0625), (0.6, 0.36, 0.1296), (0.7, 0.49, 0.2401), (0.8, 0.64, 0.4096),
     (0.9, 0.81, 0.6561)],
)  # fmt: skip
def test_m6_losses_of_a_hollow_section(t, area, modulus):
    full, hollow = ring_section(0.5, 0.0), ring_section(0.5, 0.5 * t)
    assert 1 - hollow[0] / full[0] == pytest.approx(area, abs=1e-6)
    assert 1 - hollow[1] / full[1] == pytest.approx(modulus, abs=1e-6)


@pytest.mark.published
def test_m5_bending_moment_of_a_20_cm_limb():
    # n. red oak green MOR 57 MPa, D .2 m: 44.8 kN m in clear wood
    assert RED_OAK.mor_green_pa * ring_section(0.2, 0.0)[1] == pytest.approx(44.8e3, rel=2e-3)


def test_strength_is_inside_bark_and_on_the_low_side():
    pole = chain(np.full(11, 0.15), 5.0, sd_share=0.04)
    found = section_strength(pole, RED_OAK)
    inside = 0.30 / np.sqrt(1 + RED_OAK.bark_pct_of_wood_volume / 100)
    assert found.diameter_m == pytest.approx(inside)
    assert found.diameter_low_m == pytest.approx(inside * (1 - 1.645 * 0.04))
    assert found.mor_pa == pytest.approx(57e6 * (1 - 1.645 * 0.16))
    assert found.compression_pa == pytest.approx(23.7e6 * (1 - 1.645 * 0.18))
    assert found.shear_pa == pytest.approx(0.15 * 57e6 * (1 - 1.645 * 0.14))
    assert found.torsion_modulus_m3 == pytest.approx(2 * found.section_modulus_m3)
    assert any("Table 5-3a" in text or "Wood" in text for text in found.sources)


@pytest.mark.parametrize("species", all_species(), ids=lambda s: s.common_name)
def test_every_species_has_strength_below_its_mean(species):
    found = section_strength(chain(np.full(3, 0.1), 1.0), species)
    assert (found.mor_pa > 0).all()
    assert (found.mor_pa < species.mor_green_pa).all()
    assert (found.shear_pa < found.mor_pa).all()
    assert low_side(100.0, 0.16) == pytest.approx(73.68)


def test_a_very_uncertain_section_keeps_half_its_diameter_at_least():
    found = section_strength(chain(np.full(3, 0.1), 1.0, sd_share=0.6), RED_OAK)
    assert found.diameter_low_m == pytest.approx(0.5 * found.diameter_m)


def test_a_stand_in_strength_says_so():
    maple = find_species("Norway maple")
    found = section_strength(chain(np.full(3, 0.1), 1.0), maple)
    assert any("black maple" in note for note in found.notes)


@pytest.mark.parametrize(("kind", "left"), [("decay", 0.3), ("crack", 0.5), ("dead", 0.3)])
def test_defects_cut_strength(kind, left):
    pole = chain(np.full(41, 0.2), 10.0)
    state = wood_state(pole, [DefectMark(kind, height_m=5.0)])
    found, sound = section_strength(pole, RED_OAK, state), section_strength(pole, RED_OAK)
    assert found.mor_pa[20] == pytest.approx(left * sound.mor_pa[20])
    assert found.mor_pa[0] == sound.mor_pa[0]
    assert any("Do not rig" in note for note in found.notes)
