"""Leaders that one cut below their union takes together, where no time and no limit is lost by it.

The leaning leader takes the other along: the piece goes where the common centre of mass of both
leads it, which the hinge's aim and the pull it needs are held against (see
:mod:`treescan.planning.leaning`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from treescan.planning.candidates import CutSet, reachable
from treescan.planning.falls import UPRIGHT_DEG, upright_deg
from treescan.planning.job import Job
from treescan.planning.options import Option
from treescan.wood.types import Piece

Judged = Callable[[CutSet, int], tuple[Piece, tuple[Option, ...]]]

SAME_UNION_M = 0.6
BELOW_UNION_M = 0.3
"""Leaders whose cuts are this near grow from one union; the common cut lies so far below it: common
practice, no source. [m]"""


@dataclass(frozen=True)
class Common:
    """A cut below a union in place of one through each leader; all are nodes."""

    below: int
    leaders: tuple[int, ...]


def taken_together(
    job: Job, pieces: CutSet, judged: Judged, fixed: frozenset[int]
) -> tuple[CutSet, list[Common]]:
    """Join leaders of one union under a common cut where limits are kept and no time is lost.

    Parameters
    ----------
    judged : callable
        Piece and options of a row of a division.
    fixed : frozenset of int
        Cuts asked for by hand, left as they are.

    Returns
    -------
    (CutSet, list of Common)
        The division, and its common cuts.
    """
    found: list[Common] = []
    for leaders, below in list(unions(job, pieces, judged)):
        if fixed & {*leaders, below} or not set(leaders) <= set(pieces.cuts.tolist()):
            continue
        joined = pieces.changed(add=[below], drop=leaders)
        inside = [int(joined.piece_of[below]), int(joined.piece_of[job.inputs.graph.parent[below]])]
        before = _minutes(pieces, judged, {int(pieces.piece_of[n]) for n in (*leaders, below)})
        after = _minutes(joined, judged, {row for row in inside if row >= 0})
        piece, options = judged(joined, inside[0])
        if options[0].method == "hinge fall" and after <= before and within_length(job, piece):
            pieces = joined
            found.append(Common(below, tuple(leaders)))
    return pieces, found


def within_length(job: Job, piece: Piece) -> bool:
    """Whether leaders taken together are no longer than a limb may be."""
    return bool(piece.length_m <= job.rules.max_length_m)


def told_together(job: Job, pieces: CutSet, common: Iterable[Common]) -> list[str]:
    """A sentence for each common cut that a division has."""
    cuts = set(pieces.cuts.tolist())
    return [
        f"One cut below the union at {job.height_m[c.below]:.1f} m takes {len(c.leaders)} leaders"
        " together: they go where their common weight leads them."
        for c in common
        if c.below in cuts and not cuts & set(c.leaders)
    ]


def unions(job: Job, pieces: CutSet, judged: Judged) -> Iterator[tuple[list[int], int]]:
    """Leaders (cuts) that grow from one union of a piece, and the node of a cut below it."""
    graph = job.inputs.graph
    can = reachable(graph, job.rules)
    for row, outer in enumerate(pieces.outer):
        upright = [
            r
            for r in outer
            if not pieces.outer[r] and upright_deg(judged(pieces, r)[0]) <= UPRIGHT_DEG
        ]
        if len(upright) < 2:
            continue
        cuts = [int(pieces.cuts[r]) for r in upright]
        lowest = min(cuts, key=lambda c: float(graph.path_length_m[c]))
        place = graph.position_m[graph.parent[cuts]]
        near = np.linalg.norm(place - graph.position_m[graph.parent[lowest]], axis=1)
        leaders = [c for c, away in zip(cuts, near, strict=True) if away <= SAME_UNION_M]
        below = int(graph.parent[lowest])
        union = graph.path_length_m[below]
        inside = set(pieces.members[row].tolist())
        while below in inside and union - graph.path_length_m[below] < BELOW_UNION_M:
            below = int(graph.parent[below])
        whole = len(leaders) == len(outer)
        outside = below not in inside or below == int(pieces.cuts[row])
        if len(leaders) >= 2 and whole and not outside and can[below]:
            yield leaders, below


def _minutes(pieces: CutSet, judged: Judged, rows: set[int]) -> float:
    """Likely minutes of some pieces; infinite where one has no way down."""
    total = 0.0
    for row in rows:
        options = judged(pieces, row)[1]
        if not options[0].kept:
            return float("inf")
        total += options[0].minutes.likely
    return total
