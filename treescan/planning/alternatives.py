"""What whole plans of one job are best at, and the order of a division in the solver's terms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from treescan.planning.candidates import CutSet
from treescan.planning.dividing import Divided
from treescan.planning.edits import order_pairs
from treescan.planning.job import Job
from treescan.planning.options import Option, cost_min
from treescan.planning.ordering import Below, OrderProblem, Way
from treescan.planning.precedence import (
    DEAD,
    TIE_IN,
    add_soft,
    add_use,
    carriers,
    outer_first,
    room_wishes,
)
from treescan.planning.schedule import handling, rig_of
from treescan.planning.workload import chip_masses, crown_part
from treescan.rigging.types import Anchor

HEIGHT_MIN = 0.005
"""Minutes a metre of height and place in the order: lower limbs first, which opens room."""

ENOUGH_ROOM_M = 2.0
ROOM_WISH_MIN = 1.0
DEAD_WISH_MIN = 8.0
BROKEN_MIN = 1000.0
"""Minutes that a limit broken counts for: our choice."""


@dataclass(frozen=True)
class Preference:
    """What a plan is best at: minutes that a full load share, missing room or a move cost.

    ``height_factor`` scales the wish for lower limbs first.
    """

    name: str
    share_min: float
    room_min: float
    move_factor: float
    height_factor: float = 1.0


BALANCED = Preference("balanced", 8.0, 3.0, 1.0)
PREFERENCES = (
    BALANCED,
    Preference("least load", 60.0, 1.0, 1.0),
    Preference("most clearance", 4.0, 30.0, 1.0),
    Preference("fastest", 0.5, 0.2, 1.0, 0.1),
    Preference("fewest anchor moves", 4.0, 1.0, 6.0),
)


@dataclass(frozen=True)
class Rules:
    """Hard pairs and wishes of the order, and the anchors by number."""

    before: tuple[tuple[int, int], ...]
    wishes: tuple[tuple[int, int, float], ...]
    number: dict[str, int]
    place: tuple[int, ...]
    height_m: tuple[float, ...]
    flags: tuple[str, ...]

    @staticmethod
    def of(job: Job, divided: Divided) -> Rules:
        """Gather the rules from the tree, the tie-in, dead wood, paths and hand edits."""
        pieces = divided.pieces
        graph = outer_first(pieces)
        pairs, flags = order_pairs(pieces, job.inputs.edits or ())
        for before, after in pairs:
            if not add_soft(graph, [(before, after, "asked for by hand")]):
                graph.edges[before, after]["hard"] = True
            else:
                flags.append(
                    f"The order asked for by hand cannot be kept: the cut at node"
                    f" {pieces.cuts[before]} grows inside or holds what comes before it."
                )
        tie = main_tie_in(job)
        if tie is not None:
            holding = set(carriers(pieces, tie.node))
            for row in range(len(pieces)):
                if row not in holding and not add_use(graph, pieces, row, tie.node, TIE_IN):
                    flags.append(
                        f"The order asked for by hand takes the climber's tie-in {tie.anchor_id}"
                        f" down before the cut at node {pieces.cuts[row]}: climb anew for it, or"
                        " cut it from a lift."
                    )
        wishes = _dead_first(job, pieces) + _room_first(divided)
        kept = [(a, b, m) for a, b, m, r in wishes if not add_soft(graph, [(a, b, r)])]
        hard = tuple((a, b) for a, b, d in graph.edges(data=True) if d["hard"])
        return Rules(
            hard,
            tuple(kept),
            _anchor_numbers(divided),
            tuple(crown_part(job, int(cut)) for cut in pieces.cuts),
            tuple(float(job.height_m[cut]) for cut in pieces.cuts),
            tuple(flags),
        )


def main_tie_in(job: Job) -> Anchor | None:
    """Tie-in the climber works from until the spar itself is cut."""
    return next((t for t in job.tie_ins if not t.rejected), None)


def order_problem(job: Job, divided: Divided, rules: Rules, preference: Preference) -> OrderProblem:
    """Put one preference into the terms of the order solver."""
    pieces, site = divided.pieces, job.inputs.site
    ways = tuple(
        tuple(_way(pieces, row, option, rules, preference) for option in way.options)
        for row, way in enumerate(divided.ways)
    )
    return OrderProblem(
        ways,
        rules.before,
        rules.place,
        rules.height_m,
        rules.wishes,
        anchor_move_min=_middle(site.minutes.anchor_move) * preference.move_factor,
        place_move_min=_middle(site.minutes.climber_move),
        height_weight_min=HEIGHT_MIN * preference.height_factor,
        below=_below(job, divided),
    )


def _middle(pair: tuple[float, float]) -> float:
    return 0.5 * (pair[0] + pair[1])


def _below(job: Job, divided: Divided) -> Below:
    """Ground crew's and loader's work for every piece at the likely pace."""
    crew = job.inputs.site.crew
    pieces = [way.piece for way in divided.ways]
    masses = [piece.mass_kg.likely for piece in pieces]
    work = handling(masses, chip_masses(job, pieces), job.inputs.site, 0.5)
    return Below(
        tuple(work.ground_min.tolist()),
        tuple(work.loader_min.tolist()),
        tuple(masses),
        crew.pile_pieces,
        crew.pile_kg,
    )


def way_cost_min(option: Option, preference: Preference) -> float:
    """Minutes of a way with its load, its chance of a breach and its lack of room as minutes."""
    lack = max(0.0, ENOUGH_ROOM_M - option.room_m)
    cost = cost_min(option, preference.share_min)
    return cost + preference.room_min * lack + BROKEN_MIN * len(option.broken)


def _way(pieces: CutSet, row: int, option: Option, rules: Rules, preference: Preference) -> Way:
    cost = way_cost_min(option, preference)
    aloft = option.minutes.likely
    if option.anchor is None:
        return Way(cost, aloft_min=aloft)
    holding = carriers(pieces, option.anchor.node)
    stands = tuple(r for r in holding[:1] if r != row)
    return Way(cost, rules.number[rig_of(option) or ""], stands, aloft)


def _anchor_numbers(divided: Divided) -> dict[str, int]:
    """Number of everything that must be set up; all places of the running block are one."""
    names = sorted({rig_of(o) or "" for w in divided.ways for o in w.options} - {""})
    return {name: number for number, name in enumerate(names)}


def _dead_first(job: Job, pieces: CutSet) -> list[tuple[int, int, float, str]]:
    """Dead or cracked wood comes off before work under it."""
    state, graph = job.spar.state, job.inputs.graph
    bad = state.dead | state.cracked
    if not bad.any():
        return []
    rows = [r for r, nodes in enumerate(pieces.members) if bad[nodes].any()]
    result = []
    for row in rows:
        over = graph.position_m[pieces.cuts[row]]
        for other in range(len(pieces)):
            if other == row or other in rows:
                continue
            at = graph.position_m[pieces.cuts[other]]
            if np.hypot(*(at - over)[:2]) < 3.0 and at[2] < over[2] + 1.0:
                result.append((row, other, DEAD_WISH_MIN, DEAD))
    return result


def _room_first(divided: Divided) -> list[tuple[int, int, float, str]]:
    """Pieces in the way of the quickest way of another come off before it."""
    result = []
    for row, way in enumerate(divided.ways):
        for before, after, reason in room_wishes(divided.pieces, row, way.in_way):
            result.append((before, after, ROOM_WISH_MIN, reason))
    return result
