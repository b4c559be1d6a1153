"""Twigs and leaves beyond what the scan resolves, from where branches get thinner than 5 cm.

Below about 5 cm a scan sees only part of the wood.  A *spray* is what grows beyond the place
where a branch gets thinner than 5 cm (or a thinner branch's base, or a thicker end of the
graph).  Its twig wood follows from its diameter there (national equation for a 5 cm stem,
scaled), less the wood that the graph already holds; its leaves by the pipe model (leaf mass
per area of the section).  So the total hardly depends on how far the scan could see.  The whole
is held to the published share of branch mass, 0.15 to 0.60.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.skeleton.graph import TreeGraph
from treescan.wood.allometry import JENKINS, foliage_share, jenkins_dry_kg
from treescan.wood.species import Genus, genus_of
from treescan.wood.types import Species

Floats = npt.NDArray[np.float64]

FINE_M = 0.05
"""Wood thinner than this is the fine crown (Demol et al. 2022: most of the error is there)."""
THICK_END_M = 0.10
"""An end thicker than this is a cut, broken or unseen top, not a growing tip."""
TAPER_CORRECTION = 0.45
"""Twig mass beyond a 5 cm branch end over the mass of a 5 cm tree (a tree's own stem is
longer and fuller).  Calibrated so that wood below 7 cm is 12-17 % of a 40 cm broadleaf
[from memory], see tests/wood/test_crown.py."""
TWIG_POWER = 8.0 / 3.0
"""Mass grows with area times length, and length with diameter^(2/3): elastic similarity, McMahon
and Kronauer 1976 [from memory]."""
REACH_5CM_M = 3.0
"""Reach of the twigs beyond a 5 cm end (judgement); scales with diameter^(2/3)."""
PALMS = "Arecaceae"
SHARE_LOW, SHARE_HIGH = 0.15, 0.60
"""Fine crown over branch mass. Handbook rule, from component shares of Jenkins et al. 2003."""
LEAF_OF_BRANCH = {
    "broadleaf": (0.03, 0.05, 0.17),
    "poplar": (0.08, 0.17, 0.25),
    "conifer": (0.12, 0.22, 0.38),
}
"""Dry leaf over dry branch mass, low / likely / high: NSVB trees of 36-56 cm (Westfall et al.
2024) and Jenkins et al. 2003; likely is the geometric middle of the listed trees."""
PALM_FRONDS = 0.25
"""Fronds over trunk mass of a palm, 0.10 to 0.40 (secondary text)."""
TIP_WEIGHT = 1.0 / 3.0
"""Weight of the sprays' own leaf estimate (good to a factor of 2) against the published share
(a factor of 1.4), on the logarithm."""
BARK_FILM_MM = (0.15, 0.30, 0.33)
"""Film on bark, low / likely / high: trunks 0.15-0.33, branches 0.29-0.31 (Forests 13:1187)."""
TWIG_STORAGE_SHARE = 0.11
"""Storage of leafless twigs over that of the leafy crown, 6-17 % (McPherson et al. 2017)."""
CROWN_CV = 0.35
"""Spread of twig and leaf mass: the limb-as-a-small-tree rule is good to +-50 %."""


@dataclass(frozen=True)
class FineCrown:
    """Twigs and leaves per node, shape (n,), zero away from the ends.

    ``twig_kg`` is green; ``leaf_kg`` fresh; ``leaf_area_m2`` one-sided; ``twig_area_m2`` the
    leaf area that would hold as much rain as the bare twigs do.
    """

    twig_kg: Floats
    leaf_kg: Floats
    leaf_area_m2: Floats
    twig_area_m2: Floats
    notes: tuple[str, ...] = ()


def end_diameter_m(graph: TreeGraph) -> Floats:
    """Diameter of the growing end at each node, 0 where there is none, shape (n,). [m]

    Ends thicker than 10 cm are cut, broken or unseen: what grows beyond them is taken as
    that of a 5 cm end.
    """
    end = np.where(graph.child_count == 0, 2.0 * graph.radius_m, 0.0)
    return np.where(end > THICK_END_M, FINE_M, end)


def crown_reach_m(graph: TreeGraph) -> Floats:
    """How far twigs and leaves reach beyond each end, 0 elsewhere, shape (n,). [m]"""
    end = end_diameter_m(graph)
    result: Floats = np.where(end > 0, REACH_5CM_M * (end / FINE_M) ** (2.0 / 3.0), 0.0)
    return result


@dataclass(frozen=True)
class Sprays:
    """The fine ends of a tree.

    ``of_node`` (n,) is the spray each fine node or thick end belongs to, -1 elsewhere;
    ``diameter_m`` (k,) is the diameter where each begins, at most 5 cm but for thick ends.
    """

    of_node: npt.NDArray[np.int64]
    diameter_m: Floats


def _spread_to_children(
    spray: npt.NDArray[np.int64], parent: npt.NDArray[np.int32], fine: npt.NDArray[np.bool_]
) -> npt.NDArray[np.int64]:
    """Give each fine node without a spray that of its nearest ancestor with one.

    By doubling the steps up the tree, so no compiled loop has to be loaded.
    """
    goes_on = fine & (spray < 0)
    goes_on[0] = False
    above = np.where(goes_on, parent, np.arange(len(parent)))
    while (above != above[above]).any():
        above = above[above]
    return spray[above]


def sprays(graph: TreeGraph) -> Sprays:
    """Where branches get thinner than 5 cm, and what grows beyond."""
    diameter = 2.0 * graph.radius_m
    fine = diameter < FINE_M
    up = np.maximum(graph.parent, 0)
    begins = fine & ~fine[up]
    begins[0] = fine[0]
    thick_ends = (graph.child_count == 0) & ~fine
    roots = np.flatnonzero(begins | thick_ends)
    spray = np.full(len(graph), -1, dtype=np.int64)
    spray[roots] = np.arange(len(roots))
    at_start = np.minimum(2.0 * graph.edge_start_radius_m[roots], FINE_M)
    at = np.where(thick_ends[roots], end_diameter_m(graph)[roots], at_start)
    return Sprays(_spread_to_children(spray, graph.parent, fine), at)


def _to_ends(graph: TreeGraph, spray: Sprays, per_spray: Floats) -> Floats:
    """Share each spray's amount out to its ends, by their section area, shape (n,)."""
    ends = np.flatnonzero((graph.child_count == 0) & (spray.of_node >= 0))
    owner, area = spray.of_node[ends], graph.radius_m[ends] ** 2
    total = np.bincount(owner, area, minlength=len(per_spray))
    result = np.zeros(len(graph))
    result[ends] = per_spray[owner] * area / total[owner]
    return result


def edge_direction(graph: TreeGraph) -> Floats:
    """Unit vector along each node's edge, shape (n, 3); straight up where it has no length."""
    step = graph.position_m - graph.edge_start_m
    length = np.linalg.norm(step, axis=1)
    up = np.array([0.0, 0.0, 1.0])
    safe = np.where(length > 1e-9, length, 1.0)
    return np.where((length > 1e-9)[:, None], step / safe[:, None], up)


def crown_centre_m(graph: TreeGraph) -> Floats:
    """Where the crown mass of each end is put: a third of its reach beyond it, (n, 3). [m]"""
    return graph.position_m + edge_direction(graph) * (crown_reach_m(graph) / 3.0)[:, None]


def _leaves_on(genus: Genus, in_leaf: bool | None) -> tuple[float, list[str]]:
    if genus.evergreen:
        note = ["Evergreen: leaves counted although in_leaf is false."] if in_leaf is False else []
        return 1.0, note
    if in_leaf is None:
        return 1.0, ["in_leaf is not given: leaves are counted in likely and high."]
    return float(in_leaf), []


def fine_crown(
    graph: TreeGraph,
    species: Species,
    woody_kg: Floats,
    green_per_dry: float,
    *,
    in_leaf: bool | None,
    dead: npt.NDArray[np.bool_],
) -> FineCrown:
    """Twigs and leaves at the ends of the graph.

    Parameters
    ----------
    woody_kg : ndarray, shape (n,)
        Green mass of each node's edge, for the published share of branch mass.
    green_per_dry : float
        Green over oven-dry mass of thin wood with bark.
    dead : ndarray, shape (n,)
        Dead ends carry twigs at half their mass and no leaves (Westfall et al. 2024,
        branches of decay class 2).
    """
    genus = genus_of(species)
    if genus.name == PALMS:
        return _palm_fronds(graph, genus, woody_kg, dead)
    leaf_dry, twig_dry = _spray_masses(graph, species, genus, woody_kg / green_per_dry)
    branch_dry = float((woody_kg / green_per_dry + twig_dry)[(graph.order > 0) & ~dead].sum())
    leaf_dry = leaf_dry * _leaf_scale(species, genus, float(leaf_dry[~dead].sum()), branch_dry)
    full_leaf_dry = leaf_dry
    on, notes = _leaves_on(genus, in_leaf)
    leaf_dry = np.where(dead, 0.0, leaf_dry)
    twig_green = np.where(dead, 0.5, 1.0) * twig_dry * green_per_dry
    scale = _share_scale(graph, woody_kg, twig_green, leaf_dry * genus.leaf_fresh_per_dry)
    thick = int(((graph.child_count == 0) & (2.0 * graph.radius_m > THICK_END_M)).sum())
    if thick:
        notes.append(
            f"{thick} end(s) thicker than 10 cm: cut, broken or not seen by the scan; "
            "what may grow beyond them is not counted beyond a 5 cm shoot."
        )
    leaf_dry = leaf_dry * on * scale
    return FineCrown(
        twig_green * scale,
        leaf_dry * genus.leaf_fresh_per_dry,
        leaf_dry * genus.leaf_area_m2_per_kg,
        TWIG_STORAGE_SHARE * full_leaf_dry * scale * genus.leaf_area_m2_per_kg,
        tuple(notes),
    )


def _spray_masses(
    graph: TreeGraph, species: Species, genus: Genus, woody_dry_kg: Floats
) -> tuple[Floats, Floats]:
    """Dry leaves, and dry twigs that the graph does not hold, at the ends, each (n,). [kg]"""
    tree_kg = float(jenkins_dry_kg(JENKINS[genus.jenkins_group], 100.0 * FINE_M))
    share = float(foliage_share(species.conifer, 100.0 * FINE_M))
    spray = sprays(graph)
    ratio = spray.diameter_m / FINE_M
    leaf = share * tree_kg * ratio**2
    twig = (1.0 - share) * tree_kg * TAPER_CORRECTION * ratio**TWIG_POWER
    inside = (spray.of_node >= 0) & (2.0 * graph.radius_m < FINE_M)
    held = np.bincount(spray.of_node[inside], woody_dry_kg[inside], minlength=len(ratio))
    missing = np.maximum(twig - held, 0.0)
    return _to_ends(graph, spray, leaf), _to_ends(graph, spray, missing)


def _palm_fronds(
    graph: TreeGraph, genus: Genus, woody_kg: Floats, dead: npt.NDArray[np.bool_]
) -> FineCrown:
    """A palm's fronds at its highest end; no twigs."""
    ends = np.flatnonzero(graph.child_count == 0)
    top = ends[np.argmax(graph.position_m[ends, 2])]
    fresh = np.zeros(len(graph))
    if not dead[top]:
        fresh[top] = PALM_FRONDS * float(woody_kg.sum())
    area = fresh / genus.leaf_fresh_per_dry * genus.leaf_area_m2_per_kg
    note = "Palm: fronds are counted as 25 % of the trunk's mass (10 to 40 %)."
    return FineCrown(np.zeros(len(graph)), fresh, area, 0.0 * area, (note,))


def _leaf_scale(species: Species, genus: Genus, tip_kg: float, branch_kg: float) -> float:
    """Factor on the ends' leaf mass from the published share of dry branch mass."""
    if tip_kg <= 0.0 or branch_kg <= 0.0:
        return 1.0
    kind = "conifer" if species.conifer else "poplar" if genus.jenkins_group == 6 else "broadleaf"
    low, likely, high = LEAF_OF_BRANCH[kind]
    mixed = tip_kg**TIP_WEIGHT * (likely * branch_kg) ** (1.0 - TIP_WEIGHT)
    return float(np.clip(mixed, low * branch_kg, high * branch_kg)) / tip_kg


def _share_scale(graph: TreeGraph, woody_kg: Floats, twig_kg: Floats, leaf_kg: Floats) -> float:
    """Factor that brings the fine crown in leaf to 0.15-0.60 of the branches' mass.

    The fine crown is wood under 5 cm in the graph, modelled twigs and leaves; branches are all
    wood off the stem, twigs included.  A tree without branches is left alone.
    """
    fine_wood = float(woody_kg[2.0 * graph.radius_m < FINE_M].sum())
    limbs = float(woody_kg[(graph.order > 0) | (2.0 * graph.radius_m < FINE_M)].sum())
    twig, leaf = float(twig_kg.sum()), float(leaf_kg.sum())
    if limbs <= 0.0 or twig + leaf <= 0.0 or not (graph.order > 0).any():
        return 1.0

    def share(scale: float) -> float:
        return (fine_wood + scale * (twig + leaf)) / (limbs + scale * twig)

    if share(1.0) > SHARE_HIGH and share(0.0) < SHARE_HIGH:
        return (SHARE_HIGH * limbs - fine_wood) / (twig + leaf - SHARE_HIGH * twig)
    if share(1.0) < SHARE_LOW:
        return (SHARE_LOW * limbs - fine_wood) / (twig + leaf - SHARE_LOW * twig)
    return 1.0


def water_film_kg(
    graph: TreeGraph, species: Species, crown: FineCrown
) -> tuple[Floats, Floats, Floats]:
    """Rain held on leaves, twigs and bark, low / likely / high, each shape (n,). [kg]

    Depth times one-sided leaf area plus depth times bark area; leafless twigs hold about
    11 % of what the leafy crown does (McPherson et al. 2017; Forests 13:1187, 2022).

    Parameters
    ----------
    graph : TreeGraph
        n nodes.
    species : Species
        For the depth of its film.
    crown : FineCrown
        Leaf and twig area of the same nodes.
    """
    depth = genus_of(species).film_mm
    bark_m2 = np.pi * (graph.radius_m + graph.edge_start_radius_m) * graph.edge_length_m
    low, likely, high = (
        depth[i] * (crown.leaf_area_m2 + crown.twig_area_m2) + BARK_FILM_MM[i] * bark_m2
        for i in range(3)
    )
    return low, likely, high
