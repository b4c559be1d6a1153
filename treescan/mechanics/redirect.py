"""Resultants where a line turns over a block, ring or crotch."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.mechanics.inputs import Floats, not_negative, within


def resultant_n(
    lead_n: npt.ArrayLike, friction_ratio: npt.ArrayLike, included_rad: npt.ArrayLike
) -> Floats:
    """Load on the anchor, ``R = sqrt(T1² + T2² + 2 T1 T2 cos beta)`` with ``T2 = T1 / q``. [N]

    Parameters
    ----------
    lead_n : array_like
        Lead tension T1. [N]
    friction_ratio : array_like
        q, at least 1.
    included_rad : array_like
        Angle beta between the two legs: 0 is parallel, pi is straight through. [rad]

    Examples
    --------
    >>> float(resultant_n(1.0, 1.0, np.radians(120.0)))
    1.0
    """
    lead = not_negative("lead tension", lead_n, unit="N")
    fall = lead / within("friction ratio", friction_ratio, 1.0, 1000.0)
    angle = within("included angle", included_rad, 0.0, np.pi, unit="rad")
    square = lead**2 + fall**2 + 2.0 * lead * fall * np.cos(angle)
    result: Floats = np.sqrt(np.maximum(square, 0.0))
    return result


def resultant_angle_rad(friction_ratio: npt.ArrayLike, included_rad: npt.ArrayLike) -> Floats:
    """Direction of the resultant from the lead, toward the fall leg. [rad]

    ``atan2(sin beta / q, 1 + cos beta / q)``

    Parameters
    ----------
    friction_ratio : array_like
        q, at least 1.
    included_rad : array_like
        [rad]
    """
    ratio = within("friction ratio", friction_ratio, 1.0, 1000.0)
    angle = within("included angle", included_rad, 0.0, np.pi, unit="rad")
    result: Floats = np.arctan2(np.sin(angle) / ratio, 1.0 + np.cos(angle) / ratio)
    return result
