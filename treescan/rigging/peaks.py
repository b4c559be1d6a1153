"""Peak lead tension of a lift as a band: drop, swing, turning about the tie, run.

Mechanisms are never multiplied: the energy of the whole fall of the centre of mass goes into
the line; a piece hung on a taut line is integrated as line and piece together, which can only
lower that bound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.mechanics.credibility import credible_peaks_n, credible_run_peaks_n
from treescan.mechanics.drop import drop_tension_n
from treescan.mechanics.hung import hung_peak_n, whole_fall_m
from treescan.mechanics.inputs import Floats, not_negative, positive
from treescan.mechanics.letrun import elastic_run_tension_n, run_tension_n
from treescan.mechanics.swing import swing_peak_factor
from treescan.mechanics.ties import turning_factor_from

Weights = tuple[npt.ArrayLike, npt.ArrayLike, npt.ArrayLike]


@dataclass(frozen=True)
class Peaks:
    """Low, likely and high peak lead tension, arrays of one shape. [N]"""

    low_n: Floats
    likely_n: Floats
    high_n: Floats


@dataclass(frozen=True)
class Hang:
    """How a piece hangs at release on a taut line; arrays of one shape.

    ``lead_m``, ``arm_m`` (tie to centre of mass), ``gyration_m`` (about the centre of mass),
    ``release_rad`` (lead from the plumb line) and ``start_rad`` (centre of mass from straight
    below the tie, positive on the lead's side).  ``sideways`` marks pieces that lie across the
    plane of the swing: both signs of the start are then tried and the greater peak counts.
    """

    lead_m: Floats
    arm_m: Floats
    gyration_m: Floats
    release_rad: Floats
    start_rad: Floats
    sideways: npt.NDArray[np.bool_]

    def rows(self, chosen: npt.NDArray[np.bool_]) -> Hang:
        """The rows of the mask ``chosen`` (n,)."""
        return Hang(
            self.lead_m[chosen],
            self.arm_m[chosen],
            self.gyration_m[chosen],
            self.release_rad[chosen],
            self.start_rad[chosen],
            self.sideways[chosen],
        )

    def whole_fall_m(self) -> Floats:
        """Fall of the centre of mass until it hangs plumb, shape of the fields. [m]"""
        return whole_fall_m(self.lead_m, self.arm_m, self.release_rad, self.start_rad)

    def stiff_factor(self) -> Floats:
        """Peak over weight on a stiff lead, swing and turning each alone, excesses added.

        A ratio, in the shape of the fields.
        """
        turning = turning_factor_from(self.arm_m, self.gyration_m, np.abs(self.start_rad))
        result: Floats = swing_peak_factor(self.release_rad) + turning - 1.0
        return result


def lead_peaks(
    weights_n: Weights, fall_m: npt.ArrayLike, stiffness_n_m: npt.ArrayLike, run_m: npt.ArrayLike
) -> Peaks:
    """Band of the peak lead tension of a drop.

    Parameters
    ----------
    weights_n : tuple of 3 array_like
        Low, likely and high weight. [N]
    fall_m : array_like
        Fall of the centre of mass, all of it, before the line stops it. [m]
    stiffness_n_m : array_like
        Of the line in service. [N/m]
    run_m : array_like
        Line let run; 0 is locked. [m]

    Returns
    -------
    Peaks
        ``high`` is the lossless bound at the high weight.
    """
    rows = []
    for row, weight in enumerate(weights_n):
        load = positive("weight", weight, unit="N")
        bound = drop_tension_n(load, fall_m, stiffness_n_m)
        rows.append(_credible(load, bound, fall_m, stiffness_n_m, run_m)[row])
    return _ordered(rows)


def hung_peaks(
    weights_n: Weights,
    hang: Hang,
    stiffness_n_m: npt.ArrayLike,
    run_m: npt.ArrayLike,
) -> Peaks:
    """Band of the peak lead tension of a piece released on a taut line; its swing is integrated.

    Parameters
    ----------
    weights_n : tuple of 3 array_like
        Low, likely and high weight. [N]
    hang : Hang
    stiffness_n_m : array_like
        Of the line in service. [N/m]
    run_m : array_like
        Line let run; 0 is locked. [m]

    Returns
    -------
    Peaks
        ``high`` is the lossless peak at the high weight, at least that of a stiff lead; a
        run limits it.  ``likely`` is not below the stiff lead's value at the likely weight,
        since a swing on a taut line loses little; ``low`` not below the weight.
    """
    fall, factor = hang.whole_fall_m(), hang.stiff_factor()
    rows = []
    for row, weight in enumerate(weights_n):
        load = positive("weight", weight, unit="N")
        bound = drop_tension_n(load, fall, stiffness_n_m)
        if row == 2:
            bound = _integrated(load, hang, stiffness_n_m)
        stiff = np.minimum(load * factor, bound)
        peak = _credible(load, bound, fall, stiffness_n_m, run_m)[row]
        rows.append(peak if row == 0 else np.maximum(peak, stiff))
    low, likely, high = rows
    likely = np.minimum(likely, np.maximum(0.4 * high, np.asarray(weights_n[1]) * factor))
    low = np.minimum(low, likely)
    return _ordered([low, likely, high])


def _integrated(load: Floats, hang: Hang, stiffness_n_m: npt.ArrayLike) -> Floats:
    stiffness = np.broadcast_to(np.asarray(stiffness_n_m, dtype=np.float64), load.shape)

    def peak(weight: Floats, part: Hang, spring: Floats, sign: float) -> Floats:
        return hung_peak_n(
            weight,
            part.lead_m,
            part.arm_m,
            part.gyration_m,
            part.release_rad,
            sign * part.start_rad,
            spring,
        )

    result = peak(load, hang, stiffness, 1.0)
    across = hang.sideways
    if across.any():
        other = peak(load[across], hang.rows(across), stiffness[across], -1.0)
        result[across] = np.maximum(result[across], other)
    return result


def _credible(
    load: Floats,
    bound: Floats,
    fall_m: npt.ArrayLike,
    stiffness_n_m: npt.ArrayLike,
    run_m: npt.ArrayLike,
) -> tuple[Floats, Floats, Floats]:
    """Credible low, likely and high of a bound, locked or let run."""
    run = not_negative("run", run_m, 200.0, "m")
    safe_run = np.where(run > 0.0, run, 1.0)
    stood = credible_peaks_n(bound, load)
    ran = credible_run_peaks_n(
        bound,
        run_tension_n(load, fall_m, safe_run),
        elastic_run_tension_n(load, fall_m, stiffness_n_m, safe_run),
        load,
    )
    low, likely, high = (np.where(run > 0.0, b, a) for a, b in zip(stood, ran, strict=True))
    return low, likely, high


def _ordered(rows: list[Floats]) -> Peaks:
    low, likely, high = rows
    likely = np.minimum(likely, high)
    return Peaks(np.minimum(low, likely), likely, high)
