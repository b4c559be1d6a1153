"""Colour and visibility of every piece in the 3-D view: a short list of looks, one a node."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from treescan.page.view_scene import ViewScene
from treescan.planning.candidates import cut_set
from treescan.planning.edits import edited_cuts, read_edits
from treescan.report import colours

Json = dict[str, Any]
Ints = npt.NDArray[np.int32]
Bools = npt.NDArray[np.bool_]
Colouring = Literal["pieces", "load", "wood"]

CHOSEN, CHANGED, PALE = "#FFE600", "#E5007D", 0.5
BARE = 0.9
"""Opacity of wood that is drawn without its scan points, so that its colour shows."""


@dataclass(frozen=True)
class Shown:
    """What a device wants to see.

    ``current`` is the step looked at (0: none), ``chosen`` the cut of the piece tapped,
    ``changed`` the cuts whose piece was changed by hand.
    """

    current: int = 0
    chosen: int = -1
    done: Set[int] = frozenset()
    hide_down: bool = True
    colouring: Colouring = "pieces"
    changed: Set[int] = frozenset()

    def down(self, step: int) -> bool:
        """The piece of a step is down, or will be when the current step begins."""
        return step in self.done or 0 < step < self.current


def plan_cuts(scene: ViewScene) -> Ints:
    """Cut of the piece that each node belongs to in the plan, shape (n,); -1 for what stays."""
    result = np.full(len(scene.graph), -1, dtype=np.int32)
    for step in scene.plan["steps"] if scene.plan else ():
        result[step["piece"]["nodes"]] = step["node"]
    return result


def changed_cuts(scene: ViewScene, rows: Sequence[Json]) -> Ints:
    """Cut of each node's piece with changes by hand made, shape (n,); -1 for what stays."""
    first = plan_cuts(scene)
    pieces = cut_set(scene.graph, np.unique(first[first >= 0]), scene.job.standing)
    after, _ = edited_cuts(pieces, read_edits(rows))
    result: Ints = np.where(after.piece_of >= 0, after.cuts[np.maximum(after.piece_of, 0)], -1)
    return result.astype(np.int32)


def looks(scene: ViewScene, cut_of: Ints, shown: Shown) -> tuple[Json, Bools]:
    """Looks for the view, and which nodes are drawn.

    Parameters
    ----------
    cut_of : ndarray, shape (n,), int32
        Cut of each node's piece, changes by hand included; -1 for what stays.
    """
    steps = {int(s["node"]): s for s in (scene.plan["steps"] if scene.plan else ())}
    turn_of_node = _turns(scene)
    cuts = np.unique(cut_of[cut_of >= 0])
    row_of = np.zeros(len(cut_of), dtype=np.uint16)
    kinds: list[tuple[str, float]] = [(colours.STAYS, 1.0), (colours.STAYS, 0.0)]
    for cut in cuts.tolist():
        members = cut_of == cut
        step = steps.get(cut)
        turn = int(step["step"]) if step is not None else int(turn_of_node[cut])
        row_of[members] = len(kinds)
        kinds.append(_look(cut, turn, step, shown))
    row_of[~scene.job.standing] = 1
    opacity = np.array([alpha for _, alpha in kinds])
    text = base64.b64encode(row_of.astype("<u2").tobytes()).decode()
    return {"rows": text, "kinds": [list(k) for k in kinds]}, opacity[row_of] > 0.0


def _turns(scene: ViewScene) -> Ints:
    result = np.zeros(len(scene.graph), dtype=np.int32)
    for step in scene.plan["steps"] if scene.plan else ():
        result[step["piece"]["nodes"]] = step["step"]
    return result


def _look(cut: int, turn: int, step: Mapping[str, Any] | None, shown: Shown) -> tuple[str, float]:
    if shown.down(turn):
        return colours.STAYS, 0.0 if shown.hide_down else PALE
    if cut == shown.chosen or (turn == shown.current and turn > 0 and cut not in shown.changed):
        return CHOSEN, BARE
    if cut in shown.changed:
        return CHANGED, BARE
    if shown.colouring == "wood" or turn == 0:
        return colours.STAYS, 1.0
    if shown.colouring == "load":
        loaded = step is not None and step.get("load")
        share = float(step["governs"]["share"]) if loaded and step is not None else None
        return colours.load_colour(share), 1.0
    return colours.step_colour(turn), 1.0
