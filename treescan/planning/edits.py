"""Changes a person makes to a plan: they are kept, re-checked and flagged, never undone.

An edit names cuts by node numbers of ``tree.json``.  The edited file may be a list of edits or
a changed ``plan.json``, from which the edits are read by comparing it with the first one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Literal, get_args

from treescan.errors import InvalidInputError
from treescan.rigging.types import Anchor

if TYPE_CHECKING:  # compiled: reading edits needs none of it
    from treescan.planning.candidates import CutSet

Json = dict[str, Any]
EditKind = Literal["merge", "split", "move cut", "force", "order"]
METHODS = ("free fall", "hinge fall", "lower", "speed line")
TIES = ("butt", "tip", "two-leg")
WISHES = ("method", "tie", "anchor")
KEYS: dict[str, tuple[set[str], set[str]]] = {
    "merge": ({"node"}, set()),
    "split": ({"node"}, set()),
    "move cut": ({"node", "to"}, set()),
    "force": ({"node"}, {"method", "tie", "anchor"}),
    "order": ({"nodes"}, set()),
}


@dataclass(frozen=True)
class Edit:
    """One change.

    ``merge`` drops the cut at ``node``; ``split`` adds one; ``move cut`` replaces ``node`` by
    ``to``; ``force`` fixes ``method``, ``tie`` or ``anchor`` (an anchor id or a node) of the
    piece cut at ``node`` (none of them: frees it again); ``order`` wants the pieces cut at
    ``nodes`` in that order.  ``again`` marks an edit that an earlier plan of the job was made
    with: nothing is said where it is done already.
    """

    kind: EditKind
    node: int = -1
    to: int = -1
    nodes: tuple[int, ...] = ()
    method: str | None = None
    tie: str | None = None
    anchor: str | int | None = None
    again: bool = False

    def row(self) -> Json:
        """The edit as :func:`read_edits` reads it."""
        needed, free = KEYS[self.kind]
        told = {key: getattr(self, key) for key in sorted(needed | free)}
        kept = {k: list(v) if k == "nodes" else v for k, v in told.items() if v is not None}
        return {"do": self.kind, **kept}

    def met_by(self, method: str, tie: str | None, anchor: Anchor | None) -> bool:
        """Whether a way is the one this ``force`` asks for."""
        names = () if anchor is None else (anchor.anchor_id, anchor.node)
        return (
            self.method in (None, method)
            and self.tie in (None, tie)
            and (self.anchor is None or self.anchor in names)
        )


def read_edits(rows: Sequence[Json]) -> tuple[Edit, ...]:
    """Read edits from plain rows such as ``{"do": "merge", "node": 812}``.

    A row that an earlier plan was made with carries ``"again": true``.

    Raises
    ------
    InvalidInputError
        For an unknown kind, a missing or an unknown key, or a value of the wrong sort; names the
        row.
    """
    result = []
    for number, row in enumerate(rows, start=1):
        kind = row.get("do") if isinstance(row, dict) else row
        if not isinstance(kind, str) or kind not in KEYS or not isinstance(row, dict):
            raise InvalidInputError(
                f"edit {number}: do = {kind!r}; use one of {', '.join(get_args(EditKind))}."
            )
        needed, free = KEYS[kind]
        keys = set(row) - {"do", "again"}
        if keys - needed - free or needed - keys:
            raise InvalidInputError(
                f"edit {number} ({kind}): needs {', '.join(sorted(needed))}"
                f"{' and may have ' + ', '.join(sorted(free)) if free else ''};"
                f" it has {', '.join(sorted(keys)) or 'nothing'}."
            )
        wished = {key: row[key] for key in keys}
        edit = Edit(kind, **wished, again=row.get("again") is True)  # type: ignore[arg-type]
        wrong = next((key for key in sorted(keys) if not _usable(key, row[key])), None)
        if wrong is not None:
            raise InvalidInputError(
                f"edit {number} ({kind}): {wrong} = {str(row[wrong])[:60]!r} cannot be used; "
                f"{_may_be(wrong)}."
            )
        result.append(edit if kind != "order" else replace(edit, nodes=tuple(edit.nodes)))
    return tuple(result)


def _usable(key: str, value: object) -> bool:
    """Whether a value is of the sort that its key asks for."""
    if key == "nodes":
        return isinstance(value, list | tuple) and all(_is_node(n) for n in value)
    if key in ("node", "to"):
        return _is_node(value)
    known = {"method": METHODS, "tie": TIES}.get(key)
    if known is not None:
        return value is None or value in known
    return value is None or isinstance(value, str) or _is_node(value)


def _may_be(key: str) -> str:
    """What a value may be, for people."""
    known = {"method": METHODS, "tie": TIES}.get(key)
    if known is not None:
        return f"use one of {', '.join(known)}"
    return {
        "anchor": "name an anchor of the plan or a node of tree.json",
        "nodes": "list nodes of tree.json, which are whole numbers",
    }.get(key, "it is a node of tree.json, a whole number")


def _is_node(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 2**31


def edits_between(first: Json, changed: Json) -> tuple[Edit, ...]:
    """Read what a person changed in a copy of ``plan.json``.

    Steps are matched by their ``node``.  A step that is gone merges its cut away, a new one
    splits, one whose node alone was changed moves its cut; a changed way, tie or anchor is
    forced, and a changed sequence becomes an order.  A new step needs its ``node`` only.

    Raises
    ------
    InvalidInputError
        Where something else was changed, which would be lost: names it, and what may be changed.
    """
    _nothing_else(first, changed, ("steps",), "")
    before = {int(s["node"]): s for s in first["steps"]}
    after: dict[int, Json] = {}
    for number, step in enumerate(changed["steps"], start=1):
        if not isinstance(step, dict) or not _is_node(step.get("node")):
            raise InvalidInputError(f"step {number} of the edited plan names no node to cut at.")
        if int(step["node"]) in after:
            raise InvalidInputError(f"the edited plan cuts at node {step['node']} twice.")
        after[int(step["node"])] = step
    moved = _moved(before, after)
    result = [Edit("merge", node=n) for n in before if n not in after and n not in moved.values()]
    result += [Edit("split", node=n) for n in after if n not in before and n not in moved]
    result += [Edit("move cut", node=old, to=new) for new, old in moved.items()]
    for node, step in after.items():
        old = before.get(moved.get(node, node), {})
        fields = {k: step[k] for k in WISHES if k in step and step[k] != old.get(k)}
        if old:
            _nothing_else(old, step, ("step", "node", *WISHES), f"the step cut at node {node}: ")
        if fields and (old or any(v is not None for v in fields.values())):
            wrong = next((k for k in sorted(fields) if not _usable(k, fields[k])), None)
            if wrong is not None:
                raise InvalidInputError(
                    f"the step cut at node {node}: {wrong} = {str(fields[wrong])[:60]!r} cannot be"
                    f" used; {_may_be(wrong)}."
                )
            result.append(Edit("force", node=node, **fields))
    kept = [moved.get(n, n) for n in after if moved.get(n, n) in before]
    if kept != [n for n in before if n in kept]:
        result.append(Edit("order", nodes=tuple(after)))
    return tuple(result)


def _moved(before: dict[int, Json], after: dict[int, Json]) -> dict[int, int]:
    """Cuts that were moved, new node to old: steps with the piece of a step that is gone."""
    gone = {id_of: n for n, s in before.items() if n not in after and (id_of := _piece_id(s))}
    return {
        n: gone[_piece_id(s)] for n, s in after.items() if n not in before and _piece_id(s) in gone
    }


def _piece_id(step: Json) -> tuple[int, ...]:
    """The nodes of a step's piece; empty where a person left them out."""
    piece = step.get("piece")
    nodes = piece.get("nodes") if isinstance(piece, dict) else None
    return tuple(nodes) if isinstance(nodes, list) and all(_is_node(n) for n in nodes) else ()


def _nothing_else(first: Json, changed: Json, free: tuple[str, ...], where: str) -> None:
    """Refuse a change that is not one of the free ones, rather than lose it."""
    other = [k for k in first if k not in free and k in changed and changed[k] != first[k]]
    other += [k for k in changed if k not in free and k not in first]
    if other:
        raise InvalidInputError(
            f"{where}{other[0]} was changed in the edited plan and cannot be set there. Change the"
            " node, method, tie or anchor of a step, add or take out steps, or put them in another"
            " order; change the site with --set."
        )


def edited_cuts(pieces: CutSet, edits: Sequence[Edit]) -> tuple[CutSet, list[str]]:
    """Apply the edits of cuts; returns the new set and what could not be done, in sentences."""
    flags: list[str] = []
    for edit in edits:
        if edit.kind in ("merge", "move cut"):
            row = [i for i, c in enumerate(pieces.cuts) if c == edit.node]
            if not row and not edit.again:
                flags.append(f"There is no cut at node {edit.node} to {edit.kind}.")
            if not row and (edit.kind == "merge" or not edit.again):
                continue
            if row and pieces.holder[row[0]] < 0:
                flags.append(
                    f"The cut at node {edit.node} is the last one above the stump and stays."
                )
                continue
        wanted = {"merge": [], "split": [edit.node], "move cut": [edit.to]}.get(edit.kind)
        if wanted is None:
            continue
        bad = [n for n in wanted if not 1 <= n < len(pieces.piece_of) or pieces.piece_of[n] < 0]
        if bad:
            if not edit.again:
                flags.append(f"Node {bad[0]} does not stand or lies in the stump; no cut there.")
            continue
        pieces = pieces.changed(add=wanted, drop=[] if edit.kind == "split" else [edit.node])
    return pieces, flags


def shaped_by_hand(pieces: CutSet, edits: Sequence[Edit]) -> dict[int, Edit]:
    """Cuts of the pieces that edits of cuts gave their extent, each with the last such edit.

    A cut that was struck out shaped the piece that now holds its wood, one that was added or
    moved the pieces on both sides of it.
    """
    found: dict[int, Edit] = {}
    for edit in edits:
        node = edit.to if edit.kind == "move cut" else edit.node
        if edit.kind not in ("merge", "split", "move cut"):
            continue
        if not 1 <= node < len(pieces.piece_of) or pieces.piece_of[node] < 0:
            continue
        row = int(pieces.piece_of[node])
        rows = [row] if edit.kind == "merge" else [row, int(pieces.holder[row])]
        found |= {int(pieces.cuts[r]): edit for r in rows if r >= 0}
    return found


def forced(edits: Sequence[Edit], node: int) -> Edit | None:
    """Return the last ``force`` for the piece cut at ``node``; None when that one frees it."""
    found = [e for e in edits if e.kind == "force" and e.node == node]
    last = found[-1] if found else None
    if last is None or last.method is last.tie is last.anchor is None:
        return None
    return last


def order_pairs(pieces: CutSet, edits: Sequence[Edit]) -> tuple[list[tuple[int, int]], list[str]]:
    """Pairs of piece rows (earlier, later) that the edits want, and what cannot be read of them.

    An order of no nodes frees those asked for before it.
    """
    row_of = {int(c): i for i, c in enumerate(pieces.cuts)}
    pairs: list[tuple[int, int]] = []
    flags = []
    for edit in edits:
        if edit.kind != "order":
            continue
        if not edit.nodes:
            pairs.clear()
        missing = [str(n) for n in edit.nodes if n not in row_of]
        if missing and not edit.again:
            more = " and others" if len(missing) > 5 else ""
            flags.append(
                f"The order asked for by hand names nodes without a cut: {', '.join(missing[:5])}"
                f"{more}."
            )
        rows = [row_of[n] for n in edit.nodes if n in row_of]
        pairs += [(a, b) for a, b in pairwise(rows) if a != b]
    return pairs, flags
