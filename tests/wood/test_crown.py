"""Twigs and leaves beyond the ends of the graph, against trees grown to the last twig."""

import numpy as np
import pytest

from treescan.wood.crown import FINE_M, THICK_END_M, crown_reach_m, end_diameter_m, sprays
from treescan.wood.mass import green_mass
from treescan.wood.species import find_species

from .trees import chain, grown, pruned

OAK = find_species("northern red oak")
SPRUCE = find_species("Norway spruce")


@pytest.mark.parametrize("seed", range(3))
def test_modelled_twigs_replace_what_a_coarse_scan_loses(seed):
    # all wood below 5 cm unseen: the model stands for it alone
    tree = grown("broadleaf", seed)
    coarse = pruned(tree, 0.05)
    whole, seen = green_mass(tree, OAK, in_leaf=False), green_mass(coarse, OAK, in_leaf=False)
    lost = whole.woody_kg.sum() - seen.woody_kg.sum()
    assert seen.crown_kg.sum() == pytest.approx(lost, rel=0.30)


@pytest.mark.parametrize("seed", range(3))
def test_a_tree_seen_to_the_last_twig_gets_little_more(seed):
    tree = grown("broadleaf", seed)
    mass = green_mass(tree, OAK, in_leaf=False)
    assert mass.crown_kg.sum() < 0.04 * mass.woody_kg.sum()


def test_wood_that_the_graph_holds_is_not_added_again():
    # a 5 cm branch alone: full of wood below 5 cm in one graph, cut at 5 cm in the other
    long_, short = chain(np.linspace(0.2, 0.005, 81), 8.0), chain([0.2, 0.025], 7.18)
    fat = chain(np.r_[np.linspace(0.2, 0.0249, 72), np.full(400, 0.0248)], 40.0)
    held = [green_mass(tree, OAK, in_leaf=False).crown_kg.sum() for tree in (short, long_, fat)]
    assert held[0] > held[1] > held[2] == 0.0


def test_sprays_begin_where_branches_get_thin():
    tree = grown("broadleaf", 1)
    found = sprays(tree)
    inside = found.of_node >= 0
    assert (inside == (2 * tree.radius_m < FINE_M)).all()
    child = np.flatnonzero(inside & (found.of_node == found.of_node[np.maximum(tree.parent, 0)]))
    assert (found.of_node[child] == found.of_node[tree.parent[child]]).all()
    assert found.diameter_m.max() <= FINE_M
    assert len(found.diameter_m) == found.of_node.max() + 1


@pytest.mark.parametrize("seed", range(3))
def test_total_does_not_depend_on_how_fine_the_scan_was(seed):
    tree = grown("broadleaf", seed)
    totals = [
        green_mass(pruned(tree, d), OAK, in_leaf=True).likely_kg.sum() for d in (0.01, 0.03, 0.05)
    ]
    assert max(totals) / min(totals) < 1.06


@pytest.mark.published
@pytest.mark.parametrize("seed", range(3))
def test_fine_crown_is_15_to_60_percent_of_the_branches(seed):
    # (twigs + foliage) / branch in .15-.60, handbook rule from Jenkins et al. 2003
    for resolved in (0.01, 0.03, 0.05):
        tree = pruned(grown("broadleaf", seed), resolved)
        mass = green_mass(tree, OAK, in_leaf=True)
        fine = mass.woody_kg[2 * tree.radius_m < FINE_M].sum() + mass.crown_kg.sum()
        twigs = mass.crown_kg.sum() - mass.leaf_kg.sum()
        branch = mass.woody_kg[tree.order > 0].sum() + twigs
        assert 0.14 < fine / branch < 0.62


@pytest.mark.published
def test_f1_leaves_are_some_percent_of_branches_and_of_the_tree():
    # F1: northern red oak 22 in: fresh leaves 6 % of branch weight, 1.9 % of the tree
    tree = grown("broadleaf", 0)
    mass = green_mass(tree, OAK, in_leaf=True)
    branch = mass.woody_kg[tree.order > 0].sum()
    assert 0.04 < mass.leaf_kg.sum() / branch < 0.10
    assert 0.012 < mass.leaf_kg.sum() / mass.likely_kg.sum() < 0.03


def test_conifers_carry_more_leaf_for_their_branches():
    tree = grown("conifer", 0)
    needles = green_mass(tree, SPRUCE, in_leaf=True).leaf_kg.sum()
    leaves = green_mass(tree, OAK, in_leaf=True).leaf_kg.sum()
    assert needles > leaves


def test_a_cut_spar_grows_no_crown():
    spar = chain(np.full(21, 0.25), 5.0)
    mass = green_mass(spar, OAK, in_leaf=True)
    assert mass.crown_kg.sum() < 0.02 * mass.woody_kg.sum()
    assert any("cut, broken or not seen" in note for note in mass.notes)
    assert end_diameter_m(spar)[-1] == FINE_M
    assert 2 * spar.radius_m[-1] > THICK_END_M


def test_reach_grows_with_the_end():
    thin, thick = chain([0.1, 0.01], 2.0), chain([0.1, 0.025], 2.0)
    assert crown_reach_m(thin)[-1] < crown_reach_m(thick)[-1] == pytest.approx(3.0)
    assert crown_reach_m(thin)[0] == 0.0


@pytest.mark.published
@pytest.mark.parametrize("seed", range(3))
def test_wood_below_7_cm_is_the_published_share(seed):
    # Central European tables, beech/oak of 40-60 cm: 9-17 % of woody volume below 7-8 cm,
    # +-30 %, open-grown trees up to 1.5 x [from memory]
    tree = pruned(grown("broadleaf", seed), 0.03)
    mass = green_mass(tree, OAK, in_leaf=False)
    fine = mass.woody_kg[2 * tree.radius_m < 0.07].sum() + mass.crown_kg.sum()
    assert 0.09 * 0.7 < fine / mass.likely_kg.sum() < 0.17 * 1.5


def test_a_palm_carries_fronds_at_its_top():
    trunk = chain(np.full(41, 0.15), 10.0)
    palm = find_species("palm")
    mass = green_mass(trunk, palm, in_leaf=True)
    assert np.flatnonzero(mass.crown_kg).tolist() == [40]
    share = mass.crown_kg.sum() / mass.woody_kg.sum()
    assert share == pytest.approx(0.25)
    fronds = mass.high_kg[40] - mass.high_kg[39], mass.low_kg[40] - mass.low_kg[39]
    assert fronds[0] / mass.woody_kg.sum() == pytest.approx(0.40, abs=0.01)
    assert fronds[1] / mass.woody_kg.sum() == pytest.approx(0.10, abs=0.01)
    assert any("fronds" in note for note in mass.notes)
