"""How a tied piece hangs, splits its weight, and pulls while it turns about its tie."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.mechanics.inputs import Floats, not_negative, positive, within


def two_leg_shares(
    first_m: npt.ArrayLike, second_m: npt.ArrayLike, centre_m: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """Shares of the weight on two vertical legs at distances from the butt.

    ``T_a / W = (b - c) / (b - a)``, ``T_b / W = (c - a) / (b - a)``.  A negative share means
    that the centre of mass lies outside the legs and the piece tips: test for it.

    Parameters
    ----------
    first_m, second_m, centre_m : array_like
        Legs a < b and centre of mass c, from the butt. [m]
    """
    a, b = np.asarray(first_m, dtype=np.float64), np.asarray(second_m, dtype=np.float64)
    span = positive("distance between the legs", b - a, 200.0, "m")
    centre = np.asarray(centre_m, dtype=np.float64)
    return (b - centre) / span, (centre - a) / span


def leg_shares_at_angles(
    first_rad: npt.ArrayLike, second_rad: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """Tension over weight in two legs to one point, ``sin t2 / sin(t1 + t2)`` and its twin.

    Parameters
    ----------
    first_rad, second_rad : array_like
        Angles from the vertical on either side. [rad]
    """
    t1 = not_negative("leg angle", first_rad, np.pi / 2, "rad")
    t2 = not_negative("leg angle", second_rad, np.pi / 2, "rad")
    total = within("angle between legs", t1 + t2, 1e-6, np.pi - 1e-6, unit="rad")
    return np.sin(t2) / np.sin(total), np.sin(t1) / np.sin(total)


def sling_leg_share(angle_from_level_rad: npt.ArrayLike) -> Floats:
    """Each leg of an even two-leg sling over the weight, ``1 / (2 sin q)``.

    Below 30 deg from level slings are not used (sling charts after ASME B30.9).

    Parameters
    ----------
    angle_from_level_rad : array_like
        [rad]
    """
    angle = within("sling angle from level", angle_from_level_rad, 0.05, np.pi / 2, unit="rad")
    result: Floats = 0.5 / np.sin(angle)
    return result


def hang_tilt_rad(along_m: npt.ArrayLike, above_m: npt.ArrayLike) -> Floats:
    """Tilt from level of a piece hung at one tie, ``tan(tilt) = d / e``. [rad]

    Parameters
    ----------
    along_m : array_like
        Distance d of the tie from the centre of mass along the axis. [m]
    above_m : array_like
        Offset e of the line above the axis. [m]
    """
    along = not_negative("distance along the axis", along_m, 200.0, "m")
    result: Floats = np.arctan2(along, not_negative("offset above the axis", above_m, 20.0, "m"))
    return result


def turning_peak_factor(arm_m: npt.ArrayLike, gyration_m: npt.ArrayLike) -> Floats:
    """Peak lead tension over weight while a level piece turns about a fixed tie.

    ``1 + 2 d² / (d² + k²)``, k the radius of gyration about the centre of mass.

    Parameters
    ----------
    arm_m : array_like
        Distance d from tie to centre of mass. [m]
    gyration_m : array_like
        k; a slender rod has L / sqrt(12). [m]

    Examples
    --------
    A rod tied at its end peaks at 2.5 weights:

    >>> round(float(turning_peak_factor(0.5, 12**-0.5)), 9)
    2.5
    """
    arm = not_negative("distance from tie to centre of mass", arm_m, 200.0, "m")
    gyration = positive("radius of gyration", gyration_m, 200.0, "m")
    result: Floats = 1.0 + 2.0 * arm**2 / (arm**2 + gyration**2)
    return result


def turning_start_factor(arm_m: npt.ArrayLike, gyration_m: npt.ArrayLike) -> Floats:
    """Lead tension over weight just after a level piece parts, ``k² / (d² + k²)``.

    Parameters
    ----------
    arm_m, gyration_m : array_like
        As in :func:`turning_peak_factor`. [m]
    """
    arm = not_negative("distance from tie to centre of mass", arm_m, 200.0, "m")
    gyration = positive("radius of gyration", gyration_m, 200.0, "m")
    result: Floats = gyration**2 / (arm**2 + gyration**2)
    return result


def turning_factor_from(
    arm_m: npt.ArrayLike, gyration_m: npt.ArrayLike, start_rad: npt.ArrayLike
) -> Floats:
    """Peak tension over weight of a piece turning about its tie from any attitude.

    ``1 + 2 d² (1 - cos s) / (d² + k²)``, s the angle of the centre of mass from straight
    below the tie: pi/2 is level (:func:`turning_peak_factor`), pi stands on its tie.

    Parameters
    ----------
    arm_m, gyration_m : array_like
        [m]
    start_rad : array_like
        [rad]
    """
    arm = not_negative("distance from tie to centre of mass", arm_m, 200.0, "m")
    gyration = positive("radius of gyration", gyration_m, 200.0, "m")
    start = within("start angle", start_rad, 0.0, np.pi, unit="rad")
    result: Floats = 1.0 + 2.0 * arm**2 * (1.0 - np.cos(start)) / (arm**2 + gyration**2)
    return result


def inverted_log_fall_m(
    length_m: npt.ArrayLike, block_below_m: npt.ArrayLike, slack_m: npt.ArrayLike = 0.0
) -> Floats:
    """Fall of the centre of mass of a log caught by a block below its cut, ``L + 2 b + slack``.

    Parameters
    ----------
    length_m : array_like
        Log length L. [m]
    block_below_m : array_like
        Block below the cut b. [m]
    slack_m : array_like
        Slack in the lead. [m]
    """
    result: Floats = (
        positive("log length", length_m, 100.0, "m")
        + 2.0 * not_negative("block below the cut", block_below_m, 20.0, "m")
        + not_negative("slack", slack_m, 100.0, "m")
    )
    return result


def lowest_point_m(
    anchor_height_m: npt.ArrayLike,
    lead_m: npt.ArrayLike,
    hanging_m: npt.ArrayLike,
    stretch_m: npt.ArrayLike = 0.0,
    run_m: npt.ArrayLike = 0.0,
) -> Floats:
    """Height of the lowest point of the hanging piece. [m]

    Parameters
    ----------
    anchor_height_m : array_like
        [m]
    lead_m, hanging_m, stretch_m, run_m : array_like
        Lead, piece below its tie, line stretch and line run. [m]
    """
    down = sum(
        not_negative(name, value, 1000.0, "m")
        for name, value in (
            ("lead", lead_m),
            ("hanging length", hanging_m),
            ("stretch", stretch_m),
            ("run", run_m),
        )
    )
    result: Floats = np.asarray(anchor_height_m, dtype=np.float64) - down
    return result


def hinge_hold_tension_n(
    weight_n: npt.ArrayLike,
    centre_m: npt.ArrayLike,
    tie_m: npt.ArrayLike,
    angle_rad: npt.ArrayLike,
) -> Floats:
    """Line tension that balances a limb about its hinge, ``W x_c / (l_t sin psi)``. [N]

    Parameters
    ----------
    weight_n : array_like
        [N]
    centre_m : array_like
        Horizontal distance x_c from hinge to centre of mass. [m]
    tie_m : array_like
        Distance l_t from hinge to tie along the limb. [m]
    angle_rad : array_like
        Angle psi between line and limb. [rad]

    Raises
    ------
    InvalidInputError
        The line lies along the limb: it holds nothing.
    """
    weight = positive("weight", weight_n, unit="N")
    centre = not_negative("distance to the centre of mass", centre_m, 200.0, "m")
    arm = positive("distance to the tie", tie_m, 200.0, "m")
    sine = np.sin(within("line angle", angle_rad, 0.0, np.pi, unit="rad"))
    if (sine < 1e-3).any():
        raise InvalidInputError("the line lies along the limb: it cannot hold it on its hinge.")
    result: Floats = weight * centre / (arm * sine)
    return result
