"""Where a climber may tie in: unions above the work, with a strength rule of their own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from treescan.mensuration.measures import TreeMeasures
from treescan.pointcloud.cloud import Ground
from treescan.rigging.anchors import candidate_nodes, heights_m
from treescan.rigging.model import SAFETY_PERSON, SparModel, spar_model
from treescan.rigging.spar import allowable_n
from treescan.rigging.types import Anchor
from treescan.site.model import Site
from treescan.skeleton.graph import MODELLED, TreeGraph
from treescan.units import G_M_S2
from treescan.wood.decay import WoodState
from treescan.wood.strength import MOR_CV, Z_95
from treescan.wood.types import GreenMass, Species

Floats = npt.NDArray[np.float64]
Int64s = npt.NDArray[np.int64]

MIN_DIAMETER_M = 0.10
"""Sound diameter for a tie-in [common practice]."""
MIN_HEIGHT_M = 4.0
STATIC_SAFETY = 10.0
"""Safety factor on the climber's weight at the mean green strength, after the field, union and
defect factors [assumption]."""
STOP_FACTOR = 4.186
"""Abrupt stop of a descent, tension over weight (Kane 2007, Arboric. Urban For. 33(1), p. 41)."""
FALL_FACTOR = 10.6
"""Highest peak over weight in simulated falls (Kane 2020, Urban For. Urban Green. 49:126625).

Printed beside every tie-in: slack in the climbing line is what makes a fall.
"""
LOW_OVER_MEAN = 1.0 - Z_95 * MOR_CV
BASE_FACTOR = 2.0
"""A line anchored at the base puts up to twice the climber's weight on the tie-in (statics)."""
APART_M = 1.0
"""A tie-in keeps at least this far from a rigging anchor [judgement]."""
BARE_STEM_M = 3.0
"""A stem without a union ranks as if it were this much lower: the line must be choked round it."""
KIT_KG = 10.0
"""Climbing gear and saw added to the climber's mass [judgement]."""
OFFSET_M = 0.1
"""The line bears this far off the bark [judgement]."""
TILT_DEG = 15.0
"""Pull of a climber working aside, from the plumb line [judgement]."""


def find_tie_ins(
    graph: TreeGraph,
    measures: TreeMeasures,
    species: Species,
    mass: GreenMass,
    site: Site,
    ground: Ground,
    wood_state: WoodState | None = None,
) -> tuple[Anchor, ...]:
    """All tie-in candidates, best first; the rejected ones follow with their reason.

    A tie-in is a union of at least 100 mm sound diameter that carries the climber with a safety
    factor of 10 at the mean strength, and an abrupt stop of 4.2 weights at the low side of
    strength, each in the weakest of nine directions and with the low side of the diameter.
    Rank: height and strength in hand; nearness to a wish of the site file leads.

    Parameters
    ----------
    graph, measures, species, mass, site, ground
        The tree and the job, local frame.
    wood_state : WoodState, optional

    Returns
    -------
    tuple of Anchor
        Ids "T1", "T2", ...; ``allowable_n`` is the pull allowed at safety factor 10.
    """
    model = spar_model(graph, mass, species, measures, site, wood_state=wood_state)
    node, union = candidate_nodes(graph)
    keep = graph.order[node] <= 1
    node, union = node[keep], union[keep]
    height = heights_m(graph, ground)
    force, section = _weakest(model, node)
    weight = climber_n(site.climber.mass_kg)
    rows = []
    for i, at in enumerate(node):
        reason = _reason(model, int(at), int(union[i]), height, float(force[i]), weight)
        anchor = Anchor(
            anchor_id="",
            node=int(at),
            position_m=graph.position_m[at].copy(),
            height_m=float(height[at]),
            diameter_m=float(2.0 * graph.radius_m[at]),
            union_ratio=float(model.union_ratio[union[i]]) if union[i] >= 0 else 0.0,
            allowable_n=float(force[i]),
            governs=f"section at {height[section[i]]:.1f} m, safety factor {SAFETY_PERSON:g}",
            best_direction=np.array([0.0, 0.0, -1.0]),
            rejected=reason,
            notes=(
                f"takes {SAFETY_PERSON * force[i] / (FALL_FACTOR * weight):.1f} times the worst "
                f"measured fall ({FALL_FACTOR:g} weights) before breaking; "
                + (
                    "a line anchored at the base is within safety factor 10"
                    if force[i] >= BASE_FACTOR * weight
                    else "no line anchored at the base: it would double the pull"
                ),
                "test it with two persons' weight before the ascent [common practice]",
                *(() if union[i] >= 0 else ("no union: choke the line round the stem",)),
            ),
        )
        rows.append((bool(reason), _rank(anchor, site, weight), int(at), anchor))
    rows.sort(key=lambda row: row[:3])
    return tuple(
        replace(anchor, anchor_id=f"T{number}")
        for number, (_, _, _, anchor) in enumerate(rows, start=1)
    )


def needed_n(weight_n: float) -> float:
    """Breaking load a tie-in must have on the low side of strength for a climber's weight. [N]"""
    return max(STATIC_SAFETY * LOW_OVER_MEAN, STOP_FACTOR) * weight_n


def tie_in_pull(anchor: Anchor, climber_kg: float) -> tuple[float, float]:
    """Pull of an abrupt stop on a tie-in, and the share of what it must hold (1 at the limit).

    Parameters
    ----------
    anchor : Anchor
        From :func:`find_tie_ins`.
    climber_kg : float
        The climber without kit. [kg]

    Returns
    -------
    (pull, share) : tuple of float
        [N]
    """
    weight = climber_n(climber_kg)
    return STOP_FACTOR * weight, needed_n(weight) / max(SAFETY_PERSON * anchor.allowable_n, 1.0)


def climber_n(climber_kg: float) -> float:
    """Weight of a climber with kit, hanging at rest. [N]"""
    return (climber_kg + KIT_KG) * G_M_S2


def _apart(one: Anchor, other: Anchor) -> bool:
    return float(np.linalg.norm(one.position_m - other.position_m)) >= APART_M


def second_tie_in(tie_ins: Sequence[Anchor], first: Anchor) -> Anchor | None:
    """Second attachment while the saw runs: the best usable one at least 1 m from the first.

    Parameters
    ----------
    tie_ins : sequence of Anchor
        Best first.
    first : Anchor
        The climber's own.
    """
    return next((t for t in tie_ins if not t.rejected and _apart(t, first)), None)


def shared_out(
    anchors: Sequence[Anchor], tie_ins: Sequence[Anchor]
) -> tuple[tuple[Anchor, ...], tuple[Anchor, ...]]:
    """Give the best tie-in to the climber and what is 1 m from it to the rigging.

    Where that would leave no anchor, the climber takes the next tie-in that leaves one.  When
    all of them share the only place, both keep it: the caller has to say so.

    Parameters
    ----------
    anchors, tie_ins : sequence of Anchor
        Best first.

    Returns
    -------
    (anchors, tie_ins) : tuple of Anchor, tuple of Anchor
        The same, with reasons for those that are now rejected; rejected tie-ins come last.
    """
    for tie in tie_ins:
        if tie.rejected or not any(not a.rejected and _apart(a, tie) for a in anchors):
            continue
        kept = f"kept for the climber: tie-in {tie.anchor_id} is less than {APART_M:g} m away"
        given = "kept for the rigging: no other anchor would be left"
        left = tuple(a if a.rejected or _apart(a, tie) else replace(a, rejected=kept)
                     for a in anchors)  # fmt: skip
        place = tie_ins.index(tie)
        passed = tuple(t if t.rejected else replace(t, rejected=given) for t in tie_ins[:place])
        return left, _usable_first((*passed, *tie_ins[place:]))
    return tuple(anchors), tuple(tie_ins)


def away_from_rigging(tie_ins: Sequence[Anchor], rigging: Sequence[Anchor]) -> tuple[Anchor, ...]:
    """Reject tie-ins less than 1 m from an anchor in use; the usable ones come first.

    Parameters
    ----------
    tie_ins, rigging : sequence of Anchor
    """
    rows = []
    for tie in tie_ins:
        near = next((a.anchor_id for a in rigging if not _apart(a, tie)), None)
        shares = f"shares its place with the rigging anchor {near}"
        rows.append(tie if tie.rejected or near is None else replace(tie, rejected=shares))
    return _usable_first(rows)


def _usable_first(tie_ins: Sequence[Anchor]) -> tuple[Anchor, ...]:
    return tuple(sorted(tie_ins, key=lambda tie: bool(tie.rejected)))


def _weakest(model: SparModel, node: Int64s) -> tuple[Floats, Int64s]:
    """Allowable pull in the weakest of nine directions and its section, shape (k,) each.

    Zero where the wood is too thin to be looked at.
    """
    pull, section = np.zeros(len(node)), node.copy()
    thick = np.flatnonzero(model.diameter_m[node] >= MIN_DIAMETER_M)
    if not len(thick):
        return pull, section
    at = node[thick]
    turn = np.radians(np.arange(0.0, 360.0, 45.0))
    tilt = np.radians(TILT_DEG)
    ways = np.vstack(
        [[0.0, 0.0, -1.0]]
        + [[np.sin(tilt) * np.cos(a), np.sin(tilt) * np.sin(a), -np.cos(tilt)] for a in turn]
    )
    side = ways * np.array([1.0, 1.0, 0.0])
    side[0, 0] = 1.0
    side /= np.linalg.norm(side, axis=1)[:, None]
    off = model.graph.radius_m[at] + OFFSET_M
    point = model.graph.position_m[at] + off[:, None] * side[:, None, :]
    force, worst = allowable_n(
        model,
        np.tile(at, len(ways)),
        point.reshape(-1, 3),
        np.repeat(ways, len(at), axis=0),
        SAFETY_PERSON,
    )
    force, worst = force.reshape(len(ways), -1), worst.reshape(len(ways), -1)
    least = np.argmin(force, axis=0)
    column = np.arange(len(at))
    pull[thick], section[thick] = force[least, column], worst[least, column]
    return pull, section


def _reason(
    model: SparModel,
    node: int,
    union: int,
    height: Floats,
    force_n: float,
    weight_n: float,
) -> str:
    graph, state = model.graph, model.state
    path = graph.ancestors(node)[:-1]
    diameter = float(model.diameter_m[node])
    if diameter < MIN_DIAMETER_M:
        return f"too thin: {diameter * 100:.0f} cm sound diameter, at least 10 cm is needed"
    if height[node] < MIN_HEIGHT_M:
        return f"too low: {height[node]:.1f} m; a tie-in is above the work"
    if state.dead[path].any() or state.decayed[path].any() or state.cracked[path].any():
        return "dead, decayed or cracked wood between it and the ground"
    if union < 0 and graph.order[node] > 0:
        return "no union: a bare limb lets the line slide"
    if union >= 0 and model.included_bark[union]:
        return "poor union: included bark"
    if graph.source[node] == MODELLED:
        return "the scan did not see it: its diameter is a guess"
    needed = needed_n(weight_n)
    if SAFETY_PERSON * force_n < needed:
        return (
            f"too weak for a person: breaks at {SAFETY_PERSON * force_n / 1000:.1f} kN on the "
            f"low side, {needed / 1000:.1f} kN is needed"
        )
    return ""


def _rank(anchor: Anchor, site: Site, weight_n: float) -> float:
    """Smaller is better: height and strength in hand, pulled toward the wish if there is one."""
    hand = min(anchor.allowable_n / (BASE_FACTOR * weight_n), 3.0)
    score = -anchor.height_m - 1.0 * hand + (0.0 if anchor.union_ratio > 0.0 else BARE_STEM_M)
    if site.climber.tie_in_m is not None:
        score += 10.0 * float(np.linalg.norm(anchor.position_m - np.array(site.climber.tie_in_m)))
    return score
