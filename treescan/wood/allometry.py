"""Published biomass equations, as an alarm beside the scan's answer and never a correction.

All were fitted to forest-grown trees; a single open-grown tree may differ by 30 % and more.
Diameters are clamped to the fitted range: beyond it the equations explode.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError

Floats = npt.NDArray[np.float64]

DBH_RANGE_CM = (2.5, 76.0)
"""Range the equations are asked in; removal candidates are often above (about 30 in)."""


@dataclass(frozen=True)
class JenkinsGroup:
    """ln(dry kg above ground, leaves included) = b0 + b1 ln(DBH cm). Jenkins et al. 2003, T. 4."""

    name: str
    b0: float
    b1: float

    def __post_init__(self) -> None:
        """Refuse a slope that cannot be one: published tables carry sign errors."""
        if not self.b1 > 0:
            raise InvalidInputError(
                f"biomass equation {self.name}: b1 = {self.b1:g} must be positive; "
                "the row has a sign error."
            )


JENKINS = {
    1: JenkinsGroup("cedar, larch", -2.0336, 2.2592),
    2: JenkinsGroup("Douglas-fir", -2.2304, 2.4435),
    3: JenkinsGroup("true fir, hemlock", -2.5384, 2.4814),
    4: JenkinsGroup("pine", -2.5356, 2.4349),
    5: JenkinsGroup("spruce", -2.0773, 2.3323),
    6: JenkinsGroup("aspen, alder, cottonwood, willow", -2.2094, 2.3867),
    7: JenkinsGroup("soft maple, birch", -1.9123, 2.3651),
    8: JenkinsGroup("mixed hardwood", -2.4800, 2.4835),
    9: JenkinsGroup("hard maple, oak, hickory, beech", -2.0127, 2.4342),
    10: JenkinsGroup("woodland", -0.7152, 1.7029),
}

SHARES = {
    False: {
        "foliage": (-4.0813, 5.8816),
        "stem bark": (-2.0129, -1.6805),
        "stem wood": (-0.3065, -5.4240),
        "roots": (-1.6911, 0.8160),
    },
    True: {
        "foliage": (-2.9584, 4.4766),
        "stem bark": (-2.0980, -1.1432),
        "stem wood": (-0.3737, -1.8055),
        "roots": (-1.5619, 0.6614),
    },
}
"""Component share exp(B0 + B1 / DBH cm) by conifer or not. Jenkins et al. 2003, Table 6."""


def jenkins_dry_kg(group: JenkinsGroup, dbh_cm: npt.ArrayLike) -> Floats:
    """Oven-dry mass above ground, leaves included. [kg]  Jenkins et al. 2003, Table 4.

    Parameters
    ----------
    group : JenkinsGroup
        From :data:`JENKINS`.
    dbh_cm : array_like
        [cm]

    Examples
    --------
    >>> round(float(jenkins_dry_kg(JENKINS[9], 50.0)), 2)
    1826.12
    """
    result: Floats = np.exp(group.b0 + group.b1 * np.log(np.asarray(dbh_cm, dtype=np.float64)))
    return result


def component_shares(conifer: bool, dbh_cm: float) -> dict[str, float]:
    """Shares of dry mass above ground (roots relative to it). Jenkins et al. 2003, Table 6.

    Parameters
    ----------
    conifer : bool
    dbh_cm : float
        [cm]
    """
    shares = {name: float(np.exp(b0 + b1 / dbh_cm)) for name, (b0, b1) in SHARES[conifer].items()}
    shares["branch"] = 1.0 - shares["foliage"] - shares["stem bark"] - shares["stem wood"]
    return shares


def foliage_share(conifer: bool, dbh_cm: npt.ArrayLike) -> Floats:
    """Leaves over dry mass above ground. Jenkins et al. 2003, Table 6.

    Parameters
    ----------
    conifer : bool
    dbh_cm : array_like
        [cm]
    """
    b0, b1 = SHARES[conifer]["foliage"]
    result: Floats = np.exp(b0 + b1 / np.asarray(dbh_cm, dtype=np.float64))
    return result


def chave_dry_kg(specific_gravity: float, dbh_cm: float, height_m: float) -> float:
    """Oven-dry mass above ground, 0.0673 (rho D² H)^0.976. [kg]

    rho in g/cm³, D in cm, H in m.  Chave et al. 2014, equation 4 [from memory]; spread about
    36 %.

    Parameters
    ----------
    specific_gravity : float
        Oven-dry mass over green volume. [g/cm³]
    dbh_cm : float
        [cm]
    height_m : float
        [m]

    Examples
    --------
    >>> round(chave_dry_kg(0.6, 50.0, 25.0), 2)
    1960.06
    """
    return float(0.0673 * (specific_gravity * dbh_cm**2 * height_m) ** 0.976)


def wutzler_beech_dry_kg(dbh_cm: float, height_m: float) -> float:
    """European beech above ground, 0.0523 d^2.12 h^0.655. [kg]  Wutzler et al. 2008 [from memory].

    Parameters
    ----------
    dbh_cm : float
        [cm]
    height_m : float
        [m]

    Examples
    --------
    >>> round(wutzler_beech_dry_kg(40.0, 25.0), 1)
    1072.8
    """
    return float(0.0523 * dbh_cm**2.12 * height_m**0.655)


def marklund_dry_kg(species: str, part: str, dbh_cm: float) -> float:
    """Scandinavian spruce or pine, dry mass of a part. [kg]  Marklund 1988 [from memory].

    ``species`` is "spruce" or "pine"; ``part`` "stem", "branches" or "needles" (the needles
    of spruce are part of its branches).

    Parameters
    ----------
    species : {"spruce", "pine"}
    part : {"stem", "branches", "needles"}
    dbh_cm : float
        [cm]

    Raises
    ------
    InvalidInputError
        No such species or part.
    """
    try:
        slope, offset, shift = MARKLUND[species][part]
    except KeyError:
        raise InvalidInputError(
            f"no equation for {species} {part}; use spruce or pine, stem, branches or needles."
        ) from None
    return float(np.exp(slope * dbh_cm / (dbh_cm + shift) + offset))


MARKLUND = {
    "spruce": {
        "stem": (11.3341, -2.0571, 14.0),
        "branches": (8.5242, -1.2804, 13.0),
        "needles": (7.8171, -1.9602, 12.0),
    },
    "pine": {
        "stem": (11.3264, -2.3388, 13.0),
        "branches": (9.1015, -2.8604, 10.0),
        "needles": (7.7681, -3.7983, 7.0),
    },
}
"""Slope, offset and shift of exp(slope d/(d + shift) + offset). Marklund 1988 [from memory]."""
