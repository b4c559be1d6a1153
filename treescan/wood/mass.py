"""Green mass of the tree, node by node, as low / likely / high.

Mass is over-bark volume times over-bark density by diameter.  The spread of a node combines
its diameter's sd, the species' density CV and the model's own error; over the tree these are
fully correlated (one species, one scan), so bands of parts add up to the band of the whole.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.mensuration.volume import edge_volume_m3
from treescan.skeleton.graph import TreeGraph
from treescan.wood.crown import (
    CROWN_CV,
    FineCrown,
    crown_centre_m,
    crown_reach_m,
    fine_crown,
    water_film_kg,
)
from treescan.wood.decay import WoodState, inside_bark_diameter_m, sound_wood
from treescan.wood.density import (
    dead_density_band_kg_m3,
    decay_multipliers,
    density_cv,
    green_density_kg_m3,
    over_bark_ceiling_kg_m3,
)
from treescan.wood.species import genus_of
from treescan.wood.types import GreenMass, Species

Floats = npt.NDArray[np.float64]

Z_95 = 1.645
"""One-sided 95 % of the normal distribution."""
MODEL_CV_THICK, MODEL_CV_THIN = 0.05, 0.25
THICK_M, THIN_M = 0.07, 0.02
"""Model error of volume: 5 % from 7 cm up, 25 % at 2 cm and below.

Big wood is within 10 % per tree, small branches carry most of the error (Demol et al. 2022).
"""
LOWEST_SHARE = 0.1
"""A low value is never below this share of the likely one."""
SEASONS = ("spring", "summer", "autumn", "winter")


def volume_cv(graph: TreeGraph) -> Floats:
    """Relative spread (a share, 1 sd) of each edge's volume from its diameters, shape (n,).

    Twice the relative spread of the mean radius: 5 % of diameter is 10 % of volume.
    """
    up = np.where(graph.starts_limb, np.arange(len(graph)), np.maximum(graph.parent, 0))
    mean_sd = 0.5 * (graph.radius_sd_m + graph.radius_sd_m[up])
    result: Floats = 2.0 * mean_sd / (0.5 * (graph.radius_m + graph.edge_start_radius_m))
    return result


def model_cv(diameter_m: npt.ArrayLike) -> Floats:
    """Volume error of fitted cylinders by diameter, a share (1 sd), same shape."""
    return np.interp(
        np.asarray(diameter_m, dtype=np.float64),
        [THIN_M, THICK_M],
        [MODEL_CV_THIN, MODEL_CV_THICK],
    )


def _density_band(
    species: Species, diameter_m: Floats, state: WoodState, season: str | None
) -> tuple[Floats, Floats, Floats]:
    """Low / likely / high density factors' base, cavities and decay included, each (n,)."""
    green = green_density_kg_m3(species, diameter_m, season=season)
    low, likely, high = green.copy(), green.copy(), green.copy()
    if state.dead.any():
        dead_low, dead_likely, _ = dead_density_band_kg_m3(species, diameter_m)
        low = np.where(state.dead, dead_low, low)
        likely = np.where(state.dead, dead_likely, likely)
    if state.decayed.any():
        left = decay_multipliers(species.conifer, 3)[0]
        low = np.where(state.decayed, low * left, low)
        likely = np.where(state.decayed, likely * 0.5 * (1.0 + left), likely)
    wood_m = inside_bark_diameter_m(diameter_m, species.bark_pct_of_wood_volume / 100.0)
    solid = 1.0 - (state.cavity_mass_share * wood_m / diameter_m) ** 2
    return low * solid, likely * solid, high * solid


def _woody_band(
    graph: TreeGraph, species: Species, state: WoodState, season: str | None
) -> tuple[Floats, Floats, Floats]:
    """Wood with bark per node, low / likely / high. [kg]"""
    diameter = graph.edge_start_radius_m + graph.radius_m
    volume = edge_volume_m3(graph)
    base_low, base_likely, base_high = _density_band(species, diameter, state, season)
    cv_volume = np.hypot(volume_cv(graph), model_cv(diameter))
    cv = np.hypot(cv_volume, density_cv(species, season))
    low = volume * base_low * np.maximum(1.0 - Z_95 * cv, LOWEST_SHARE)
    likely = volume * base_likely
    ceiling = np.maximum(over_bark_ceiling_kg_m3(species), base_high)
    high = volume * np.minimum(base_high * (1.0 + Z_95 * cv), ceiling * (1.0 + Z_95 * cv_volume))
    return np.minimum(low, likely), likely, np.maximum(high, likely)


def _wet_note(dry_kg: float, film_kg: tuple[Floats, Floats, Floats]) -> str:
    """By how much a film of rain makes the tree heavier."""
    low, likely, high = (100.0 * float(part.sum()) / max(dry_kg, 1e-9) for part in film_kg)
    return (
        f"Wet: a film of rain on leaves and bark adds about {likely:.0f} % to the green mass "
        f"({low:.0f} to {high:.0f} %); snow and ice are not counted."
    )


def _notes(species: Species, state: WoodState, crown: FineCrown, wet: str) -> tuple[str, ...]:
    notes = [*species.notes, *state.notes, *crown.notes]
    if state.dead.any():
        notes.append(
            "Dead wood: low is dried standing wood, high is green; decayed wet wood can be as "
            "heavy as sound wood."
        )
    if wet:
        notes.append(wet)
    return tuple(dict.fromkeys(notes))


def green_mass(
    graph: TreeGraph,
    species: Species,
    *,
    in_leaf: bool | None = None,
    wet: bool = False,
    season: str | None = None,
    wood_state: WoodState | None = None,
) -> GreenMass:
    """Green mass of every node's edge, with twigs, leaves and rain at the ends.

    Parameters
    ----------
    in_leaf : bool, optional
        None counts leaves in likely and high, not in low.  Evergreens always carry theirs.
    wet : bool
        Adds a film of rain on leaf and bark area.
    season : {"spring", "summer", "autumn", "winter"}, optional
        Narrows the moisture spread; winter is wettest in diffuse-porous species.
    wood_state : WoodState, optional
        Cavities, decay and dead wood (see :func:`treescan.wood.decay.wood_state`).

    Returns
    -------
    GreenMass
        Low and high are the 5 % and 95 % values under full correlation.

    Raises
    ------
    InvalidInputError
        No such season, or a wood state of another tree.
    """
    if season is not None and season not in SEASONS:
        raise InvalidInputError(f'season = "{season}" must be one of {", ".join(SEASONS)}.')
    state = wood_state if wood_state is not None else sound_wood(graph)
    if len(state.dead) != len(graph):
        raise InvalidInputError(
            f"wood state has {len(state.dead)} nodes and the tree {len(graph)}; rebuild it."
        )
    low, likely, high = _woody_band(graph, species, state, season)
    thin = float(green_density_kg_m3(species, 0.03, season=season))
    bark_share = species.bark_pct_of_wood_volume / 100.0
    dry = (
        1000.0 * species.basic_specific_gravity + bark_share * 0.5 * species.bark_density_kg_m3
    ) / (1.0 + bark_share)
    crown = fine_crown(graph, species, likely, thin / dry, in_leaf=in_leaf, dead=state.dead)
    fine = crown.twig_kg + crown.leaf_kg
    bare_possible = in_leaf is None and not genus_of(species).evergreen
    fine_low = np.maximum(1.0 - Z_95 * CROWN_CV, LOWEST_SHARE) * (
        crown.twig_kg + (0.0 if bare_possible else 1.0) * crown.leaf_kg
    )
    film = water_film_kg(graph, species, crown) if wet else (0.0 * fine, 0.0 * fine, 0.0 * fine)
    wet_note = _wet_note(float((likely + fine).sum()), film) if wet else ""
    return GreenMass(
        woody_kg=likely,
        crown_kg=fine,
        water_kg=film[1],
        low_kg=low + fine_low + film[0],
        likely_kg=likely + fine + film[1],
        high_kg=high + fine * (1.0 + Z_95 * CROWN_CV) + film[2],
        notes=_notes(species, state, crown, wet_note),
        leaf_kg=crown.leaf_kg,
        bark_kg=np.minimum(
            edge_volume_m3(graph) * bark_share / (1.0 + bark_share) * species.bark_density_kg_m3,
            likely,
        ),
        crown_reach_m=crown_reach_m(graph),
        crown_centre_m=crown_centre_m(graph),
    )
