"""Where a block may hang: every union and sound section as a candidate, with reasons."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.mensuration.breast_height import uphill_ground_m
from treescan.mensuration.measures import TreeMeasures
from treescan.pointcloud.cloud import Ground
from treescan.rigging.model import SparModel, spar_model
from treescan.rigging.spar import allowable_n
from treescan.rigging.types import Anchor
from treescan.site.model import Site
from treescan.skeleton.graph import MODELLED, TreeGraph
from treescan.units import G_M_S2
from treescan.wood.decay import WoodState
from treescan.wood.types import GreenMass, Species

Floats = npt.NDArray[np.float64]
Int64s = npt.NDArray[np.int64]

MIN_DIAMETER_M = 0.10
"""Sound diameter inside bark below which nothing is hung [common practice]."""
LIGHT_DIAMETER_M = 0.05
"""Strengths are worked out down to this: thin wood may still hold a light piece."""
MIN_HEIGHT_M = 2.5
"""An anchor lower than this lets no piece hang clear of the ground [judgement]."""
SPACING_M = 1.0
"""Distance between candidates along a limb without unions."""
BLOCK_M = 0.20
"""Sling and block stand this far off the bark; the resultant acts there [judgement]."""
MIN_JOB_KG = 25.0
"""An anchor that cannot take twice this weight is of no use."""
POOR_RATIO = 0.85
WEAK_UNION = 0.35
REACH_SLOPE = float(np.tan(np.radians(60.0)))
"""Work farther out than 60 deg from the plumb line swings with more than twice its weight."""
LARGEST_TILT_DEG = 30.0
"""Resultants of lead and fall lie within this of the plumb line unless a redirect turns them."""
LOW_SUPPORT = 0.15


@dataclass(frozen=True)
class _Strength:
    """Allowable resultants of the candidates; arrays of shape (k,) or (k, 3)."""

    down_n: Floats
    best_n: Floats
    best_direction: Floats
    section: Int64s


def find_anchors(
    graph: TreeGraph,
    measures: TreeMeasures,
    species: Species,
    mass: GreenMass,
    site: Site,
    ground: Ground,
    wood_state: WoodState | None = None,
) -> tuple[Anchor, ...]:
    """All anchor candidates, best first; the rejected ones follow with their reason.

    Candidates are every union and a section each metre along stem and limbs.  The rank is the
    share of the tree's mass within reach below the anchor, times how far its allowable
    downward resultant covers twice the heaviest piece allowed.

    Parameters
    ----------
    graph, measures, species, mass, site, ground
        The tree and the job, local frame.
    wood_state : WoodState, optional
        Derived from ``site.defect`` when omitted.

    Returns
    -------
    tuple of Anchor
        Ids "A1", "A2", ... in order of rank.
    """
    model = spar_model(graph, mass, species, measures, site, wood_state=wood_state)
    height = heights_m(graph, ground)
    node, union = candidate_nodes(graph)
    strength = _strengths(model, node)
    anchors = _describe(model, node, union, height, strength)
    served = _served_share(model, node)
    heaviest = min(site.limits.max_piece_kg, float(mass.high_kg.sum()))
    wanted = 2.0 * G_M_S2 * max(heaviest, MIN_JOB_KG)
    rows = []
    for anchor, share, down in zip(anchors, served, strength.down_n, strict=True):
        cover = min(1.0, float(down) * site.limits.anchor_share / wanted)
        note = (
            f"{share:.0%} of the tree's mass hangs within 60 deg of its plumb line; its "
            f"allowable covers {cover:.0%} of twice the heaviest piece allowed"
        )
        rows.append((bool(anchor.rejected), -share * cover, anchor.node, note, anchor))
    rows.sort(key=lambda row: row[:3])
    return tuple(
        replace(anchor, anchor_id=f"A{number}", notes=(*anchor.notes, note))
        for number, (_, _, _, note, anchor) in enumerate(rows, start=1)
    )


def why_not(
    graph: TreeGraph,
    measures: TreeMeasures,
    species: Species,
    mass: GreenMass,
    site: Site,
    ground: Ground,
    node: int,
    wood_state: WoodState | None = None,
) -> str:
    """Say in one sentence why a node is not an anchor, or what it could carry.

    Parameters
    ----------
    graph, measures, species, mass, site, ground
        The tree and the job, local frame.
    node : int
    wood_state : WoodState, optional
        Derived from ``site.defect`` when omitted.

    Raises
    ------
    InvalidInputError
        No such node.
    """
    if not 0 <= node < len(graph):
        raise InvalidInputError(f"node {node} is not in the tree; nodes are 0 to {len(graph) - 1}.")
    model = spar_model(graph, mass, species, measures, site, wood_state=wood_state)
    union = np.array([_union_child(graph, node)], dtype=np.int64)
    nodes = np.array([node])
    strength = _strengths(model, nodes)
    anchor = _describe(model, nodes, union, heights_m(graph, ground), strength)[0]
    place = f"node {node} at {anchor.height_m:.1f} m, {anchor.diameter_m * 100:.0f} cm"
    if anchor.rejected:
        return f"{place}: {anchor.rejected}."
    return (
        f"{place}: usable; allowable resultant {anchor.allowable_n / 1000:.1f} kN, "
        f"{anchor.governs}."
    )


def heights_m(graph: TreeGraph, ground: Ground) -> Floats:
    """Height of every node above the ground at the stem's uphill side, shape (n,). [m]

    Parameters
    ----------
    graph : TreeGraph
    ground : Ground
    """
    result: Floats = graph.position_m[:, 2] - uphill_ground_m(graph, ground)
    return result


def candidate_nodes(graph: TreeGraph) -> tuple[Int64s, Int64s]:
    """Candidate nodes (k,), and for each the first node of its greatest branch (-1: no union)."""
    starts = np.flatnonzero(graph.starts_limb)
    child = np.full(len(graph), -1, dtype=np.int64)
    for start in starts[np.argsort(graph.radius_m[starts], kind="stable")]:
        up = graph.parent[start]
        if graph.radius_m[start] >= 0.25 * graph.radius_m[up]:
            child[up] = start
    step = np.floor(graph.path_length_m / SPACING_M)
    mark = np.zeros(len(graph), dtype=bool)
    mark[1:] = step[1:] > step[graph.parent[1:]]
    near = np.zeros(len(graph), dtype=bool)
    for node in np.flatnonzero(child >= 0):
        near[node] = near[max(int(graph.parent[node]), 0)] = True
        near[np.flatnonzero(graph.parent == node)] = True
    chosen = np.flatnonzero((child >= 0) | (mark & ~near))
    chosen = chosen[(chosen > 0) & (graph.radius_m[chosen] >= 0.25 * MIN_DIAMETER_M)]
    return chosen.astype(np.int64), child[chosen]


def _union_child(graph: TreeGraph, node: int) -> int:
    children = np.flatnonzero((graph.parent == node) & graph.starts_limb)
    if not len(children):
        return -1
    return int(children[np.argmax(graph.radius_m[children])])


def _describe(
    model: SparModel, node: Int64s, union: Int64s, height: Floats, strength: _Strength
) -> list[Anchor]:
    graph = model.graph
    rows = []
    for i, at in enumerate(node):
        place = int(at)
        ratio = float(model.union_ratio[union[i]]) if union[i] >= 0 else 0.0
        section = int(strength.section[i])
        rows.append(
            Anchor(
                anchor_id="",
                node=place,
                position_m=graph.position_m[place].copy(),
                height_m=float(height[place]),
                diameter_m=float(2.0 * graph.radius_m[place]),
                union_ratio=ratio,
                allowable_n=float(strength.best_n[i]),
                governs=_governs(model, section, float(height[section])),
                best_direction=strength.best_direction[i],
                rejected=_reason(model, place, int(union[i]), float(height[place]), strength, i),
                notes=(
                    f"straight down it may carry {strength.down_n[i] / 1000:.1f} kN",
                    *_weak_union_note(model, place, height),
                ),
            )
        )
    return rows


def _strengths(model: SparModel, node: Int64s) -> _Strength:
    """Allowable resultant straight down and in the best direction that a line can pull.

    Zero where the wood is too thin to be looked at.
    """
    graph = model.graph
    thick = np.flatnonzero(model.diameter_m[node] >= LIGHT_DIAMETER_M)
    best, down = np.zeros(len(node)), np.zeros(len(node))
    best_direction = np.tile([0.0, 0.0, -1.0], (len(node), 1))
    section = node.astype(np.int64)
    if not len(thick):
        return _Strength(down, best, best_direction, section)
    at = node[thick]
    ways = np.concatenate(
        [np.broadcast_to(row, (1, len(at), 3)) for row in _directions()] + [-model.axis[at][None]]
    )
    side = ways * np.array([1.0, 1.0, 0.0])
    size = np.linalg.norm(side, axis=2, keepdims=True)
    side = np.where(size > 1e-6, side / np.maximum(size, 1e-6), [1.0, 0.0, 0.0])
    point = graph.position_m[at] + (graph.radius_m[at] + BLOCK_M)[:, None] * side
    force, worst = allowable_n(
        model, np.tile(at, len(ways)), point.reshape(-1, 3), ways.reshape(-1, 3)
    )
    force, worst = force.reshape(len(ways), -1), worst.reshape(len(ways), -1)
    usable = ways[..., 2] <= -np.cos(np.radians(LARGEST_TILT_DEG)) + 1e-9
    pick = np.argmax(np.where(usable, force, -1.0), axis=0)
    column = np.arange(len(at))
    down[thick], best[thick] = force[0], force[pick, column]
    best_direction[thick], section[thick] = ways[pick, column], worst[pick, column]
    return _Strength(down, best, best_direction, section)


def _directions() -> Floats:
    """Straight down, then 15 and 30 deg from the plumb line in eight azimuths."""
    rows = [(0.0, 0.0, -1.0)]
    for tilt in np.radians([15.0, LARGEST_TILT_DEG]):
        for turn in np.radians(np.arange(0.0, 360.0, 45.0)):
            rows.append((np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), -np.cos(tilt)))
    return np.array(rows)


def _governs(model: SparModel, section: int, height: float) -> str:
    kind = "stem" if model.graph.order[section] == 0 else "limb"
    where = f"{kind} section at {height:.1f} m, {model.diameter_m[section] * 100:.0f} cm"
    union = f", union factor {model.union[section]:.2f}" if model.union[section] < 1.0 else ""
    return f"bending of the {where} inside bark, safety factor {model.safety[section]:g}{union}"


def _weak_union_note(model: SparModel, node: int, height: Floats) -> tuple[str, ...]:
    """Ask for a second anchor where a fork of equal leaders or included bark lies below."""
    path = np.array(model.graph.ancestors(node)[:-1])
    weak = path[model.union[path] <= WEAK_UNION]
    if not len(weak):
        return ()
    return (
        f"a weak union lies below it at {height[int(weak[0])]:.1f} m: back it up with a second "
        "anchor on another leader",
    )


def _reason(
    model: SparModel, node: int, union: int, height: float, strength: _Strength, row: int
) -> str:
    """Reject a candidate with its reason, or return ""."""
    graph, state = model.graph, model.state
    diameter = float(model.diameter_m[node])
    path = graph.ancestors(node)[:-1]
    if diameter < MIN_DIAMETER_M:
        return (
            f"too thin: {diameter * 100:.0f} cm inside bark on the low side, at least "
            f"{MIN_DIAMETER_M * 100:.0f} cm is needed"
        )
    if height < MIN_HEIGHT_M:
        return f"below the work: at {height:.1f} m no piece hangs clear of the ground"
    if state.dead[path].any():
        return "dead wood between it and the ground"
    if state.decayed[path].any() or state.cracked[path].any():
        return "decay or a crack between it and the ground"
    if union >= 0 and (model.union_ratio[union] > POOR_RATIO or model.union[union] <= WEAK_UNION):
        return (
            f"poor union: branch {model.union_ratio[union]:.2f} of the stem's diameter or "
            "included bark; choose a place below it"
        )
    if graph.order[node] >= 2:
        return "on a limb that is cut before the work it would serve"
    if graph.source[node] == MODELLED and graph.support[node] < LOW_SUPPORT:
        return "the scan did not see it: its diameter is a guess"
    return _too_weak(model, strength, row)


def _too_weak(model: SparModel, strength: _Strength, row: int) -> str:
    down, best = float(strength.down_n[row]), float(strength.best_n[row])
    share = model.limits.anchor_share
    least = 2.0 * MIN_JOB_KG * G_M_S2
    if best * share < least:
        return f"too weak: {best * share / 1000:.1f} kN allowed, under twice {MIN_JOB_KG:g} kg"
    if down * share < least:
        return (
            f"bad direction: {down * share / 1000:.1f} kN allowed straight down, under twice "
            f"{MIN_JOB_KG:g} kg; it holds only along its axis"
        )
    return ""


def _served_share(model: SparModel, node: Int64s) -> Floats:
    """Share of the tree's mass below each candidate and within 60 deg of its plumb line."""
    graph = model.graph
    weight = model.mass.likely_kg
    result = np.zeros(len(node))
    for i, at in enumerate(node):
        rise = graph.position_m[at, 2] - graph.position_m[:, 2]
        away = np.hypot(*(graph.position_m[:, :2] - graph.position_m[at, :2]).T)
        result[i] = weight[(rise > 0.0) & (away <= REACH_SLOPE * rise)].sum()
    return result / max(float(weight.sum()), 1e-9)
