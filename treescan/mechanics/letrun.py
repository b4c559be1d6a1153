"""Letting the line run at the friction device."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.mechanics.drop import drop_tension_n
from treescan.mechanics.inputs import Floats, not_negative, positive
from treescan.units import G_M_S2


def run_tension_n(weight_n: npt.ArrayLike, fall_m: npt.ArrayLike, run_m: npt.ArrayLike) -> Floats:
    """Tension of a stiff line that runs at constant tension, ``T = W (1 + h / s)``. [N]

    Parameters
    ----------
    weight_n : array_like
        [N]
    fall_m : array_like
        Fall before the line is taut. [m]
    run_m : array_like
        Line let out while braking. [m]

    Notes
    -----
    Work-energy balance.  The brake hand must be ready: a piece falls 0.31 m in 0.25 s.

    Examples
    --------
    >>> float(run_tension_n(1.0, 2.1, 1.0))
    3.1
    """
    weight = positive("weight", weight_n, unit="N")
    fall = not_negative("fall", fall_m, 200.0, "m")
    run = positive("run", run_m, 200.0, "m")
    result: Floats = weight * (1.0 + fall / run)
    return result


def stop_factor(speed_m_s: npt.ArrayLike, distance_m: npt.ArrayLike) -> Floats:
    """Tension over weight when a piece lowered at a speed is stopped, ``1 + v² / (2 g y)``.

    Parameters
    ----------
    speed_m_s : array_like
        [m/s]
    distance_m : array_like
        Stopping distance y. [m]

    References
    ----------
    Kane 2007, Arboric. Urban For. 33(1):31-42, p. 41.
    """
    speed = not_negative("speed", speed_m_s, 100.0, "m/s")
    distance = positive("stopping distance", distance_m, 200.0, "m")
    result: Floats = 1.0 + speed**2 / (2.0 * G_M_S2 * distance)
    return result


@dataclass(frozen=True)
class Slip:
    """A drop on an elastic line whose brake slips at a set tension; arrays of one shape.

    ``slips`` is False where the catch ends before the slip tension is reached.
    """

    peak_n: Floats
    run_m: Floats
    stretch_m: Floats
    brake_heat_j: Floats
    slips: npt.NDArray[np.bool_]


def slipping_drop(
    weight_n: npt.ArrayLike,
    fall_m: npt.ArrayLike,
    stiffness_n_m: npt.ArrayLike,
    slip_n: npt.ArrayLike,
) -> Slip:
    """Drop on an elastic line with a brake that slips at ``slip_n`` on the lead side.

    ``x_s = T_s / k``; ``KE_s = W (h + x_s) - T_s² / (2 k)``; run ``s = KE_s / (T_s - W)``.

    Parameters
    ----------
    weight_n : array_like
        [N]
    fall_m : array_like
        [m]
    stiffness_n_m : array_like
        [N/m]
    slip_n : array_like
        Tension at which the line slips, as felt by the lead; above the weight. [N]

    Raises
    ------
    InvalidInputError
        When the slip tension does not exceed the weight: the piece would never stop.
    """
    weight = positive("weight", weight_n, unit="N")
    fall = not_negative("fall", fall_m, 200.0, "m")
    stiffness = positive("stiffness", stiffness_n_m, unit="N/m")
    slip = positive("slip tension", slip_n, unit="N")
    positive("slip tension less the weight (else the piece never stops)", slip - weight, unit="N")
    locked = drop_tension_n(weight, fall, stiffness)
    energy = weight * (fall + slip / stiffness) - slip**2 / (2.0 * stiffness)
    slips = (energy > 0.0) & (slip < locked)
    run = np.where(slips, np.maximum(energy, 0.0) / (slip - weight), 0.0)
    peak = np.where(slips, slip, locked)
    return Slip(peak, run, peak / stiffness, slip * run, slips)


def elastic_run_tension_n(
    weight_n: npt.ArrayLike,
    fall_m: npt.ArrayLike,
    stiffness_n_m: npt.ArrayLike,
    run_m: npt.ArrayLike,
) -> Floats:
    """Slip tension that stops the piece after exactly ``run_m``, line stretch included. [N]

    Root of ``T² / (2 k) + T (s - W / k) = W (h + s)``, the inverse of :func:`slipping_drop`.

    Parameters
    ----------
    weight_n : array_like
        [N]
    fall_m : array_like
        [m]
    stiffness_n_m : array_like
        [N/m]
    run_m : array_like
        [m]
    """
    weight = positive("weight", weight_n, unit="N")
    fall = not_negative("fall", fall_m, 200.0, "m")
    stiffness = positive("stiffness", stiffness_n_m, unit="N/m")
    run = not_negative("run", run_m, 200.0, "m")
    linear = stiffness * run - weight
    result: Floats = -linear + np.sqrt(linear**2 + 2.0 * stiffness * weight * (fall + run))
    return result
