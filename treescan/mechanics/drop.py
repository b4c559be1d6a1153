"""Peak tension of a piece dropped onto an elastic line.

All bounds here are lossless: no slip, no knot tightening, no stem flex unless given as a
stiffness.  Measured rigging drops reach a half to a third of them, see
:mod:`treescan.mechanics.credibility`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.mechanics.inputs import Floats, not_negative, positive, within
from treescan.units import G_M_S2


def drop_tension_n(
    weight_n: npt.ArrayLike, fall_m: npt.ArrayLike, stiffness_n_m: npt.ArrayLike
) -> Floats:
    """Peak tension of a point weight caught by a linear, massless, lossless line.

    ``F = W (1 + sqrt(1 + 2 h k / W))``

    Parameters
    ----------
    weight_n : array_like
        Weight W. [N]
    fall_m : array_like
        Free fall h before the line is taut. [m]
    stiffness_n_m : array_like
        Line stiffness k = EA / length, or a combination of stiffnesses. [N/m]

    Returns
    -------
    ndarray
        Peak tension. [N]

    Raises
    ------
    InvalidInputError
        On a weight or stiffness that is not positive, or a negative fall.

    Notes
    -----
    Fixed end.  Up to about 30 % low at high mass and high fall factor because real lines
    stiffen (Weber 2002, "Analysis of Impact Force Equations", Int. Tech. Rescue Symp.,
    abstract).

    Examples
    --------
    A weight put suddenly on a taut line doubles, whatever the line:

    >>> float(drop_tension_n(981.0, 0.0, 250e3 / 15))
    1962.0
    """
    weight = positive("weight", weight_n, unit="N")
    fall = not_negative("fall", fall_m, 200.0, "m")
    stiffness = positive("stiffness", stiffness_n_m, unit="N/m")
    result: Floats = weight * (1.0 + np.sqrt(1.0 + 2.0 * fall * stiffness / weight))
    return result


def catch_energy_j(
    weight_n: npt.ArrayLike, fall_m: npt.ArrayLike, stiffness_n_m: npt.ArrayLike
) -> Floats:
    """Energy the line takes up in one catch, ``W (h + stretch)``. [J]

    Parameters
    ----------
    weight_n : array_like
        [N]
    fall_m : array_like
        [m]
    stiffness_n_m : array_like
        [N/m]
    """
    tension = drop_tension_n(weight_n, fall_m, stiffness_n_m)
    stretch = tension / np.asarray(stiffness_n_m, dtype=np.float64)
    result: Floats = np.asarray(weight_n) * (np.asarray(fall_m) + stretch)
    return result


def line_stiffness_n_m(modulus_n: npt.ArrayLike, length_m: npt.ArrayLike) -> Floats:
    """Stiffness of a line, ``EA / l``.

    Parameters
    ----------
    modulus_n : array_like
        Line modulus EA, tension per unit strain. [N]
    length_m : array_like
        Length in service. [m]
    """
    result: Floats = positive("line modulus", modulus_n, unit="N") / positive(
        "line length", length_m, 1000.0, "m"
    )
    return result


def two_leg_stiffness_n_m(
    modulus_n: npt.ArrayLike,
    lead_m: npt.ArrayLike,
    fall_leg_m: npt.ArrayLike,
    friction_ratio: npt.ArrayLike,
) -> Floats:
    """Stiffness seen by the piece when the line turns over an anchor with friction.

    ``k = EA / (l1 + l2 / q)``: friction aloft keeps the fall leg from sharing the stretch.

    Parameters
    ----------
    modulus_n : array_like
        EA. [N]
    lead_m, fall_leg_m : array_like
        Line between piece and anchor, and between anchor and friction device. [m]
    friction_ratio : array_like
        q = T1 / T2 at the anchor while the piece moves down, at least 1.

    Notes
    -----
    Same direction as Donzelli 1999 (J. Arboric. 25(2):61, abstract): friction forces the
    short leg to absorb more of the energy.
    """
    lead = not_negative("lead", lead_m, 1000.0, "m")
    fall_leg = not_negative("fall leg", fall_leg_m, 1000.0, "m")
    ratio = within("friction ratio", friction_ratio, 1.0, 1000.0)
    length = positive("line in service", lead + fall_leg / ratio, 1000.0, "m")
    result: Floats = positive("line modulus", modulus_n, unit="N") / length
    return result


def series_stiffness_n_m(
    line_stiffness: npt.ArrayLike, anchor_stiffness: npt.ArrayLike, legs: float = 2.0
) -> Floats:
    """Line and yielding anchor in series, ``1/k = 1/k_line + legs² / k_anchor``.

    Parameters
    ----------
    line_stiffness, anchor_stiffness : array_like
        [N/m]; the anchor's in the direction of its resultant.
    legs : float
        Resultant over tension: 2 for parallel legs (anchor moves u, the lead gains 2 u).
    """
    line = positive("line stiffness", line_stiffness, unit="N/m")
    anchor = positive("anchor stiffness", anchor_stiffness, unit="N/m")
    share = within("legs", legs, 0.0, 2.0)
    result: Floats = 1.0 / (1.0 / line + share**2 / anchor)
    return result


def modulus_from_drop_test_n(
    weight_n: npt.ArrayLike, fall_factor: npt.ArrayLike, peak_n: npt.ArrayLike
) -> Floats:
    """Line modulus from a drop test, ``EA = W ((F/W - 1)² - 1) / (2 f)``. [N]

    Parameters
    ----------
    weight_n : array_like
        [N]
    fall_factor : array_like
        Fall over line length.
    peak_n : array_like
        Measured peak; more than twice the weight. [N]

    Raises
    ------
    InvalidInputError
        A peak below twice the weight: no drop test.
    """
    weight = positive("weight", weight_n, unit="N")
    factor = positive("fall factor", fall_factor, 4.0)
    peak = positive("peak", peak_n, unit="N")
    if (peak <= 2.0 * weight).any():
        raise InvalidInputError(
            "a drop test's peak must exceed twice the weight; a lower peak means the line ran."
        )
    result: Floats = weight * ((peak / weight - 1.0) ** 2 - 1.0) / (2.0 * factor)
    return result


def stiffening_drop_tension_n(
    weight_n: float, fall_m: float, length_m: float, coefficient_n: float, exponent: float
) -> tuple[float, float]:
    """Peak strain and tension for a line ``T = C strain^p`` (p = 1 is linear).

    Energy balance ``C l e^(p+1) / (p+1) = W (h + l e)``, solved for the peak strain e.

    Parameters
    ----------
    weight_n : float
        [N]
    fall_m, length_m : float
        [m]
    coefficient_n : float
        C. [N]
    exponent : float
        p; braids on first loading about 1.2 to 2 [from memory].

    Returns
    -------
    (strain, tension) : tuple of float
        Peak strain and tension. [-], [N]
    """
    positive("weight", weight_n)
    positive("coefficient", coefficient_n)
    within("exponent", exponent, 0.5, 4.0)
    not_negative("fall", fall_m, 200.0, "m")
    positive("length", length_m, 1000.0, "m")

    def surplus(strain: float) -> float:
        stored = coefficient_n * length_m * strain ** (exponent + 1.0) / (exponent + 1.0)
        return stored - weight_n * (fall_m + length_m * strain)

    high = 1e-3
    while surplus(high) < 0.0:
        high *= 2.0
    low = 0.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if surplus(middle) < 0.0 else (low, middle)
    return high, coefficient_n * high**exponent


def damped_drop_tension_n(
    weight_n: float, fall_m: float, stiffness_n_m: float, damping_share: float
) -> float:
    """Peak tension of a drop on a line with a damper beside the spring (Kelvin-Voigt).

    Exact response of ``m x'' + c x' + k x = W`` from ``x = 0, x' = sqrt(2 g h)``; the tension
    ``k x + c x'`` is sampled at 1/20,000 of the period over the first half cycle.

    Parameters
    ----------
    weight_n : float
        [N]
    fall_m : float
        [m]
    stiffness_n_m : float
        [N/m]
    damping_share : float
        Share of critical damping, 0 to below 1.

    Returns
    -------
    float
        Peak tension. [N]
    """
    positive("weight", weight_n)
    positive("stiffness", stiffness_n_m)
    not_negative("fall", fall_m, 200.0, "m")
    zeta = float(within("damping share", damping_share, 0.0, 0.99))
    mass = weight_n / G_M_S2
    omega = np.sqrt(stiffness_n_m / mass)
    damped = omega * np.sqrt(1.0 - zeta**2)
    rest = weight_n / stiffness_n_m
    speed = np.sqrt(2.0 * G_M_S2 * fall_m)
    time = np.linspace(0.0, 1.5 * np.pi / damped, 20_001)
    sine = (speed - zeta * omega * rest) / damped
    decay = np.exp(-zeta * omega * time)
    cos, sin = np.cos(damped * time), np.sin(damped * time)
    stretch = rest + decay * (-rest * cos + sine * sin)
    rate = decay * (
        (zeta * omega * rest + sine * damped) * cos + (rest * damped - zeta * omega * sine) * sin
    )
    return float((stiffness_n_m * stretch + 2.0 * zeta * omega * mass * rate).max())
