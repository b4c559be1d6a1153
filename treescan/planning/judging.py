"""Every way to take one piece with the rest of the tree standing, judged and remembered."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from treescan.planning.candidates import CutSet, Key
from treescan.planning.edits import Edit, forced
from treescan.planning.falls import fall_options
from treescan.planning.hangs import hang_options
from treescan.planning.job import Job
from treescan.planning.leaning import spar_under
from treescan.planning.options import CREDIBLE, Option, front, least_bad
from treescan.planning.precedence import nodes_in_way
from treescan.planning.robust import with_chance
from treescan.planning.ties import no_line_because
from treescan.processes import shared_out
from treescan.wood.types import Piece

Int32s = npt.NDArray[np.int32]

MOST_REASONS = 5
ALWAYS_LINED_KG = 60.0
"""Lighter pieces that may fall are not looked at on the line."""

MOST_IN_WAY_M = 1.5
"""Most that a piece is taken to fill around its way: our choice. [m]"""


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
        held: Held = (frozenset(), frozenset()),
    ):
        self.job = job
        self.known: Known = {} if known is None else known
        self.fixed, self.whole = held
        self.falls: dict[Key, bool] = {}

    def __call__(self, pieces: CutSet, row: int) -> PieceWays:
        """The ways of the piece of a row."""
        key = pieces.key(row)
        if key not in self.known:
            self.known[key] = judge(self.job, pieces, row)
        return self.known[key]

    def learn(
        self,
        wanted: Sequence[tuple[CutSet, int]],
        tell: Callable[[float], None] | None = None,
        falls_only: Collection[Key] = (),
    ) -> None:
        """Judge pieces on both cores; ``tell`` hears the share done.

        Those of ``falls_only`` stay unknown where no fall keeps every limit.
        """
        mass = self.job.inputs.mass.high_kg
        heavy_first = sorted(wanted, key=lambda w: -float(mass[w[0].members[w[1]]].sum()))

        def look(piece: tuple[CutSet, int]) -> PieceWays | None:
            most = judge_falling if piece[0].key(piece[1]) in falls_only else judge
            return most(self.job, *piece)

        found = shared_out(heavy_first, look, tell)
        for (pieces, row), ways in zip(heavy_first, found, strict=True):
            key = pieces.key(row)
            if ways is None:
                self.falls[key] = False
            else:
                self.known[key] = ways

    def options(self, pieces: CutSet, row: int) -> tuple[Piece, tuple[Option, ...]]:
        """The piece of a row and its options."""
        way = self(pieces, row)
        return way.piece, way.options

    def may_fall(self, pieces: CutSet, row: int) -> bool:
        """Whether a piece has a way to fall that keeps every limit."""
        key = pieces.key(row)
        if key not in self.falls:
            found = falls_of(self.job, _piece(self.job, pieces, row))
            self.falls[key] = any(o.kept for o in found)
        return self.falls[key]


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
    return _judged(job, piece, found)


def judge_falling(job: Job, pieces: CutSet, row: int) -> PieceWays | None:
    """Judge one piece, but None where no way of letting it fall keeps every limit."""
    piece = _piece(job, pieces, row)
    if forced(job.inputs.edits or (), piece.butt_node) is not None:
        return judge(job, pieces, row)
    falls = falls_of(job, piece)
    if not any(o.kept for o in falls):
        return None
    return _judged(job, piece, falls + _hung(job, piece, falls))


def _judged(job: Job, piece: Piece, found: list[Option]) -> PieceWays:
    best = front(found) or (least_bad(found),)
    return _piece_ways(job, piece, best, _reasons([o for o in found if not o.kept]))


def _piece(job: Job, pieces: CutSet, row: int) -> Piece:
    return job.table.piece(*pieces.key(row), removed=~job.inputs.standing)


def falls_of(job: Job, piece: Piece) -> list[Option]:
    """Every way of letting one piece fall, judged; never none."""
    order = int(job.inputs.graph.order[piece.butt_node])
    falls = fall_options(piece, order, job.field, lambda o: with_chance(o, job.field, job.draws))
    return _on_the_spar(job, piece, falls)


def ways_of(job: Job, piece: Piece, wish: Edit | None = None) -> list[Option]:
    """Every way worth a look of taking one piece, judged; never none.

    With a wish its anchor alone is looked at, and the line even where the piece may fall.
    """
    falls = falls_of(job, piece)
    return falls + _hung(job, piece, falls, wish)


def _hung(
    job: Job, piece: Piece, falls: Sequence[Option], wish: Edit | None = None
) -> list[Option]:
    """Ways on the line, where the falls leave a reason to look at it."""
    order = int(job.inputs.graph.order[piece.butt_node])
    dropped = any(o.kept and o.room_m > 0.3 and o.chance <= CREDIBLE for o in falls)
    hung: list[Option] = []
    if wish is not None:
        hung = hang_options(job, piece, order, wish.anchor)
    elif not dropped or (
        piece.mass_kg.high > ALWAYS_LINED_KG and piece.butt_node not in job.inputs.fell_before
    ):
        hung = hang_options(job, piece, order)
    return [with_chance(o, job.field, job.draws) for o in hung]


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
