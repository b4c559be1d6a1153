"""Fewer cuts: a piece stays on the wood it grows on where both come down together as well."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from treescan.planning.candidates import CutSet, piece_length_m, piece_limits
from treescan.planning.job import Job
from treescan.planning.options import CREDIBLE, Option, cost_min
from treescan.wood.types import Piece

SHARE_MIN = 20.0
"""Minutes that a load at its whole limit counts for when ways are compared: our choice."""

ROUNDS = 2

Judged = Callable[[CutSet, int], tuple[Piece, tuple[Option, ...]]]
MayFall = Callable[[CutSet, int], bool]


def with_fewer_cuts(
    job: Job, pieces: CutSet, judged: Judged, may_fall: MayFall, cuts: set[int]
) -> CutSet:
    """Leave out cuts that buy nothing, from the tips inward.

    A cut is left out where the piece and the wood it grows on are within the size rules
    together, have a way down together that keeps every limit, is no more often breached than
    the worse of both or than is credible, and costs no more than both and the climber's move
    between them.

    Parameters
    ----------
    judged : callable
        Piece and options of a row of a division.
    may_fall : callable
        Whether a piece has a way to fall that keeps every limit: asked first where the line
        would take longer than both parts do, which is cheaper than looking at the line.
    cuts : set of int
        Cuts that may be left out.
    """
    low, high = job.inputs.site.minutes.climber_move
    move = 0.5 * (low + high)
    lined = sum(job.inputs.site.minutes.lowered_limb) / 2.0
    mass = job.inputs.mass.high_kg
    most_kg, most_m = piece_limits(job.inputs.graph, job.rules, job.height_m)
    for _ in range(ROUNDS):
        before = len(pieces)
        for cut in sorted(cuts & set(pieces.cuts.tolist()), reverse=True):
            row = int(np.searchsorted(pieces.cuts, cut))
            holder = int(pieces.holder[row])
            if holder < 0 or stays_a_limb(job, pieces, row):
                continue
            base = int(pieces.cuts[holder])
            nodes = np.concatenate([pieces.members[holder], pieces.members[row]])
            if mass[nodes].sum() > most_kg[base]:
                continue
            if piece_length_m(job.inputs.graph, np.sort(nodes)) > most_m[base]:
                continue
            joined = pieces.changed(drop=[cut])
            parts = [judged(pieces, r)[1][0] for r in (row, holder)]
            most = sum(cost_min(part, SHARE_MIN) for part in parts) + move
            here = int(joined.piece_of[base])
            if all(p.kept for p in parts) and most < lined and not may_fall(joined, here):
                continue
            if _no_worse(parts, judged(joined, here)[1][0], most):
                pieces = joined
        if len(pieces) == before:
            break
    return pieces


def _no_worse(parts: list[Option], whole: Option, most_min: float) -> bool:
    """Whether the joined piece costs no more than both and is as sure."""
    if not whole.kept:
        return False
    if any(not part.kept for part in parts):
        return True
    if whole.chance > max(CREDIBLE, *(part.chance for part in parts)):
        return False
    return cost_min(whole, SHARE_MIN) <= most_min


def stays_a_limb(job: Job, pieces: CutSet, row: int) -> bool:
    """Whether a piece is a limb of a stem that is taken in logs: it comes off by itself."""
    graph, rules = job.inputs.graph, job.rules
    cut = int(pieces.cuts[row])
    up = int(graph.parent[cut])
    log = graph.order[up] == 0 and 2.0 * graph.radius_m[up] >= rules.top_diameter_m
    return bool(log and graph.limb[cut] != graph.limb[up])
