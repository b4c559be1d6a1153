"""Pieces and their ways together: a piece with no way down is cut finer and judged again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from treescan.planning.candidates import CutSet, evened, first_cuts, split_piece
from treescan.planning.edits import Edit, edited_cuts, forced
from treescan.planning.falls import fall_options
from treescan.planning.hangs import hang_options
from treescan.planning.job import Job
from treescan.planning.options import Option, front, least_bad
from treescan.wood.types import Piece

MOST_ROUNDS = 5
MOST_REASONS = 5
SPLIT_LENGTH_M = 2.5
SPLIT_KG = 25.0
"""Where only the way is too wide, shorter and lighter pieces than this are not cut finer."""


@dataclass(frozen=True)
class PieceWays:
    """A piece with the ways that stay in the choice.

    ``options`` keep every limit; when there is none it holds the least bad one only.
    ``reasons`` say why the other ways were refused.
    """

    piece: Piece
    options: tuple[Option, ...]
    reasons: tuple[str, ...]

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


def divide(job: Job, tell: Callable[[float], None]) -> Divided:
    """Cut, judge, cut finer where no way is left, until every piece has one or none helps."""
    inputs = job.inputs
    edits = inputs.edits or ()
    pieces = first_cuts(inputs.graph, inputs.mass, inputs.ground, job.rules, inputs.standing)
    judged: dict[tuple[int, tuple[int, ...]], PieceWays] = {}
    for number in range(MOST_ROUNDS):
        pieces_now = _judge_all(job, pieces, judged, _part(tell, number))
        finer = _finer(job, pieces, pieces_now)
        if finer is None:
            break
        pieces = finer
    pieces = evened(pieces, inputs.mass.high_kg, job.rules) if not edits else pieces
    flags: list[str] = []
    if edits:
        pieces, flags = edited_cuts(pieces, edits)
    ways = _judge_all(job, pieces, judged, lambda _s: None)
    tell(1.0)
    return Divided(pieces, tuple(_overruled(w, edits) for w in ways), tuple(flags))


def _part(tell: Callable[[float], None], number: int) -> Callable[[float], None]:
    """Progress within one round."""
    return lambda share: tell((number + share) / MOST_ROUNDS)


def judge(job: Job, pieces: CutSet, row: int) -> PieceWays:
    """Try every way to take one piece with the rest of the tree standing."""
    piece = job.table.piece(
        int(pieces.cuts[row]), pieces.inner_cuts(row), removed=~job.inputs.standing
    )
    order = int(job.inputs.graph.order[piece.butt_node])
    found = fall_options(piece, order, job.field)
    if not any(o.kept and o.room_m > 1.0 for o in found) or piece.mass_kg.high > 15.0:
        found += hang_options(job, piece, order)
    best = front(found)
    refused = [o for o in found if not o.kept]
    return PieceWays(piece, best or (least_bad(found),), _reasons(refused))


def _reasons(refused: list[Option]) -> tuple[str, ...]:
    """The nearest misses first, one a way and cause."""
    refused.sort(key=lambda o: (len(o.broken), o.excess, -o.room_m))
    seen: dict[tuple[str, str], str] = {}
    for option in refused:
        seen.setdefault((option.method, option.broken[0][:14]), option.refusal())
    return tuple(list(seen.values())[:MOST_REASONS])


def _judge_all(
    job: Job,
    pieces: CutSet,
    judged: dict[tuple[int, tuple[int, ...]], PieceWays],
    tell: Callable[[float], None],
) -> list[PieceWays]:
    """Ways of every piece; pieces seen before are not judged again."""
    result = []
    for row in range(len(pieces)):
        key = (int(pieces.cuts[row]), pieces.inner_cuts(row))
        if key not in judged:
            judged[key] = judge(job, pieces, row)
        result.append(judged[key])
        tell((row + 1) / len(pieces))
    return result


def _finer(job: Job, pieces: CutSet, ways: list[PieceWays]) -> CutSet | None:
    """Cut every piece without a way once more; None when no cut can be added."""
    changed = False
    for row in range(len(ways) - 1, -1, -1):
        way = ways[row]
        if way.kept:
            continue
        excess = way.options[0].excess
        if excess <= 1.0 and (
            way.piece.length_m < SPLIT_LENGTH_M or way.piece.mass_kg.high < SPLIT_KG
        ):
            continue
        share = float(np.clip(0.9 / excess, 0.35, 0.75)) if excess > 1.0 else 0.55
        here = int(np.searchsorted(pieces.cuts, way.piece.butt_node))
        finer = split_piece(pieces, here, job.inputs.mass, job.inputs.ground, job.rules, share)
        if finer is not None:
            pieces, changed = finer, True
    return pieces if changed else None


def _overruled(ways: PieceWays, edits: tuple[Edit, ...]) -> PieceWays:
    """Keep only the ways a person asked for; a wish no way meets is said, not dropped."""
    wish = forced(edits, ways.piece.butt_node)
    if wish is None:
        return ways
    fits = tuple(o for o in ways.options if _meets(o, wish))
    if fits:
        return PieceWays(ways.piece, fits, ways.reasons)
    asked = ", ".join(str(v) for v in (wish.method, wish.tie, wish.anchor) if v is not None)
    return PieceWays(
        ways.piece, ways.options, (f"asked for by hand and not possible: {asked}", *ways.reasons)
    )


def _meets(option: Option, wish: Edit) -> bool:
    anchor_fits = wish.anchor is None or (
        option.anchor is not None and wish.anchor in (option.anchor_id, option.anchor.node)
    )
    return (
        (wish.method is None or option.method == wish.method)
        and (wish.tie is None or option.tie == wish.tie)
        and anchor_fits
    )
