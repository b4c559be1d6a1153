"""A piece that swings to the plumb line under its anchor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ellipk

from treescan.errors import InvalidInputError
from treescan.mechanics.inputs import Floats, not_negative, positive, within
from treescan.units import G_M_S2


def swing_peak_factor(release_rad: npt.ArrayLike) -> Floats:
    """Peak tension over weight at the plumb line, ``3 - 2 cos a0`` (stiff, taut, lossless).

    Parameters
    ----------
    release_rad : array_like
        Release angle from the plumb line, 0 to pi. [rad]

    Examples
    --------
    >>> round(float(swing_peak_factor(np.radians(60.0))), 6)
    2.0
    """
    result: Floats = 3.0 - 2.0 * np.cos(_release(release_rad))
    return result


def swing_factor_at(angle_rad: npt.ArrayLike, release_rad: npt.ArrayLike) -> Floats:
    """Tension over weight at an angle of the swing, ``3 cos a - 2 cos a0``.

    Parameters
    ----------
    angle_rad, release_rad : array_like
        From the plumb line. [rad]
    """
    result: Floats = 3.0 * np.cos(angle_rad) - 2.0 * np.cos(_release(release_rad))
    return result


def swing_speed_m_s(length_m: npt.ArrayLike, release_rad: npt.ArrayLike) -> Floats:
    """Speed at the plumb line, ``sqrt(2 g l (1 - cos a0))``. [m/s]

    Parameters
    ----------
    length_m : array_like
        Lead length. [m]
    release_rad : array_like
        [rad]
    """
    length = positive("lead length", length_m, 1000.0, "m")
    result: Floats = np.sqrt(2.0 * G_M_S2 * length * (1.0 - np.cos(_release(release_rad))))
    return result


def swing_period_s(length_m: npt.ArrayLike, release_rad: npt.ArrayLike = 0.0) -> Floats:
    """Full period of a pendulum at any amplitude, ``4 sqrt(l / g) K(sin²(a0 / 2))``. [s]

    Parameters
    ----------
    length_m : array_like
        [m]
    release_rad : array_like
        Amplitude, below pi. [rad]
    """
    length = positive("lead length", length_m, 1000.0, "m")
    modulus = np.sin(0.5 * within("release angle", release_rad, 0.0, 3.14, unit="rad")) ** 2
    result: Floats = 4.0 * np.sqrt(length / G_M_S2) * ellipk(modulus)
    return result


@dataclass(frozen=True)
class SlackSwing:
    """A piece that falls on a slack line beside its anchor and then swings; arrays of one shape.

    ``fall_m`` is the free fall, ``speed_m_s`` the speed when the line is taut, split into
    ``tangential_m_s`` (survives) and ``radial_m_s`` (jerk); ``plumb_speed_m_s`` and
    ``plumb_factor`` (tension over weight) follow when the radial part is lost,
    ``plumb_factor_lossless`` when nothing is; ``jerk_fall_m`` is the fall with the radial
    speed, for the drop formula.
    """

    fall_m: Floats
    speed_m_s: Floats
    tangential_m_s: Floats
    radial_m_s: Floats
    plumb_speed_m_s: Floats
    plumb_factor: Floats
    plumb_factor_lossless: Floats
    jerk_fall_m: Floats
    jerk_share: Floats


def slack_swing(
    offset_m: npt.ArrayLike, depth_m: npt.ArrayLike, length_m: npt.ArrayLike
) -> SlackSwing:
    """Fall on a slack line to the taut circle, then swing.

    ``h = sqrt(l² - x²) - y``; the tangential speed ``v sin(phi)``, ``sin(phi) = x / l``,
    survives the jerk.

    Parameters
    ----------
    offset_m : array_like
        Horizontal distance x of the tie from the anchor. [m]
    depth_m : array_like
        Depth y of the tie below the anchor, not negative. [m]
    length_m : array_like
        Lead length l, at least the distance from anchor to tie. [m]

    Raises
    ------
    InvalidInputError
        When the tie is above the anchor, or the lead is shorter than the distance.
    """
    offset = not_negative("horizontal offset", offset_m, 1000.0, "m")
    depth = np.asarray(depth_m, dtype=np.float64)
    if not (depth >= 0.0).all():
        raise InvalidInputError(
            "the tie is above its anchor with a slack line: the piece falls past the anchor; "
            "use the drop model with the whole fall of the centre of mass."
        )
    length = positive("lead length", length_m, 1000.0, "m")
    if (length < np.hypot(offset, depth) * (1.0 - 1e-9)).any():
        raise InvalidInputError(
            "the lead is shorter than the distance from anchor to tie. Check lead and positions."
        )
    # rounding may set the taut circle a hair above the tie: then the line is taut already
    reach = np.maximum(np.sqrt(np.maximum(length**2 - offset**2, 0.0)), depth)
    fall = reach - depth
    speed = np.sqrt(2.0 * G_M_S2 * fall)
    tangential, radial = speed * offset / length, speed * reach / length
    kept = tangential**2 + 2.0 * G_M_S2 * (length - reach)
    whole = 2.0 * G_M_S2 * (length - depth)
    share = np.divide(radial**2, speed**2, out=np.zeros_like(speed), where=speed > 0)
    return SlackSwing(
        fall,
        speed,
        tangential,
        radial,
        np.sqrt(kept),
        1.0 + kept / (G_M_S2 * length),
        1.0 + whole / (G_M_S2 * length),
        radial**2 / (2.0 * G_M_S2),
        share,
    )


def guide_force_n(
    weight_n: npt.ArrayLike, offset_m: npt.ArrayLike, height_m: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """Level pull that holds a hanging piece off the plumb line, and the line's tension. [N]

    ``H = W x / v``, ``T = W sqrt(1 + (x / v)²)`` with v the vertical length of line.

    Parameters
    ----------
    weight_n : array_like
        [N]
    offset_m, height_m : array_like
        Offset x and vertical line length v. [m]
    """
    weight = positive("weight", weight_n, unit="N")
    slope = not_negative("offset", offset_m, 1000.0) / positive("vertical length", height_m, 1e3)
    return weight * slope, weight * np.hypot(1.0, slope)


def _release(release_rad: npt.ArrayLike) -> Floats:
    return within("release angle", release_rad, 0.0, np.pi, unit="rad")
