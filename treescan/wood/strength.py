"""Green strength of the wood at every node, at the low side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.wood.decay import WoodState
from treescan.wood.types import Species

Floats = npt.NDArray[np.float64]

MOR_CV, SHEAR_CV = 0.16, 0.14
"""Spread within a species. Wood handbook Table 5-6 [from memory]; SDs of an ASTM table agree."""
SHEAR_OF_MOR = 0.15
"""Torsional shear over bending strength of branches: 11.2 over 75.5 MPa.

Arboriculture & Urban Forestry 40(1):36, 2014 (abstract), ash; scaled to species by MOR
(assumption).
"""
Z_95 = 1.645


@dataclass(frozen=True)
class GreenStrength:
    """Strength and stiffness of the wood per node, each array of shape (n,). [Pa]

    ``mor_pa`` (bending) and ``shear_pa`` are of green clear wood at its 5 % value, defects and
    dead wood taken off; ``moe_pa`` is the mean green stiffness.
    """

    mor_pa: Floats
    shear_pa: Floats
    moe_pa: Floats


def low_side(mean: float, cv: float) -> float:
    """5 % value of a normal quantity, mean (1 - 1.645 cv), in the unit of the mean.

    Parameters
    ----------
    mean : float
    cv : float
        Standard deviation over the mean.
    """
    return mean * (1.0 - Z_95 * cv)


def green_strength(species: Species, state: WoodState) -> GreenStrength:
    """Low-side green strength at every node.

    Dead, decayed and cracked wood keeps the share of strength in
    :data:`treescan.wood.decay.STRENGTH_LEFT`; cavities are the section's business
    (:func:`treescan.wood.decay.hollow_shares`).

    Parameters
    ----------
    species : Species
    state : WoodState
        Of n nodes.
    """
    share = state.strength_share
    return GreenStrength(
        mor_pa=low_side(species.mor_green_pa, MOR_CV) * share,
        shear_pa=low_side(SHEAR_OF_MOR * species.mor_green_pa, SHEAR_CV) * share,
        moe_pa=np.full(len(share), species.moe_green_pa),
    )
