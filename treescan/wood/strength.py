"""Green strength of every section: inside bark, hollow where known, at the low side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.skeleton.graph import TreeGraph
from treescan.sources import citation
from treescan.wood.decay import WoodState, inside_bark_diameter_m, sound_wood
from treescan.wood.types import Species

Floats = npt.NDArray[np.float64]

MOR_CV, COMPRESSION_CV, SHEAR_CV = 0.16, 0.18, 0.14
"""Spread within a species. Wood handbook Table 5-6 [from memory]; SDs of an ASTM table agree."""
SHEAR_OF_MOR = 0.15
"""Torsional shear over bending strength of branches: 11.2 over 75.5 MPa.

Arboriculture & Urban Forestry 40(1):36, 2014 (abstract), ash; scaled to species by MOR
(assumption).
"""
Z_95 = 1.645


@dataclass(frozen=True)
class SectionStrength:
    """Sections and strengths per node, each array of shape (n,).

    Attributes
    ----------
    diameter_m : ndarray
        Inside bark, likely. [m]
    diameter_low_m : ndarray
        Inside bark, at the 5 % value of the diameter. [m]
    cavity_m : ndarray
        Diameter of a known or assumed cavity, 0 where none. [m]
    area_m2, section_modulus_m3, torsion_modulus_m3 : ndarray
        Of the low diameter less the cavity.
    mor_pa, shear_pa, compression_pa : ndarray
        Green clear-wood strength at its 5 % value, defects and dead wood taken off. [Pa]
    moe_pa : ndarray
        Green stiffness, mean. [Pa]
    sources : tuple of str
    notes : tuple of str
    """

    diameter_m: Floats
    diameter_low_m: Floats
    cavity_m: Floats
    area_m2: Floats
    section_modulus_m3: Floats
    torsion_modulus_m3: Floats
    mor_pa: Floats
    shear_pa: Floats
    compression_pa: Floats
    moe_pa: Floats
    sources: tuple[str, ...]
    notes: tuple[str, ...] = ()


def ring_section(diameter_m: npt.ArrayLike, cavity_m: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Area [m²] and bending section modulus [m³] of a round section with a centred hole.

    Parameters
    ----------
    diameter_m, cavity_m : array_like
        Inside bark, and of the hole. [m]

    Examples
    --------
    >>> area, modulus = ring_section(0.20, 0.0)
    >>> f"{float(modulus):.3e}"
    '7.854e-04'
    """
    outer = np.asarray(diameter_m, dtype=np.float64)
    hole = np.asarray(cavity_m, dtype=np.float64)
    area: Floats = np.pi / 4.0 * (outer**2 - hole**2)
    modulus: Floats = np.pi / 32.0 * (outer**4 - hole**4) / outer
    return area, modulus


def low_side(mean: float, cv: float) -> float:
    """5 % value of a normal quantity, mean (1 - 1.645 cv).

    Parameters
    ----------
    mean : float
    cv : float
        Standard deviation over the mean.
    """
    return mean * (1.0 - Z_95 * cv)


def section_strength(
    graph: TreeGraph, species: Species, wood_state: WoodState | None = None
) -> SectionStrength:
    """Section and low-side green strength at every node.

    The diameter is inside bark (bark carries nothing); its low value is 1.645 sd thinner,
    never below half.  Dead, decayed and cracked wood keeps the share of strength in
    :data:`treescan.wood.decay.STRENGTH_LEFT`; cavities shrink the section.

    Parameters
    ----------
    graph : TreeGraph
        n nodes.
    species : Species
    wood_state : WoodState, optional
        Sound wood when omitted.
    """
    state = wood_state if wood_state is not None else sound_wood(graph)
    bark = species.bark_pct_of_wood_volume / 100.0
    diameter = inside_bark_diameter_m(2.0 * graph.radius_m, bark)
    thinner = np.maximum(1.0 - Z_95 * graph.radius_sd_m / graph.radius_m, 0.5)
    low = diameter * thinner
    cavity = np.minimum(state.cavity_share * diameter, 0.98 * low)
    area, modulus = ring_section(low, cavity)
    mor = low_side(species.mor_green_pa, MOR_CV) * state.strength_share
    shear = low_side(SHEAR_OF_MOR * species.mor_green_pa, SHEAR_CV) * state.strength_share
    crush = low_side(species.compression_green_pa, COMPRESSION_CV) * state.strength_share
    notes = [note for note in species.notes if "trength" in note] + list(state.notes)
    if (state.strength_share < 1.0).any():
        notes.append(
            "Dead, decayed or cracked wood: strength cut to 0.3-0.5 of sound wood; it fails "
            "early and without warning. Do not rig on it."
        )
    return SectionStrength(
        diameter_m=diameter,
        diameter_low_m=low,
        cavity_m=cavity,
        area_m2=area,
        section_modulus_m3=modulus,
        torsion_modulus_m3=2.0 * modulus,
        mor_pa=mor,
        shear_pa=shear,
        compression_pa=crush,
        moe_pa=np.full(len(graph), species.moe_green_pa),
        sources=(
            species.sources,
            citation("wood-handbook-2010"),
            citation("ash-bending-torsion-2014"),
        ),
        notes=tuple(dict.fromkeys(notes)),
    )
