"""A cut piece turning on its hinge, and what it does to the spar.

Frictionless hinge, no air drag: leafy crowns turn slower.  ``theta`` is measured from the
upright; the shape enters by ``r`` (hinge to centre of mass) and ``rho`` (radius of gyration
about the hinge); ``kappa = r² / rho²`` is 0.75 for a rod and 0.625 for a slender cone.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.integrate import quad

from treescan.mechanics.inputs import Floats, not_negative, positive, within
from treescan.units import G_M_S2

ROD_KAPPA = 0.75
CONE_KAPPA = 0.625
PUSH_ENDS_RAD = float(np.arccos(2.0 / 3.0))
"""Angle at which the push-back on the spar vanishes, for any shape: 48.19 deg."""


def turn_rate_rad_s(
    arm_m: npt.ArrayLike,
    gyration_m: npt.ArrayLike,
    start_rad: npt.ArrayLike,
    angle_rad: npt.ArrayLike,
) -> Floats:
    """Turning rate on the hinge, ``sqrt(2 g r (cos t0 - cos t)) / rho``. [rad/s]

    Parameters
    ----------
    arm_m, gyration_m : array_like
        r and rho. [m]
    start_rad, angle_rad : array_like
        Start angle t0 and angle t from upright. [rad]
    """
    arm = positive("distance from hinge to centre of mass", arm_m, 200.0, "m")
    gyration = positive("radius of gyration", gyration_m, 200.0, "m")
    fall = not_negative("fall of the centre of mass", np.cos(start_rad) - np.cos(angle_rad), 2.0)
    result: Floats = np.sqrt(2.0 * G_M_S2 * arm * fall) / gyration
    return result


def fall_time_s(arm_m: float, gyration_m: float, start_rad: float, end_rad: float) -> float:
    """Time to turn from one angle to another, from rest. [s]

    ``integral dt / omega``, with ``t = t0 + u²`` so that the start is regular.

    Parameters
    ----------
    arm_m, gyration_m : float
        [m]
    start_rad, end_rad : float
        Angles from upright; the start above 0 (an upright piece never starts). [rad]
    """
    positive("start angle", start_rad, np.pi, "rad")
    within("end angle", end_rad, start_rad, np.pi, unit="rad")
    positive("distance from hinge to centre of mass", arm_m, 200.0, "m")
    positive("radius of gyration", gyration_m, 200.0, "m")
    scale = gyration_m / np.sqrt(2.0 * G_M_S2 * arm_m)

    def slope(u: float) -> float:
        if u < 1e-9:
            return float(2.0 / np.sqrt(np.sin(start_rad)))
        half = 0.5 * u * u
        return float(2.0 * u / np.sqrt(2.0 * np.sin(start_rad + half) * np.sin(half)))

    value, _ = quad(slope, 0.0, np.sqrt(end_rad - start_rad), epsabs=1e-10, epsrel=1e-9)
    return float(scale * value)


def piece_push_factor(angle_rad: npt.ArrayLike, kappa: npt.ArrayLike) -> Floats:
    """Forward force on the piece over its weight, ``kappa sin t (3 cos t - 2)`` (start upright).

    The spar gets the opposite: pushed back up to 48.19 deg, pulled forward beyond.

    Parameters
    ----------
    angle_rad : array_like
        [rad]
    kappa : array_like
        r² / rho², 0 to 1.
    """
    angle = within("angle", angle_rad, 0.0, np.pi, unit="rad")
    shape = within("kappa", kappa, 0.0, 1.0)
    result: Floats = shape * np.sin(angle) * (3.0 * np.cos(angle) - 2.0)
    return result


def spar_down_factor(angle_rad: npt.ArrayLike, kappa: npt.ArrayLike) -> Floats:
    """Downward force on the spar over the weight, ``1 - kappa (1 + 2 cos t - 3 cos² t)``.

    Parameters
    ----------
    angle_rad : array_like
        [rad]
    kappa : array_like
        r² / rho², 0 to 1.
    """
    cosine = np.cos(within("angle", angle_rad, 0.0, np.pi, unit="rad"))
    shape = within("kappa", kappa, 0.0, 1.0)
    result: Floats = 1.0 - shape * (1.0 + 2.0 * cosine - 3.0 * cosine**2)
    return result


def push_back_peak(kappa: npt.ArrayLike) -> tuple[float, Floats]:
    """Angle [rad] and ratio to the weight of the greatest push-back: cos t = (2 + sqrt 76) / 12.

    Parameters
    ----------
    kappa : array_like
        r² / rho².
    """
    angle = float(np.arccos((2.0 + np.sqrt(76.0)) / 12.0))
    return angle, piece_push_factor(angle, kappa)


def back_lean_rad(length_m: npt.ArrayLike, diameter_m: npt.ArrayLike) -> Floats:
    """Lean of the centre of mass behind a hinge at the front edge, ``atan(D / L)``. [rad]

    Parameters
    ----------
    length_m, diameter_m : array_like
        [m]
    """
    result: Floats = np.arctan(positive("diameter", diameter_m) / positive("length", length_m))
    return result


def tip_energy_j(
    weight_n: npt.ArrayLike, length_m: npt.ArrayLike, diameter_m: npt.ArrayLike
) -> Floats:
    """Work to tip a log over its front edge, ``W (hypot(L, D) - L) / 2``. [J]

    Parameters
    ----------
    weight_n : array_like
        [N]
    length_m, diameter_m : array_like
        [m]
    """
    length = positive("length", length_m, 100.0, "m")
    result: Floats = (
        0.5
        * positive("weight", weight_n, unit="N")
        * (np.hypot(length, positive("diameter", diameter_m, 10.0, "m")) - length)
    )
    return result


def tip_pull_n(
    weight_n: npt.ArrayLike,
    back_m: npt.ArrayLike,
    line_height_m: npt.ArrayLike,
    line_below_level_rad: npt.ArrayLike,
) -> Floats:
    """Pull that starts a back-leaning piece, ``W x / (h cos a)``. [N]

    Parameters
    ----------
    weight_n : array_like
        [N]
    back_m : array_like
        Centre of mass behind the hinge. [m]
    line_height_m : array_like
        Line above the hinge. [m]
    line_below_level_rad : array_like
        [rad]
    """
    angle = within("line angle", line_below_level_rad, 0.0, 1.5, unit="rad")
    result: Floats = (
        positive("weight", weight_n, unit="N")
        * not_negative("back lean", back_m, 50.0, "m")
        / (positive("line height", line_height_m, 100.0, "m") * np.cos(angle))
    )
    return result
