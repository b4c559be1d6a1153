"""One changed cut answered at once: the pieces it makes, their ways, loads and clearances.

For a person who moves, adds or deletes a cut and wants to see what that does before the whole
plan is made again.  Use: :func:`treescan.planning.job.prepare` once,
:func:`treescan.planning.dividing.pieces_of_cuts` once, then :func:`preview_edit` or
:func:`evaluate_piece` as often as wanted.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from treescan.errors import InvalidInputError
from treescan.planning.candidates import CutSet
from treescan.planning.dividing import cut_notes
from treescan.planning.edits import Edit, edited_cuts, forced
from treescan.planning.job import Job
from treescan.planning.judging import ways_of
from treescan.planning.options import Option, dominated
from treescan.units import Band
from treescan.wood.types import Piece


@dataclass(frozen=True)
class PieceReview:
    """One piece and every way looked at.

    Attributes
    ----------
    piece : Piece
    options : tuple of Option
        Those that keep every limit first (quickest and lightest first), each with its load
        result, clearances, path and warnings; then the others, the nearest misses first, with
        ``broken`` saying by how much.  Never empty.
    notes : tuple of str
        What to know of the cut itself: out of the climber's reach, bar too short.
    """

    piece: Piece
    options: tuple[Option, ...]
    notes: tuple[str, ...] = ()

    @property
    def cut_node(self) -> int:
        """Node of the cut."""
        return int(self.piece.butt_node)

    @property
    def mass_kg(self) -> Band:
        """Green mass. [kg]"""
        return self.piece.mass_kg

    @property
    def best(self) -> Option:
        """The way the planner would look at first."""
        return self.options[0]

    @property
    def kept(self) -> bool:
        """Some way keeps every limit and margin."""
        return self.best.kept

    @property
    def refusals(self) -> tuple[str, ...]:
        """Why the other ways were refused, one line each."""
        return tuple(dict.fromkeys(o.refusal() for o in self.options if not o.kept))


@dataclass(frozen=True)
class EditPreview:
    """What one change of a cut makes of the pieces.

    Attributes
    ----------
    pieces : CutSet
        After the change; as they were where it cannot be made.
    changed : tuple of PieceReview
        The pieces that are new or have another extent, the outermost first.
    gone : tuple of int
        Cuts that are no longer made.
    flags : tuple of str
        Why a change could not be made, in sentences.
    """

    pieces: CutSet
    changed: tuple[PieceReview, ...]
    gone: tuple[int, ...]
    flags: tuple[str, ...]


def evaluate_piece(
    job: Job,
    pieces: CutSet,
    cut_node: int,
    *,
    down: Iterable[int] = (),
    wish: Edit | None = None,
) -> PieceReview:
    """Judge every way of taking the piece cut at ``cut_node``, in a fraction of a second.

    Parameters
    ----------
    job : Job
        From :func:`treescan.planning.job.prepare`.
    pieces : CutSet
        The division it is a piece of.
    cut_node : int
        One of ``pieces.cuts``.
    down : iterable of int
        Cuts of the pieces that are down by then: loads are held against what still stands,
        and anchors that went with them are not used.  The pieces that grow on this one count
        as down in any case.
    wish : Edit, optional
        A ``force`` whose anchor alone is looked at; the ways that fit it come first.

    Raises
    ------
    InvalidInputError
        If there is no cut at that node, or its piece is down.
    """
    place = {int(cut): row for row, cut in enumerate(pieces.cuts)}
    gone = sorted(set(down) - {cut_node})
    unknown = [n for n in (cut_node, *gone) if n not in place]
    if unknown:
        raise InvalidInputError(
            f"there is no cut at node {unknown[0]}; the plan cuts at {len(place)} nodes. Add the"
            " cut first."
        )
    standing = job.inputs.standing.copy()
    for cut in gone:
        standing[job.inputs.graph.subtree(cut)] = False
    if not standing[cut_node]:
        raise InvalidInputError(f"the piece cut at node {cut_node} is down by then.")
    inner = pieces.inner_cuts(place[cut_node])
    for cut in inner:
        standing[job.inputs.graph.subtree(cut)] = False
    then = job.after(standing)
    piece = job.table.piece(cut_node, inner, removed=~standing)
    found = ways_of(then, piece, wish or forced(job.inputs.edits or (), cut_node))
    return PieceReview(piece, _ranked(found, wish), cut_notes(job, piece))


def preview_edit(job: Job, pieces: CutSet, edit: Edit, *, down: Iterable[int] = ()) -> EditPreview:
    """Make one change of a cut and judge the pieces it changes.

    Parameters
    ----------
    job, pieces, down
        As for :func:`evaluate_piece`; ``pieces`` before the change.
    edit : Edit
        ``merge``, ``split`` or ``move cut``; a ``force`` judges its piece with that wish.

    Returns
    -------
    EditPreview
        Usually two pieces: the one outside the cut and the one inside.
    """
    after, flags = edited_cuts(pieces, [edit])
    extent = {int(c): pieces.members[row].tolist() for row, c in enumerate(pieces.cuts)}
    touched = [
        int(cut)
        for row, cut in enumerate(after.cuts)
        if extent.get(int(cut)) != after.members[row].tolist()
    ]
    wish = edit if edit.kind == "force" else None
    if wish is not None:
        touched = [edit.node] if edit.node in extent else []
        if not touched:
            flags.append(f"There is no piece cut at node {edit.node} to force a way on.")
    left = set(after.cuts.tolist())
    gone = tuple(cut for cut in extent if cut not in left)
    lying = [cut for cut in down if cut in left]
    touched.sort(key=lambda cut: -job.inputs.graph.path_length_m[cut])
    reviews = tuple(
        evaluate_piece(job, after, cut, down=[c for c in lying if c != cut], wish=wish)
        for cut in touched
        if cut not in lying
    )
    return EditPreview(after, reviews, gone, tuple(flags))


def _ranked(found: list[Option], wish: Edit | None) -> tuple[Option, ...]:
    """Kept ways first, then near misses; of the kept ones the dominated are left out."""
    kept = [o for o in found if o.kept]
    best = [o for o in kept if not dominated(o, kept)]
    refused = [o for o in found if not o.kept]
    best.sort(key=lambda o: (o.minutes.likely + 20.0 * o.share, -o.room_m))
    refused.sort(key=lambda o: (len(o.broken), o.excess, -o.room_m))
    ranked = [*best, *refused]
    if wish is not None:
        ranked.sort(key=lambda o: not wish.met_by(o.method, o.tie, o.anchor))
    return tuple(ranked)
