"""Sections, unions, lines, knots, slings and speed lines."""

import numpy as np
import pytest

from treescan.errors import InvalidInputError, SourceDataError
from treescan.mechanics import rope, section, speedline, union
from treescan.wood.species import find_species


@pytest.mark.published
def test_m1_m2_section_moduli():
    diameter = np.array([0.10, 0.15, 0.20, 0.25, 0.30, 0.40])
    modulus = section.round_modulus_m3(diameter)
    assert modulus == pytest.approx(
        [9.817e-5, 3.313e-4, 7.854e-4, 1.534e-3, 2.651e-3, 6.283e-3], rel=3e-4
    )
    assert modulus * 40e6 / 1e3 == pytest.approx([3.93, 13.25, 31.4, 61.4, 106.0, 251.3], rel=2e-3)
    assert section.oval_modulus_m3(0.20, 0.25) == pytest.approx(1.227e-3, rel=3e-4)


@pytest.mark.published
def test_m3_to_m5_limb_anchor():
    stress = section.bending_stress_pa(5000 * 1.5, 0.2)
    assert stress == pytest.approx(9.55e6, rel=1e-3)
    assert 57e6 / stress == pytest.approx(6.0, abs=0.05)
    assert section.torsion_stress_pa(1000.0, 0.2) == pytest.approx(0.637e6, rel=1e-3)
    ultimate = 57e6 * section.round_modulus_m3(0.2)
    assert ultimate == pytest.approx(44.8e3, rel=1e-3)
    assert ultimate * 0.55 / 5 == pytest.approx(4.92e3, rel=2e-3)


@pytest.mark.published
@pytest.mark.parametrize(
    ("ratio", "area", "cube", "modulus"),
    [
        (0.5, 0.25, 0.125, 0.0625),
        (0.6, 0.36, 0.216, 0.1296),
        (0.7, 0.49, 0.343, 0.2401),
        (0.8, 0.64, 0.512, 0.4096),
        (0.9, 0.81, 0.729, 0.6561),
    ],
)
def test_m6_hollow_sections(ratio, area, cube, modulus):
    assert ratio**2 == pytest.approx(area)
    assert section.cube_loss(ratio) == pytest.approx(cube)
    assert 1 - section.hollow_factor(ratio) == pytest.approx(modulus)


@pytest.mark.published
def test_m6_huang_2017_wall_of_0_3_keeps_76_percent():
    assert section.hollow_factor(0.7) == pytest.approx(0.76, abs=0.005)
    modes = [section.thin_wall_mode(t) for t in (0.05, 0.2, 0.3)]
    assert modes == ["buckling of the wall", "cracking along the wall", "bending"]


@pytest.mark.published
def test_m7_open_cavity_from_memory():
    got = section.open_cavity_loss(0.6, 0.36, np.array([0.1, 0.3]))
    assert got == pytest.approx([0.2944, 0.4512], abs=6e-5)


@pytest.mark.published
def test_m8_bending_with_torsion():
    assert section.interaction_index(40e6, 6e6) == pytest.approx(0.568, abs=6e-4)


@pytest.mark.published
def test_n1_field_factors_of_kane_2007():
    clear = 69_948
    factors = np.array(list(union.FIELD_FACTOR.values()))
    assert np.array([50_094, 38_603, 28_067]) / clear == pytest.approx(factors, abs=0.005)


@pytest.mark.published
def test_n2_gilman_2003():
    diameter = np.array([5.5, 6.5, 7.5, 8.5, 9.5, 10.5, 11.5, 12.5, 13.5, 15])
    middle = [13.1, 24.7, 28.2, 35.4, 50.1, 56.7, 77.9, 87.6, 86.3, 122.1]
    assert union.gilman_force_kg(diameter, 0.5) == pytest.approx(middle, abs=0.06)
    ratio = union.gilman_force_kg(diameter, 0.9) / union.gilman_force_kg(diameter, 0.5)
    assert ratio.min() == pytest.approx(22.9 / 86.3, abs=1e-3)  # printed forces: 0.27
    assert ratio.max() == pytest.approx(0.63, abs=0.005)
    ours = union.union_factor(np.array([0.5, 0.9]))
    assert ratio.min() <= ours[1] / ours[0] <= ratio.max()


@pytest.mark.published
def test_n3_smiley_2003():
    diameter = np.array([3, 4, 5, 6]) * 0.0254
    sound = union.codominant_force_n(diameter, False) / 9.81
    included = union.codominant_force_n(diameter, True) / 9.81
    assert sound == pytest.approx([451, 1064, 1677, 2290], abs=0.6)
    assert included == pytest.approx([326, 863, 1400, 1937], abs=0.6)
    assert 100 * (1 - included / sound) == pytest.approx([27.7, 18.9, 16.5, 15.4], abs=0.06)


@pytest.mark.published
def test_n4_smiley_greco_williams_controls():
    assert union.control_force_lb(4.0, "red maple") == pytest.approx(1133)
    assert union.control_force_lb(4.0, "red oak") == pytest.approx(1075)
    assert union.control_force_lb(6.0, "red maple") == pytest.approx(2225)
    assert union.control_force_lb(6.0, "red oak") == pytest.approx(2281)


@pytest.mark.published
def test_n5_lilly_sydnor_implied_diameters():
    got = union.implied_diameter_m(np.array([3009.0, 3521.0]), np.array([29.7e6, 24.5e6]))
    assert got == pytest.approx([0.101, 0.114], abs=6e-4)
    ratio_to_clear_wood = 29.7 / 40
    assert ratio_to_clear_wood == pytest.approx(0.74, abs=0.005)


@pytest.mark.published
def test_n6_slater_ennos_2013_hazel_forks():
    # forks of two nearly equal branches: what is reckoned with stays below what they held,
    # sound forks against the intact, included bark against those without their central fifth
    field = union.FIELD_FACTOR["ellipse over bark"]
    equal = np.linspace(0.7, 1.0, 16)
    assert union.HAZEL_FORKS["central fifth cut"] == pytest.approx(0.503, abs=5e-4)
    assert union.HAZEL_FORKS["outer parts cut"] == pytest.approx(0.377, abs=5e-4)
    sound = field * union.union_factor(equal)
    included = field * union.union_factor(equal, True)
    assert (sound <= union.HAZEL_FORKS["intact"]).all()
    assert (included <= union.HAZEL_FORKS["central fifth cut"]).all()
    assert (included <= union.HAZEL_FORKS["outer parts cut"]).all()
    least = field * union.union_factor(0.9)
    assert 0.2 < least / union.HAZEL_FORKS["intact"] < 1.0, "low, but not a stand-in for nothing"


def test_union_classes_fall_with_the_ratio_and_with_included_bark():
    got = union.union_factor(np.array([0.3, 0.5, 0.6, 0.8, 0.95]))
    assert got == pytest.approx([1.0, 1.0, 0.75, 0.5, 0.35])
    assert union.union_factor(0.3, True) == pytest.approx(0.35)


@pytest.mark.published
@pytest.mark.parametrize(
    ("name", "ratio"),
    [
        ("Acer saccharum", 116),
        ("Quercus rubra", 102),
        ("Acer saccharinum", 91),
        ("Pinus strobus", 100),
        ("Populus deltoides", 100),
    ],
)
def test_o1_to_o3_strength_per_specific_gravity(name, ratio):
    species = find_species(name)
    mor = species.mor_green_pa
    assert mor / 1e6 / species.basic_specific_gravity == pytest.approx(ratio, abs=0.6)
    assert 90 <= species.moe_green_pa / mor <= 260
    assert 0.36 <= species.compression_green_pa / mor <= 0.60


@pytest.mark.published
@pytest.mark.parametrize(
    ("name", "strength", "strain", "modulus"),
    [("B2", 72e3, 0.02, 360e3), ("B3", 31e3, 0.025, 124e3), ("B4", 45e3, 0.05, 90e3)],
)
def test_b2_to_b4_secant_modulus(name, strength, strain, modulus):
    assert rope.secant_modulus_n(strength, strain) == pytest.approx(modulus), name


@pytest.mark.published
def test_p1_hitches_are_not_ranked():
    # Kane 2012 (AUF 38(1):1-5): clove, cow and timber hitch break at similar loads
    hitches = ("clove hitch", "cow hitch", "timber hitch")
    assert len({rope.KNOT_EFFICIENCY[name] for name in hitches}) == 1
    assert {rope.knot_efficiency(name) for name in (*hitches, "running bowline")} == {0.5}


@pytest.mark.published
def test_p2_wire_rope_bends_from_memory():
    got = rope.wire_bend_efficiency(np.array([1, 2, 4, 8, 16]))
    assert got == pytest.approx([0.50, 0.646, 0.75, 0.823, 0.875], abs=6e-4)


@pytest.mark.published
def test_p3_choker_at_70_degrees():
    assert 6000 * rope.choker_factor(70.0) == pytest.approx(4440)
    steps = rope.choker_factor(np.array([135, 120, 119, 90, 60, 59, 30, 29, 0]))
    assert steps == pytest.approx([1, 1, 0.87, 0.87, 0.74, 0.62, 0.62, 0.49, 0.49])


@pytest.mark.published
def test_h1_level_span():
    share = np.array([0.02, 0.05, 0.10, 0.15, 0.20])
    got = speedline.level_span_tension_n(1.0, 1.0, share)
    assert got == pytest.approx([12.51, 5.025, 2.550, 1.740, 1.346], rel=5e-4)


@pytest.mark.published
@pytest.mark.parametrize(
    ("name", "weight", "span", "modulus", "pretension", "sag", "tension"),
    [
        ("H2", 1000, 30, 150e3, 2000, 2.1403, 3539.6),
        ("H3", 1000, 30, 150e3, 0.0, 2.8483, 2680.2),
        ("H4", 1000, 30, 400e3, 2000, 1.6762, 4502.2),
        ("H5", 2000, 30, 150e3, 2000, 3.0246, 5059.2),
        ("H6", 1000, 20, 150e3, 4000, 1.0405, 4831.4),
    ],
)
def test_h2_to_h6_pretensioned(name, weight, span, modulus, pretension, sag, tension):
    got = speedline.pretensioned_span(weight, span, modulus, pretension)
    assert got.sag_m == pytest.approx(sag, abs=3e-4), name
    assert got.upper_n == pytest.approx(tension, rel=1e-4)


@pytest.mark.published
@pytest.mark.parametrize(
    ("name", "load", "upper", "lower"),
    [("H7", (15.0, 4.5), 4192.6, 3850.7), ("H8", (5.0, 8.5), 3051.6, 2610.1)],
)
def test_h7_h8_inclined(name, load, upper, lower):
    got = speedline.held_span(1000.0, np.array([0.0, 12.0]), np.array([30.0, 1.0]), np.array(load))
    assert got.upper_n == pytest.approx(upper, abs=0.06), name
    assert got.lower_n == pytest.approx(lower, abs=0.06)


@pytest.mark.published
def test_h9_sag_of_the_line_itself():
    assert rope.line_self_weight_sag_m(0.2, 30.0, 2000.0) == pytest.approx(0.110, abs=6e-4)


@pytest.mark.published
def test_kane_arwade_2020_signs():
    # tension rises with load and pretension; sag is substantial even at high pretension
    tight = speedline.pretensioned_span(500, 30, 150e3, 4000)
    assert tight.upper_n > speedline.pretensioned_span(500, 30, 150e3, 1000).upper_n
    assert speedline.pretensioned_span(1500, 30, 150e3, 4000).upper_n > tight.upper_n
    assert tight.sag_m > 0.5


def test_knot_names_are_checked():
    with pytest.raises(SourceDataError, match="unknown knot 'granny'; known: bowline"):
        rope.knot_efficiency("granny")
    assert rope.knot_efficiency("eye splice") == 0.9


def test_impossible_sections_are_refused():
    with pytest.raises(InvalidInputError, match=r"diameter is -0\.1"):
        section.round_modulus_m3(-0.1)
    with pytest.raises(InvalidInputError, match="cavity over diameter is 1"):
        section.hollow_factor(1.0)


def test_a_load_above_the_anchors_is_refused():
    with pytest.raises(InvalidInputError, match="not held by both parts"):
        speedline.held_span(1.0, np.array([0.0, 2.0]), np.array([30.0, 1.0]), np.array([15.0, 4.5]))
    with pytest.raises(InvalidInputError, match="straight line"):
        speedline.held_span(1.0, np.array([0.0, 2.0]), np.array([30.0, 1.0]), np.array([15.0, 1.5]))
