"""What wood is sold and carried as: log rules, cords, chips, brush.

A log rule is a lumber yield, not a weight, and serves salvage quotes only.  Log rules take the
small-end diameter INSIDE bark in inches and the length in feet, as they are defined; every
other function is SI.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.units import CUBIC_FOOT_M3, FOOT_M, INCH_M, Band
from treescan.wood.types import Species

Floats = npt.NDArray[np.float64]

BOARD_FOOT_M3 = (12 * INCH_M) * (12 * INCH_M) * INCH_M
CORD_M3 = 128.0 * CUBIC_FOOT_M3
CORD_SOLID_SHARE = Band(60.0 / 128.0, 85.0 / 128.0, 100.0 / 128.0)
"""Solid wood with bark in a cord: 60-100 of 128 ft³, typically 80-90 (secondary source)."""
STACKED_SOLID_SHARE = Band(0.55, 0.65, 0.75)
"""Solid share of stacked round wood: .65-.75 straight, .55-.65 crooked [from memory]."""
CHIP_EXPANSION = Band(2.5, 3.0, 4.0)
"""Loose over solid volume: pulp chips 2.86, sawmill 2.86-3.04 (Briggs 1994, T. 7-1, 7-2);
tree-service chips, long and stringy, up to 4 (solid share .25-.33, common practice)."""
BRUSH_KG_M3 = Band(60.0, 100.0, 150.0)
"""Whole limbs on a truck, not compacted (common practice); loose yard debris 148 (Oregon DEQ
2005); piled slash 90-225 (Hardy 1996 [from memory])."""


def _checked(value: npt.ArrayLike, name: str, low: float, high: float) -> Floats:
    array = np.asarray(value, dtype=np.float64)
    if not ((array >= low) & (array <= high)).all():
        raise InvalidInputError(f"{name} must lie between {low:g} and {high:g}; check its unit.")
    return array


def doyle_board_feet(small_end_in: npt.ArrayLike, length_ft: npt.ArrayLike) -> Floats:
    """Doyle rule, (D - 4)² L / 16; nothing below 4 in. [board feet]

    Parameters
    ----------
    small_end_in : array_like
        D, inside bark. [in]
    length_ft : array_like
        L. [ft]

    Examples
    --------
    >>> float(doyle_board_feet(24, 16))
    400.0
    """
    d = _checked(small_end_in, "small end [in]", 0.0, 120.0)
    result: Floats = np.maximum(d - 4.0, 0.0) ** 2 * _checked(length_ft, "length [ft]", 0, 80) / 16
    return result


def scribner_board_feet(small_end_in: npt.ArrayLike, length_ft: npt.ArrayLike) -> Floats:
    """Scribner rule by formula, (0.79 D² - 2 D - 4) L / 16. [board feet]

    Bruce and Schumacher.  The published diagram table differs by -2 to +8 %.

    Parameters
    ----------
    small_end_in : array_like
        D, inside bark. [in]
    length_ft : array_like
        L. [ft]
    """
    d = _checked(small_end_in, "small end [in]", 0.0, 120.0)
    raw = (0.79 * d**2 - 2.0 * d - 4.0) * _checked(length_ft, "length [ft]", 0, 80) / 16.0
    return np.maximum(raw, 0.0)


def international_board_feet(small_end_in: npt.ArrayLike, length_ft: npt.ArrayLike) -> Floats:
    """International 1/4-inch rule, closed form of Grosenbaugh 1952 [from memory]. [board feet]

    Published tables round to the nearest 5, halves up.

    Parameters
    ----------
    small_end_in : array_like
        D, inside bark. [in]
    length_ft : array_like
        L. [ft]
    """
    d = _checked(small_end_in, "small end [in]", 0.0, 120.0)
    length = _checked(length_ft, "length [ft]", 0.0, 80.0)
    raw = (
        0.04976191 * length * d**2
        + 0.006220239 * length**2 * d
        - 0.1854762 * length * d
        + 0.0002591767 * length**3
        - 0.01159226 * length**2
        + 0.04222222 * length
    )
    return np.maximum(raw, 0.0)


def running_weight_kg_m(density_kg_m3: float, diameter_m: npt.ArrayLike) -> Floats:
    """Weight of a metre of round log. [kg/m]

    Parameters
    ----------
    density_kg_m3 : float
        [kg/m³]
    diameter_m : array_like
        [m]
    """
    result: Floats = density_kg_m3 * np.pi / 4.0 * np.asarray(diameter_m, dtype=np.float64) ** 2
    return result


def cords(solid_m3: float) -> Band:
    """Cords of 4 x 4 x 8 ft in a solid volume with bark; low is the well-stacked count."""
    return Band(*(solid_m3 / (CORD_M3 * s) for s in _falling(CORD_SOLID_SHARE)))


def stacked_m3(solid: Band) -> Band:
    """Space that round wood takes when stacked. [m³]"""
    tight, likely, crooked = _falling(STACKED_SOLID_SHARE)
    return Band(solid.low / tight, solid.likely / likely, solid.high / crooked)


def _falling(band: Band) -> tuple[float, float, float]:
    return band.high, band.likely, band.low


def chip_loose_m3(solid: Band, expansion: float | None = None) -> Band:
    """Loose volume of chips from solid volume. [m³]

    ``expansion`` given by the user is the likely factor; low and high keep the published
    spread around it.

    Parameters
    ----------
    solid : Band
        [m³]
    expansion : float, optional
        Loose over solid volume; the published likely factor when omitted.
    """
    likely = expansion if expansion is not None else CHIP_EXPANSION.likely
    low = likely * CHIP_EXPANSION.low / CHIP_EXPANSION.likely
    high = likely * CHIP_EXPANSION.high / CHIP_EXPANSION.likely
    return Band(solid.low * low, solid.likely * likely, solid.high * high)


def chip_bulk_density_kg_m3(
    specific_gravity: float, solid_share: float, moisture_wet_share: float
) -> tuple[float, float]:
    """Oven-dry and wet bulk density of chips. [kg/m³]

    1000 SG s and that over (1 - MCw), MCw = water over wet mass.  Briggs 1994.

    Parameters
    ----------
    specific_gravity : float
    solid_share : float
        s, solid over loose volume.
    moisture_wet_share : float
        MCw, water over wet mass.

    Raises
    ------
    InvalidInputError
        The moisture is outside 0 to 1.
    """
    if not 0.0 <= moisture_wet_share < 1.0:
        raise InvalidInputError("moisture on the wet basis must lie in 0 to 1 (a share, not %).")
    dry = 1000.0 * specific_gravity * solid_share
    return dry, dry / (1.0 - moisture_wet_share)


def brush_loose_m3(mass_kg: Band) -> Band:
    """Space that whole brush takes on a truck. [m³]"""
    dense, likely, airy = _falling(BRUSH_KG_M3)
    return Band(mass_kg.low / dense, mass_kg.likely / likely, mass_kg.high / airy)


@dataclass(frozen=True)
class BoardFeet:
    """Lumber yield of a set of logs by the three rules. [board feet]"""

    doyle: float
    scribner: float
    international: float


def board_feet(
    small_end_over_bark_m: npt.ArrayLike, length_m: npt.ArrayLike, species: Species
) -> BoardFeet:
    """Lumber yield of logs by the three rules, from over-bark small ends.

    The diameter inside bark is d sqrt(1/(1 + b)), b = bark over wood volume.

    Parameters
    ----------
    small_end_over_bark_m, length_m : array_like, shape (n,)
        [m]
    species : Species
        For its bark.
    """
    bark = species.bark_pct_of_wood_volume / 100.0
    small_in = np.asarray(small_end_over_bark_m, dtype=np.float64) / np.sqrt(1.0 + bark) / INCH_M
    length_ft = np.asarray(length_m, dtype=np.float64) / FOOT_M
    return BoardFeet(
        float(doyle_board_feet(small_in, length_ft).sum()),
        float(scribner_board_feet(small_in, length_ft).sum()),
        float(international_board_feet(small_in, length_ft).sum()),
    )
