"""A line stretched between two anchors with a piece hung on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

from treescan.errors import InvalidInputError
from treescan.mechanics.inputs import Floats, not_negative, positive


def level_span_tension_n(
    weight_n: npt.ArrayLike, span_m: npt.ArrayLike, sag_m: npt.ArrayLike
) -> Floats:
    """Tension of a level, weightless line with a mid-span load.

    ``T = W sqrt((S/2)² + d²) / (2 d)``

    Parameters
    ----------
    weight_n : array_like
        [N]
    span_m, sag_m : array_like
        Span S and sag d. [m]
    """
    weight = positive("weight", weight_n, unit="N")
    half = 0.5 * positive("span", span_m, 2000.0, "m")
    sag = positive("sag", sag_m, 1000.0, "m")
    result: Floats = weight * np.hypot(half, sag) / (2.0 * sag)
    return result


@dataclass(frozen=True)
class Span:
    """Sag and tensions of a loaded line. [m], [N]"""

    sag_m: float
    upper_n: float
    lower_n: float


def pretensioned_span(
    weight_n: float, span_m: float, modulus_n: float, pretension_n: float
) -> Span:
    """Level elastic line with a mid-span load, tightened to a pretension first.

    Solves ``2 T d / sqrt((S/2)² + d²) = W`` with
    ``T = EA (2 sqrt((S/2)² + d²) / S0 - 1)`` and ``S0 = S / (1 + T0 / EA)``.

    Parameters
    ----------
    weight_n : float
        [N]
    span_m : float
        S. [m]
    modulus_n : float
        EA. [N]
    pretension_n : float
        T0. [N]
    """
    positive("weight", weight_n)
    positive("span", span_m, 2000.0, "m")
    positive("line modulus", modulus_n)
    not_negative("pretension", pretension_n, 1e6, "N")
    unstretched = span_m / (1.0 + pretension_n / modulus_n)

    def tension(sag: float) -> float:
        return modulus_n * (2.0 * float(np.hypot(0.5 * span_m, sag)) / unstretched - 1.0)

    def surplus(sag: float) -> float:
        return 2.0 * tension(sag) * sag / float(np.hypot(0.5 * span_m, sag)) - weight_n

    sag = float(brentq(surplus, 1e-9, span_m, xtol=1e-12))
    return Span(sag, tension(sag), tension(sag))


def held_span(weight_n: float, upper_m: Floats, lower_m: Floats, load_m: Floats) -> Span:
    """Tensions of the two parts when the carriage is held at a point (force balance).

    Parameters
    ----------
    weight_n : float
        [N]
    upper_m, lower_m, load_m : ndarray, shape (2,)
        Higher anchor, lower anchor and load as (along, height). [m]

    Raises
    ------
    InvalidInputError
        When the load is not between and below the anchors' line.
    """
    positive("weight", weight_n)
    up = _unit(np.asarray(upper_m, float) - load_m)
    down = _unit(np.asarray(lower_m, float) - load_m)
    matrix = np.stack([up, down], axis=1)
    if abs(np.linalg.det(matrix)) < 1e-9:
        raise InvalidInputError("the load lies on the straight line between the anchors.")
    upper_n, lower_n = np.linalg.solve(matrix, np.array([0.0, weight_n]))
    if upper_n <= 0.0 or lower_n <= 0.0:
        raise InvalidInputError("the load is not held by both parts: check the anchors' places.")
    a, b = np.asarray(upper_m, float), np.asarray(lower_m, float)
    chord = a[1] + (b[1] - a[1]) * (load_m[0] - a[0]) / (b[0] - a[0])
    return Span(float(chord - load_m[1]), float(upper_n), float(lower_n))


def _unit(vector: Floats) -> Floats:
    result: Floats = vector / np.linalg.norm(vector)
    return result
