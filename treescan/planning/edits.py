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
    piece cut at ``node``; ``order`` wants the pieces cut at ``nodes`` in that order.
    """

    kind: EditKind
    node: int = -1
    to: int = -1
    nodes: tuple[int, ...] = ()
    method: str | None = None
    tie: str | None = None
    anchor: str | int | None = None

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
        keys = set(row) - {"do"}
        if keys - needed - free or needed - keys:
            raise InvalidInputError(
                f"edit {number} ({kind}): needs {', '.join(sorted(needed))}"
                f"{' and may have ' + ', '.join(sorted(free)) if free else ''};"
                f" it has {', '.join(sorted(keys)) or 'nothing'}."
            )
        edit = Edit(kind, **{key: row[key] for key in keys})  # type: ignore[arg-type]
        wrong = next((key for key in sorted(keys) if not _usable(key, row[key])), None)
        if wrong is not None:
            raise InvalidInputError(
                f"edit {number} ({kind}): {wrong} = {str(row[wrong])[:60]!r} cannot be used. "
                "Nodes are whole numbers of tree.json; a way, tie or anchor is a name."
            )
        result.append(edit if kind != "order" else replace(edit, nodes=tuple(edit.nodes)))
    return tuple(result)


def _usable(key: str, value: object) -> bool:
    """Whether a value is of the sort that its key asks for."""
    if key == "nodes":
        return isinstance(value, list | tuple) and all(_is_node(n) for n in value)
    if key in ("node", "to"):
        return _is_node(value)
    return value is None or isinstance(value, str) or (key == "anchor" and _is_node(value))


def _is_node(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 2**31


def edits_between(first: Json, changed: Json) -> tuple[Edit, ...]:
    """Read what a person changed in a copy of ``plan.json``.

    Steps are matched by their ``node``.  A step that is gone merges its cut away, a new one
    splits, a changed way, tie or anchor is forced, and a changed sequence becomes an order.
    """
    before = {int(s["node"]): s for s in first["steps"]}
    after = {int(s["node"]): s for s in changed["steps"]}
    result = [Edit("merge", node=n) for n in before if n not in after]
    result += [Edit("split", node=n) for n in after if n not in before]
    for node, step in after.items():
        old = before.get(node, {})
        fields = {k: step.get(k) for k in ("method", "tie", "anchor") if step.get(k) != old.get(k)}
        if fields and (old or any(v is not None for v in fields.values())):
            result.append(Edit("force", node=node, **fields))
    kept = [n for n in before if n in after]
    wanted = [n for n in after if n in before]
    if kept != wanted:
        result.append(Edit("order", nodes=tuple(after)))
    return tuple(result)


def edited_cuts(pieces: CutSet, edits: Sequence[Edit]) -> tuple[CutSet, list[str]]:
    """Apply the edits of cuts; returns the new set and what could not be done, in sentences."""
    flags: list[str] = []
    for edit in edits:
        if edit.kind in ("merge", "move cut"):
            row = [i for i, c in enumerate(pieces.cuts) if c == edit.node]
            if not row:
                flags.append(f"There is no cut at node {edit.node} to {edit.kind}.")
                continue
            if pieces.holder[row[0]] < 0 and edit.kind == "merge":
                flags.append(
                    f"The cut at node {edit.node} is the last one above the stump and stays."
                )
                continue
        wanted = {"merge": [], "split": [edit.node], "move cut": [edit.to]}.get(edit.kind)
        if wanted is None:
            continue
        bad = [n for n in wanted if not 1 <= n < len(pieces.piece_of) or pieces.piece_of[n] < 0]
        if bad:
            flags.append(f"Node {bad[0]} does not stand or lies in the stump; no cut there.")
            continue
        pieces = pieces.changed(add=wanted, drop=[] if edit.kind == "split" else [edit.node])
    return pieces, flags


def forced(edits: Sequence[Edit], node: int) -> Edit | None:
    """Return the last ``force`` for the piece cut at ``node``."""
    found = [e for e in edits if e.kind == "force" and e.node == node]
    return found[-1] if found else None


def order_pairs(pieces: CutSet, edits: Sequence[Edit]) -> list[tuple[int, int]]:
    """Pairs of piece rows (earlier, later) that the edits want."""
    row_of = {int(c): i for i, c in enumerate(pieces.cuts)}
    pairs = []
    for edit in edits:
        if edit.kind == "order":
            rows = [row_of[n] for n in edit.nodes if n in row_of]
            pairs += list(pairwise(rows))
    return pairs
