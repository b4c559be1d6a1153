"""Another cut where a piece has no way down: joined to a neighbour, or cut a little further along.

Finer cuts were tried before, to some depth.  What is left often has a way as part of a larger
piece, with one cut more, or when its cut lies half a metre away; without that, whether a job has a
plan hangs on where the first cuts happened to fall.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from treescan.planning.candidates import (
    LEAST_SPLIT_KG,
    CutSet,
    piece_length_m,
    piece_limits,
    reachable,
)
from treescan.planning.job import Job
from treescan.planning.options import Option
from treescan.wood.types import Piece

Judged = Callable[[CutSet, int], tuple[Piece, tuple[Option, ...]]]
Change = tuple[list[int], list[int]]

SHIFTS_M = (0.4, 0.8, 1.3)
"""How far along the wood a cut is tried elsewhere: our choice. [m]"""

MOST_LATERALS = 3
"""Laterals of one piece that are tried as pieces of their own: our choice."""

MOST_TRIED = 80
"""Divisions tried in one job: bounds the time."""


def recut(job: Job, pieces: CutSet, judged: Judged, fixed: frozenset[int]) -> CutSet:
    """Change cuts of pieces without a way so that less wood is left without one.

    Parameters
    ----------
    judged : callable
        Piece and options of a row of a division.
    fixed : frozenset of int
        Cuts asked for by hand, left as they are, with their pieces.
    """
    stuck = [int(c) for row, c in enumerate(pieces.cuts) if _stuck_kg(pieces, judged, row) > 0.0]
    stuck.sort(key=lambda cut: -job.inputs.graph.path_length_m[cut])
    tried = 0
    for cut in stuck:
        row = int(np.searchsorted(pieces.cuts, cut))
        if row == len(pieces) or pieces.cuts[row] != cut or not _stuck_kg(pieces, judged, row):
            continue
        best, left = pieces, _all_stuck_kg(pieces, judged)
        for add, drop in changes(job, pieces, row, fixed):
            if tried >= MOST_TRIED:
                return best
            other = pieces.changed(add=add, drop=drop)
            if not within_rules(job, pieces, other):
                continue
            tried += 1
            kg = _all_stuck_kg(other, judged)
            if kg < left - 1e-6:
                best, left = other, kg
                if not _still_stuck(pieces, row, other, judged):
                    break
        pieces = best
    return pieces


def changes(job: Job, pieces: CutSet, row: int, fixed: frozenset[int]) -> Iterator[Change]:
    """Cuts to add and to drop: joined with neighbours, one cut more, or moved along the wood."""
    cut = int(pieces.cuts[row])
    outer = [int(pieces.cuts[other]) for other in pieces.outer[row]]
    if cut in fixed:
        return
    inside = pieces.holder[row] >= 0
    if inside:
        yield [], [cut]
    for other in outer:
        if other not in fixed:
            yield [], [other]
    along = _along(job, pieces, row)
    for node in along:
        if pieces.piece_of[node] == row:
            yield [node], []
    for node in _laterals(job, pieces, row):
        yield [node], []
    if inside:
        for node in along:
            yield [node], [cut]


def _laterals(job: Job, pieces: CutSet, row: int) -> list[int]:
    """First nodes of the limbs that a piece's own limb carries, the heaviest first."""
    graph, can = job.inputs.graph, reachable(job.inputs.graph, job.rules)
    mass, own = job.inputs.mass.high_kg, graph.limb[int(pieces.cuts[row])]
    members = pieces.members[row]
    carried = {int(n) for n in members}
    bases = [
        int(n)
        for n in members
        if graph.limb[n] != own and can[n] and graph.limb[graph.parent[n]] == own
    ]
    weight = {n: sum(float(mass[m]) for m in graph.subtree(n) if int(m) in carried) for n in bases}
    return sorted(bases, key=lambda n: -weight[n])[:MOST_LATERALS]


def _along(job: Job, pieces: CutSet, row: int) -> list[int]:
    """Nodes near a cut, inward on the piece that holds it and outward on its own limb."""
    graph, can = job.inputs.graph, reachable(job.inputs.graph, job.rules)
    cut, holder = int(pieces.cuts[row]), int(pieces.holder[row])
    here = float(graph.path_length_m[cut])
    inward = [n for n in graph.ancestors(cut)[:-1] if pieces.piece_of[n] == holder]
    inward = [n for n in inward if n != pieces.cuts[holder]]
    outward = [int(n) for n in pieces.members[row] if graph.limb[n] == graph.limb[cut]]
    found: list[int] = []
    for shift in SHIFTS_M:
        for nodes, goal in ((inward, here - shift), (outward, here + shift)):
            near = [n for n in nodes if can[n] and n != cut]
            if near:
                best = min(near, key=lambda n: abs(float(graph.path_length_m[n]) - goal))
                if abs(float(graph.path_length_m[best]) - goal) < 0.3:
                    found.append(int(best))
    return list(dict.fromkeys(found))


def within_rules(job: Job, before: CutSet, after: CutSet) -> bool:
    """Whether the pieces that a change makes keep the size rules."""
    mass = job.inputs.mass.high_kg
    most_kg, most_m = piece_limits(job.inputs.graph, job.rules, job.height_m)
    known = {before.key(row) for row in range(len(before))}
    for row, cut in enumerate(after.cuts):
        if after.key(row) in known:
            continue
        nodes = after.members[row]
        if not LEAST_SPLIT_KG <= mass[nodes].sum() <= most_kg[cut]:
            return False
        length = piece_length_m(job.inputs.graph, nodes)
        if not job.rules.least_length_m <= length <= most_m[cut]:
            return False
    return True


def _stuck_kg(pieces: CutSet, judged: Judged, row: int) -> float:
    """Mass of a piece that has no way which keeps every limit, else 0. [kg]"""
    piece, options = judged(pieces, row)
    return 0.0 if options[0].kept else float(piece.mass_kg.high)


def _all_stuck_kg(pieces: CutSet, judged: Judged) -> float:
    return sum(_stuck_kg(pieces, judged, row) for row in range(len(pieces)))


def _still_stuck(before: CutSet, row: int, after: CutSet, judged: Judged) -> bool:
    """Whether any wood of a former piece is still without a way."""
    rows = {int(r) for r in after.piece_of[before.members[row]] if r >= 0}
    return any(_stuck_kg(after, judged, r) > 0.0 for r in rows)
