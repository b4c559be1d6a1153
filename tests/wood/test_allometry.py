"""Published biomass equations and the alarms made of them."""

import csv
from pathlib import Path

import numpy as np
import pytest
from nsvb import estimators

from treescan.errors import InvalidInputError
from treescan.units import FOOT_M, INCH_M
from treescan.wood import allometry as a
from treescan.wood import plausibility as p
from treescan.wood.crown import LEAF_OF_BRANCH
from treescan.wood.density import decay_multipliers
from treescan.wood.mass import green_mass
from treescan.wood.species import find_species, genus_of

from .trees import chain, grown

REFERENCE = Path(__file__).parent / "data" / "nsvb_reference.csv"
with REFERENCE.open(encoding="utf-8") as _file:
    ROWS = list(csv.DictReader(_file))

JENKINS_TABLE = {
    1: (4.97, 23.77, 113.79, 544.74, 1361.5, 2607.8),
    2: (5.49, 29.84, 162.34, 883.05, 2378.3, 4803.4),
    3: (4.29, 23.93, 133.65, 746.34, 2041.2, 4167.9),
    4: (3.99, 21.56, 116.60, 630.46, 1692.1, 3409.1),
    5: (5.35, 26.92, 135.59, 682.85, 1758.0, 3438.9),
    6: (5.11, 26.74, 139.84, 731.32, 1924.8, 3824.5),
    7: (6.65, 34.25, 176.43, 908.93, 2371.4, 4682.7),
    8: (4.56, 25.49, 142.58, 797.38, 2182.7, 4459.4),
    9: (6.72, 36.32, 196.27, 1060.79, 2846.2, 5733.2),
    10: (7.58, 24.68, 80.34, 261.54, 521.7, 851.5),
}


@pytest.mark.published
@pytest.mark.parametrize(("group", "kilograms"), JENKINS_TABLE.items())
def test_jenkins_table_4(group, kilograms):
    found = a.jenkins_dry_kg(a.JENKINS[group], np.array([5, 10, 20, 40, 60, 80.0]))
    assert found == pytest.approx(kilograms, rel=1e-4, abs=0.0051)  # printed to 0.01 kg


@pytest.mark.published
def test_j1_oak_and_soft_maple():
    assert a.jenkins_dry_kg(a.JENKINS[9], 50.0) == pytest.approx(1826.12, rel=1e-4)
    assert a.jenkins_dry_kg(a.JENKINS[7], 30.0) == pytest.approx(460.30, rel=1e-4)


@pytest.mark.published
@pytest.mark.parametrize(
    ("conifer", "foliage", "bark", "wood", "branch"),
    [(False, 0.0196, 0.1281, 0.6427, 0.2097), (True, 0.0580, 0.1192, 0.6578, 0.1649)],
)
def test_check_16_component_shares_at_40_cm(conifer, foliage, bark, wood, branch):
    found = a.component_shares(conifer, 40.0)
    printed = {"foliage": foliage, "stem bark": bark, "stem wood": wood, "branch": branch}
    for name, share in printed.items():
        assert found[name] == pytest.approx(share, abs=1e-3)


@pytest.mark.published
def test_j2_shares_sum_to_one_and_conifers_carry_more_leaf():
    for dbh in (10.0, 20.0, 40.0, 80.0):
        for conifer in (False, True):
            shares = a.component_shares(conifer, dbh)
            above = sum(v for k, v in shares.items() if k != "roots")
            assert above == pytest.approx(1.0, abs=1e-12)
        assert a.foliage_share(True, dbh) > a.foliage_share(False, dbh)


@pytest.mark.published
def test_j3_a_sign_error_is_refused():
    # FIADB rows 6154-6158 carry b1 = -2.4349
    with pytest.raises(InvalidInputError, match="must be positive"):
        a.JenkinsGroup("Araucaria", -2.5356, -2.4349)


@pytest.mark.published
@pytest.mark.parametrize(
    ("rho", "d", "h", "kg"), [(0.6, 50, 25, 1960.06), (0.5, 30, 20, 486.81), (0.7, 80, 35, 7919.05)]
)
def test_c1_chave(rho, d, h, kg):
    assert a.chave_dry_kg(rho, d, h) == pytest.approx(kg, rel=1e-4)


@pytest.mark.published
@pytest.mark.parametrize(("d", "h", "kg"), [(20, 20, 213.2), (40, 25, 1072.8), (60, 30, 2855.6)])
def test_wutzler_beech(d, h, kg):
    assert a.wutzler_beech_dry_kg(d, h) == pytest.approx(kg, rel=5e-4)


@pytest.mark.published
@pytest.mark.parametrize(
    ("species", "part", "kg"),
    [("spruce", "stem", 290.2), ("spruce", "branches", 106.3), ("spruce", "needles", 37.5),
     ("pine", "stem", 260.7), ("pine", "branches", 52.8), ("pine", "needles", 12.2)],
)  # fmt: skip
def test_marklund_at_30_cm(species, part, kg):
    assert a.marklund_dry_kg(species, part, 30.0) == pytest.approx(kg, rel=3e-3)


def test_marklund_knows_its_species():
    with pytest.raises(InvalidInputError, match="birch"):
        a.marklund_dry_kg("birch", "stem", 30.0)


@pytest.mark.published
def test_check_10_nsvb_example_1_douglas_fir():
    # Westfall et al. 2024, example 1: 20.0 in, 110 ft, division 240
    agb = estimators.total_aboveground_biomass(202, 20.0, 110.0, "240")
    leaf = estimators.total_foliage_dry_weight(202, 20.0, 110.0, "240")
    assert float(agb) == pytest.approx(3154.553993, rel=1e-6)
    assert float(leaf) == pytest.approx(83.634789, rel=1e-6)
    # S1a model 2 by first principles: 88.452275544 ft3, times .45 x 62.4 lb
    wood_ft3 = 0.001929099661 * 9 ** (2.162413104203 - 1.690400253097)
    wood_ft3 *= 20.0**1.690400253097 * 110.0**0.985444005253
    assert wood_ft3 == pytest.approx(88.452275544, rel=1e-6)
    assert wood_ft3 * 0.45 * 62.4 == pytest.approx(2483.739897, rel=1e-6)


@pytest.mark.published
def test_check_11_nsvb_example_2_red_maple():
    # Westfall et al. 2024, example 2: 11.1 in, 38 ft, division M210, cull 3 %
    assert float(estimators.total_aboveground_biomass(316, 11.1, 38.0, "M210")) == pytest.approx(
        532.584798820, rel=1e-6
    )
    reduced = estimators.agb_predicted_reduced(316, 11.1, 38.0, "M210", 3.0)
    assert float(reduced) == pytest.approx(528.135964526, rel=1e-6)


@pytest.mark.published
def test_check_12_nsvb_example_3_dead_tanoak_and_our_dead_multiplier():
    # example 3: 11.3 in, 28 ft, M240/M242, broken at 21 ft, cull 10 %, decay class 2
    state = {"cull": 10.0, "ah": 21.0, "decaycd": 2, "province": "M242"}
    reduced = estimators.agb_predicted_reduced(631, 11.3, 28.0, "M240", **state)
    assert float(reduced) == pytest.approx(241.9688, rel=1e-6)
    wood = float(estimators.merchantable_wood_weight(631, 11.3, 28.0, "M240", **state))
    assert wood == pytest.approx(163.031163476, rel=1e-6)
    broken = {"ah": 21.0, "province": "M242"}  # cull is not taken off again when dead
    alive = float(estimators.merchantable_wood_weight(631, 11.3, 28.0, "M240", **broken))
    assert wood / alive == pytest.approx(decay_multipliers(False, 2)[0], rel=1e-6)


@pytest.mark.published
def test_leaf_shares_cover_the_national_trees():
    # dry leaf over dry branch mass at 36-56 cm: hardwood .03-.11 (yellow-poplar .16),
    # conifers .12-.38
    for row in ROWS:
        if not 35.0 < float(row["dbh_cm"]) < 57.0:
            continue
        species = find_species(row["scientific_name"])
        poplar = genus_of(species).jenkins_group == 6
        kind = "conifer" if species.conifer else "poplar" if poplar else "broadleaf"
        low, likely, high = LEAF_OF_BRANCH[kind]
        share = float(row["foliage_kg"]) / float(row["branch_harm_kg"])
        assert 0.98 * low < share < 1.02 * high, row["call"]
        assert low < likely < high


@pytest.mark.published
@pytest.mark.parametrize("row", ROWS, ids=lambda r: f"{r['common_name']} {r['dbh_in']} in")
def test_check_13_reference_trees_have_plausible_form(row):
    dbh_m, height_m = float(row["dbh_cm"]) / 100, float(row["ht_m"])
    factor = float(row["vol_stem_ob_m3"]) / (np.pi / 4 * dbh_m**2 * height_m)
    assert 0.35 <= factor <= 0.62
    low, high = p.FORM_FACTOR
    assert low < factor < high


@pytest.mark.published
def test_n1_unit_conversions_of_the_reference_rows():
    for row in ROWS:
        assert float(row["dbh_in"]) * INCH_M == pytest.approx(float(row["dbh_cm"]) / 100)
        assert float(row["ht_ft"]) * FOOT_M == pytest.approx(float(row["ht_m"]))
        kg = float(row["agb_total_lb"]) * 0.45359237
        assert kg == pytest.approx(float(row["agb_total_kg"]), rel=1e-5)


@pytest.mark.published
def test_nsvb_over_jenkins_is_064_to_124():
    ratios = []
    for row in ROWS:
        genus = genus_of(find_species(row["scientific_name"]))
        group = 9 if row["common_name"] == "sugar maple" else genus.jenkins_group
        total = a.jenkins_dry_kg(a.JENKINS[group], float(row["dbh_cm"]))
        ratios.append(float(row["agb_total_kg"]) / float(total))
    assert min(ratios) == pytest.approx(0.64, abs=0.03)
    assert max(ratios) == pytest.approx(1.24, abs=0.03)
    assert np.median(ratios) == pytest.approx(0.87, abs=0.02)


@pytest.mark.published
def test_check_14_equations_are_clamped_where_the_national_ones_explode():
    # white oak, division 220, 60 in x 120 ft: 79,034 lb of branches out of 87,968 lb
    exploded = float(estimators.total_aboveground_biomass(802, 60.0, 120.0, "220"))
    assert exploded == pytest.approx(87968, rel=1e-3)
    oak = find_species("white oak")
    rows = p._equations(oak, 60 * INCH_M, 120 * FOOT_M)
    assert all(row.clamped for row in rows)
    edge = p._equations(oak, 0.76, 120 * FOOT_M)
    assert [r.green_kg for r in rows] == [r.green_kg for r in edge]
    assert not any(row.clamped for row in edge)


@pytest.mark.parametrize("seed", range(3))
def test_a_sound_tree_raises_no_alarm(seed):
    graph = grown("broadleaf", seed)
    oak = find_species("white oak")
    stem = np.flatnonzero(graph.limb == 0)
    breast = stem[np.argmin(np.abs(graph.position_m[stem, 2] - graph.position_m[0, 2] - 1.3))]
    height = float(np.ptp(graph.position_m[:, 2]))
    mass = green_mass(graph, oak, in_leaf=True)
    found = p.plausibility(graph, mass, oak, float(2 * graph.radius_m[breast]), height)
    assert found.alarms == ()
    assert found.limbs_checked > 0
    first, second = found.sentences
    assert "national equation for hard maple, oak" in first
    assert "alarm only" in first
    assert f"form factor {found.form_factor:.2f}" in second
    assert 0.30 < found.form_factor < 0.65


def test_a_scan_at_twice_the_scale_raises_an_alarm():
    graph = grown("broadleaf", 0)
    oak = find_species("white oak")
    mass = green_mass(graph, oak, in_leaf=True)
    height = float(np.ptp(graph.position_m[:, 2]))
    found = p.plausibility(graph, mass, oak, 0.30, height / 2)
    assert any("above the national equation" in text for text in found.alarms)
    assert any("form factor" in text for text in found.alarms)


def test_a_pole_has_the_form_factor_of_a_cylinder():
    pole = chain(np.full(11, 0.2), 10.0)
    assert p.form_factor(pole, 0.4, 10.0) == pytest.approx(1.0, rel=1e-9)


def test_a_tree_without_dbh_has_no_check():
    pole = chain(np.full(11, 0.2), 10.0)
    oak = find_species("white oak")
    with pytest.raises(InvalidInputError, match="above 0 m"):
        p.plausibility(pole, green_mass(pole, oak), oak, 0.0, 10.0)
