"""Types of the wood layer."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from treescan.units import ZERO_BAND, Band

Floats = npt.NDArray[np.float64]
Int32s = npt.NDArray[np.int32]


@dataclass(frozen=True)
class Species:
    """A species row.  Strengths are green clear-wood means. [Pa]

    ``confidence`` is "high", "medium" or "low"; ``sources`` keeps the wording of the table,
    its "[from memory]" marks included, and ``citations`` the publications it names in full.
    """

    scientific_name: str
    common_name: str
    conifer: bool
    basic_specific_gravity: float
    moisture_heartwood_pct: float | None
    moisture_sapwood_pct: float | None
    moisture_average_pct: float | None
    bark_pct_of_wood_volume: float
    bark_density_kg_m3: float
    green_density_over_bark_kg_m3: float
    green_density_max_kg_m3: float
    mor_green_pa: float
    moe_green_pa: float
    compression_green_pa: float
    density_cv: float
    confidence: str
    sources: str
    notes: tuple[str, ...] = ()
    citations: str = ""


@dataclass(frozen=True)
class GreenMass:
    """Green mass of each node's edge, low / likely / high. [kg], each shape (n,).

    ``woody`` is wood with bark; ``crown`` is twigs below scan resolution and leaves, put on
    the terminal nodes; ``water`` is the film held when wet.  The totals are their sums.
    ``low`` and ``high`` are the 5 % and 95 % values under full correlation along the tree,
    so that bands add up over any set of nodes.

    ``bark_kg`` (n,) is the bark's part of ``woody_kg``, ``leaf_kg`` (n,) the leaves' part of
    ``crown_kg``; ``crown_reach_m`` (n,) how far twigs
    and leaves reach beyond a terminal node and ``crown_centre_m`` (n, 3) where their mass is
    put.  Empty where the owner did not model them.
    """

    woody_kg: Floats
    crown_kg: Floats
    water_kg: Floats
    low_kg: Floats
    likely_kg: Floats
    high_kg: Floats
    notes: tuple[str, ...] = ()
    leaf_kg: Floats = field(default_factory=lambda: np.zeros(0))
    bark_kg: Floats = field(default_factory=lambda: np.zeros(0))
    crown_reach_m: Floats = field(default_factory=lambda: np.zeros(0))
    crown_centre_m: Floats = field(default_factory=lambda: np.zeros((0, 3)))

    def total(self) -> Band:
        """Mass of the whole tree. [kg]"""
        return self.band(np.arange(len(self.likely_kg)))

    def band(self, nodes: npt.ArrayLike) -> Band:
        """Mass of a set of nodes (indices, or a mask of shape (n,)). [kg]"""
        index = np.asarray(nodes)
        if index.size == 0:
            return ZERO_BAND
        return Band(
            float(self.low_kg[index].sum()),
            float(self.likely_kg[index].sum()),
            float(self.high_kg[index].sum()),
        )


@dataclass(frozen=True)
class Piece:
    """A connected part of the tree between cuts.

    Attributes
    ----------
    butt_node : int
        The cut's node (see :mod:`treescan.skeleton.graph`).
    nodes : ndarray, shape (k,), int32
    mass_kg : Band
    centre_m : ndarray, shape (3,)
        Centre of mass, local frame. [m]
    inertia_kg_m2 : ndarray, shape (3, 3)
        About the centre of mass, axes of the local frame, at the likely mass.
    cut_m : ndarray, shape (3,)
        Centre of the cut face. [m]
    axis : ndarray, shape (3,)
        Unit vector from the cut along the piece's own limb.
    length_m : float
        Greatest distance along the wood from the cut to a tip. [m]
    butt_diameter_m, top_diameter_m : float
    outline_m : ndarray, shape (j, 3); outline_radius_m : shape (j,)
        Balls that cover the piece, leaves' reach included, for clearances. [m]
    """

    butt_node: int
    nodes: Int32s
    limb: int
    mass_kg: Band
    centre_m: Floats
    inertia_kg_m2: Floats
    cut_m: Floats
    axis: Floats
    length_m: float
    butt_diameter_m: float
    top_diameter_m: float
    outline_m: Floats
    outline_radius_m: Floats
