"""Pieces sent down a stretched line from an anchor on the tree to a place off it.

Looked at where the site file has a second line and names what holds the lower end
(``[[ground_anchor]]``); the piece is stopped over a landing and set down there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from treescan.errors import InvalidInputError
from treescan.motion.speed_line import StretchedLine, carriage_place, speed_line
from treescan.motion.types import Path
from treescan.planning.job import Job
from treescan.planning.sent_load import SentCase, from_case, sent_load
from treescan.planning.ties import (
    Tie,
    asked_anchors,
    lift_case,
    reachable_anchors,
    swing_rad,
    ties_of,
)
from treescan.rigging.spar import SparModel
from treescan.rigging.types import Anchor, LoadResult
from treescan.site.model import GroundAnchor
from treescan.units import G_M_S2
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

MOST_UPPER = 6
MOST_SENT = 3
TIGHT_WEIGHTS = (1.0, 2.0, 4.0)
LEAST_TIGHT_N = 500.0
MOST_TIGHT_N = 3000.0
"""The line is tightened to this many weights of the piece, within what a pulley system at its foot
gives: common practice, no source. [N]"""

LEAST_STROP_M, MOST_STROP_M = 0.5, 4.0
STEEPEST_RAD = float(np.radians(50.0))
LEAST_TRAVEL = 0.1
LEAST_CLEAR_M = 0.3
STOPS = np.linspace(0.25, 0.95, 29)


@dataclass(frozen=True)
class SentWay:
    """A way down the line with its loads."""

    result: LoadResult
    path: Path


def sent_ways(
    job: Job, piece: Piece, spar: SparModel, asked: str | int | None = None
) -> list[SentWay]:
    """Ways of sending one piece down a stretched line, the least loaded first."""
    site = job.inputs.site
    if not site.gear.second_line or not site.ground_anchor:
        return []
    anchors = reachable_anchors(job, piece)[:MOST_UPPER]
    if asked is not None:
        anchors = asked_anchors(job, asked)
    rider = job.rider(spar.standing)
    rated: list[tuple[float, int, LoadResult]] = []
    for upper in anchors:
        for lower in site.ground_anchor:
            for case in _cases(job, piece, upper, lower):
                result = sent_load(case, spar, rider)
                if not result.failed:
                    rated.append((_lack_m(job, case) + max(result.share, 0.5), len(rated), result))
    rated.sort(key=lambda row: row[:2])
    found: list[SentWay] = []
    for _, _, result in rated:
        if len(found) >= MOST_SENT:
            break
        path = _path(job, result)
        if path is not None:
            found.append(SentWay(result, path))
    return found


def _cases(job: Job, piece: Piece, upper: Anchor, lower: GroundAnchor) -> list[SentCase]:
    """Cases from one anchor to one lower end: slack and tight, butt and tip tied."""
    at = np.asarray(lower.at_m, dtype=np.float64)
    weight = piece.mass_kg.high * G_M_S2
    found = []
    pulls = {float(np.clip(t * weight, LEAST_TIGHT_N, MOST_TIGHT_N)) for t in TIGHT_WEIGHTS}
    for pull in sorted(pulls):
        line = StretchedLine(upper.position_m, at, job.inputs.gear.line.modulus_n, pull)
        if not at[2] < upper.position_m[2] - 0.05 * line.chord_m:
            continue
        for tie in ties_of(job.inputs.graph, piece):
            span = _span(job, line, held_at(piece, tie.kind, tie.points_m), _reach_m(piece))
            if span is None:
                continue
            found.append(_case(job, piece, (upper, lower), tie, (line, *span)))
    return found


def _case(
    job: Job,
    piece: Piece,
    ends: tuple[Anchor, GroundAnchor],
    tie: Tie,
    on: tuple[StretchedLine, float, float],
) -> SentCase:
    upper, lower = ends
    line, begin, stop = on
    return from_case(
        lift_case(job, piece, upper, tie),
        line=line,
        begin=begin,
        stop=stop,
        lower_name=lower.name,
        lower_holds_n=1e3 * (lower.holds_kn or 0.0),
    )


def held_at(piece: Piece, kind: str, tie_m: Floats) -> Floats:
    """Point of the piece that the strop holds: its tie, or the ring of two legs above it. [m]

    ``tie_m`` is (1, 3), or (2, 3) for two legs; the result (3,).
    """
    if kind != "two-leg":
        return tie_m[0]
    span = float(np.linalg.norm(tie_m[1] - tie_m[0]))
    return piece.centre_m + np.array([0.0, 0.0, 0.5 * span])


def _lack_m(job: Job, case: SentCase) -> float:
    """How much too low the piece would hang over ground or targets on its way, roughly. [m]"""
    assert case.line is not None
    share = np.linspace(case.begin, case.stop, 7)
    place, _ = carriage_place(case.line, share, case.piece.mass_kg.high * G_M_S2)
    hold = held_at(case.piece, case.tie, case.tie_m)
    strop = max(float(np.linalg.norm(place[0] - hold)), LEAST_STROP_M)
    below = np.linalg.norm(case.piece.outline_m - hold, axis=1)
    if case.tie == "two-leg":
        below = hold[2] - case.piece.outline_m[:, 2]
    lowest = place[:, 2] - strop - float(below.max())
    ground = job.inputs.ground.height(place[:, 0], place[:, 1])
    lack = float(np.maximum(ground + LEAST_CLEAR_M - lowest, 0.0).max())
    obstacles = job.field.obstacles
    if not len(obstacles):
        return lack
    points = np.column_stack([place[:, :2], lowest])
    short = obstacles.margin_m - obstacles.nearest(points, 0.3 * _reach_m(case.piece))[0]
    return lack + float(np.maximum(short, 0.0).sum())


def _reach_m(piece: Piece) -> float:
    away = np.linalg.norm(piece.outline_m - piece.centre_m, axis=1)
    return float(np.minimum(0.7 * away.max(), 3.0))


def _span(
    job: Job, line: StretchedLine, tie_m: Floats, reach_m: float
) -> tuple[float, float] | None:
    """Shares of the span where the piece hangs and where it is stopped over a landing."""
    along = (line.lower_m - line.upper_m)[:2]
    size = float(along @ along)
    if size < 1.0:
        return None
    begin = float(np.clip((tie_m - line.upper_m)[:2] @ along / size, 0.02, 0.98))
    carriage, _ = carriage_place(line, begin, LEAST_TIGHT_N)
    away = float(np.linalg.norm(carriage[0] - tie_m))
    if not LEAST_STROP_M / 2 < away <= MOST_STROP_M or carriage[0, 2] < tie_m[2]:
        return None
    if swing_rad(tie_m, carriage[0]) > STEEPEST_RAD:
        return None
    stops = STOPS[begin + LEAST_TRAVEL < STOPS]
    flat = line.upper_m[:2] + stops[:, None] * along
    points = shapely.points(flat)
    inside = np.zeros(len(stops), dtype=bool)
    for zone in job.field.set_downs(round(reach_m, 1)):
        inside |= shapely.covers(zone, points)
    if not inside.any():
        return None
    return begin, float(stops[inside][0])


def _path(job: Job, result: LoadResult) -> Path | None:
    case = result.case
    assert isinstance(case, SentCase)
    assert case.line is not None
    carriage, _ = carriage_place(case.line, case.begin, LEAST_TIGHT_N)
    hold = held_at(case.piece, case.tie, case.tie_m)
    strop = float(np.linalg.norm(carriage[0] - hold))
    try:
        return speed_line(
            case.piece,
            hold,
            case.line,
            job.inputs.ground,
            strop_m=max(strop, LEAST_STROP_M),
            stop_share=case.stop,
        ).path
    except InvalidInputError:
        return None
