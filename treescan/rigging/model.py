"""The standing tree as sections with strengths and self weight, built once for many loads."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.mechanics.section import round_modulus_m3
from treescan.mechanics.spar import second_moment_m4
from treescan.mechanics.union import FIELD_FACTOR, union_factor
from treescan.mensuration.measures import TreeMeasures
from treescan.site.model import Limits, Site
from treescan.skeleton.graph import TreeGraph
from treescan.units import G_M_S2
from treescan.wood import decay
from treescan.wood.decay import DefectMark, WoodState, hollow_shares, inside_bark_diameter_m
from treescan.wood.strength import Z_95, green_strength
from treescan.wood.types import GreenMass, Species

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

FIELD = FIELD_FACTOR["ellipse over bark"]
"""0.55: low end of 0.55 to 0.72 for sections measured in the field (Kane 2007)."""
SAFETY_STEM = 3.0
SAFETY_LIMB = 5.0
SAFETY_PERSON = 10.0
"""Safety factors: stem along its axis, limb across its axis, a person's tie-in.

[assumption, within the range of engineering practice]
"""


@dataclass(frozen=True)
class SparModel:
    """Everything the section check needs, built once by :func:`spar_model`.

    Attributes
    ----------
    graph : TreeGraph
    mass : GreenMass
    standing : ndarray of bool, shape (n,)
    limits : Limits
    height_m : ndarray, shape (n,)
        Height of each node above the ground at the stem. [m]
    section_m, axis : ndarray, shape (n, 3)
        Centre of each section, and unit vector of its edge, upward along the wood.
    diameter_m : ndarray, shape (n,)
        Inside bark, low side. [m]
    modulus_m3, area_m2, inertia_m4 : ndarray, shape (n,)
        Residual section modulus, area and second moment, cavities taken off.
    bending_pa, shear_pa : ndarray, shape (n,)
        Ultimate stresses: low-side green strength x field x union x state of the wood. [Pa]
    elasticity_pa : ndarray, shape (n,)
    safety : ndarray, shape (n,)
        Safety factor by section.
    self_force_n, self_moment_n_m : ndarray, shape (n, 3)
        Weight above each section and its moment about the section, standing wood only.
    base_m : ndarray, shape (3,)
    state : WoodState
    union_ratio, union : ndarray, shape (n,)
        Branch over parent diameter where a limb starts (else 0), and the factor used.
    included_bark : ndarray of bool, shape (n,)
        Suspected by the scan's measures or marked in the site file.
    """

    graph: TreeGraph
    mass: GreenMass
    standing: Bools
    limits: Limits
    height_m: Floats
    section_m: Floats
    axis: Floats
    diameter_m: Floats
    modulus_m3: Floats
    area_m2: Floats
    inertia_m4: Floats
    bending_pa: Floats
    shear_pa: Floats
    elasticity_pa: Floats
    safety: Floats
    self_force_n: Floats
    self_moment_n_m: Floats
    base_m: Floats
    state: WoodState
    union_ratio: Floats
    union: Floats
    included_bark: Bools

    @cached_property
    def foot(self) -> int:
        """Node whose section is the thickest of those that stand on the root."""
        stems = np.flatnonzero(self.graph.parent == 0)
        return int(stems[np.argmax(self.modulus_m3[stems])])

    @cached_property
    def parent(self) -> npt.NDArray[np.int64]:
        """Parent of each node, shape (n,), as the compiled walk wants it."""
        return self.graph.parent.astype(np.int64)


def defect_marks(site: Site) -> tuple[DefectMark, ...]:
    """Defects of the site file in the wood layer's own type."""
    return tuple(
        DefectMark(d.kind, d.at_m, d.limb, d.height_m, d.length_m, d.sound_shell_m)
        for d in site.defect
    )


def spar_model(
    graph: TreeGraph,
    mass: GreenMass,
    species: Species,
    measures: TreeMeasures,
    site: Site,
    standing: Bools | None = None,
    wood_state: WoodState | None = None,
) -> SparModel:
    """Prepare the section check of a tree, whole or partly taken down.

    Parameters
    ----------
    graph, mass, species, measures, site
        The tree and the job; the site in the local frame.
    standing : ndarray of bool, shape (n,), optional
        Nodes not yet taken; all when omitted.
    wood_state : WoodState, optional
        From :func:`treescan.wood.decay.wood_state`; derived from ``site.defect`` when omitted.

    Raises
    ------
    InvalidInputError
        When ``standing`` has the wrong shape or leaves a node without its parent.
    """
    bark = species.bark_pct_of_wood_volume / 100.0
    state = _state(graph, site, bark) if wood_state is None else wood_state
    mask = _standing(graph, standing)
    low_radius = np.maximum(
        graph.edge_start_radius_m - Z_95 * graph.radius_sd_m, 0.5 * graph.edge_start_radius_m
    )
    diameter = inside_bark_diameter_m(2.0 * low_radius, bark)
    ratio, union, included = _unions(graph, measures, state)
    area_left, modulus_left, _ = hollow_shares(state.cavity_share)
    strength = green_strength(species, state)
    force, moment = _self_weight(graph, mass, mask)
    step = graph.position_m - graph.edge_start_m
    axis = step / np.maximum(np.linalg.norm(step, axis=1), 1e-12)[:, None]
    axis[0] = (0.0, 0.0, 1.0)
    return SparModel(
        graph=graph,
        mass=mass,
        standing=mask,
        limits=site.limits,
        height_m=graph.position_m[:, 2] - graph.position_m[0, 2],
        section_m=graph.edge_start_m,
        axis=axis,
        diameter_m=diameter,
        modulus_m3=round_modulus_m3(diameter) * modulus_left,
        area_m2=np.pi * diameter**2 / 4.0 * area_left,
        inertia_m4=second_moment_m4(diameter) * modulus_left,
        bending_pa=FIELD * union * strength.mor_pa,
        shear_pa=FIELD * union * strength.shear_pa,
        elasticity_pa=strength.moe_pa,
        safety=np.where(graph.order == 0, SAFETY_STEM, SAFETY_LIMB),
        self_force_n=force,
        self_moment_n_m=moment,
        base_m=graph.position_m[0],
        state=state,
        union_ratio=ratio,
        union=union,
        included_bark=included,
    )


def _state(graph: TreeGraph, site: Site, bark: float) -> WoodState:
    return decay.wood_state(graph, defect_marks(site), bark)


def _standing(graph: TreeGraph, standing: Bools | None) -> Bools:
    if standing is None:
        return np.ones(len(graph), dtype=bool)
    mask = np.asarray(standing, dtype=bool)
    if mask.shape != (len(graph),):
        raise InvalidInputError(
            f"standing has shape {mask.shape}; one entry for each of {len(graph)} nodes is needed."
        )
    if not mask[0] or (mask[1:] & ~mask[graph.parent[1:]]).any():
        raise InvalidInputError("standing: a node stands without its parent. Take whole pieces.")
    return mask


def _unions(
    graph: TreeGraph, measures: TreeMeasures, state: WoodState
) -> tuple[Floats, Floats, Bools]:
    """Union ratio, factor and included bark by node; a weak fork weakens both of its legs."""
    ratio = np.zeros(len(graph))
    starts = np.flatnonzero(graph.starts_limb)
    up = graph.parent[starts]
    ratio[starts] = graph.radius_m[starts] / graph.radius_m[up]
    included = state.included_bark.copy()
    for row in measures.unions:
        ratio[row.node] = max(ratio[row.node], row.ratio)
        included[row.node] |= row.included_bark_suspected
    factor = np.ones(len(graph))
    factor[starts] = union_factor(ratio[starts], included[starts])
    weak = starts[factor[starts] <= 0.5]
    weakest = np.ones(len(graph))
    np.minimum.at(weakest, graph.parent[weak], factor[weak])
    legs = np.flatnonzero(~graph.starts_limb)[1:]
    factor[legs] = np.minimum(factor[legs], weakest[graph.parent[legs]])
    return ratio, factor, included


def _self_weight(graph: TreeGraph, mass: GreenMass, standing: Bools) -> tuple[Floats, Floats]:
    """Weight above each section (high mass) and its moment about the section."""
    weight = np.where(standing, mass.high_kg, 0.0) * G_M_S2
    middle = 0.5 * (graph.edge_start_m + graph.position_m)
    if mass.crown_centre_m.shape == middle.shape:
        fine = mass.crown_kg + mass.water_kg
        share = np.divide(fine, fine + mass.woody_kg, out=np.zeros_like(fine), where=fine > 0)
        middle = middle + share[:, None] * (mass.crown_centre_m - middle)
    total = graph.subtree_sum(weight)
    first = graph.subtree_sum(weight[:, None] * middle)
    force = np.zeros((len(graph), 3))
    force[:, 2] = -total
    arm = first - total[:, None] * graph.edge_start_m
    moment = np.zeros_like(force)
    moment[:, 0] = -arm[:, 1]
    moment[:, 1] = arm[:, 0]
    return force, moment
