"""A bare stem as a cantilever: stiffness, frequency, dynamic factor, buckling."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.mechanics.inputs import Floats, not_negative, positive, within

FIRST_ROOT = 1.875104068711961
"""First root of ``cos x cosh x = -1``: clamped-free bar."""


def second_moment_m4(diameter_m: npt.ArrayLike) -> Floats:
    """Second moment of area of a round, ``pi D⁴ / 64``. [m⁴]

    Parameters
    ----------
    diameter_m : array_like
        [m]
    """
    result: Floats = np.pi * positive("diameter", diameter_m, 10.0, "m") ** 4 / 64.0
    return result


def tip_stiffness_n_m(
    modulus_pa: npt.ArrayLike, diameter_m: npt.ArrayLike, height_m: npt.ArrayLike
) -> Floats:
    """Sideways stiffness of a uniform spar at its tip, ``3 E I / H³``. [N/m]

    Parameters
    ----------
    modulus_pa : array_like
        [Pa]
    diameter_m, height_m : array_like
        [m]
    """
    result: Floats = (
        3.0
        * positive("modulus", modulus_pa, unit="Pa")
        * second_moment_m4(diameter_m)
        / positive("height", height_m, 150.0, "m") ** 3
    )
    return result


def bar_frequency_hz(
    modulus_pa: npt.ArrayLike,
    density_kg_m3: npt.ArrayLike,
    diameter_m: npt.ArrayLike,
    height_m: npt.ArrayLike,
) -> Floats:
    """First sway frequency of a uniform spar, ``1.8751² / (2 pi) sqrt(E I / (rho A H⁴))``. [Hz]

    Parameters
    ----------
    modulus_pa : array_like
        [Pa]
    density_kg_m3 : array_like
        Green density. [kg/m³]
    diameter_m, height_m : array_like
        [m]
    """
    diameter = positive("diameter", diameter_m, 10.0, "m")
    line_mass = positive("density", density_kg_m3, 3000.0) * np.pi * diameter**2 / 4.0
    stiffness = positive("modulus", modulus_pa) * second_moment_m4(diameter)
    height = positive("height", height_m, 150.0, "m")
    result: Floats = FIRST_ROOT**2 / (2 * np.pi) * np.sqrt(stiffness / (line_mass * height**4))
    return result


def loaded_frequency_hz(
    modulus_pa: npt.ArrayLike,
    density_kg_m3: npt.ArrayLike,
    diameter_m: npt.ArrayLike,
    height_m: npt.ArrayLike,
    tip_mass_kg: npt.ArrayLike,
) -> Floats:
    """First frequency with a mass at the tip (climber and gear), Rayleigh. [Hz]

    ``sqrt(3 E I / ((M + 33/140 m_s) H³)) / (2 pi)``

    Parameters
    ----------
    modulus_pa : array_like
        [Pa]
    density_kg_m3 : array_like
        [kg/m³]
    diameter_m, height_m : array_like
        [m]
    tip_mass_kg : array_like
        [kg]
    """
    diameter = positive("diameter", diameter_m, 10.0, "m")
    height = positive("height", height_m, 150.0, "m")
    stem = positive("density", density_kg_m3, 3000.0) * np.pi * diameter**2 / 4.0 * height
    mass = not_negative("tip mass", tip_mass_kg, 1e5, "kg") + 33.0 / 140.0 * stem
    result: Floats = np.sqrt(tip_stiffness_n_m(modulus_pa, diameter, height) / mass) / (2 * np.pi)
    return result


def half_sine_factor(duration_over_period: npt.ArrayLike) -> Floats:
    """Greatest response of an undamped oscillator to a half-sine pulse over the static one.

    Parameters
    ----------
    duration_over_period : array_like
        Pulse duration over the natural period, 0 to 10.

    Notes
    -----
    Greater of the peak during the pulse and the free vibration after it:
    ``2 b cos(pi / (2 b) ...)`` in closed form, here evaluated on 4,001 instants of the pulse;
    a step load has the bound 2.
    """
    ratio = within("pulse duration over period", duration_over_period, 1e-3, 10.0)
    flat = np.atleast_1d(ratio).astype(np.float64)
    result = np.empty_like(flat)
    for i, tau in enumerate(flat):
        result[i] = _half_sine_peak(float(tau))
    return result.reshape(ratio.shape) if ratio.ndim else result[0]


def _half_sine_peak(tau: float) -> float:
    """Peak for one ratio; the resonant ratio 1/2 is nudged."""
    tau = tau + 1e-9 if abs(tau - 0.5) < 1e-9 else tau
    force_rate = np.pi / tau
    natural = 2.0 * np.pi
    time = np.linspace(0.0, tau, 4001)
    share = force_rate / natural
    during = (np.sin(force_rate * time) - share * np.sin(natural * time)) / (1.0 - share**2)
    rate = force_rate * (np.cos(np.pi) - np.cos(natural * tau)) / (1.0 - share**2)
    after = float(np.hypot(during[-1], rate / natural))
    return max(float(np.abs(during).max()), after)


def euler_load_n(
    modulus_pa: npt.ArrayLike, diameter_m: npt.ArrayLike, height_m: npt.ArrayLike
) -> Floats:
    """Buckling load of a free-standing spar, ``pi² E I / (4 H²)``. [N]

    Parameters
    ----------
    modulus_pa : array_like
        [Pa]
    diameter_m, height_m : array_like
        [m]
    """
    result: Floats = (
        np.pi**2
        * positive("modulus", modulus_pa)
        * second_moment_m4(diameter_m)
        / (4.0 * positive("height", height_m, 150.0, "m") ** 2)
    )
    return result


def conifer_frequency_hz(dbh_m: npt.ArrayLike, height_m: npt.ArrayLike) -> Floats:
    """Sway frequency of a whole conifer, ``0.0948 + 3.4317 DBH[cm] / H²`` [from memory]. [Hz]

    Parameters
    ----------
    dbh_m, height_m : array_like
        [m]

    References
    ----------
    Moore and Maguire 2004, Trees 18:195-203 (602 trees of 8 species).
    """
    dbh_cm = 100.0 * positive("DBH", dbh_m, 5.0, "m")
    result: Floats = 0.0948 + 3.4317 * dbh_cm / positive("height", height_m, 130.0, "m") ** 2
    return result


def base_moment_n_m(
    resultant_n: npt.ArrayLike,
    offset_m: npt.ArrayLike,
    lean_rad: npt.ArrayLike,
    height_m: npt.ArrayLike,
) -> tuple[Floats, Floats]:
    """Base moment of a downward resultant: from its offset, and from the lean. [N m]

    ``R e`` and ``R sin(lean) H``.

    Parameters
    ----------
    resultant_n : array_like
        [N]
    offset_m : array_like
        Distance of the line from the stem's axis. [m]
    lean_rad : array_like
        [rad]
    height_m : array_like
        [m]
    """
    load = not_negative("resultant", resultant_n, unit="N")
    lean = within("lean", lean_rad, 0.0, np.pi / 2, unit="rad")
    return (
        load * not_negative("offset", offset_m, 50.0, "m"),
        load * np.sin(lean) * positive("height", height_m, 150.0, "m"),
    )
