"""Why this anchor, and when the climber moves: words for the steps of the chosen plan.

For every lowered piece the anchors by load and the redirects that would help; for a piece that
takes the climber's tie-in down, the place to move to before the cut.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from treescan.motion.screening import screen_lowered
from treescan.planning.hangs import landing_goal
from treescan.planning.job import Job
from treescan.planning.options import standing_distance_m
from treescan.planning.ties import reachable_anchors
from treescan.planning.types import Step
from treescan.rigging.model import SparModel
from treescan.rigging.proposals import (
    AnchorForPiece,
    propose_redirects,
    propose_swing_moves,
    rank_for_piece,
)
from treescan.rigging.types import Anchor

OTHERS_SHOWN = 2
WORTH_EASING = 0.6
"""A redirect is looked for when a section of the spar is loaded beyond this share: our choice."""
FAR_ASIDE_M = 1.0
"""A piece that comes down farther than this from plumb is looked at for another anchor: our
choice. [m]"""
NEAR_M = 0.05
"""What a swing lacks of a margin by no more than this is not told: the poses looked at lie 25 ms
apart. [m]"""


def with_anchor_ranks(job: Job, steps: Sequence[Step]) -> tuple[Step, ...]:
    """Give every piece lowered from an anchor above it the reasons for its anchor.

    Steps are in the order of the cuts: each load is held against what stands by then.
    """
    standing = job.inputs.standing.copy()
    told = []
    for step in steps:
        before = job.tie_in_on(standing)
        standing[step.piece.nodes] = False
        above = step.load is not None and step.method == "lower" and step.load.case.drop_m <= 0.0
        named = _with_reasons(job, step, standing.copy()) if above else step
        told.append(_moved_tie_in(named, before, job.tie_in_on(standing)))
    return tuple(told)


def _moved_tie_in(step: Step, before: Anchor | None, after: Anchor | None) -> Step:
    """Say where the climber ties in before a cut that takes the tie-in down."""
    if before is None or (after is not None and after.anchor_id == before.anchor_id):
        return step
    if after is None:
        words = (
            f"{before.anchor_id}, the last tie-in, comes down with this piece: make this cut from "
            "a lift or the ground"
        )
    else:
        words = (
            f"move the tie-in to {after.anchor_id}, {after.height_m:.1f} m up, before this cut: "
            f"{before.anchor_id} comes down with it"
        )
    return replace(step, warnings=(*step.warnings, words))


def _with_reasons(job: Job, step: Step, standing: npt.NDArray[np.bool_]) -> Step:
    assert step.load is not None
    case = step.load.case
    spar = job.spar_without(standing)
    places = {a.anchor_id: a for a in reachable_anchors(job, step.piece) if standing[a.node]}
    places[case.anchor.anchor_id] = case.anchor
    anchors = tuple(places.values())
    foot = float(job.inputs.ground.height(*case.anchor.position_m[:2]))
    ranked = rank_for_piece(case, anchors, spar, foot, job.rider(standing))
    swings = swings_from(job, ranked)
    reasons = [*_by_load(ranked, case.anchor, swings), *_easier(job, step, spar, anchors)]
    return replace(step, reasons=(*step.reasons, *reasons))


def swings_from(job: Job, ranked: Sequence[AnchorForPiece]) -> dict[str, str]:
    """What a piece would pass on its first swing from each of several anchors, in words.

    All anchors are followed in one batch (:func:`treescan.motion.screening.screen_lowered`).
    Wood that stands inside a margin already lacks nothing while it comes no nearer.

    Returns
    -------
    dict
        Anchor id to words; empty without targets and conductors.
    """
    obstacles = job.field.obstacles
    if not ranked or not len(obstacles):
        return {}
    cases = [row.result.case for row in ranked]
    swept = screen_lowered(
        [case.piece for case in cases],
        np.array([case.tie_m.mean(axis=0) for case in cases]),
        np.array([case.anchor.position_m for case in cases]),
        job.inputs.ground,
        obstacles,
        run_m=[case.run_m for case in cases],
    )
    wanted = np.minimum(obstacles.margin_m, standing_distance_m(cases[0].piece, obstacles))
    told = {}
    for case, lack in zip(cases, wanted - swept.gap_m, strict=True):
        worst = int(np.argmax(lack))
        told[case.anchor.anchor_id] = (
            f"its swing comes {lack[worst]:.1f} m too near {obstacles.names[worst]}"
            if lack[worst] > NEAR_M
            else "its swing keeps every margin"
        )
    return told


def _by_load(ranked: Sequence[AnchorForPiece], chosen: Anchor, swings: dict[str, str]) -> list[str]:
    """The chosen anchor in figures, and the next best or the better ones beside it."""
    own = [r for r in ranked if r.result.case.anchor.anchor_id == chosen.anchor_id]
    others = [r for r in ranked if r.result.case.anchor.anchor_id != chosen.anchor_id]
    told = [f"from {chosen.anchor_id}: {row.reason}" for row in own[:1]]
    if others:
        names = ", ".join(_named(row, swings) for row in others[:OTHERS_SHOWN])
        told.append(f"other anchors for this piece by load: {names}")
    return told


def _named(row: AnchorForPiece, swings: dict[str, str]) -> str:
    anchor = row.result.case.anchor.anchor_id
    load = f"{row.result.governs} at {row.result.share * 100:.0f} %"
    return f"{anchor} ({'; '.join([load, swings[anchor]] if anchor in swings else [load])})"


def _easier(job: Job, step: Step, spar: SparModel, anchors: Sequence[Anchor]) -> list[str]:
    """A redirect that would ease the spar, and an anchor that would swing the piece nearer."""
    assert step.load is not None
    case, rider, told = step.load.case, job.rider(spar.standing), []
    section = max((v for k, v in step.load.utilisation.items() if "section" in k), default=0.0)
    if section > WORTH_EASING and not step.redirects:
        told += [f"optional: {r.reason}" for r in propose_redirects(case, spar, rider)[:1]]
    reach = min(0.5 * step.piece.length_m, 3.0)
    goal, aside = landing_goal(job, case.anchor.position_m, reach)
    if goal is not None and aside > FAR_ASIDE_M:
        moves = propose_swing_moves(case, anchors, spar, goal, rider)
        told += [f"optional: {move.reason}" for move in moves[:1]]
    return told
