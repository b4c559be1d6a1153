"""Defects laid on the graph, and what they leave of mass and strength."""

import numpy as np
import pytest

from treescan.errors import SiteFileError
from treescan.wood.decay import DefectMark, hollow_shares, inside_bark_diameter_m, wood_state
from treescan.wood.mass import green_mass
from treescan.wood.species import find_species
from treescan.wood.strength import green_strength

from .trees import chain, random_tree

OAK = find_species("white oak")


@pytest.mark.published
@pytest.mark.parametrize(
    ("t", "mass", "modulus", "shell"),
    [(0.5, 0.75, 0.9375, 0.5), (0.6, 0.64, 0.8704, 0.4), (0.7, 0.51, 0.7599, 0.3),
     (0.8, 0.36, 0.5904, 0.2)],
)  # fmt: skip
def test_x2_hollow(t, mass, modulus, shell):
    assert hollow_shares(t) == pytest.approx((mass, modulus, shell), abs=1e-6)


@pytest.mark.published
def test_inside_bark_factor():
    assert inside_bark_diameter_m(1.0, 0.16) == pytest.approx(0.9285, abs=5e-5)


def test_a_cavity_weakens_but_keeps_its_weight_unless_its_length_is_given():
    pole = chain(np.full(41, 0.3), 10.0)
    bark = OAK.bark_pct_of_wood_volume / 100
    inside = 0.6 / np.sqrt(1 + bark)
    shell = 0.15 * inside  # t = 0.7
    known = DefectMark("cavity", height_m=4.0, length_m=2.0, sound_shell_m=shell)
    short = DefectMark("cavity", height_m=4.0, sound_shell_m=shell)
    full = green_mass(pole, OAK).likely_kg.sum()
    whole = green_mass(pole, OAK, wood_state=wood_state(pole, [short], bark)).likely_kg.sum()
    hollow = green_mass(pole, OAK, wood_state=wood_state(pole, [known], bark)).likely_kg
    assert whole == pytest.approx(full)
    edges = 9  # nodes within 1 m each way of 4.0 m, 0.25 m apart
    per_edge = full_edge = green_mass(pole, OAK).likely_kg[20]
    assert full_edge == per_edge
    expected = edges * full_edge * 0.49 / (1 + bark)
    assert full - hollow.sum() == pytest.approx(expected, rel=1e-9)
    for mark in (known, short):
        hollow = wood_state(pole, [mark], bark).cavity_share
        assert hollow[16] == pytest.approx(0.7, rel=1e-9)
        assert hollow[0] == 0.0


def test_a_cavity_without_a_shell_is_assumed_large():
    pole = chain(np.full(41, 0.3), 10.0)
    state = wood_state(pole, [DefectMark("cavity", height_m=4.0, length_m=1.0)])
    assert state.cavity_share.max() == 0.8
    assert state.cavity_mass_share.max() == 0.0
    assert any("without a measured shell" in note for note in state.notes)


def test_dead_wood_is_everything_beyond_the_mark():
    tree = random_tree(3)
    limb = int(tree.limb[tree.starts_limb][0])
    base = int(np.flatnonzero(tree.limb == limb)[0])
    state = wood_state(tree, [DefectMark("dead", limb=limb)])
    assert set(np.flatnonzero(state.dead)) == set(tree.subtree(base))
    mass = green_mass(tree, OAK, in_leaf=True, wood_state=state)
    sound = green_mass(tree, OAK, in_leaf=True)
    dead = state.dead
    assert (mass.leaf_kg[dead] == 0).all()
    assert (mass.low_kg[dead] <= sound.low_kg[dead] + 1e-12).all()
    assert mass.likely_kg[dead].sum() < sound.likely_kg[dead].sum()
    assert mass.high_kg[dead].sum() <= sound.high_kg[dead].sum()
    woody = dead & (tree.child_count > 0)
    assert mass.high_kg[woody] == pytest.approx(sound.high_kg[woody])
    strength = green_strength(OAK, state)
    assert strength.mor_pa[base] == pytest.approx(0.3 * strength.mor_pa[0])
    assert any("Do not rig" in note for note in mass.notes)


def test_decay_may_be_as_heavy_as_sound_wood():
    pole = chain(np.full(41, 0.3), 10.0)
    state = wood_state(pole, [DefectMark("decay", height_m=1.0, length_m=2.0)])
    mass, sound = green_mass(pole, OAK, wood_state=state), green_mass(pole, OAK)
    rotten = state.decayed
    assert mass.high_kg[rotten] == pytest.approx(sound.high_kg[rotten])
    assert (mass.low_kg[rotten] < sound.low_kg[rotten])[mass.low_kg[rotten] > 0].all()
    assert mass.likely_kg[~rotten] == pytest.approx(sound.likely_kg[~rotten])


def test_a_crack_and_included_bark_are_flagged():
    pole = chain(np.full(41, 0.3), 10.0)
    marks = [
        DefectMark("crack", at_m=(0.2, 0.0, 5.0)), DefectMark("included bark", height_m=8.0)
    ]  # fmt: skip
    state = wood_state(pole, marks)
    assert state.cracked[20]
    assert state.strength_share[20] == 0.5
    assert state.included_bark[32]
    assert state.strength_share[32] == 1.0


@pytest.mark.parametrize(
    ("mark", "message"),
    [
        (DefectMark("dead", limb=99), "limb 99 does not exist"),
        (DefectMark("decay", height_m=40.0), "not on limb 0, which spans 0.0 to 10.0 m"),
        (DefectMark("crack", at_m=(50.0, 0.0, 2.0)), "more than 3 m"),
        (DefectMark("cavity", height_m=2.0, sound_shell_m=0.4), "leaves no cavity"),
        (DefectMark("rot", height_m=2.0), "kind must be one of"),
    ],
)
def test_defects_off_the_tree_are_refused(mark, message):
    with pytest.raises(SiteFileError, match=message):
        wood_state(chain(np.full(41, 0.3), 10.0), [mark])
