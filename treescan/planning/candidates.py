"""Where to cut: a first set of cuts along every limb and stem, and finer cuts on demand.

A cut is named by a node (see :mod:`treescan.skeleton.graph`).  The set is built from the tips
inward, each piece as large as the limits allow, the worst child cut first.  For a weight limit
alone this is the least number of pieces: S. Kundu & J. Misra, "A linear tree partitioning
algorithm", SIAM J. Comput. 6(1):151-154 (1977).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.errors import InvalidInputError
from treescan.pointcloud.cloud import Ground
from treescan.skeleton.graph import TreeGraph
from treescan.wood.types import GreenMass

Floats = npt.NDArray[np.float64]
Key = tuple[int, tuple[int, ...]]
Int32s = npt.NDArray[np.int32]
Bools = npt.NDArray[np.bool_]

STUMP_HEIGHT_M = 0.2
"""Stems are cut this high above the ground; lower wood stays as the stump. [m]"""


LEAST_SPLIT_KG = 2.0
"""No piece is divided so far that a part weighs less than this: our choice. [kg]"""


@dataclass(frozen=True)
class CutRules:
    """Limits on a single piece and on where a climber can cut.

    ``top_diameter_m``: above this stem diameter limbs come off one by one, below it the top
    keeps its branches.  ``trim_*``: side twigs up to this size stay on the section that holds
    them.  ``walk_diameter_m``: wood a climber works from; a cut further out than ``reach_m``
    from such wood cannot be made by hand.  All of these are common practice, no source.
    """

    max_mass_kg: float
    max_length_m: float
    log_length_m: float
    max_cut_diameter_m: float
    reach_m: float
    stump_height_m: float = STUMP_HEIGHT_M
    top_diameter_m: float = 0.15
    walk_diameter_m: float = 0.10
    trim_diameter_m: float = 0.04
    trim_mass_kg: float = 12.0
    least_length_m: float = 0.4

    def finer(self, factor: float) -> CutRules:
        """Return rules with the mass and lengths of a piece scaled by ``factor`` (0..1)."""
        return replace(
            self,
            max_mass_kg=self.max_mass_kg * factor,
            max_length_m=max(self.max_length_m * factor, self.least_length_m),
            log_length_m=max(self.log_length_m * factor, self.least_length_m),
        )


@dataclass(frozen=True)
class CutSet:
    """A tree divided into pieces by cuts.

    Attributes
    ----------
    cuts : ndarray, shape (k,), int32, ascending node numbers
    piece_of : ndarray, shape (n,), int32
        Row in ``cuts`` of the piece each node belongs to; -1 for the stump and for wood that
        is no longer standing.
    """

    graph: TreeGraph
    cuts: Int32s
    piece_of: Int32s

    def __len__(self) -> int:
        return len(self.cuts)

    @cached_property
    def holder(self) -> Int32s:
        """Row of the piece that each piece grows on, shape (k,); -1 where it is the stump."""
        result: Int32s = self.piece_of[self.graph.parent[self.cuts]]
        return result

    @cached_property
    def members(self) -> tuple[Int32s, ...]:
        """Nodes of each piece, one array (k,) a piece."""
        order = np.argsort(self.piece_of, kind="stable")
        bounds = np.searchsorted(self.piece_of[order], np.arange(len(self) + 1))
        return tuple(order[bounds[i] : bounds[i + 1]].astype(np.int32) for i in range(len(self)))

    @cached_property
    def outer(self) -> tuple[tuple[int, ...], ...]:
        """Rows of the pieces that grow directly on each piece."""
        rows: list[list[int]] = [[] for _ in range(len(self))]
        for row, holder in enumerate(self.holder):
            if holder >= 0:
                rows[holder].append(row)
        return tuple(tuple(row) for row in rows)

    def inner_cuts(self, row: int) -> tuple[int, ...]:
        """Cuts that must be made before piece ``row`` is this piece, as node numbers."""
        return tuple(int(self.cuts[other]) for other in self.outer[row])

    def key(self, row: int) -> Key:
        """What a piece is, whatever else is cut: its cut and those at its outer ends."""
        return int(self.cuts[row]), self.inner_cuts(row)

    def changed(self, add: npt.ArrayLike = (), drop: npt.ArrayLike = ()) -> CutSet:
        """Return the set with cuts added and dropped; wood that is gone stays gone."""
        standing = self.piece_of >= 0
        cuts = np.setdiff1d(np.union1d(self.cuts, np.asarray(add, dtype=np.int32)), drop)
        return cut_set(self.graph, cuts, standing=standing)


def cut_set(graph: TreeGraph, cuts: npt.ArrayLike, standing: Bools | None = None) -> CutSet:
    """Divide the standing wood of ``graph`` at ``cuts``.

    Parameters
    ----------
    cuts : array_like of int
        Nodes; duplicates are dropped.
    standing : ndarray, shape (n,), bool, optional
        Wood not yet gone.

    Raises
    ------
    InvalidInputError
        If a cut is no node of the tree, or its root.
    """
    chosen = np.unique(np.asarray(cuts, dtype=np.int32))
    if len(chosen) and (chosen[0] < 1 or chosen[-1] >= len(graph)):
        raise InvalidInputError(
            f"a cut names node {chosen[0] if chosen[0] < 1 else chosen[-1]}; cuts lie on nodes"
            f" 1 to {len(graph) - 1}."
        )
    row = np.full(len(graph), -1, dtype=np.int32)
    row[chosen] = np.arange(len(chosen))
    piece_of = _spread_rows(graph.parent, row)
    if standing is not None:
        piece_of[~standing] = -1
    return CutSet(graph, chosen, piece_of)


def height_above_ground_m(graph: TreeGraph, ground: Ground) -> Floats:
    """Height of every node above the ground right under it, shape (n,). [m]"""
    result: Floats = graph.position_m[:, 2] - ground.height(
        graph.position_m[:, 0], graph.position_m[:, 1]
    )
    return result


def stump_cuts(graph: TreeGraph, ground: Ground, stump_height_m: float) -> Int32s:
    """Return the first node of every stem above the stump, (s,): the last cuts of the job.

    The stump's height counts from the ground at the foot of the stem.
    """
    height = graph.position_m[:, 2] - ground.height(*graph.position_m[0, :2])
    below = np.zeros(len(graph), dtype=bool)
    below[0] = True
    for node in range(1, len(graph)):
        below[node] = below[graph.parent[node]] and height[node] <= stump_height_m
    above = ~below
    above[0] = False
    result: Int32s = np.flatnonzero(above & below[graph.parent]).astype(np.int32)
    return result


def reachable(graph: TreeGraph, rules: CutRules) -> Bools:
    """Nodes where a climber can cut: within reach of wood that carries a climber, (n,)."""
    key = (rules.walk_diameter_m, rules.reach_m)
    kept: dict[tuple[float, float], Bools] = graph.__dict__.setdefault("_reachable", {})
    if key not in kept:
        strong = 2.0 * graph.radius_m >= rules.walk_diameter_m
        anchor = _last_strong(graph.parent, strong)
        away = np.linalg.norm(graph.edge_start_m - graph.position_m[anchor], axis=1)
        kept[key] = away <= rules.reach_m
    return kept[key]


@njit(cache=True)
def _last_strong(parent: Int32s, strong: Bools) -> Int32s:
    """Nearest node toward the root that is strong (itself included), shape (n,)."""
    result = np.zeros(len(parent), dtype=np.int32)
    for node in range(1, len(parent)):
        result[node] = node if strong[node] else result[parent[node]]
    return result


@njit(cache=True)
def _spread_rows(parent: Int32s, row: Int32s) -> Int32s:
    """Row of the nearest cut toward the root (itself included), -1 without one, (n,)."""
    result = np.full(len(parent), -1, dtype=np.int32)
    for node in range(1, len(parent)):
        result[node] = row[node] if row[node] >= 0 else result[parent[node]]
    return result


@dataclass
class _Growing:
    """The uncut remainder at each node while cutting from the tips inward."""

    mass_kg: dict[int, float]
    length_m: dict[int, float]
    cut: set[int]
    shortened: set[int] = field(default_factory=set)


def _cut_worst(
    state: _Growing, children: list[int], own: tuple[float, float], limit: tuple[float, float]
) -> list[int]:
    """Cut children until mass and length are within their limits; return those kept."""
    kept = list(children)
    while kept:
        mass = own[0] + sum(state.mass_kg[c] for c in kept)
        length = own[1] + max(state.length_m[c] for c in kept)
        if mass <= limit[0] and length <= limit[1]:
            break
        key = state.mass_kg if mass > limit[0] else state.length_m
        worst = max(kept, key=lambda c: (key[c], -c))
        state.cut.add(worst)
        kept.remove(worst)
    return kept


def piece_limits(graph: TreeGraph, rules: CutRules, height_m: Floats) -> tuple[Floats, Floats]:
    """Mass [kg] and length [m] limit of a piece whose cut is at each node, shapes (n,).

    ``height_m`` (n,) is that of the nodes above the ground.
    """
    log = (graph.order == 0) & (2.0 * graph.radius_m >= rules.top_diameter_m)
    hang = np.clip(0.8 * height_m, min(3.0, rules.max_length_m), rules.max_length_m)
    return np.full(len(graph), rules.max_mass_kg), np.where(log, rules.log_length_m, hang)


def grow_cuts(
    graph: TreeGraph,
    mass_kg: Floats,
    height_m: Floats,
    rules: CutRules,
    nodes: npt.ArrayLike | None = None,
) -> Int32s:
    """Return cuts that keep every piece within the rules, as far as a climber can reach.

    Parameters
    ----------
    mass_kg : ndarray, shape (n,)
        Mass that counts against the limit (the high one).
    height_m : ndarray, shape (n,)
        Height above ground.
    nodes : array_like, optional
        Connected nodes to divide, parents before children, its first one the cut that stays;
        the whole tree when left out.
    """
    chosen = np.arange(len(graph)) if nodes is None else np.sort(np.asarray(nodes))
    can = reachable(graph, rules)
    mass_limit, length_limit = piece_limits(graph, rules, height_m)
    spar = (graph.order == 0) & (2.0 * graph.radius_m >= rules.top_diameter_m)
    state = _Growing({}, {}, set())
    children: dict[int, list[int]] = {int(node): [] for node in chosen}
    for node in chosen[::-1].tolist():
        kept = children[node]
        if spar[node]:
            kept = _clear_spar(graph, state, kept, spar, rules)
        fixed = [c for c in kept if not can[c]]
        base = sum(state.mass_kg[c] for c in fixed)
        reach = max((state.length_m[c] for c in fixed), default=0.0)
        own = (float(mass_kg[node]) + base, float(graph.edge_length_m[node]))
        free = [c for c in kept if can[c]]
        free = _cut_worst(state, free, own, (float(mass_limit[node]), float(length_limit[node])))
        state.mass_kg[node] = own[0] + sum(state.mass_kg[c] for c in free)
        state.length_m[node] = own[1] + max([reach, *(state.length_m[c] for c in free)])
        up = int(graph.parent[node])
        if up in children:
            children[up].append(node)
            cut_here = len(free) + len(fixed) < len(kept)
            if cut_here or any(c in state.shortened for c in kept):
                state.shortened.add(node)
    result: Int32s = np.array(sorted(state.cut), dtype=np.int32)
    return result


def _clear_spar(
    graph: TreeGraph, state: _Growing, children: list[int], spar: Bools, rules: CutRules
) -> list[int]:
    """Take limbs off the spar; whole twigs stay. Return the children kept."""
    kept = []
    for child in children:
        if graph.limb[child] == graph.limb[graph.parent[child]] or spar[child]:
            kept.append(child)
            continue
        small = (
            2.0 * graph.edge_start_radius_m[child] <= rules.trim_diameter_m
            and state.mass_kg[child] <= rules.trim_mass_kg
        )
        if small and child not in state.shortened:
            kept.append(child)
        else:
            state.cut.add(child)
    return kept


def first_cuts(
    graph: TreeGraph,
    mass: GreenMass,
    ground: Ground,
    rules: CutRules,
    standing: Bools | None = None,
) -> CutSet:
    """Return the first set of cuts for all standing wood above the stump.

    ``standing`` (n,) marks nodes not yet taken; all when omitted.
    """
    last = stump_cuts(graph, ground, rules.stump_height_m)
    height = height_above_ground_m(graph, ground)
    alive = np.ones(len(graph), dtype=bool) if standing is None else standing
    cuts: list[int] = []
    for stump in last:
        nodes = graph.subtree(int(stump))
        nodes = nodes[alive[nodes]]
        if len(nodes) == 0 or nodes[0] != stump:
            continue
        cuts.append(int(stump))
        cuts += grow_cuts(graph, mass.high_kg, height, rules, nodes).tolist()
    return evened(cut_set(graph, cuts, standing=alive), mass.high_kg, rules)


def evened(pieces: CutSet, mass_kg: Floats, rules: CutRules) -> CutSet:
    """Move cuts outward where a stub would be left, so that both parts weigh about the same.

    Only cuts along one limb move, to nodes within the climber's reach.

    ``mass_kg`` (n,) is that of each node.
    """
    graph, can = pieces.graph, reachable(pieces.graph, rules)
    weight = np.array([mass_kg[nodes].sum() for nodes in pieces.members])
    moved: dict[int, int] = {}
    for row in range(len(pieces) - 1, -1, -1):
        cut, holder = int(pieces.cuts[row]), int(pieces.holder[row])
        if holder < 0 or graph.limb[pieces.cuts[holder]] != graph.limb[cut]:
            continue
        if graph.limb[cut] == 0 or weight[holder] > 0.3 * weight[row]:
            continue
        along = [int(n) for n in pieces.members[row] if graph.limb[n] == graph.limb[cut] and can[n]]
        beyond = _subtree_mass_kg(graph, pieces, row, mass_kg)
        half = 0.5 * (weight[holder] + weight[row])
        best = min(along, key=lambda n: abs(beyond[n] - half), default=cut)
        if best != cut:
            moved[cut] = best
            weight[holder] += weight[row] - beyond[best]
            weight[row] = beyond[best]
    if not moved:
        return pieces
    return pieces.changed(add=list(moved.values()), drop=list(moved))


def _subtree_mass_kg(
    graph: TreeGraph, pieces: CutSet, row: int, mass_kg: Floats
) -> dict[int, float]:
    """Mass from each node of a piece outward, within the piece."""
    nodes = pieces.members[row]
    total = {int(n): float(mass_kg[n]) for n in nodes}
    for node in nodes[::-1]:
        up = int(graph.parent[node])
        if up in total and node != nodes[0]:
            total[up] += total[int(node)]
    return total


def split_piece(
    pieces: CutSet,
    row: int,
    mass: GreenMass,
    ground: Ground,
    rules: CutRules,
    share: float,
) -> CutSet | None:
    """Divide one piece so that each part has at most ``share`` of its mass, or None.

    Parameters
    ----------
    share : float
        0..1, from how far the piece was over a limit.

    Returns
    -------
    CutSet or None
        None when no reachable cut divides the piece into parts longer than the least length.
    """
    graph, nodes = pieces.graph, pieces.members[row]
    height = height_above_ground_m(graph, ground)
    total = float(mass.high_kg[nodes].sum())
    length = float(piece_length_m(graph, nodes))
    if length < 2.0 * rules.least_length_m:
        return None
    fine = replace(
        rules,
        max_mass_kg=max(total * share, 1e-6),
        log_length_m=max(min(rules.log_length_m, 0.95 * length), rules.least_length_m),
    )
    added = grow_cuts(graph, mass.high_kg, height, fine, nodes)
    added = added[added != pieces.cuts[row]]
    if len(added) == 0:
        return None
    result = pieces.changed(add=added)
    return _without_slivers(result, mass, rules, set(added.tolist()))


def piece_length_m(graph: TreeGraph, nodes: Int32s) -> float:
    """Greatest distance along the wood from the cut to a tip of the piece. [m]

    ``nodes`` (k,) of the piece, that of its cut first.
    """
    start = graph.path_length_m[nodes[0]] - graph.edge_length_m[nodes[0]]
    return float((graph.path_length_m[nodes] - start).max())


def _without_slivers(
    pieces: CutSet, mass: GreenMass, rules: CutRules, new: set[int]
) -> CutSet | None:
    """Drop new cuts whose piece is not worth a saw cut; None when none is left."""
    short = [
        int(pieces.cuts[row])
        for row, nodes in enumerate(pieces.members)
        if int(pieces.cuts[row]) in new
        and (
            piece_length_m(pieces.graph, nodes) < rules.least_length_m
            or mass.high_kg[nodes].sum() < LEAST_SPLIT_KG
        )
    ]
    if len(short) == len(new):
        return None
    return pieces.changed(drop=short) if short else pieces
