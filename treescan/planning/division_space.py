"""The divisions of a job as the joint search sees them, and what else its pieces may make."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from treescan.planning.alternatives import (
    BALANCED,
    Preference,
    Rules,
    order_problem,
    way_cost_min,
)
from treescan.planning.candidates import CutSet, Key, split_piece
from treescan.planning.covering import Cover, Coverable
from treescan.planning.dividing import Divided, Division
from treescan.planning.job import Job
from treescan.planning.joint import Change
from treescan.planning.judging import PieceWays
from treescan.planning.merging import stays_a_limb
from treescan.planning.ordering import OrderProblem
from treescan.planning.recutting import changes, within_rules
from treescan.planning.schedule import rig_of
from treescan.planning.together import Common, unions

HALVES = 0.55
"""Most of a piece that is left in one part where it is cut in two."""


@dataclass
class DivisionSpace:
    """Changes of a job's division, judged by its pieces and by one preference.

    ``common`` gathers the cuts below unions that were tried.
    """

    division: Division
    preference: Preference = BALANCED
    common: dict[Change, Common] = field(default_factory=dict)
    _near: dict[tuple[Key, Key | None], list[Change]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        minutes = self.job.inputs.site.minutes
        self.move_min = 0.5 * sum(minutes.climber_move)
        self.anchor_min = 0.5 * sum(minutes.anchor_move) * self.preference.move_factor
        self.floor_min = 0.5 * sum(minutes.dropped_limb)

    @property
    def job(self) -> Job:
        """The job whose tree is divided."""
        return self.division.judged.job

    def changes(self, pieces: CutSet) -> Iterator[Change]:
        """Every change once: of each piece with its neighbours, and of the unions."""
        seen: set[Change] = set()
        for row in range(len(pieces)):
            holder = int(pieces.holder[row])
            near = (pieces.key(row), pieces.key(holder) if holder >= 0 else None)
            if near not in self._near:
                self._near[near] = list(self._around(pieces, row))
            for change in self._near[near]:
                if change not in seen:
                    seen.add(change)
                    yield change
        yield from self._unions(pieces)

    def _around(self, pieces: CutSet, row: int) -> Iterator[Change]:
        """Changes of one piece: joined, cut in two, or with its cut elsewhere."""
        job, fixed = self.job, self.division.judged.fixed
        for add, drop in changes(job, pieces, row, fixed):
            if not add and stays_a_limb(job, pieces, int(np.searchsorted(pieces.cuts, drop[0]))):
                continue
            yield Change(tuple(add), tuple(drop))
        if int(pieces.cuts[row]) in fixed:
            return
        halves = split_piece(pieces, row, job.inputs.mass, job.inputs.ground, job.rules, HALVES)
        if halves is not None:
            added = np.setdiff1d(halves.cuts, pieces.cuts)
            if len(added) <= 2:
                yield Change(tuple(int(n) for n in added))

    def _unions(self, pieces: CutSet) -> Iterator[Change]:
        fixed = self.division.judged.fixed
        for leaders, below in unions(self.job, pieces, self.division.judged.options):
            if not fixed & {*leaders, below}:
                change = Change((below,), tuple(sorted(leaders)))
                self.common[change] = Common(below, tuple(leaders))
                yield change

    def allowed(self, before: CutSet, after: CutSet) -> bool:
        """Whether the new pieces keep the rules of size."""
        return within_rules(self.job, before, after)

    def known(self, pieces: CutSet, row: int) -> bool:
        """Whether a piece is judged already."""
        return pieces.key(row) in self.division.judged.known

    def cannot_fall(self, pieces: CutSet, row: int) -> bool:
        """Whether a piece was looked at before and no way of letting it fall keeps every limit."""
        return self.division.judged.falls.get(pieces.key(row)) is False

    def on_line(self, pieces: CutSet, row: int) -> bool:
        """Whether a piece that is known has ways on the line only."""
        return all(o.anchor is not None for o in self.division.judged(pieces, row).options)

    def learn(self, wanted: Sequence[tuple[CutSet, int]], falls_only: Collection[Key] = ()) -> None:
        """Judge pieces, on both cores."""
        self.division.judged.learn(wanted, falls_only=falls_only)

    def least_min(self, pieces: CutSet, row: int) -> float:
        """Cost of the cheapest way of a piece. [min]"""
        return least_min(self.division.judged(pieces, row), self.preference)

    def stuck_kg(self, pieces: CutSet, row: int) -> float:
        """Mass of a piece that has no way which keeps every limit, else 0. [kg]"""
        ways = self.division.judged(pieces, row)
        return 0.0 if ways.kept else float(ways.piece.mass_kg.high)

    def divided(self, pieces: CutSet) -> Divided:
        """A division with the ways of its pieces."""
        judged = self.division.judged
        return Divided(pieces, tuple(judged(pieces, row) for row in range(len(pieces))))

    def starts(self, pieces: CutSet) -> list[CutSet]:
        """Divisions into judged pieces that are cheap with few anchors.

        Cuts asked for by hand stay: then there is none.
        """
        if self.division.judged.fixed:
            return []
        cover = cover_of(self.division, pieces, self.preference)
        found = [of_cuts(pieces, cuts) for cuts in cover.starts()]
        most = self._all_stuck_kg(pieces) + 1e-6
        return [other for other in found if self._all_stuck_kg(other) <= most]

    def _all_stuck_kg(self, pieces: CutSet) -> float:
        return sum(self.stuck_kg(pieces, row) for row in range(len(pieces)))

    def problem(self, pieces: CutSet) -> OrderProblem:
        """Order and ways of a division.

        Without the wish for lower limbs first: it grows with the number of pieces, so that it
        cannot compare divisions.
        """
        divided = self.divided(pieces)
        found = order_problem(self.job, divided, Rules.of(self.job, divided), self.preference)
        return replace(found, height_weight_min=0.0)


def least_min(ways: PieceWays, preference: Preference) -> float:
    """Cost of the cheapest way of a piece. [min]"""
    return min(way_cost_min(option, preference) for option in ways.options)


STUCK_MIN_A_KG = 1000.0
"""What wood left without a way counts for: more than any plan saves elsewhere."""


def cover_of(division: Division, start: CutSet, preference: Preference) -> Cover:
    """All pieces judged so far, as a cover of the tree is made of them.

    Limbs of a stem that is taken in logs come off by themselves, but where the start has it
    otherwise.
    """
    job = division.judged.job
    used = {start.key(row) for row in range(len(start))}
    graph, rules, minutes = job.inputs.graph, job.rules, job.inputs.site.minutes
    log = (graph.order == 0) & (2.0 * graph.radius_m >= rules.top_diameter_m)
    limb = log[graph.parent] & (graph.limb != graph.limb[graph.parent])
    limb &= 2.0 * graph.edge_start_radius_m > rules.trim_diameter_m
    found = []
    for (cut, inner), ways in division.judged.known.items():
        inside = ways.piece.nodes[ways.piece.nodes != cut]
        if (cut, inner) in used or not limb[inside].any():
            stuck = 0.0 if ways.kept else STUCK_MIN_A_KG * ways.piece.mass_kg.high
            costs = ((way_cost_min(o, preference) + stuck, rig_of(o)) for o in ways.options)
            found.append(Coverable(cut, inner, tuple(costs)))
    return Cover(
        tuple(sorted(found, key=lambda piece: (piece.cut, piece.inner))),
        tuple(int(c) for c, holder in zip(start.cuts, start.holder, strict=True) if holder < 0),
        0.5 * sum(minutes.climber_move),
        0.5 * sum(minutes.anchor_move) * preference.move_factor,
    )


def of_cuts(start: CutSet, cuts: Sequence[int]) -> CutSet:
    """The same wood divided at other cuts."""
    return start.changed(add=list(cuts), drop=np.setdiff1d(start.cuts, cuts))
