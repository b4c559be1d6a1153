"""Changed cuts judged at once, in a process of its own that keeps the job prepared.

``python -m treescan.page.cut_worker`` reads one question a line from stdin and writes one answer
a line to stdout, both JSON.  The first question of a job takes some seconds (anchors, structure
and obstacles are prepared); every later one a fraction of a second.
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from treescan.errors import InvalidInputError, TreescanError
from treescan.pipeline.folder import JobFolder, read_folder
from treescan.pipeline.replanning import inputs_of
from treescan.planning.candidates import CutSet
from treescan.planning.dividing import pieces_of_cuts
from treescan.planning.edits import Edit, edited_cuts, read_edits
from treescan.planning.job import Job, prepare
from treescan.planning.live_edits import PieceReview, evaluate_piece
from treescan.planning.options import Option
from treescan.rigging.types import LoadResult
from treescan.units import ZERO_BAND
from treescan.wood.types import Piece

Json = dict[str, Any]

MOST_OPTIONS = 5
MOST_REFUSALS = 6
MOST_PATH = 120


@dataclass
class Prepared:
    """A job ready to answer.

    ``before`` tells for each cut of the plan which cuts are made before it; ``known`` keeps
    answers already given.
    """

    folder: JobFolder
    job: Job
    pieces: CutSet
    step_of_cut: dict[int, int]
    known: dict[tuple[object, ...], PieceReview] = field(default_factory=dict)

    @staticmethod
    def of(folder: Path, site_path: Path | None) -> Prepared:
        """Prepare the job of a result folder.

        Raises
        ------
        InvalidInputError
            If it holds no plan.
        """
        read = read_folder(folder, site_path=site_path)
        if read.plan is None:
            raise InvalidInputError("There is no plan yet: make one, then change its cuts.")
        job = prepare(inputs_of(read))
        steps = {int(s["node"]): int(s["step"]) for s in read.plan["steps"]}
        return Prepared(read, job, pieces_of_cuts(job, tuple(steps)), steps)


def answer(
    ready: Prepared, rows: Sequence[Json], ask: Iterable[int] = (), only: int | None = None
) -> Json:
    """Judge what a list of edits makes of the pieces.

    Parameters
    ----------
    rows : sequence of dict
        All edits since the plan, as :func:`treescan.planning.edits.read_edits` takes them.
    ask : iterable of int
        Cuts whose pieces are judged even if no edit touches them.
    only : int, optional
        The one changed piece that is judged now; the others are left for a later question.

    Returns
    -------
    dict
        ``cuts``, ``changed`` and ``asked`` (one document a piece, the outermost first),
        ``gone`` and ``flags``.
    """
    edits = read_edits(rows)
    after, flags = ready.pieces, []
    for edit in edits:
        after, told = edited_cuts(after, [edit])
        flags += told
    extent = {int(c): ready.pieces.members[i].tolist() for i, c in enumerate(ready.pieces.cuts)}
    wishes = {edit.node: edit for edit in edits if edit.kind == "force"}
    left = {int(c) for c in after.cuts}
    touched = [
        int(cut)
        for row, cut in enumerate(after.cuts)
        if extent.get(int(cut)) != after.members[row].tolist() or int(cut) in wishes
    ]
    flags += [
        f"There is no piece cut at node {n} to force a way on." for n in wishes if n not in left
    ]
    wanted = dict.fromkeys([*touched, *(c for c in ask if c in left)])
    if only in wanted:
        wanted = {only: None}
    order = sorted(wanted, key=lambda cut: -float(after.graph.path_length_m[cut]))
    reviews = [(cut, _review(ready, after, cut, wishes.get(cut))) for cut in order]
    return {
        "cuts": sorted(left),
        "gone": sorted(set(extent) - left),
        "changed": [_document(ready, r, wishes.get(cut)) for cut, r in reviews if cut in touched],
        "asked": [_document(ready, r, wishes.get(cut)) for cut, r in reviews if cut not in touched],
        "flags": flags,
    }


def _review(ready: Prepared, pieces: CutSet, cut: int, wish: Edit | None) -> PieceReview:
    """Judge a piece with everything down that the plan takes before it."""
    turn = _turn(ready, cut)
    down = tuple(
        int(c)
        for c in pieces.cuts
        if int(c) != cut and ready.step_of_cut.get(int(c), turn) < turn
        and cut not in pieces.graph.subtree(int(c))
    )  # fmt: skip
    row = int(np.searchsorted(pieces.cuts, cut))
    key = (cut, pieces.inner_cuts(row), down, wish)
    if key not in ready.known:
        ready.known[key] = evaluate_piece(ready.job, pieces, cut, down=down, wish=wish)
    return ready.known[key]


def _turn(ready: Prepared, cut: int) -> int:
    """Step of the plan in which the wood at a cut comes down."""
    row = int(ready.pieces.piece_of[cut])
    return ready.step_of_cut.get(int(ready.pieces.cuts[row]), 0) if row >= 0 else 0


def _document(ready: Prepared, review: PieceReview, wish: Edit | None) -> Json:
    """A judged piece as plain values, in the words of plan.json, scan coordinates."""
    origin = ready.folder.survey.origin_m
    options = [_option(o, origin) for o in review.options[:MOST_OPTIONS]]
    first = review.best
    met = wish is None or wish.met_by(first.method, first.tie, first.anchor)
    return {
        "node": review.cut_node,
        "turn": _turn(ready, review.cut_node),
        "kept": review.kept,
        "forced": wish is not None,
        "met": met,
        "notes": list(review.notes),
        "options": options,
        "refusals": list(review.refusals[:MOST_REFUSALS]),
    }


def _option(option: Option, origin: np.ndarray) -> Json:
    load = option.load
    path = option.path
    kept = np.unique(np.linspace(0, len(path.time_s) - 1, MOST_PATH).round().astype(int))
    x, y, z, w = Rotation.from_matrix(np.asarray(path.rotation)[kept]).as_quat().T
    return {
        "piece": _piece(option.piece, origin),
        "method": option.method,
        "tie": option.tie,
        "tie_m": [_point(t, origin) for t in np.reshape(option.tie_m, (-1, 3))],
        "anchor": option.anchor_id,
        "anchor_node": option.anchor.node if option.anchor is not None else None,
        "redirects": list(option.redirects),
        "line_tension_N": (load.lead_tension_n if load else ZERO_BAND).as_dict(1),
        "anchor_load_N": (load.anchor_load_n if load else ZERO_BAND).as_dict(1),
        "governs": {
            "item": load.governs if load else "no line",
            "share": round(option.share, 4),
        },
        "load": _load(load, origin) if load else None,
        "hinge": None
        if option.hinge_azimuth_deg is None
        else {
            "face_azimuth_deg": round(option.hinge_azimuth_deg, 1),
            "face_below_level_deg": round(option.hinge_below_level_deg or 0.0, 1),
        },
        "landing": option.landing,
        "landing_m": _point(path.landing_m, origin),
        "landing_radius_m": round(path.landing_radius_m, 3),
        "clearance_detail": [
            {
                "target": c.target,
                "distance_m": round(c.distance_m, 3),
                "spread_m": round(c.spread_m, 3),
                "margin_m": round(c.margin_m, 3),
                "kept": c.kept,
                "time_s": round(c.time_s, 3),
                "point_m": _point(c.point_m, origin),
            }
            for c in option.clearances
        ],
        "path": [
            [round(float(path.time_s[i]), 3), *_point(path.centre_m[i], origin)] for i in kept
        ],
        "path_detail": {"turn_wxyz": np.round(np.column_stack([w, x, y, z]), 4).tolist()},
        "minutes": option.minutes.as_dict(2),
        "people": option.people,
        "warnings": list(dict.fromkeys(option.warnings)),
        "broken_limits": list(option.broken),
        "reasons": [],
    }


def _piece(piece: Piece, origin: np.ndarray) -> Json:
    return {
        "limb": int(piece.limb),
        "cut_m": _point(piece.cut_m, origin),
        "length_m": round(piece.length_m, 3),
        "butt_diameter_m": round(piece.butt_diameter_m, 4),
        "mass_kg": piece.mass_kg.as_dict(2),
        "nodes": [int(n) for n in piece.nodes],
    }


def _load(load: LoadResult, origin: np.ndarray) -> Json:
    case = load.case
    return {
        "device_m": _point(case.device_m, origin),
        "anchor_m": _point(case.anchor.position_m, origin),
        "redirects_m": [_point(r, origin) for r in np.reshape(case.redirects_m, (-1, 3))],
        "utilisation": {k: round(float(v), 4) for k, v in load.utilisation.items()},
        "warnings": list(load.warnings),
        "failed": load.failed,
    }


def _point(point_m: Any, origin: np.ndarray) -> list[float]:
    return [round(float(v), 3) for v in np.asarray(point_m, dtype=np.float64) + origin]


class Desk:
    """Answers questions and keeps the last job prepared."""

    def __init__(self) -> None:
        self.mark = ""
        self.ready: Prepared | None = None

    def take(self, question: Mapping[str, Any]) -> Json:
        """Answer one question; what cannot be answered is said in ``error``."""
        began = time.perf_counter()
        try:
            if self.ready is None or question["mark"] != self.mark:
                site = Path(question["site"]) if question.get("site") else None
                self.ready = Prepared.of(Path(question["folder"]), site)
                self.mark = str(question["mark"])
            wished = (question.get("edits", ()), question.get("ask", ()), question.get("only"))
            told = answer(self.ready, *wished)
        except TreescanError as error:
            told = {"error": str(error)}
        told["ms"] = round(1000 * (time.perf_counter() - began))
        return told


def main() -> None:
    """Answer line by line until the page goes away."""
    desk = Desk()
    for line in sys.stdin:
        told = desk.take(json.loads(line))
        try:
            sys.stdout.write(json.dumps(told, allow_nan=False) + "\n")
            sys.stdout.flush()
        except BrokenPipeError:  # nobody listens any more; nor at the end of this process
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return


if __name__ == "__main__":
    main()
