"""Published equations and form limits beside the scan's answer: alarms, never corrections."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from treescan.errors import InvalidInputError
from treescan.mensuration.volume import edge_volume_m3
from treescan.skeleton.graph import TreeGraph
from treescan.units import Band
from treescan.wood.allometry import (
    DBH_RANGE_CM,
    JENKINS,
    chave_dry_kg,
    foliage_share,
    jenkins_dry_kg,
    wutzler_beech_dry_kg,
)
from treescan.wood.density import green_density_kg_m3
from treescan.wood.species import genus_of
from treescan.wood.types import GreenMass, Species

TREE_SPREAD = 0.30
"""Spread of any equation on a single tree; NSVB over Jenkins is .64-1.24 on 48 trees."""
LIMB_RANGE = (0.22, 1.5)
"""Mass of a limb over that of a tree of its base diameter before it is an alarm: +50 % above, and
50 % below a limb that is 0.45 of the tree (it lacks the tree's own lower stem)."""
FORM_FACTOR = (0.30, 0.65)
"""Stem form factor of single-stemmed trees; 48 NSVB trees lie in .358-.619."""
LIMBS_CHECKED_FROM_M, LIMBS_CHECKED_TO_M = 0.05, 0.30


@dataclass(frozen=True)
class MassCheck:
    """A published equation for the measured tree, woody mass, green. [kg]

    ``clamped`` tells that the tree is outside the fitted range and the equation was asked at
    its edge.
    """

    name: str
    source: str
    green_kg: Band
    clamped: bool


@dataclass(frozen=True)
class Plausibility:
    """Checks beside the scan's answer; ``alarms`` are sentences for people."""

    scan_kg: Band
    equations: tuple[MassCheck, ...]
    form_factor: float
    limbs_outside: int
    limbs_checked: int
    alarms: tuple[str, ...]

    @property
    def sentences(self) -> tuple[str, ...]:
        """The checks in words, for people who read the weights."""
        rows = "; ".join(
            f"{row.name} {_range_text(row.green_kg)}"
            + (" (asked at the edge of its range)" if row.clamped else "")
            for row in self.equations
        )
        return (
            f"Beside the scan's green wood with twigs, {_range_text(self.scan_kg)}, stand for "
            f"this DBH and height: {rows}. They were made on forest trees, may be off by 30 % "
            "and more on one tree, and serve as an alarm only.",
            f"Stem form factor {self.form_factor:.2f}; 0.30 to 0.65 is usual for a single stem. "
            f"Limbs of 5-30 cm checked against small trees of their diameter: "
            f"{self.limbs_checked}, outside the usual range: {self.limbs_outside}.",
        )


def _range_text(mass_kg: Band) -> str:
    """Low and high, rounded outward to 10 kg (always kg: the outputs turn these to pounds)."""
    low, high = np.floor(mass_kg.low / 10) * 10, np.ceil(mass_kg.high / 10) * 10
    return f"{low:,.0f} kg to {high:,.0f} kg"


def green_per_dry(species: Species, diameter_m: float = 0.30) -> float:
    """Green over oven-dry mass of wood with bark; half of the bark's green mass is dry.

    Parameters
    ----------
    species : Species
    diameter_m : float
        [m]
    """
    bark = species.bark_pct_of_wood_volume / 100.0
    dry = 1000.0 * species.basic_specific_gravity + 0.5 * bark * species.bark_density_kg_m3
    return float(green_density_kg_m3(species, diameter_m) * (1.0 + bark) / dry)


def form_factor(graph: TreeGraph, dbh_m: float, height_m: float) -> float:
    """Over-bark volume of the main stem over basal area times height.

    Parameters
    ----------
    graph : TreeGraph
    dbh_m, height_m : float
        [m]
    """
    stem = float(edge_volume_m3(graph)[graph.limb == 0].sum())
    return stem / (np.pi / 4.0 * dbh_m**2 * height_m)


def _equations(species: Species, dbh_m: float, height_m: float) -> tuple[MassCheck, ...]:
    asked = 100.0 * dbh_m
    dbh_cm = float(np.clip(asked, *DBH_RANGE_CM))
    clamped = dbh_cm != asked
    group = JENKINS[genus_of(species).jenkins_group]
    factor = green_per_dry(species)
    woody = 1.0 - float(foliage_share(species.conifer, dbh_cm))
    rows = [
        (
            f"national equation for {group.name}",
            "jenkins-2003",
            float(jenkins_dry_kg(group, dbh_cm)) * woody,
        ),
        (
            "equation of diameter, height and wood density",
            "chave-2014",
            chave_dry_kg(species.basic_specific_gravity, dbh_cm, height_m) * woody,
        ),
    ]
    if species.scientific_name == "Fagus sylvatica":
        rows.append(
            ("equation for European beech", "wutzler-2008", wutzler_beech_dry_kg(dbh_cm, height_m))
        )
    return tuple(
        MassCheck(
            name,
            source,
            Band(dry * factor * (1 - TREE_SPREAD), dry * factor, dry * factor * (1 + TREE_SPREAD)),
            clamped,
        )
        for name, source, dry in rows
    )


def _limbs_outside(graph: TreeGraph, mass: GreenMass, species: Species) -> tuple[int, int]:
    """Limbs outside LIMB_RANGE of a tree of their base diameter, and limbs checked."""
    base = np.flatnonzero(graph.starts_limb)
    diameter = 2.0 * graph.edge_start_radius_m[base]
    chosen = (diameter >= LIMBS_CHECKED_FROM_M) & (diameter <= LIMBS_CHECKED_TO_M)
    base, diameter = base[chosen], diameter[chosen]
    group = JENKINS[genus_of(species).jenkins_group]
    expected = jenkins_dry_kg(group, 100.0 * diameter) * green_per_dry(species, 0.08)
    found = graph.subtree_sum(mass.woody_kg + mass.crown_kg)[base]
    ratio = found / np.maximum(expected, 1e-9)
    outside = (ratio < LIMB_RANGE[0]) | (ratio > LIMB_RANGE[1])
    return int(outside.sum()), len(base)


def plausibility(
    graph: TreeGraph, mass: GreenMass, species: Species, dbh_m: float, height_m: float
) -> Plausibility:
    """Published equations, form factor and limb checks for a measured tree.

    The equations give woody mass for forest-grown trees; the scan's is wood with twigs,
    without leaves and rain.  An alarm is raised where the bands do not meet.

    Parameters
    ----------
    graph : TreeGraph
    mass : GreenMass
        Of the graph's n nodes.
    species : Species
    dbh_m, height_m : float
        As measured. [m]

    Raises
    ------
    InvalidInputError
        If DBH or height is not above 0.
    """
    if not (np.isfinite([dbh_m, height_m]).all() and dbh_m > 0 and height_m > 0):
        raise InvalidInputError(
            f"plausibility needs a DBH and a height above 0 m, not {dbh_m:g} and {height_m:g}."
        )
    nodes = np.arange(len(graph))
    scan = mass.band(nodes)
    leaves = float(mass.leaf_kg.sum() + mass.water_kg.sum())
    woody = Band(max(scan.low - leaves, 0.0), scan.likely - leaves, max(scan.high - leaves, 0.0))
    rows = _equations(species, dbh_m, height_m)
    alarms = [_mass_alarm(woody, row) for row in rows]
    factor = form_factor(graph, dbh_m, height_m)
    low, high = FORM_FACTOR
    if not low <= factor <= high:
        alarms.append(
            f"Stem form factor {factor:.2f} is outside {low:g} to {high:g} for a single-stemmed "
            "tree: check the diameters along the stem, or a fork taken for a limb."
        )
    outside, checked = _limbs_outside(graph, mass, species)
    if checked >= 4 and outside > checked / 2:
        alarms.append(
            f"{outside} of {checked} limbs of 5-30 cm weigh less than 0.22 or more than 1.5 times "
            "a small tree of their diameter: check limb diameters before rigging by weight."
        )
    return Plausibility(
        woody, rows, factor, outside, checked, tuple(text for text in alarms if text)
    )


def _mass_alarm(woody: Band, row: MassCheck) -> str:
    if woody.high >= row.green_kg.low and woody.low <= row.green_kg.high:
        return ""
    above = woody.low > row.green_kg.high
    side = "above" if above else "below"
    hint = "whether leaves or needles were taken for wood" if above else "what the scan did not see"
    clamp = " (asked at the edge of its range)" if row.clamped else ""
    return (
        f"The scan's wood with twigs, {_range_text(woody)}, is {side} the {row.name}"
        f"{clamp}, {_range_text(row.green_kg)}: open-grown "
        f"trees differ from the forest trees behind it, but check scale and DBH, and {hint}."
    )
