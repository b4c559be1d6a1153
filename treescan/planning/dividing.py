"""Pieces and their ways together: a piece with no way down is cut finer and judged again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from treescan.planning.candidates import (
    LEAST_SPLIT_KG,
    CutSet,
    cut_set,
    first_cuts,
    piece_limits,
    reachable,
    split_piece,
    stump_cuts,
)
from treescan.planning.edits import Edit, edited_cuts, shaped_by_hand
from treescan.planning.falls import HELD_KG
from treescan.planning.job import Job
from treescan.planning.judging import Judge, Known, PieceWays
from treescan.planning.merging import with_fewer_cuts
from treescan.planning.recutting import recut
from treescan.planning.together import Common, taken_together, told_together
from treescan.processes import shared_out
from treescan.wood.types import Piece

Int32s = npt.NDArray[np.int32]

MOST_DEPTH = 3
MOST_JUDGED, LEAST_JUDGED = 1500, 4
"""Pieces judged beyond the first division before no finer cut is tried, in all and for each piece
that has no way down: bounds the time."""

SPLIT_KG = 3.0
"""Lighter pieces are not cut finer: our choice. [kg]"""

LEAST_HAND_SHARE = 0.04
"""Pieces are cut into what a hand holds at last, unless that makes more than about 25 of one."""

WORTH_SHARE = 0.75
"""A finer cut is worth it when at most this share of the piece is left without a way."""


@dataclass(frozen=True)
class Divided:
    """The cuts with the ways of every piece, and what hand edits could not be done."""

    pieces: CutSet
    ways: tuple[PieceWays, ...]
    flags: tuple[str, ...] = ()


@dataclass(frozen=True)
class Division:
    """The cuts before a person's own on them, all pieces judged so far, and what is to be told."""

    pieces: CutSet
    judged: Judge
    flags: tuple[str, ...] = ()
    common: list[Common] = field(default_factory=list)


def divide(job: Job, tell: Callable[[float], None]) -> Division:
    """Cut, judge, and cut finer where no way is left and finer pieces have one.

    Cuts changed by hand are made first where an earlier plan's cuts are kept, which they name;
    otherwise last, on the planner's own cuts (:func:`with_ways`).  Their pieces stay as they were
    asked for.
    """
    inputs = job.inputs
    edits = inputs.edits or ()
    pieces = _start(job)
    flags: list[str] = []
    whole = {e.node for e in edits if e.kind == "force"}
    if edits and inputs.keep_cuts:
        pieces, flags = edited_cuts(pieces, edits)
        whole |= set(shaped_by_hand(pieces, edits))
    fixed = frozenset({n for e in edits for n in (e.node, e.to, *e.nodes)} | whole)
    judged = Judge(job, held=(fixed, frozenset(whole)))
    judged.learn([(pieces, row) for row in range(len(pieces))], tell)
    pieces = pieces.changed(add=_settled_all(judged, pieces))
    pieces = _without_slivers(judged, pieces)
    pieces = recut(job, pieces, judged.options, fixed)
    pieces, common = taken_together(job, pieces, judged.options, fixed)
    return Division(pieces, judged, tuple(flags), common)


def with_ways(division: Division, pieces: CutSet) -> Divided:
    """The ways of every piece of a division, a person's changes of its cuts made."""
    judged, job = division.judged, division.judged.job
    edits, flags = job.inputs.edits or (), list(division.flags)
    if edits and not job.inputs.keep_cuts:
        pieces, told = edited_cuts(pieces, edits)
        flags += told
    ways = tuple(judged(pieces, row) for row in range(len(pieces)))
    flags += _unmet(edits, ways) + _broken_by_hand(job, pieces, ways, edits)
    return Divided(pieces, ways, (*flags, *told_together(job, pieces, division.common)))


def _broken_by_hand(
    job: Job, pieces: CutSet, ways: Sequence[PieceWays], edits: Sequence[Edit]
) -> list[str]:
    """Say which pieces shaped by hand have no way that keeps every limit, or are out of rule."""
    done = {"merge": "struck out", "split": "added", "move cut": "moved"}
    told = []
    for cut, edit in shaped_by_hand(pieces, edits).items():
        way = ways[int(np.searchsorted(pieces.cuts, cut))]
        broken = [f"breaks a limit: {way.options[0].broken[0]}"] if not way.kept else []
        for fault in (*broken, *_out_of_rule(job, way.piece)):
            told.append(
                f"The cut {done[edit.kind]} by hand at node {edit.node} is kept, but its piece (cut"
                f" at node {cut}) {fault}."
            )
    return told


def _out_of_rule(job: Job, piece: Piece) -> list[str]:
    """What a piece passes of the rules by which the planner itself would cut it."""
    graph, cut = job.inputs.graph, int(piece.butt_node)
    _, most_m = piece_limits(graph, job.rules, job.height_m)
    found = [f"is out of rule: {note}" for note in cut_notes(job, piece)]
    if piece.length_m > 1.05 * most_m[cut]:
        found.append(
            f"is {piece.length_m:.1f} m long; no more than {most_m[cut]:.1f} m is cut there by rule"
        )
    return found


def cut_notes(job: Job, piece: Piece) -> tuple[str, ...]:
    """What to know of the cut itself: out of the climber's reach, bar too short."""
    notes = []
    if not reachable(job.inputs.graph, job.rules)[piece.butt_node]:
        notes.append(
            f"the cut is out of the climber's reach ({job.rules.reach_m:.1f} m from wood of"
            f" {job.rules.walk_diameter_m * 100:.0f} cm): use a pole saw or a lift"
        )
    across, reach = piece.butt_diameter_m, job.rules.max_cut_diameter_m
    if across > reach:
        notes.append(
            f"the cut is {across * 100:.0f} cm across; a {reach * 50:.0f} cm bar reaches"
            f" {reach * 100:.0f} cm from both sides: bring a longer one"
        )
    return tuple(notes)


def _settled_all(judged: Judge, pieces: CutSet) -> list[int]:
    """Cuts added inside the pieces that have no way down, each piece settled by itself."""
    job = judged.job
    stuck = [row for row in range(len(pieces)) if not judged(pieces, row).kept]
    stuck.sort(key=lambda row: -judged(pieces, row).piece.mass_kg.high)
    most = len(judged.known) + max(MOST_JUDGED // max(len(stuck), 1), LEAST_JUDGED)

    def settle(row: int) -> tuple[list[int], Known]:
        own = Judge(job, dict(judged.known), (judged.fixed, judged.whole))
        finer = _settled(own, pieces, int(pieces.cuts[row]), MOST_DEPTH, most)
        new = set(finer.cuts.tolist()) - set(pieces.cuts.tolist()) - own.fixed
        if new and not job.inputs.keep_cuts:
            finer = with_fewer_cuts(job, finer, own.options, own.may_fall, new)
        known = {key: ways for key, ways in own.known.items() if key not in judged.known}
        return np.setdiff1d(finer.cuts, pieces.cuts).tolist(), known

    added: list[int] = []
    for cuts, known in shared_out(stuck, settle):
        added += cuts
        judged.known.update(known)
    return added


def _start(job: Job) -> CutSet:
    """First cuts, or those of an earlier plan where they still stand."""
    inputs = job.inputs
    if not inputs.keep_cuts:
        return first_cuts(inputs.graph, inputs.mass, inputs.ground, job.rules, inputs.standing)
    return pieces_of_cuts(job, inputs.keep_cuts)


def pieces_of_cuts(job: Job, cuts: Sequence[int]) -> CutSet:
    """Divide what stands above the stump at ``cuts`` and at the last cut of every stem.

    Cuts in the stump or on wood that is down are left out.
    """
    inputs = job.inputs
    standing = inputs.standing
    last = stump_cuts(inputs.graph, inputs.ground, job.rules.stump_height_m)
    wanted = [n for n in (*cuts, *last.tolist()) if standing[n]]
    inside = cut_set(inputs.graph, last, standing)
    return cut_set(
        inputs.graph,
        [n for n in wanted if inside.piece_of[n] >= 0],
        standing & ((inside.piece_of >= 0) | (np.arange(len(standing)) == 0)),
    )


def _unmet(edits: tuple[Edit, ...], ways: tuple[PieceWays, ...]) -> list[str]:
    """Forced ways that could not be had, and forced pieces that are not there."""
    by_node = {w.piece.butt_node: w for w in ways}
    told = []
    for edit in edits:
        if edit.kind != "force":
            continue
        way = by_node.get(edit.node)
        if way is None:
            told.append(f"There is no piece cut at node {edit.node} to force a way on.")
        elif way.reasons and way.reasons[0].startswith("asked for by hand and not"):
            told.append(f"The cut at node {edit.node}: {way.reasons[0]}.")
        elif not way.kept:
            told.append(
                f"The way asked for by hand at node {edit.node} breaks a limit:"
                f" {way.options[0].broken[0]}."
            )
    return told


def _settled(judged: Judge, pieces: CutSet, cut: int, depth: int, most: int) -> CutSet:
    """Cut one piece finer while that leaves less wood without a way, and few are judged."""
    row = int(np.searchsorted(pieces.cuts, cut))
    way = judged(pieces, row)
    if cut in judged.whole:
        return pieces
    if len(judged.known) > most:
        return pieces
    if way.kept or depth == 0 or way.piece.mass_kg.high < SPLIT_KG:
        return pieces
    excess = way.options[0].excess
    first = float(np.clip(0.9 / excess, 0.3, 0.75)) if excess > 1.0 else 0.55
    job = judged.job
    shares = [first, 0.6 * first, 0.35 * first]
    by_hand = 0.8 * HELD_KG / way.piece.mass_kg.high
    if LEAST_HAND_SHARE < by_hand < shares[-1]:
        shares.append(by_hand)
    for share in shares:
        finer = split_piece(pieces, row, job.inputs.mass, job.inputs.ground, job.rules, share)
        if finer is None:
            continue
        inside = set(pieces.members[row].tolist())
        rows = [r for r, c in enumerate(finer.cuts) if int(c) in inside]
        left = [judged(finer, r) for r in rows]
        broken = sum(w.piece.mass_kg.high for w in left if not w.kept)
        if broken <= WORTH_SHARE * way.piece.mass_kg.high:
            for w in left:
                if not w.kept:
                    finer = _settled(judged, finer, w.piece.butt_node, depth - 1, most)
            return finer
    return pieces


def _without_slivers(judged: Judge, pieces: CutSet) -> CutSet:
    """Leave out cuts that make a piece not worth one, where the joined piece has a way down.

    A sliver joins the wood it grows on, or, as the lowest log, the log above it.
    """
    for _ in range(2):
        before = len(pieces)
        for cut in pieces.cuts.tolist():
            row = int(np.searchsorted(pieces.cuts, cut))
            if row < len(pieces) and pieces.cuts[row] == cut and _is_sliver(judged, pieces, row):
                pieces = _joined(judged, pieces, row)
        if len(pieces) == before:
            break
    return pieces


def _is_sliver(judged: Judge, pieces: CutSet, row: int) -> bool:
    piece = judged(pieces, row).piece
    short = piece.length_m < judged.job.rules.least_length_m
    return short or piece.mass_kg.high < LEAST_SPLIT_KG


def _joined(judged: Judge, pieces: CutSet, row: int) -> CutSet:
    """The pieces with this one joined to a neighbour, or as they were."""
    drops = [int(pieces.cuts[row])] if pieces.holder[row] >= 0 else []
    drops += [int(pieces.cuts[other]) for other in pieces.outer[row]][:1]
    for cut in drops:
        if cut in judged.fixed:
            continue
        joined = pieces.changed(drop=[cut])
        here = int(joined.piece_of[pieces.members[row][0]])
        if here >= 0 and judged(joined, here).kept:
            return joined
    return pieces
