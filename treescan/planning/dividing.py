"""Pieces and their ways together: a piece with no way down is cut finer and judged again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

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
from treescan.planning.edits import Edit, edited_cuts, forced, shaped_by_hand
from treescan.planning.falls import HELD_KG, fall_options
from treescan.planning.hangs import hang_options
from treescan.planning.job import Job
from treescan.planning.leaning import spar_under
from treescan.planning.merging import with_fewer_cuts
from treescan.planning.options import CREDIBLE, Option, front, least_bad
from treescan.planning.precedence import nodes_in_way
from treescan.planning.recutting import recut
from treescan.planning.robust import with_chance
from treescan.planning.ties import no_line_because
from treescan.planning.together import Common, taken_together, told_together
from treescan.processes import at_once, dealt
from treescan.wood.types import Piece

Int32s = npt.NDArray[np.int32]

MOST_DEPTH = 3
MOST_JUDGED = 300
"""Pieces judged beyond the first division before no finer cut is tried: bounds the time."""

MOST_REASONS = 5
SPLIT_KG = 3.0
"""Lighter pieces are not cut finer: our choice. [kg]"""

ALWAYS_LINED_KG = 60.0
"""Lighter pieces that may fall are not looked at on the line."""

MOST_IN_WAY_M = 1.5
"""Most that a piece is taken to fill around its way: our choice. [m]"""

LEAST_HAND_SHARE = 0.04
"""Pieces are cut into what a hand holds at last, unless that makes more than about 25 of one."""

WORTH_SHARE = 0.75
"""A finer cut is worth it when at most this share of the piece is left without a way."""


@dataclass(frozen=True)
class PieceWays:
    """A piece with the ways that stay in the choice.

    ``options`` keep every limit; when there is none it holds the least bad one only.
    ``reasons`` say why the other ways were refused; ``in_way`` (k,) are nodes in
    the way of the first.
    """

    piece: Piece
    options: tuple[Option, ...]
    reasons: tuple[str, ...]
    in_way: Int32s

    @property
    def kept(self) -> bool:
        """Some way keeps every limit."""
        return self.options[0].kept


@dataclass(frozen=True)
class Divided:
    """The cuts with the ways of every piece, and what hand edits could not be done."""

    pieces: CutSet
    ways: tuple[PieceWays, ...]
    flags: tuple[str, ...] = ()


Key = tuple[int, tuple[int, ...]]
Known = dict[Key, PieceWays]
Held = tuple[frozenset[int], frozenset[int]]


class Judge:
    """Judges pieces and remembers the answers.

    ``fixed`` are cuts that a person named, which are not joined away; ``whole`` those whose piece
    a person shaped or forced a way on, which is not cut finer.
    """

    def __init__(
        self,
        job: Job,
        known: Known | None = None,
        most: int = MOST_JUDGED,
        held: Held = (frozenset(), frozenset()),
    ):
        self.job = job
        self.known: Known = {} if known is None else known
        self.most = most
        self.fixed, self.whole = held
        self.falls: dict[Key, bool] = {}

    def __call__(self, pieces: CutSet, row: int) -> PieceWays:
        """The ways of the piece of a row."""
        key = (int(pieces.cuts[row]), pieces.inner_cuts(row))
        if key not in self.known:
            self.known[key] = judge(self.job, pieces, row)
        return self.known[key]

    def options(self, pieces: CutSet, row: int) -> tuple[Piece, tuple[Option, ...]]:
        """The piece of a row and its options."""
        way = self(pieces, row)
        return way.piece, way.options

    def may_fall(self, pieces: CutSet, row: int) -> bool:
        """Whether a piece has a way to fall that keeps every limit."""
        key = (int(pieces.cuts[row]), pieces.inner_cuts(row))
        if key not in self.falls:
            found = falls_of(self.job, _piece(self.job, pieces, row))
            self.falls[key] = any(o.kept for o in found)
        return self.falls[key]


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
    held = (fixed, frozenset(whole))
    one, other = _dealt(job, pieces)
    (here, known), (there, more) = at_once(
        lambda: _settled_all(job, pieces, one, held, tell),
        lambda: _settled_all(job, pieces, other, held, lambda _share: None),
    )
    judged = Judge(job, {**known, **more}, held=held)
    pieces = pieces.changed(add=here + there)
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
    _, most_m = piece_limits(graph, job.rules, job.inputs.mass.high_kg, job.height_m)
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


def _dealt(job: Job, pieces: CutSet) -> tuple[list[int], list[int]]:
    """The cuts in two hands of about the same work: heavier pieces take longer."""
    mass = job.inputs.mass.high_kg
    weight = np.array([mass[nodes].sum() for nodes in pieces.members])
    heavy_first = pieces.cuts[np.argsort(-weight, kind="stable")].tolist()
    return dealt(heavy_first)


def _settled_all(
    job: Job,
    pieces: CutSet,
    cuts: list[int],
    held: Held,
    tell: Callable[[float], None],
) -> tuple[list[int], Known]:
    """Cuts added inside some of the pieces, each settled by itself, and what was judged."""
    judged = Judge(job, most=MOST_JUDGED // 2 + len(cuts), held=held)
    added: list[int] = []
    for number, cut in enumerate(cuts):
        finer = _settled(judged, pieces, cut, MOST_DEPTH)
        new = set(finer.cuts.tolist()) - set(pieces.cuts.tolist()) - judged.fixed
        if new and not job.inputs.keep_cuts:
            finer = with_fewer_cuts(job, finer, judged.options, judged.may_fall, new)
        added += np.setdiff1d(finer.cuts, pieces.cuts).tolist()
        tell((number + 1) / len(cuts))
    return added, judged.known


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


def _settled(judged: Judge, pieces: CutSet, cut: int, depth: int) -> CutSet:
    """Cut one piece finer while that leaves less wood without a way."""
    row = int(np.searchsorted(pieces.cuts, cut))
    way = judged(pieces, row)
    if cut in judged.whole:
        return pieces
    if len(judged.known) > judged.most:
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
                    finer = _settled(judged, finer, w.piece.butt_node, depth - 1)
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


def judge(job: Job, pieces: CutSet, row: int) -> PieceWays:
    """Try every way to take one piece with the rest of the tree standing.

    A way asked for by hand is tried alone and kept even where it breaks a limit; it is then
    flagged.
    """
    piece = _piece(job, pieces, row)
    wish = forced(job.inputs.edits or (), piece.butt_node)
    found = ways_of(job, piece, wish)
    if wish is not None:
        return _as_asked(job, piece, found, wish)
    best = front(found) or (least_bad(found),)
    refused = [o for o in found if not o.kept]
    return _piece_ways(job, piece, best, _reasons(refused))


def _piece(job: Job, pieces: CutSet, row: int) -> Piece:
    return job.table.piece(
        int(pieces.cuts[row]), pieces.inner_cuts(row), removed=~job.inputs.standing
    )


def falls_of(job: Job, piece: Piece) -> list[Option]:
    """Every way of letting one piece fall, judged; never none."""
    order = int(job.inputs.graph.order[piece.butt_node])
    falls = fall_options(piece, order, job.field, lambda o: with_chance(o, job.field, job.draws))
    return _on_the_spar(job, piece, falls)


def ways_of(job: Job, piece: Piece, wish: Edit | None = None) -> list[Option]:
    """Every way worth a look of taking one piece, judged; never none.

    With a wish its anchor alone is looked at, and the line even where the piece may fall.
    """
    order = int(job.inputs.graph.order[piece.butt_node])
    found = falls_of(job, piece)
    dropped = any(o.kept and o.room_m > 0.3 and o.chance <= CREDIBLE for o in found)
    hung: list[Option] = []
    if wish is not None:
        hung = hang_options(job, piece, order, wish.anchor)
    elif not dropped or (
        piece.mass_kg.high > ALWAYS_LINED_KG and piece.butt_node not in job.inputs.fell_before
    ):
        hung = hang_options(job, piece, order)
    return found + [with_chance(o, job.field, job.draws) for o in hung]


def _on_the_spar(job: Job, piece: Piece, falls: list[Option]) -> list[Option]:
    """Hold the push of pieces felled on a hinge against the spar the climber is on."""
    if not any(o.hinge_azimuth_deg is not None for o in falls):
        return falls
    spar = job.spar_beside(piece.butt_node)
    height = float(job.height_m[piece.butt_node])
    result = []
    for option in falls:
        if option.hinge_azimuth_deg is None:
            result.append(option)
            continue
        share, broken, note = spar_under(spar, piece, option.hinge_azimuth_deg, height)
        result.append(
            replace(
                option,
                share=max(option.share, share),
                excess=max(option.excess, share) if broken else option.excess,
                broken=(*option.broken, broken) if broken else option.broken,
                warnings=(*option.warnings, note) if note else option.warnings,
            )
        )
    return result


def _as_asked(job: Job, piece: Piece, found: list[Option], wish: Edit) -> PieceWays:
    """Only the ways a person asked for; a wish that no way meets is said, and all are looked at."""
    names = {key: a.anchor_id for a in job.anchors for key in (a.node, a.anchor_id)}
    words = [wish.method] if wish.method else []
    words += [f"{wish.tie} tied"] if wish.tie else []
    words += [f"from {names.get(wish.anchor, f'{wish.anchor}')}"] if wish.anchor is not None else []
    asked = ", ".join(words)
    fits = [o for o in found if wish.met_by(o.method, o.tie, o.anchor)]
    if fits:
        best = front(fits) or (least_bad(fits),)
        told = tuple(
            replace(o, warnings=(f"asked for by hand: {asked}", *o.warnings)) for o in best
        )
        return _piece_ways(job, piece, told, _reasons([o for o in fits if not o.kept]))
    found = ways_of(job, piece)
    best = front(found) or (least_bad(found),)
    why = no_line_because(job, piece, wish.tie, wish.anchor)
    note = f"asked for by hand and not possible: {asked}{why and f' ({why})'}"
    told = tuple(replace(o, warnings=(note, *o.warnings)) for o in best)
    return _piece_ways(job, piece, told, (note, *_reasons([o for o in found if not o.kept])))


def _piece_ways(
    job: Job, piece: Piece, options: tuple[Option, ...], reasons: tuple[str, ...]
) -> PieceWays:
    """The ways of a piece, with the wood in the way of the quickest."""
    other = job.inputs.standing.copy()
    other[piece.nodes] = False
    radius = min(MOST_IN_WAY_M, 0.35 * piece.length_m + 0.3)
    nodes = np.flatnonzero(other).astype(np.int32)
    path = options[0].path.centre_m
    near = nodes_in_way(path, radius, job.inputs.graph.position_m, nodes)
    return PieceWays(piece, options, reasons, near)


def _reasons(refused: list[Option]) -> tuple[str, ...]:
    """The nearest misses first, one a way and cause."""
    refused.sort(key=lambda o: (len(o.broken), o.excess, -o.room_m))
    seen: dict[tuple[str, str], str] = {}
    for option in refused:
        seen.setdefault((option.method, option.broken[0][:14]), option.refusal())
    return tuple(list(seen.values())[:MOST_REASONS])
