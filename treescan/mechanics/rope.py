"""Line modulus, knots, bends, slings and chokers."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.errors import SourceDataError
from treescan.mechanics.inputs import Floats, positive, within
from treescan.units import G_M_S2

KNOT_EFFICIENCY = {
    "bowline": (0.52, 0.74),
    "running bowline": (0.55, 0.65),
    "overhand loop": (0.50, 0.68),
    "figure-eight loop": (0.55, 0.80),
    "figure-nine loop": (0.65, 0.84),
    "butterfly": (0.51, 0.72),
    "double fisherman": (0.60, 0.80),
    "clove hitch": (0.60, 0.75),
    "cow hitch": (0.60, 0.75),
    "timber hitch": (0.60, 0.75),
    "eye splice": (0.90, 1.00),
}
"""Share of the line's strength left by a knot, low and high.

[from memory] of several test series (Milne and McLaren 2006; Marbach and Tourte 2002; Richards).
Kane 2012 (Arboric. Urban For. 38(1):1-5, abstract): clove, cow and timber hitch and running
bowline break at similar loads, so the hitches share one row.
"""

DEFAULT_KNOT_EFFICIENCY = 0.5
"""Used unless a splice is named: "assume every knot halves the rope" (Delaney 2022, p. 30)."""

CHOKER_STEPS = ((120.0, 1.00), (90.0, 0.87), (60.0, 0.74), (30.0, 0.62), (0.0, 0.49))
"""Angle of choke in degrees, at or above: factor on the choker rating (after ASME B30.9)."""


def secant_modulus_n(
    strength_n: npt.ArrayLike, elongation: npt.ArrayLike, load_share: npt.ArrayLike = 0.10
) -> Floats:
    """Secant modulus EA of a line, ``share x MBS / elongation``. [N]

    Parameters
    ----------
    strength_n : array_like
        Minimum breaking strength. [N]
    elongation : array_like
        Strain at that share of the strength (0.02 for 2 %).
    load_share : array_like
        Share of the strength at which the elongation is quoted.

    Examples
    --------
    >>> round(float(secant_modulus_n(72e3, 0.02)))
    360000
    """
    strength = positive("breaking strength", strength_n, unit="N")
    strain = within("elongation", elongation, 1e-4, 0.6)
    share = within("load share", load_share, 0.01, 1.0)
    result: Floats = share * strength / strain
    return result


def knot_efficiency(knot: str) -> float:
    """Planner's strength share of a termination: 0.5 for any knot, 0.9 for an eye splice.

    Parameters
    ----------
    knot : str
        A name of :data:`KNOT_EFFICIENCY`.

    Raises
    ------
    SourceDataError
        For an unknown name; the message lists the known ones.
    """
    if knot not in KNOT_EFFICIENCY:
        known = ", ".join(sorted(KNOT_EFFICIENCY))
        raise SourceDataError(f"unknown knot {knot!r}; known: {known}.")
    return KNOT_EFFICIENCY[knot][0] if knot == "eye splice" else DEFAULT_KNOT_EFFICIENCY


def wire_bend_efficiency(diameter_ratio: npt.ArrayLike) -> Floats:
    """Strength share of wire rope over a pin, ``1 - 0.5 / sqrt(D / d)`` [from memory].

    Parameters
    ----------
    diameter_ratio : array_like
        Pin or tread diameter over rope diameter D/d, at least 1.
    """
    ratio = within("bend ratio D/d", diameter_ratio, 1.0, 1000.0)
    result: Floats = 1.0 - 0.5 / np.sqrt(ratio)
    return result


def fibre_bend_efficiency(diameter_ratio: npt.ArrayLike) -> Floats:
    """Strength share of fibre line over a bend, interpolated [from memory].

    Low side of 0.5 at 1:1, 0.8 at 3:1, 0.9 at 5:1 and 1.0 from 8:1 on.

    Parameters
    ----------
    diameter_ratio : array_like
        D/d, at least 0.5.
    """
    ratio = within("bend ratio D/d", diameter_ratio, 0.5, 1000.0)
    result: Floats = np.interp(ratio, [1.0, 3.0, 5.0, 8.0], [0.5, 0.8, 0.9, 1.0])
    return result


def choker_factor(angle_deg: npt.ArrayLike) -> Floats:
    """Factor on a choker's rating by angle of choke (table after ASME B30.9).

    Parameters
    ----------
    angle_deg : array_like
        Angle of choke, 0 to 180; a free-hanging choke settles near 135. [deg]
    """
    angle = within("angle of choke", angle_deg, 0.0, 180.0, unit="deg")
    starts = np.array([step for step, _ in reversed(CHOKER_STEPS)])
    factors = np.array([factor for _, factor in reversed(CHOKER_STEPS)])
    result: Floats = factors[np.searchsorted(starts, angle, side="right") - 1]
    return result


def line_self_weight_sag_m(
    kg_per_m: npt.ArrayLike, span_m: npt.ArrayLike, tension_n: npt.ArrayLike
) -> Floats:
    """Mid-span sag of a level line under its own weight, ``w S² / (8 T)``. [m]

    Parameters
    ----------
    kg_per_m : array_like
        [kg/m]
    span_m : array_like
        [m]
    tension_n : array_like
        [N]
    """
    weight = positive("line mass per metre", kg_per_m, 10.0) * G_M_S2
    result: Floats = (
        weight * positive("span", span_m, 2000.0) ** 2 / (8.0 * positive("tension", tension_n))
    )
    return result
