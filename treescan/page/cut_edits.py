"""Changes of cuts made by hand: rows as the planner reads them, kept short and said in words.

Every function returns a new list; the rows given stay as they are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from treescan.skeleton.graph import TreeGraph

Json = dict[str, Any]
Rows = list[Json]

STEP_M = 0.25
"""How far one press moves a cut along the wood. [m]"""


def split(rows: Sequence[Json], node: int) -> Rows:
    """Add a cut."""
    return [*rows, {"do": "split", "node": node}]


def moved(rows: Sequence[Json], node: int, to: int) -> Rows:
    """Move a cut; a cut moved or added before is moved on rather than twice."""
    result: Rows = []
    found = False
    for row in rows:
        if row["do"] == "split" and row["node"] == node:
            row, found = {**row, "node": to}, True
        elif row["do"] == "move cut" and node in (row["to"], row["node"]):
            row, found = {**row, "to": to}, True
        elif row["do"] == "force" and row["node"] == node:
            row = {**row, "node": to}
        if not (row["do"] == "move cut" and row["node"] == row["to"]):
            result.append(row)
    if not found:
        # before a wish for the cut's new place, so that it stands on the piece it is meant for
        first = next((i for i, r in enumerate(result) if r["do"] == "force"), len(result))
        result.insert(first, {"do": "move cut", "node": node, "to": to})
    return result


def merged(rows: Sequence[Json], node: int) -> Rows:
    """Strike a cut out; one added by hand just goes away."""
    left = [r for r in rows if not (r["do"] == "force" and r["node"] == node)]
    if any(r["do"] == "split" and r["node"] == node for r in left):
        return [r for r in left if not (r["do"] == "split" and r["node"] == node)]
    for i, row in enumerate(left):
        if row["do"] == "move cut" and row["to"] == node:
            return [*left[:i], {"do": "merge", "node": row["node"]}, *left[i + 1 :]]
    return [*left, {"do": "merge", "node": node}]


def forced(rows: Sequence[Json], node: int, **wish: Any) -> Rows:
    """Force a way, tie or anchor on the piece cut at a node; adds to what was forced before."""
    before = next((r for r in rows if r["do"] == "force" and r["node"] == node), {})
    left = [r for r in rows if r is not before]
    row = {
        "do": "force",
        "node": node,
        **{k: v for k, v in before.items() if k not in ("do", "node")},
    }
    row |= {k: v for k, v in wish.items() if v is not None}
    return [*left, row]


def place_now(rows: Sequence[Json], node: int) -> int:
    """Node where a cut of the plan is after it was moved."""
    moves = {int(r["node"]): int(r["to"]) for r in rows if r["do"] == "move cut"}
    return moves.get(node, node)


def without(rows: Sequence[Json], place: int) -> Rows:
    """Take one change back."""
    return [row for i, row in enumerate(rows) if i != place]


def held_after(state: Mapping[str, Any]) -> Rows:
    """Wishes that go on after a new plan and are asked for again in every later one.

    That is what was forced (of several wishes for one piece the last), and the cuts that were
    struck out or moved, which the planner might otherwise make again.  Added cuts are the plan's
    own from then on.
    """
    rows = [*(state.get("held") or ()), *(state.get("edits") or ())]
    last = {int(row["node"]): row for row in rows if row["do"] == "force"}
    back = {int(row["node"]) for row in rows if row["do"] == "split"}
    shaped = {
        int(row["node"]): {**row, "again": True}
        for row in rows
        if row["do"] in ("merge", "move cut") and int(row["node"]) not in back
    }
    return [*shaped.values(), *last.values()]


def said(row: Json, names: dict[int, str]) -> str:
    """One change in words; ``names`` gives the piece that is cut at a node."""
    node = int(row.get("node", -1))
    piece = names.get(node, "a piece")
    if row["do"] == "split":
        return f"Cut added on {piece}"
    if row["do"] == "merge":
        return f"Cut struck out: {piece} stays on the wood it grows on"
    if row["do"] == "move cut":
        return f"Cut moved: {piece}"
    if row["do"] == "order":
        return "Order of cuts changed"
    given = (("way", row.get("method")), ("tie", row.get("tie")), ("anchor", row.get("anchor")))
    wish = ", ".join(f"{word} {value}" for word, value in given if value is not None)
    return f"Forced on {piece}: {wish}"


def along(graph: TreeGraph, node: int, metres: float) -> int | None:
    """Node that lies so far along the same limb, outward when positive; None past its end."""
    gone, here = 0.0, node
    while gone < abs(metres):
        nxt = _outward(graph, here) if metres > 0 else _inward(graph, here)
        if nxt is None:
            break
        gone += float(np.linalg.norm(graph.position_m[nxt] - graph.position_m[here]))
        here = nxt
    return here if here != node else None


def _inward(graph: TreeGraph, node: int) -> int | None:
    up = int(graph.parent[node])
    return up if up > 0 and graph.limb[up] == graph.limb[node] else None


def _outward(graph: TreeGraph, node: int) -> int | None:
    children = np.flatnonzero((graph.parent == node) & (graph.limb == graph.limb[node]))
    return int(children[0]) if len(children) else None
