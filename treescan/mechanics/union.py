"""Strength of unions and branch attachments, by measurement."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.mechanics.inputs import Floats, not_negative, positive, within
from treescan.units import G_M_S2, INCH_M

FIELD_FACTOR = {"ellipse inside bark": 0.72, "ellipse over bark": 0.55, "circle over bark": 0.40}
"""Branch breaking stress over clear-wood strength by how the section was measured.

Kane 2007, Arboric. Urban For. 33(4):283-291, Table 3 (n = 26, Callery pear).
"""

GILMAN_2003 = (
    (5.0, -12.2, 19.2),
    (6.0, -41.0, 45.2),
    (7.0, -39.1, 47.7),
    (8.0, -43.9, 57.3),
    (9.0, -69.1, 84.6),
    (10.0, -66.9, 90.12),
    (11.0, -137.8, 146.8),
    (12.0, -155.1, 165.1),
    (13.0, -158.6, 165.6),
    (14.0, -190.5, 217.3),
)
"""Red maple unions: branch diameter from (mm), slope, intercept of force (kg) on ratio.

Gilman 2003, J. Arboric. 29(5):291-294.
"""


HAZEL_FORKS = {"intact": 0.74, "central fifth cut": 0.74 * 0.68, "outer parts cut": 0.74 * 0.51}
"""Strength of hazel forks over that of the smaller branch in bending.

Slater and Ennos 2013 (abstract): intact forks 74 %; without the central fifth of the width 32 %
less, without the outer four fifths 49 % less.
"""


def union_factor(ratio: npt.ArrayLike, included_bark: npt.ArrayLike = False) -> Floats:
    """Share of the branch section's strength left at a union, by class [derived].

    Branch over parent diameter up to 0.5: 1; to 0.7: 0.75; to 0.85: 0.5; above, or with
    included bark: 0.35, and then no anchor without a second one.

    Parameters
    ----------
    ratio : array_like
        Branch over parent diameter, both just outside the union.
    included_bark : array_like of bool

    Notes
    -----
    Classes lie inside the scatter of Gilman 2003 and Kane et al. 2008 (Arboric. Urban For.
    34(5):308-316); Dahle et al. 2022 (Forests 13:1007) advise a ratio below 0.60.  With the field
    factor 0.55 the lowest class stays under every hazel fork of Slater and Ennos 2013, see
    :data:`HAZEL_FORKS`.
    """
    value = within("union ratio", ratio, 0.0, 10.0)
    steps = np.select([value <= 0.5, value <= 0.7, value <= 0.85], [1.0, 0.75, 0.5], 0.35)
    result: Floats = np.where(np.asarray(included_bark, dtype=bool), 0.35, steps)
    return result


def gilman_force_kg(branch_diameter_mm: npt.ArrayLike, ratio: npt.ArrayLike) -> Floats:
    """Pull that broke red maple unions, by the row of the branch diameter. [kg]

    Parameters
    ----------
    branch_diameter_mm : array_like
        5 to 20. [mm]
    ratio : array_like
        Branch over stem diameter, 0 to 1.
    """
    diameter = within("branch diameter", branch_diameter_mm, 5.0, 20.0, unit="mm")
    table = np.array(GILMAN_2003)
    row = np.searchsorted(table[:, 0], diameter, side="right") - 1
    result: Floats = table[row, 1] * within("ratio", ratio, 0.0, 1.0) + table[row, 2]
    return result


def codominant_force_n(diameter_m: npt.ArrayLike, included_bark: npt.ArrayLike) -> Floats:
    """Pull that splits a codominant maple union. [N]

    ``F = 613 D - 1388`` sound, ``537 D - 1285`` with included bark (D in inches, F in kg).

    Parameters
    ----------
    diameter_m : array_like
        Diameter below the union, 0.06 to 0.16. [m]
    included_bark : array_like of bool

    References
    ----------
    Smiley 2003, J. Arboric. 29(2):104-106: 84 unions of 26 trees.
    """
    inches = within("diameter", diameter_m, 0.0615, 0.16, unit="m") / INCH_M
    sound, included = 613.0 * inches - 1388.0, 537.0 * inches - 1285.0
    result: Floats = np.where(np.asarray(included_bark, dtype=bool), included, sound) * G_M_S2
    return result


def control_force_lb(diameter_in: npt.ArrayLike, species: str) -> Floats:
    """Unbraced controls of codominant stems, ``546 D - 1051`` / ``603 D - 1337``. [lb]

    Parameters
    ----------
    diameter_in : array_like
        Diameter 30 cm below the crotch, 1.94 to 6.15. [in]
    species : {"red maple", "red oak"}

    References
    ----------
    Smiley, Greco and Williams 2000 [citation from memory].
    """
    diameter = within("diameter", diameter_in, 1.94, 6.15, unit="in")
    slope, intercept = {"red maple": (546.0, -1051.0), "red oak": (603.0, -1337.0)}[species]
    result: Floats = slope * diameter + intercept
    return result


def implied_diameter_m(moment_n_m: npt.ArrayLike, stress_pa: npt.ArrayLike) -> Floats:
    """Round that breaks at a moment and stress, ``(32 M / (pi s))^(1/3)``. [m]

    Parameters
    ----------
    moment_n_m : array_like
        [N m]
    stress_pa : array_like
        [Pa]
    """
    result: Floats = np.cbrt(
        32.0 * not_negative("moment", moment_n_m) / (np.pi * positive("stress", stress_pa))
    )
    return result
