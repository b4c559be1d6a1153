"""Green density of wood, bark and of both together.

Volumes of a scan are over bark, so masses are volume times an OVER-BARK density.  Tables
quote wood without bark, and for conifers their averages come from heartwood-rich old logs:
branches and young stems are nearly all sapwood and far wetter.  Hence density is a function
of diameter here, never below the published average and never above the physical ceiling.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.units import Band
from treescan.wood.species import (
    WATER_KG_M3,
    all_species,
    density_ceiling_kg_m3,
    genus_of,
)
from treescan.wood.types import Species

Floats = npt.NDArray[np.float64]

BASIC_FROM_12_PCT = 0.828
"""Basic density over density at 12 % moisture. Vieilledent et al. 2018."""

YOUNG_M, LIMB_M, STEM_M = 0.10, 0.25, 0.35
"""Wood thinner than YOUNG_M is all sapwood; at LIMB_M 80 %; from STEM_M the width rules.

Judgement from the guidance of the table's section 1.4 [from memory].
"""
LIMB_SAPWOOD = 0.8

SEASON_POINTS = {True: 12.0, False: 5.0}
"""Spread of moisture over the year, in points of MC, by diffuse-porous or not.

Tomczak et al. 2021; others [from memory: Gibbs 1958]: 10-20 points, and less than 5-8.
"""
WINTER_POINTS = {True: 10.0, False: 0.0}
"""Added in winter, when diffuse-porous wood is wettest (Tomczak et al. 2021, birch; the size is our
choice); no credit is taken in other seasons."""

DECAY_MULTIPLIERS = {
    False: (
        (0.99, 1.0, 1.0),
        (0.80, 0.8, 0.5),
        (0.54, 0.5, 0.1),
        (0.43, 0.2, 0.0),
        (0.43, 0.0, 0.0),
    ),
    True: (
        (0.97, 1.0, 1.0),
        (1.00, 0.8, 0.5),
        (0.92, 0.5, 0.1),
        (0.55, 0.2, 0.0),
        (0.55, 0.0, 0.0),
    ),
}
"""Dry density left (wood, bark, branches) by conifer or not and decay class 1-5.

Westfall et al. 2024, Table 1.
"""


def decay_multipliers(conifer: bool, decay_class: int) -> tuple[float, float, float]:
    """Shares of dry density left in wood, bark and branches of a dead tree.

    ``decay_class`` is 1 (fresh) to 5. Westfall et al. 2024, Table 1.

    Parameters
    ----------
    conifer : bool
    decay_class : int
        1 (fresh) to 5.

    Raises
    ------
    InvalidInputError
        No such class.

    Examples
    --------
    >>> decay_multipliers(False, 2)
    (0.8, 0.8, 0.5)
    """
    if not 1 <= decay_class <= 5:
        raise InvalidInputError(f"decay class {decay_class} is not 1 to 5; use 1 for fresh dead.")
    return DECAY_MULTIPLIERS[conifer][decay_class - 1]


def wood_density_kg_m3(specific_gravity: npt.ArrayLike, moisture_pct: npt.ArrayLike) -> Floats:
    """Green density of wood without bark, 1000 SG (1 + MC/100). [kg/m³]

    Specific gravity is oven-dry mass over green volume; moisture is on the dry mass.

    Parameters
    ----------
    specific_gravity : array_like
        Oven-dry mass over green volume, over that of water.
    moisture_pct : array_like
        Water over oven-dry mass. [%]

    Examples
    --------
    >>> float(wood_density_kg_m3(0.56, 54.53571))
    865.4
    """
    result: Floats = (
        WATER_KG_M3
        * np.asarray(specific_gravity, dtype=np.float64)
        * (1.0 + np.asarray(moisture_pct, dtype=np.float64) / 100.0)
    )
    return result


def maximum_moisture_pct(specific_gravity: float) -> float:
    """Moisture with every void full of water, 100 (1.54 - SG)/(1.54 SG). [% of dry mass]

    Wood handbook equation 4-1. [from memory]
    """
    return 100.0 * (1.54 - specific_gravity) / (1.54 * specific_gravity)


def over_bark_density_kg_m3(
    wood_kg_m3: npt.ArrayLike, bark_share_of_wood: float, bark_kg_m3: float
) -> Floats:
    """Density of wood with bark, per over-bark volume: (wood + b bark)/(1 + b). [kg/m³]

    Parameters
    ----------
    wood_kg_m3 : array_like
        [kg/m³]
    bark_share_of_wood : float
        b, bark over wood volume.
    bark_kg_m3 : float
        [kg/m³]
    """
    wood = np.asarray(wood_kg_m3, dtype=np.float64)
    result: Floats = (wood + bark_share_of_wood * bark_kg_m3) / (1.0 + bark_share_of_wood)
    return result


def dry_to_green_factor(
    specific_gravity: float,
    moisture_pct: float,
    bark_share_of_wood: float,
    bark_specific_gravity: float,
    bark_moisture_pct: float,
) -> float:
    """Green over oven-dry mass of wood with bark.

    Equals DRYWT_TO_GREENWT_CONVERSION of the FIA species table (Miles & Smith 2009).

    Parameters
    ----------
    specific_gravity, bark_specific_gravity : float
    moisture_pct, bark_moisture_pct : float
        Water over oven-dry mass. [%]
    bark_share_of_wood : float
        Bark over wood volume.
    """
    green = wood_density_kg_m3(specific_gravity, moisture_pct) + bark_share_of_wood * (
        wood_density_kg_m3(bark_specific_gravity, bark_moisture_pct)
    )
    dry = WATER_KG_M3 * (specific_gravity + bark_share_of_wood * bark_specific_gravity)
    return float(green / dry)


def basic_density_from_12_pct_kg_m3(density_12_pct_kg_m3: float) -> float:
    """Basic density from density at 12 % moisture. [kg/m³]  Vieilledent et al. 2018."""
    return BASIC_FROM_12_PCT * density_12_pct_kg_m3


def sapwood_area_fraction(sapwood_width_m: npt.ArrayLike, diameter_m: npt.ArrayLike) -> Floats:
    """Sapwood share of a section whose sapwood ring is ``sapwood_width_m`` wide.

    1 - (1 - 2w/D)²; 1 where the ring fills the section.

    Parameters
    ----------
    sapwood_width_m, diameter_m : array_like
        Diameter inside bark. [m]

    Examples
    --------
    >>> round(float(sapwood_area_fraction(0.04, 0.50)), 4)
    0.2944
    """
    diameter = np.asarray(diameter_m, dtype=np.float64)
    core = np.clip(1.0 - 2.0 * np.asarray(sapwood_width_m) / diameter, 0.0, 1.0)
    result: Floats = 1.0 - core**2
    return result


def mixed_moisture_pct(
    sapwood_fraction: npt.ArrayLike, sapwood_pct: float, heartwood_pct: float
) -> Floats:
    """Moisture of a section by the area shares of sapwood and heartwood. [% of dry mass]

    Parameters
    ----------
    sapwood_fraction : array_like
        Area share of sapwood, 0 to 1.
    sapwood_pct, heartwood_pct : float
        [% of dry mass]
    """
    share = np.asarray(sapwood_fraction, dtype=np.float64)
    result: Floats = share * sapwood_pct + (1.0 - share) * heartwood_pct
    return result


def sapwood_fraction(species: Species, diameter_m: npt.ArrayLike) -> Floats:
    """Sapwood area share by diameter, never growing with diameter.

    All sapwood below 10 cm, 80 % at 25 cm, and from 35 cm the genus' sapwood width
    (judgement from the guidance in the module's constants).

    Parameters
    ----------
    species : Species
    diameter_m : array_like
        [m]

    Raises
    ------
    InvalidInputError
        A diameter is not above 0.
    """
    diameter = np.asarray(diameter_m, dtype=np.float64)
    if not (diameter > 0).all():
        raise InvalidInputError("diameter must be above 0 m to place its sapwood.")
    width = genus_of(species).sapwood_width_m
    by_width = sapwood_area_fraction(width, diameter)
    at_stem = float(sapwood_area_fraction(width, STEM_M))
    young = np.interp(
        diameter, [YOUNG_M, LIMB_M, STEM_M], [1.0, max(LIMB_SAPWOOD, at_stem), at_stem]
    )
    result: Floats = np.where(diameter < STEM_M, np.maximum(young, by_width), by_width)
    return result


def sapwood_moisture_pct(species: Species) -> float | None:
    """Published sapwood moisture, or for a conifer without one the lowest of its genus.

    A conifer's whole-log average understates its branches (finding on heartwood bias), so
    a missing value is not left to the average: the lowest published value of the genus
    stands in, or of all conifers where the genus has none.  None for a broadleaf without one.
    """
    if species.moisture_sapwood_pct is not None or not species.conifer:
        return species.moisture_sapwood_pct
    genus = species.scientific_name.split()[0]
    known = [
        (other.scientific_name.split()[0], other.moisture_sapwood_pct)
        for other in all_species()
        if other.conifer and other.moisture_sapwood_pct is not None
    ]
    kin = [value for name, value in known if name == genus] or [value for _, value in known]
    return min(min(kin), maximum_moisture_pct(species.basic_specific_gravity))


def green_moisture_pct(species: Species, diameter_m: npt.ArrayLike) -> Floats:
    """Green moisture of the wood by diameter, same shape as ``diameter_m``. [% of dry mass]

    Sapwood and heartwood are mixed by area; the published whole-log average is a floor, and
    full voids are the ceiling.

    Parameters
    ----------
    species : Species
    diameter_m : array_like
        [m]
    """
    diameter = np.asarray(diameter_m, dtype=np.float64)
    average = species.moisture_average_pct
    sapwood = sapwood_moisture_pct(species)
    heartwood = species.moisture_heartwood_pct
    floor = average if average is not None else 0.0
    if sapwood is None:
        mixed = np.full_like(diameter, floor if average is not None else heartwood or 0.0)
    else:
        core = heartwood if heartwood is not None else min(floor or sapwood, sapwood)
        mixed = mixed_moisture_pct(sapwood_fraction(species, diameter), sapwood, core)
    ceiling = maximum_moisture_pct(species.basic_specific_gravity)
    result: Floats = np.minimum(np.maximum(mixed, floor), ceiling)
    return result


def green_density_kg_m3(
    species: Species,
    diameter_m: npt.ArrayLike,
    *,
    season: str | None = None,
) -> Floats:
    """Over-bark green density by over-bark diameter, same shape. [kg/m³]

    Parameters
    ----------
    diameter_m : array
        Over bark. [m]
    season : str, optional
        "winter" adds moisture to diffuse-porous species; other seasons change only the
        spread (see :func:`density_cv`).
    """
    diameter = np.asarray(diameter_m, dtype=np.float64)
    moisture = green_moisture_pct(species, diameter)
    if season == "winter":
        ceiling = maximum_moisture_pct(species.basic_specific_gravity)
        extra = WINTER_POINTS[genus_of(species).diffuse_porous]
        moisture = np.minimum(moisture + extra, ceiling)
    wood = wood_density_kg_m3(species.basic_specific_gravity, moisture)
    return over_bark_density_kg_m3(
        wood, species.bark_pct_of_wood_volume / 100.0, species.bark_density_kg_m3
    )


def over_bark_ceiling_kg_m3(species: Species) -> float:
    """Over-bark density with the wood's voids full of water. [kg/m³]"""
    wood = density_ceiling_kg_m3(species.basic_specific_gravity)
    return float(
        over_bark_density_kg_m3(
            wood,
            species.bark_pct_of_wood_volume / 100.0,
            max(species.bark_density_kg_m3, WATER_KG_M3),
        )
    )


def density_cv(species: Species, season: str | None = None) -> float:
    """Coefficient of variation of green density between trees, season included.

    Naming the season halves the seasonal part.

    Parameters
    ----------
    species : Species
    season : {"spring", "summer", "autumn", "winter"}, optional
    """
    points = SEASON_POINTS[genus_of(species).diffuse_porous] * (0.5 if season else 1.0)
    seasonal = WATER_KG_M3 * species.basic_specific_gravity * points / 100.0
    return float(np.hypot(species.density_cv, seasonal / species.green_density_over_bark_kg_m3))


def dead_density_band_kg_m3(
    species: Species, diameter_m: npt.ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Over-bark density of standing dead wood, low / likely / high, each same shape. [kg/m³]

    High is green (rotten wet wood can be as heavy as sound wood); low is decay class 2 at
    25 % moisture; likely is class 1 at 50 % moisture (35-60 % [from memory]).
    Westfall et al. 2024 Table 1 for the classes.

    Parameters
    ----------
    species : Species
    diameter_m : array_like
        [m]
    """
    high = green_density_kg_m3(species, diameter_m)
    bark_share = species.bark_pct_of_wood_volume / 100.0

    def standing(decay_class: int, moisture_pct: float) -> Floats:
        wood_left, bark_left, _ = decay_multipliers(species.conifer, decay_class)
        wood = wood_density_kg_m3(species.basic_specific_gravity * wood_left, moisture_pct)
        bark = species.bark_density_kg_m3 * bark_left * 0.75
        value = over_bark_density_kg_m3(wood, bark_share, bark)
        return np.minimum(np.full_like(high, float(value)), high)

    return standing(2, 25.0), standing(1, 50.0), high


def spread_band(mean: float, *cvs: float) -> Band:
    """Mean with independent spreads combined: mean (1 -+ 1.645 sqrt(sum cv²)), in its unit.

    Gaussian propagation of errors; ``cvs`` are standard deviations over the mean.

    Examples
    --------
    >>> round(spread_band(100.0, 0.10, 0.08, 0.05).high, 1)
    122.6
    """
    spread = 1.645 * float(np.sqrt(np.sum(np.square(cvs))))
    return Band(mean * max(0.0, 1.0 - spread), mean, mean * (1.0 + spread))
