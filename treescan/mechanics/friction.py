"""Friction of lines on anchors, blocks, rings and friction devices."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.mechanics.inputs import Floats, not_negative, positive, within


def capstan_ratio(friction: npt.ArrayLike, wrap_rad: npt.ArrayLike) -> Floats:
    """Tension ratio over a round host, ``T1 / T2 = exp(mu phi)`` (Euler-Eytelwein).

    Parameters
    ----------
    friction : array_like
        Coefficient mu; line on metal 0.14 to 0.25 (Delaney 2022, p. 88), on bark 0.25 to 0.5
        [from memory].
    wrap_rad : array_like
        Wrap angle. [rad]

    Examples
    --------
    >>> round(float(capstan_ratio(0.25, 2 * np.pi)), 3)
    4.81
    """
    mu = not_negative("friction coefficient", friction, 2.0)
    wrap = not_negative("wrap angle", wrap_rad, 200.0, "rad")
    result: Floats = np.exp(mu * wrap)
    return result


def groove_ratio(
    friction: npt.ArrayLike, wrap_rad: npt.ArrayLike, half_angle_rad: npt.ArrayLike
) -> Floats:
    """Tension ratio in a V groove, ``exp(mu phi / sin(gamma / 2))``.

    Parameters
    ----------
    friction : array_like
    wrap_rad : array_like
        [rad]
    half_angle_rad : array_like
        Half the groove angle; pi/2 is the plain capstan. [rad]

    References
    ----------
    Kimbell 1981, Oregon State Univ. M.F. paper: wire rope on notched stumps, one wrap,
    mu 0.1768, ratio 9.22.
    """
    half = within("groove half angle", half_angle_rad, 0.05, np.pi / 2, unit="rad")
    return capstan_ratio(friction, not_negative("wrap angle", wrap_rad, 200.0) / np.sin(half))


def wraps_to_hold(
    tension_n: npt.ArrayLike, hand_n: npt.ArrayLike, friction: npt.ArrayLike
) -> Floats:
    """Full wraps on a bollard to hold a tension by hand, ``ln(T / T_h) / (2 pi mu)``; not below 0.

    Parameters
    ----------
    tension_n : array_like
        Tension on the device. [N]
    hand_n : array_like
        Hand force. [N]
    friction : array_like
        Coefficient mu.
    """
    tension = positive("tension", tension_n, unit="N")
    hand = positive("hand force", hand_n, unit="N")
    mu = positive("friction coefficient", friction, 2.0)
    result: Floats = np.maximum(np.log(tension / hand) / (2.0 * np.pi * mu), 0.0)
    return result


def friction_from_pair(
    raise_n: npt.ArrayLike, lower_n: npt.ArrayLike, wrap_rad: npt.ArrayLike
) -> Floats:
    """Friction coefficient from a raise and a lower reading, ``ln(T_r / T_l) / (2 phi)``.

    Parameters
    ----------
    raise_n, lower_n : array_like
        Pull that just raises and just lowers the same mass (any one unit). [N]
    wrap_rad : array_like
        [rad]

    Raises
    ------
    InvalidInputError
        The raising pull does not exceed the lowering pull.

    References
    ----------
    Delaney 2022, Physics for Roping Technicians, p. 88.
    """
    up = positive("raising pull", raise_n)
    down = positive("lowering pull", lower_n)
    if (down > up).any():
        raise InvalidInputError("the lowering pull exceeds the raising pull: readings swapped?")
    result: Floats = np.log(up / down) / (2.0 * positive("wrap angle", wrap_rad, 200.0, "rad"))
    return result


def sheave_ratio(bearing_friction: npt.ArrayLike, shaft_over_tread: npt.ArrayLike) -> Floats:
    """Tension ratio of a plain-bearing sheave, 180 deg wrap, ``(1 + mu c) / (1 - mu c)``.

    Parameters
    ----------
    bearing_friction : array_like
        mu of the bearing.
    shaft_over_tread : array_like
        Shaft radius over tread radius c.
    """
    product = within(
        "bearing friction x radius ratio",
        np.asarray(bearing_friction) * np.asarray(shaft_over_tread),
        0.0,
        0.9,
    )
    result: Floats = (1.0 + product) / (1.0 - product)
    return result


def ratio_at_angle(half_turn_ratio: npt.ArrayLike, included_angle_rad: npt.ArrayLike) -> Floats:
    """Friction ratio where the line turns by less than half a circle, ``q^((pi - beta) / pi)``.

    Capstan logic: the logarithm of the ratio goes with the wrap angle ``pi - beta``.

    Parameters
    ----------
    half_turn_ratio : array_like
        q of the catalogue, legs parallel.
    included_angle_rad : array_like
        Angle between the two legs. [rad]
    """
    ratio = within("friction ratio", half_turn_ratio, 1.0, 1000.0)
    angle = within("included angle", included_angle_rad, 0.0, np.pi, unit="rad")
    result: Floats = ratio ** ((np.pi - angle) / np.pi)
    return result
