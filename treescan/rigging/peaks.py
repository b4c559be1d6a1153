"""Peak lead tension of a lift as a band: drop, swing, turning about the tie, run.

Mechanisms are not multiplied: a drop takes the energy of the whole fall of the centre of
mass; a taut piece that swings and turns takes the stiff-line factors added up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.mechanics.credibility import credible_peaks_n, credible_run_peaks_n
from treescan.mechanics.drop import drop_tension_n
from treescan.mechanics.inputs import Floats, not_negative, positive
from treescan.mechanics.letrun import elastic_run_tension_n, run_tension_n
from treescan.mechanics.swing import swing_peak_factor


@dataclass(frozen=True)
class Peaks:
    """Low, likely and high peak lead tension, arrays of one shape. [N]"""

    low_n: Floats
    likely_n: Floats
    high_n: Floats


def taut_factor(swing_rad: npt.ArrayLike, turning_factor: npt.ArrayLike = 1.0) -> Floats:
    """Peak tension over weight of a taut piece that swings and turns: excesses added up.

    Parameters
    ----------
    swing_rad : array_like
        Release angle from the plumb line. [rad]
    turning_factor : array_like
        Peak over weight from turning about the tie alone, 1 when balanced.
    """
    result: Floats = swing_peak_factor(swing_rad) + np.asarray(turning_factor) - 1.0
    return result


def lead_peaks(
    weights_n: tuple[npt.ArrayLike, npt.ArrayLike, npt.ArrayLike],
    fall_m: npt.ArrayLike,
    stiffness_n_m: npt.ArrayLike,
    factor: npt.ArrayLike,
    run_m: npt.ArrayLike,
) -> Peaks:
    """Band of the peak lead tension.

    Parameters
    ----------
    weights_n : tuple of 3 array_like
        Low, likely and high weight. [N]
    fall_m : array_like
        Fall of the centre of mass before the line is taut; 0 is a taut line. [m]
    stiffness_n_m : array_like
        Of the line in service. [N/m]
    factor : array_like
        :func:`taut_factor`; 1 for a plain drop.
    run_m : array_like
        Line let run; 0 is locked. [m]

    Returns
    -------
    Peaks
        ``high`` is the lossless bound at the high weight; a taut line counts as suddenly
        loaded (2 W).  A taut swing has no measured reduction, so ``likely`` is its bound at
        the likely weight and ``low`` the weight itself.
    """
    fall = not_negative("fall", fall_m, 200.0, "m")
    run = not_negative("run", run_m, 200.0, "m")
    locked = run <= 0.0
    bands = []
    for row, weight in enumerate(weights_n):
        load = positive("weight", weight, unit="N")
        bound = drop_tension_n(load, fall, stiffness_n_m)
        stood = credible_peaks_n(bound, load)[row]
        safe_run = np.where(locked, 1.0, run)
        ran = credible_run_peaks_n(
            bound,
            run_tension_n(load, fall, safe_run),
            elastic_run_tension_n(load, fall, stiffness_n_m, safe_run),
            load,
        )[row]
        stiff = load * np.asarray(factor, dtype=np.float64)
        peak = np.where(locked, stood, ran)
        bands.append(np.maximum(peak, load if row == 0 else stiff))
    low, likely, high = bands
    likely = np.minimum(np.maximum(likely, low), high)
    return Peaks(np.minimum(low, likely), likely, high)
