"""Where a line may hold a piece, and from which anchors, as load cases to be answered."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.planning.job import Job
from treescan.rigging.types import Anchor, LoadCase
from treescan.skeleton.graph import TreeGraph
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

STEEPEST_SWING_RAD = float(np.radians(70.0))
"""Anchors from which a piece would swing further than this are not looked at."""

MOST_ANCHORS = 7
LIGHT_KG = 40.0
"""Pieces up to this mass may hang from thin wood, which is checked like any other: common
practice, no source."""

TIP_TIE_SHARE = 0.7
LEAST_TIE_DIAMETER_M = 0.04


@dataclass(frozen=True)
class Tie:
    """A way of tying: ``kind`` as in a load case, ``points_m`` (j, 3)."""

    kind: str
    points_m: Floats


def ties_of(graph: TreeGraph, piece: Piece) -> tuple[Tie, ...]:
    """Butt, tip and two-leg ties along the piece's own limb; two-leg only about the centre."""
    own = piece.nodes[graph.limb[piece.nodes] == piece.limb]
    along = graph.path_length_m[own] - graph.path_length_m[own[0]] + graph.edge_length_m[own[0]]
    thick = 2.0 * graph.radius_m[own] >= min(LEAST_TIE_DIAMETER_M, 0.5 * piece.butt_diameter_m)
    butt_at = min(0.5, 0.2 * piece.length_m)
    butt = graph.position_m[own[int(np.argmin(np.abs(along - butt_at)))]]
    if along[-1] < 1.0 or not thick.any():
        return (Tie("butt", butt[None]),)
    tip_at = min(TIP_TIE_SHARE * piece.length_m, float(along[thick].max()))
    tip = graph.position_m[own[int(np.argmin(np.abs(along - tip_at)))]]
    found = [Tie("butt", butt[None]), Tie("tip", tip[None])]
    span = tip - butt
    size = float(np.linalg.norm(span))
    if size > 0.8 and 0.1 < float((piece.centre_m - butt) @ span) / size**2 < 0.9:
        found.append(Tie("two-leg", np.vstack([butt, tip])))
    return tuple(found)


def swing_rad(point_m: Floats, anchor_m: Floats) -> float:
    """Angle of the taut lead from the plumb line; over 90 degrees above the anchor. [rad]

    ``point_m`` and ``anchor_m`` are (3,).
    """
    offset = point_m - anchor_m
    return float(np.arctan2(np.hypot(offset[0], offset[1]), -offset[2]))


def reachable_anchors(job: Job, piece: Piece, gone: int | None = None) -> list[Anchor]:
    """Usable anchors above the piece that do not fall with it, the most promising first.

    ``gone`` names the cut of a piece that is given in another pose.
    """
    graph = job.inputs.graph
    falls = np.zeros(len(graph), dtype=bool)
    falls[graph.subtree(piece.butt_node if gone is None else gone)] = True
    top = piece.cut_m + 0.5 * piece.axis
    rated = []
    light = job.light if piece.mass_kg.high <= LIGHT_KG else ()
    for anchor in (*job.usable, *light):
        if falls[anchor.node] or anchor.position_m[2] < top[2] + 0.3:
            continue
        angle = swing_rad(top, anchor.position_m)
        if angle > STEEPEST_SWING_RAD:
            continue
        strength = min(anchor.allowable_n / (9.81 * max(piece.mass_kg.high, 20.0)) / 5.0, 1.0)
        rated.append((1.0 - np.cos(angle) + 0.6 * (1.0 - strength), anchor.node, anchor))
    rated.sort(key=lambda row: row[:2])
    return [anchor for _, _, anchor in rated[:MOST_ANCHORS]]


def asked_anchors(job: Job, asked: str | int) -> list[Anchor]:
    """The anchor a person asked for (id or node), rejected ones included but not lost ones."""
    lost = job.inputs.lost_anchors
    return [a for a in job.anchors if asked in (a.anchor_id, a.node) and a.node not in lost]


def lift_case(
    job: Job,
    piece: Piece,
    anchor: Anchor,
    tie: Tie,
    *,
    swing_rad: float = 0.0,
    drop_m: float = 0.0,
    run_m: float = 1.0,
) -> LoadCase:
    """Load case of one lift with the job's gear, its device at the foot of the stem.

    Parameters
    ----------
    swing_rad, drop_m, run_m : float
        Release angle, fall before the line is taut, and line let run; see
        :class:`treescan.rigging.types.LoadCase`. [rad], [m], [m]
    """
    return LoadCase(
        piece=piece,
        anchor=anchor,
        tie=tie.kind,
        tie_m=tie.points_m,
        redirects_m=np.zeros((0, 3)),
        device_m=job.device_m,
        gear=job.inputs.gear,
        drop_m=drop_m,
        swing_rad=swing_rad,
        run_m=run_m,
    )


def hung_cases(job: Job, piece: Piece, asked: str | int | None = None) -> list[LoadCase]:
    """Taut-line cases of a piece from every anchor above it, with every tie.

    ``asked`` names one anchor (id or node) to look at alone, rejected ones included.
    """
    cases = []
    anchors = reachable_anchors(job, piece)
    if asked is not None:
        anchors = asked_anchors(job, asked)
    for anchor in anchors:
        for tie in ties_of(job.inputs.graph, piece):
            hold = piece.centre_m if tie.kind == "two-leg" else tie.points_m[0]
            angle = swing_rad(hold, anchor.position_m)
            if angle > STEEPEST_SWING_RAD:
                continue
            cases.append(lift_case(job, piece, anchor, tie, swing_rad=angle))
    return cases


def no_line_because(
    job: Job, piece: Piece, tie: str | None = None, anchor: str | int | None = None
) -> str:
    """Say why no line holds a piece by that tie or from that anchor (id or node); "" if one may."""
    kinds = {t.kind: t for t in ties_of(job.inputs.graph, piece)}
    if tie is not None and tie not in kinds:
        return (
            f"a piece of {piece.length_m:.1f} m offers no {tie} tie: too short, or its weight"
            " hangs outside it"
        )
    if anchor is None:
        return ""
    found = next((a for a in job.anchors if anchor in (a.anchor_id, a.node)), None)
    if found is None:
        return "there is no anchor on what stands there"
    if found.node in job.inputs.lost_anchors:
        return f"{found.anchor_id} was lost during the job"
    if found.node in job.inputs.graph.subtree(piece.butt_node):
        return f"{found.anchor_id} comes down with the piece"
    chosen = [kinds[tie]] if tie is not None else list(kinds.values())
    holds = [piece.centre_m if t.kind == "two-leg" else t.points_m[0] for t in chosen]
    least = float(np.degrees(min(swing_rad(hold, found.position_m) for hold in holds)))
    most = float(np.degrees(STEEPEST_SWING_RAD))
    if least <= most:
        return ""
    return (
        f"its tie is {least:.0f}° from the plumb line of {found.anchor_id}; {most:.0f}° is the most"
    )
