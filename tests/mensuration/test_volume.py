"""Checks of treescan.mensuration.volume against published and exact values."""

import numpy as np
import pytest

from treescan.errors import InvalidInputError
from treescan.mensuration import volume
from treescan.skeleton.graph import TreeGraph
from treescan.units import CUBIC_FOOT_M3, FOOT_M, INCH_M

# University of Missouri, "Cubic Log Volume" (forestry functions page), worked example in
# metric units: small end 25 cm, large end 29 cm, length 5 m.  Answers printed to 6 decimals,
# so they hold to half of the last digit.
PUBLISHED_LOG = {"diameter_butt": 0.29, "diameter_top": 0.25, "length": 5.0}
HALF_LAST_DIGIT = 0.5e-6


@pytest.mark.published
@pytest.mark.parametrize(
    ("formula", "printed_m3"),
    [(volume.smalian, 0.287848), (volume.conical_frustum, 0.286801)],
)
def test_matches_the_published_worked_example(formula, printed_m3):
    assert formula(**PUBLISHED_LOG) == pytest.approx(printed_m3, abs=HALF_LAST_DIGIT)


# G1: textbook formulas (Avery and Burkhart; Husch et al.), values computed for the handbook.
def test_g1_metric_log():
    assert volume.smalian(0.60, 0.42, 5.0) == pytest.approx(1.05322, abs=1e-5)
    assert volume.huber(0.50, 5.0) == pytest.approx(0.98175, abs=1e-5)
    assert volume.newton(0.60, 0.50, 0.42, 5.0) == pytest.approx(1.00557, abs=1e-5)
    # The handbook prints 1.03201; pi * 5 / 12 * (0.36 + 0.252 + 0.1764) is 1.032015, so the
    # printed value is cut, not rounded.
    assert volume.conical_frustum(0.60, 0.42, 5.0) == pytest.approx(1.03201, abs=1e-5)


# G2: the same in inches and feet, answers in cubic feet.
def test_g2_inch_log():
    butt, mid, top, length = 20 * INCH_M, 18 * INCH_M, 16.5 * INCH_M, 16 * FOOT_M
    assert volume.smalian(butt, top, length) / CUBIC_FOOT_M3 == pytest.approx(29.3324, abs=1e-4)
    assert volume.huber(mid, length) / CUBIC_FOOT_M3 == pytest.approx(28.2743, abs=1e-4)
    newton = volume.newton(butt, mid, top, length) / CUBIC_FOOT_M3
    assert newton == pytest.approx(28.6270, abs=1e-4)


# G3: a solid of revolution whose radius grows as x**p has volume pi r^2 L / (2p + 1): cylinder
# p=0, paraboloid 1/2, cone 1, neiloid 3/2.  Calculus, independent of the formulas under test.
@pytest.mark.parametrize("power", [0.0, 0.5, 1.0, 1.5])
def test_g3_newton_is_exact_for_the_four_mensuration_solids(power):
    butt, length = 0.60, 5.0
    exact = np.pi / 4 * butt**2 * length / (2 * power + 1)
    printed = {0.5: 0.706858, 1.0: 0.471239, 1.5: 0.353429}
    if power in printed:
        assert exact == pytest.approx(printed[power], abs=1e-6)
    top = butt if power == 0 else 0.0
    assert volume.newton(butt, butt * 0.5**power, top, length) == pytest.approx(exact)


@pytest.mark.parametrize(
    ("power", "smalian_ratio", "huber_ratio"), [(0.5, 1.0, 1.0), (1.0, 1.5, 0.75), (1.5, 2.0, 0.5)]
)
def test_smalian_and_huber_err_on_ideal_solids_by_the_known_ratio(
    power, smalian_ratio, huber_ratio
):
    exact = np.pi / 4 * 0.60**2 * 8.0 / (2 * power + 1)
    assert volume.smalian(0.60, 0.0, 8.0) / exact == pytest.approx(smalian_ratio)
    assert volume.huber(0.60 * 0.5**power, 8.0) / exact == pytest.approx(huber_ratio)


# G4 and G5: frustum 0.40 -> 0.30 m, 2.5 m, and the cylinder of geometric mean diameter.
def test_g4_g5_frustum_and_geometric_mean_cylinder():
    frustum = float(volume.conical_frustum(0.40, 0.30, 2.5))
    assert frustum == pytest.approx(0.242165, abs=1e-6)
    assert frustum * 1026 == pytest.approx(248.5, abs=0.05)
    short = frustum - float(volume.huber(np.sqrt(0.40 * 0.30), 2.5))
    assert short == pytest.approx(0.006545, abs=1e-6)
    assert short == pytest.approx(np.pi * 2.5 / 12 * 0.10**2)


def cone_graph(pieces: int) -> TreeGraph:
    """A lone cone frustum 0.60 -> 0.42 m, 5 m, in ``pieces`` edges."""
    n = pieces + 1
    z = np.linspace(0, 5, n)
    return TreeGraph(
        position_m=np.column_stack([np.zeros(n), np.zeros(n), z]),
        radius_m=0.30 - 0.09 * z / 5,
        radius_sd_m=np.full(n, 0.003),
        parent=np.arange(-1, pieces, dtype=np.int32),
        limb=np.zeros(n, dtype=np.int32),
        order=np.zeros(n, dtype=np.int32),
        support=np.ones(n),
        source=np.zeros(n, dtype=np.int32),
        bridged=np.zeros(n, dtype=bool),
        origin_m=np.zeros(3),
    )


# G6: a chain of n equal cylinders with the mid diameters of a frustum falls short by
# pi L (d0 - d1)^2 / (48 n^2); with the larger end diameters it reads far too much.
@pytest.mark.parametrize(
    ("n", "mid_pc", "large_pc"),
    [(1, -1.03, 37.0), (2, -0.26, 18.0), (5, -0.041, 7.1), (10, -0.010, 3.5)],
)
def test_g6_cylinder_chain_on_a_cone(n, mid_pc, large_pc):
    exact = float(volume.conical_frustum(0.60, 0.42, 5.0))
    ends = np.linspace(0.60, 0.42, n + 1)
    mid = float(volume.huber((ends[1:] + ends[:-1]) / 2, np.full(n, 5 / n)).sum())
    large = float(volume.huber(ends[:-1], np.full(n, 5 / n)).sum())
    assert exact - mid == pytest.approx(np.pi * 5 * 0.18**2 / (48 * n**2), abs=1e-9)
    assert 100 * (mid / exact - 1) == pytest.approx(mid_pc, abs=0.006)
    assert 100 * (large / exact - 1) == pytest.approx(large_pc, abs=0.06)
    # The graph's own volume is that of the frustum however it is parted.
    assert volume.edge_volume_m3(cone_graph(n)).sum() == pytest.approx(exact, rel=1e-12)


def test_volume_over_a_limit_cuts_the_edge_where_it_gets_too_thin():
    graph = cone_graph(3)
    exact = float(volume.conical_frustum(0.60, 0.50, 5.0 * 0.10 / 0.18))
    assert volume.volume_over_m3(graph, 0.50).sum() == pytest.approx(exact, rel=1e-9)
    assert volume.volume_over_m3(graph, 0.61).sum() == 0


def test_volume_sd_follows_the_radius_sd():
    graph = cone_graph(4)
    relative = volume.edge_volume_sd_m3(graph)[1:] / volume.edge_volume_m3(graph)[1:]
    assert (relative > 2 * 0.003 / 0.30 - 1e-9).all()
    assert (relative < 2 * 0.003 / 0.21 + 1e-9).all()


def test_formulas_agree_on_a_cylinder_and_keep_the_shape_of_their_input():
    diameter, length = np.array([0.1, 0.4]), np.array([1.0, 2.0])
    expected = np.pi / 4 * diameter**2 * length
    for result in (
        volume.smalian(diameter, diameter, length),
        volume.huber(diameter, length),
        volume.conical_frustum(diameter, diameter, length),
    ):
        np.testing.assert_allclose(result, expected, rtol=1e-12)


@pytest.mark.parametrize("bad", [-0.02, np.nan, np.inf])
def test_bad_diameter_names_the_segment_the_value_and_the_remedy(bad):
    with pytest.raises(InvalidInputError, match=rf"segment 1: diameter is {bad:g} m.*Refit"):
        volume.huber([0.3, bad], [1.0, 1.0])
