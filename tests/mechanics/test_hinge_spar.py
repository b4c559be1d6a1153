"""A piece on its hinge, and the bare spar."""

import numpy as np
import pytest

from treescan.errors import InvalidInputError
from treescan.mechanics import hinge, spar

ANGLES = np.radians([15, 26.73, 30, 45, 48.19, 60, 70, 80, 90])


@pytest.mark.published
def test_j1_turn_rate():
    angles = np.radians([30, 45, 60, 70, 80, 90])
    length = 4.0
    scale = np.sqrt(length / 9.81)
    rod = hinge.turn_rate_rad_s(length / 2, length / np.sqrt(3), 0.0, angles) * scale
    cone = hinge.turn_rate_rad_s(length / 4, length / np.sqrt(10), 0.0, angles) * scale
    assert rod == pytest.approx([0.6340, 0.9374, 1.2247, 1.4050, 1.5745, 1.7321], abs=6e-5)
    assert cone == pytest.approx([0.8185, 1.2102, 1.5811, 1.8138, 2.0327, 2.2361], abs=6e-5)


@pytest.mark.published
def test_j2_tip_speed():
    length = np.array([10.0, 20.0, 30.0])
    rod = hinge.turn_rate_rad_s(length / 2, length / np.sqrt(3), 0.0, np.pi / 2) * length
    assert rod == pytest.approx([17.16, 24.26, 29.71], abs=0.006)
    cone = hinge.turn_rate_rad_s(5.0, 20 / np.sqrt(10), 0.0, np.pi / 2) * 20
    assert cone == pytest.approx(31.32, abs=0.006)


@pytest.mark.published
@pytest.mark.parametrize(
    ("length", "times"),
    [(10, [4.325, 2.999, 2.429]), (20, [6.116, 4.241, 3.435]), (30, [7.491, 5.194, 4.206])],
)
def test_j3_fall_time(length, times):
    got = [
        hinge.fall_time_s(length / 2, length / np.sqrt(3), np.radians(start), np.pi / 2)
        for start in (1, 5, 10)
    ]
    assert got == pytest.approx(times, abs=1.1e-3)


@pytest.mark.published
def test_j4_fall_time_of_a_cone():
    got = hinge.fall_time_s(5.0, 20 / np.sqrt(10), np.radians(5), np.pi / 2)
    assert got == pytest.approx(3.285, abs=1.1e-3)


@pytest.mark.published
def test_j5_to_j8_force_on_the_spar():
    rod, cone = hinge.ROD_KAPPA, hinge.CONE_KAPPA
    assert hinge.piece_push_factor(ANGLES, rod) == pytest.approx(
        [0.1743, 0.2292, 0.2243, 0.0643, 0, -0.3248, -0.6864, -1.0924, -1.5], abs=6e-5
    )
    assert hinge.piece_push_factor(ANGLES, cone) == pytest.approx(
        [0.1452, 0.1910, 0.1869, 0.0536, 0, -0.2706, -0.5720, -0.9104, -1.25], abs=6e-5
    )
    assert hinge.spar_down_factor(ANGLES, rod) == pytest.approx(
        [0.9004, 0.7051, 0.6385, 0.3143, 0.25, 0.0625, 0.0002, 0.0574, 0.25], abs=6e-5
    )
    assert hinge.spar_down_factor(ANGLES, cone) == pytest.approx(
        [0.9170, 0.7543, 0.6987, 0.4286, 0.375, 0.2188, 0.1668, 0.2145, 0.375], abs=6e-5
    )


@pytest.mark.published
def test_j9_push_back_peaks_and_vanishes():
    angle, rod = hinge.push_back_peak(hinge.ROD_KAPPA)
    _, cone = hinge.push_back_peak(hinge.CONE_KAPPA)
    assert np.degrees(angle) == pytest.approx(26.73, abs=0.005)
    assert (rod, cone) == pytest.approx((0.2292, 0.1910), abs=6e-5)
    for kappa in np.linspace(0.05, 1.0, 20):
        assert hinge.piece_push_factor(hinge.PUSH_ENDS_RAD, kappa) == pytest.approx(0, abs=1e-12)
    assert np.degrees(hinge.PUSH_ENDS_RAD) == pytest.approx(48.19, abs=0.005)


@pytest.mark.published
def test_j10_to_j12_wide_and_back_leaning_pieces():
    lean = np.degrees(hinge.back_lean_rad(np.array([1.0, 2.0, 4.0]), 0.5))
    assert lean == pytest.approx([26.6, 14.0, 7.1], abs=0.06)
    assert hinge.tip_energy_j(150 * 9.81, 1.0, 0.5) == pytest.approx(86.9, abs=0.1)
    assert hinge.tip_pull_n(2000.0, 0.3, 3.0, np.radians(30)) == pytest.approx(231, abs=0.5)


@pytest.mark.published
def test_k1_cantilever():
    assert spar.second_moment_m4(0.3) == pytest.approx(3.976e-4, rel=1e-3)
    stiffness = float(spar.tip_stiffness_n_m(9e9, 0.3, 10.0))
    assert stiffness == pytest.approx(10_735, abs=1)
    assert 1e6 / stiffness == pytest.approx(93.1, abs=0.1)


@pytest.mark.published
def test_k2_half_sine():
    got = spar.half_sine_factor(np.array([0.1, 0.25, 0.5, 0.81, 1, 1.5, 2]))
    assert got == pytest.approx([0.396, 0.943, 1.571, 1.768, 1.732, 1.5, 1.268], abs=1.1e-3)


@pytest.mark.published
def test_k3_push_back_moves_the_tip():
    force = 200 * 9.81 * float(hinge.push_back_peak(hinge.CONE_KAPPA)[1])
    assert force == pytest.approx(375, abs=1)
    assert force / spar.tip_stiffness_n_m(9e9, 0.3, 10.0) == pytest.approx(0.0349, abs=1e-4)


@pytest.mark.published
def test_k4_frequencies():
    assert spar.bar_frequency_hz(9e9, 1000.0, 0.3, 10.0) == pytest.approx(1.259, abs=6e-4)
    got = [
        float(spar.loaded_frequency_hz(9e9, 1000.0, d, h, m))
        for d, h, m in [(0.3, 10, 0), (0.3, 10, 80), (0.3, 15, 80), (0.2, 10, 80)]
    ]
    assert got == pytest.approx([1.278, 1.050, 0.494, 0.590], abs=6e-4)


@pytest.mark.published
def test_k5_conifer_frequency_from_memory():
    assert spar.conifer_frequency_hz(0.30, 20.0) == pytest.approx(0.352, abs=6e-4)


@pytest.mark.published
def test_k6_buckling():
    got = spar.euler_load_n(9e9, np.array([0.25, 0.15]), np.array([15.0, 10.0]))
    assert got == pytest.approx([18_900, 5520], rel=3e-3)


@pytest.mark.published
def test_q1_base_moment():
    offset, lean = spar.base_moment_n_m(20e3, 0.4, np.radians(3.0), 12.0)
    assert offset == pytest.approx(8000)
    assert lean == pytest.approx(12_600, rel=5e-3)


def test_the_resonant_pulse_is_continuous():
    near = spar.half_sine_factor(np.array([0.499, 0.5, 0.501]))
    assert np.ptp(near) < 0.01


def test_a_pulse_never_doubles_the_load():
    assert (spar.half_sine_factor(np.linspace(0.01, 8.0, 200)) < 2.0).all()


def test_an_upright_piece_does_not_start_by_itself():
    with pytest.raises(InvalidInputError, match="start angle is 0"):
        hinge.fall_time_s(1.0, 1.2, 0.0, 1.0)


def test_a_piece_does_not_turn_upward():
    with pytest.raises(InvalidInputError, match="fall of the centre of mass"):
        hinge.turn_rate_rad_s(1.0, 1.2, 1.0, 0.5)
