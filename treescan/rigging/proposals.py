"""Anchors ranked for one piece, and redirects that turn the resultant along the stem."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from treescan.rigging.anchors import MIN_DIAMETER_M
from treescan.rigging.cases import Rider, solve_many
from treescan.rigging.lift import lift_of
from treescan.rigging.model import SparModel
from treescan.rigging.types import Anchor, LoadCase, LoadResult

Floats = npt.NDArray[np.float64]

WORTHWHILE = 0.05
"""A redirect is proposed when it lowers the spar's share by at least this part of it."""
REDIRECT_STEP_M = 1.5
MOST_REDIRECTS = 12
LEAST_MOVE_M = 0.5


@dataclass(frozen=True)
class AnchorForPiece:
    """An anchor as it serves one piece.

    Attributes
    ----------
    result : LoadResult
    off_axis_deg : float
        Angle between the resultant and the wood's own axis at the anchor, downward. [deg]
    clearance_m : float
        Height of the hanging piece's lowest point above the ground under the anchor. [m]
    line_left_m : float
        Line the crew has beyond what is needed; negative: too short. [m]
    reason : str
    """

    result: LoadResult
    off_axis_deg: float
    clearance_m: float
    line_left_m: float
    reason: str


@dataclass(frozen=True)
class Redirect:
    """A redirect for a case: where, (3,) in the local frame, on which node, what it brings.

    For a moved swing ``node`` is the new anchor's.
    """

    node: int
    point_m: Floats
    result: LoadResult
    share_after: float
    reason: str


def rank_for_piece(
    case: LoadCase,
    anchors: Sequence[Anchor],
    model: SparModel,
    ground_z_m: float,
    rider: Rider | None = None,
) -> tuple[AnchorForPiece, ...]:
    """Rank anchors for one piece: those that keep it off the ground and its limits first.

    Then by the peak share in tenths, by the direction of the resultant against the wood's axis
    in steps of 15 deg, by clearance in whole metres, and by the line left.

    Parameters
    ----------
    case : LoadCase
        Piece, ties, device and gear; its anchor and swing are replaced in turn.
    anchors : sequence of Anchor
        Usable ones are looked at; those without an answer are left out.
    model : SparModel
    ground_z_m : float
        Ground height under the work. [m]
    rider : Rider, optional
        The climber on the same tree.
    """
    cases = [_moved(case, anchor) for anchor in anchors if not anchor.rejected]
    rows = [
        _described(result, model, ground_z_m)
        for result in solve_many(cases, model, rider)
        if not result.failed
    ]
    return tuple(sorted(rows, key=_order))


def _order(row: AnchorForPiece) -> tuple[bool, float, float, float, float, int]:
    bad = row.clearance_m < 0.0 or row.result.share > 1.0
    return (
        bad,
        round(row.result.share, 1),
        row.off_axis_deg // 15.0,
        -np.floor(row.clearance_m),
        -row.line_left_m,
        row.result.case.anchor.node,
    )


def propose_redirects(
    case: LoadCase, model: SparModel, rider: Rider | None = None
) -> tuple[Redirect, ...]:
    """Redirect points on the anchor's own stem that ease the weakest section, best first.

    Turning the fall leg in to the stem at a redirect bends the resultant toward the axis.
    Candidates stand every 1.5 m between the anchor and the ground on sound wood of at least
    100 mm.

    Parameters
    ----------
    case : LoadCase
        Without redirects, or with those it already has.
    model : SparModel
    rider : Rider, optional
        The climber on the same tree.
    """
    plain = solve_many([case], model, rider)[0]
    if plain.failed:
        return ()
    nodes = _redirect_nodes(case, model)
    trial = [
        replace(case, redirects_m=np.vstack([_beside(model, node, case), *case.redirects_m]))
        for node in nodes
    ]
    before = _spar_share(plain)
    rows = []
    for node, result in zip(nodes, solve_many(trial, model, rider), strict=True):
        after = _spar_share(result) if not result.failed else np.inf
        if after > (1.0 - WORTHWHILE) * before:
            continue
        height = float(model.height_m[node])
        reason = (
            f"a redirect at {height:.1f} m brings the weakest section from {before:.0%} to "
            f"{after:.0%} of its limit; it carries {result.redirect_loads_n[0] / 1000:.1f} kN"
        )
        point = result.case.redirects_m[0]
        rows.append(Redirect(node, point, result, after, reason))
    return tuple(sorted(rows, key=lambda row: (row.share_after, row.node)))


def propose_swing_moves(
    case: LoadCase,
    anchors: Sequence[Anchor],
    model: SparModel,
    goal_m: Floats,
    rider: Rider | None = None,
) -> tuple[Redirect, ...]:
    """Hang the piece from another anchor nearer to where it shall come down, over the first one.

    The first anchor becomes the redirect: the line runs from the device over it to the new
    anchor, and the piece swings to the new anchor's plumb line.  Only moves that bring the
    plumb line nearer to the goal and keep every item within its limit are proposed, nearest
    first.

    Parameters
    ----------
    case : LoadCase
    anchors : sequence of Anchor
        Usable ones are tried.
    model : SparModel
    goal_m : ndarray, shape (2,)
        Plan point where the piece shall hang. [m]
    rider : Rider, optional
        The climber on the same tree.
    """
    first = case.anchor
    before = float(np.linalg.norm(first.position_m[:2] - goal_m))
    nearer = [
        anchor
        for anchor in anchors
        if not anchor.rejected
        and anchor.node != first.node
        and np.linalg.norm(anchor.position_m[:2] - goal_m) < before - LEAST_MOVE_M
    ]
    cases = [
        replace(_moved(case, anchor), redirects_m=np.vstack([first.position_m, *case.redirects_m]))
        for anchor in nearer
    ]
    rows = []
    for result in solve_many(cases, model, rider):
        if result.failed or result.share > 1.0:
            continue
        anchor = result.case.anchor
        left = float(np.linalg.norm(anchor.position_m[:2] - goal_m))
        reason = (
            f"hung from {anchor.anchor_id} over {first.anchor_id} it comes to rest {left:.1f} m "
            f"from the goal instead of {before:.1f} m; {result.governs} at {result.share:.0%}"
        )
        rows.append(Redirect(anchor.node, first.position_m, result, result.share, reason))
    rows.sort(key=lambda row: float(np.linalg.norm(model.graph.position_m[row.node, :2] - goal_m)))
    return tuple(rows)


def _moved(case: LoadCase, anchor: Anchor) -> LoadCase:
    """Return the case hung from another anchor; the swing follows from the geometry.

    Redirects belong to the anchor they were found for and stay behind.
    """
    if anchor.node == case.anchor.node:
        return case
    swing = 0.0 if case.drop_m > 0.0 else _swing(case, anchor)
    return replace(case, anchor=anchor, swing_rad=swing, redirects_m=np.zeros((0, 3)))


def _swing(case: LoadCase, anchor: Anchor) -> float:
    ties = np.reshape(case.tie_m, (-1, 3))
    hold = case.piece.centre_m if len(ties) > 1 else ties[0]
    offset = hold - anchor.position_m
    return float(min(np.arctan2(np.hypot(*offset[:2]), max(-offset[2], 1e-9)), np.pi / 2))


def _described(result: LoadResult, model: SparModel, ground_z_m: float) -> AnchorForPiece:
    case = result.case
    lift = lift_of(case)
    axis = -model.axis[case.anchor.node]
    cosine = float(np.clip(result.anchor_direction @ axis, -1.0, 1.0))
    stretch = result.lead_tension_n.high / lift.stiffness_n_m
    lowest = case.anchor.position_m[2] - lift.lead_m - lift.hanging_m - stretch - result.run_m
    clear = float(lowest - ground_z_m)
    left = case.gear.line_length_m - result.line_needed_m
    angle = float(np.degrees(np.arccos(cosine)))
    hangs = f"hangs {clear:.1f} m clear" if clear >= 0.0 else f"{-clear:.1f} m too long to hang"
    spare = f"{left:.0f} m of line left" if left >= 0.0 else f"the line is {-left:.0f} m too short"
    reason = (
        f"{result.governs} at {result.share:.0%} of its limit; resultant {angle:.0f} deg off the "
        f"wood's axis; {hangs}; {spare}"
    )
    return AnchorForPiece(result, angle, clear, left, reason)


def _redirect_nodes(case: LoadCase, model: SparModel) -> list[int]:
    path = np.array(model.graph.ancestors(case.anchor.node)[1:-1], dtype=np.int64)
    if not len(path):
        return []
    sound = (model.diameter_m[path] >= MIN_DIAMETER_M) & (model.state.strength_share[path] >= 1.0)
    height = model.height_m[path]
    below = case.anchor.height_m - 1.0
    path = path[sound & (height < below) & (height > 1.0)]
    if not len(path):
        return []
    step = np.floor(model.height_m[path] / REDIRECT_STEP_M)
    first = np.unique(step, return_index=True)[1]
    return [int(node) for node in path[np.sort(first)]][:MOST_REDIRECTS]


def _beside(model: SparModel, node: int, case: LoadCase) -> Floats:
    """Point on the bark on the device's side."""
    place = model.graph.position_m[node]
    way = (case.device_m - place) * np.array([1.0, 1.0, 0.0])
    size = float(np.linalg.norm(way))
    side = way / size if size > 1e-6 else np.array([1.0, 0.0, 0.0])
    result: Floats = place + float(model.graph.radius_m[node]) * side
    return result


def _spar_share(result: LoadResult) -> float:
    return max(share for item, share in result.utilisation.items() if "section" in item)
