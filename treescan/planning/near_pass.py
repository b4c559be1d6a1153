"""What the pieces of a chosen plan pass on their way besides targets: standing wood, climber."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from treescan.motion.clearance import clearance_to_point
from treescan.motion.standing import Standing, clearance_to_tree, standing_wood
from treescan.motion.types import Path
from treescan.planning.job import Job
from treescan.planning.types import Step

Floats = npt.NDArray[np.float64]

STOUT_RADIUS_M = 0.02
"""Thinner standing wood gives way; it is brushed, not struck: our choice, no source. [m]"""

MOST_OWN_POINTS = 80
AWAY_M = 0.8
CLIMBER_BESIDE_M = 0.7
CLIMBER_ROOM_M = 0.4
"""The climber works this far inward of the cut and needs this much room: our choice. [m]"""


def with_near_passes(job: Job, steps: Sequence[Step]) -> tuple[Step, ...]:
    """Add warnings where a piece strikes standing wood or comes through the climber's place."""
    graph = job.inputs.graph
    stout = np.flatnonzero(graph.radius_m >= STOUT_RADIUS_M)
    if not len(stout):
        return tuple(steps)
    wood = standing_wood(graph.position_m[stout], graph.radius_m[stout])
    gone = ~job.inputs.standing
    result = []
    for step in steps:
        gone[step.piece.nodes] = True
        told = [_struck(job, step, wood, gone[stout]), _past_climber(job, step)]
        extra = tuple(t for t in told if t)
        result.append(replace(step, warnings=(*step.warnings, *extra)))
    return tuple(result)


def _struck(job: Job, step: Step, wood: Standing, gone: npt.NDArray[np.bool_]) -> str:
    if gone.all():
        return ""
    graph, nodes = job.inputs.graph, step.piece.nodes
    own = nodes[graph.radius_m[nodes] >= min(0.01, 0.5 * step.piece.butt_diameter_m)]
    own = own if len(own) else nodes
    own = own[:: max(len(own) // MOST_OWN_POINTS, 1)]
    touch = step.path.contact_time_s
    flying = step.path.time_s < (touch - 0.05 if np.isfinite(touch) else np.inf)
    if flying.sum() < 2:
        return ""
    gap = clearance_to_tree(
        step.piece,
        _part(step.path, slice(0, int(flying.sum()))),
        wood,
        gone=gone,
        wood_m=graph.position_m[own],
        wood_radius_m=graph.radius_m[own],
    )
    if gap.distance_m >= 0.0:
        return ""
    height = gap.point_m[2] - graph.position_m[0, 2]
    return (
        f"strikes standing wood at about {height:.1f} m on its way: guide it, or clear that first"
    )


def _past_climber(job: Job, step: Step) -> str:
    piece, path = step.piece, step.path
    moved = np.linalg.norm(path.centre_m - piece.centre_m, axis=1)
    away = np.flatnonzero(moved > AWAY_M)
    if not len(away) or job.height_m[piece.butt_node] < 2.0:
        return ""
    place = piece.cut_m + _to_climber(job, step)
    later = _part(path, slice(int(away[0]), None))
    gap = clearance_to_point(piece, later, place, margin_m=CLIMBER_ROOM_M)
    if gap.distance_m >= CLIMBER_ROOM_M:
        return ""
    return "comes back past the climber's place at the cut: work from the far side and stand clear"


def _to_climber(job: Job, step: Step) -> Floats:
    """From the cut to the climber: behind the hinge of a stem, inward on a limb, (3,). [m]"""
    if step.method == "hinge fall" and step.hinge_azimuth_deg is not None:
        facing = np.radians(step.hinge_azimuth_deg)
        back = CLIMBER_BESIDE_M + 0.5 * step.piece.butt_diameter_m
        return np.array([-back * np.sin(facing), -back * np.cos(facing), -0.4])
    graph, node = job.inputs.graph, step.piece.butt_node
    inward = graph.position_m[graph.parent[node]] - graph.position_m[node]
    result: Floats = CLIMBER_BESIDE_M * inward / max(float(np.linalg.norm(inward)), 1e-9)
    return result


def _part(path: Path, rows: slice) -> Path:
    """Some samples of a path."""
    return replace(
        path,
        time_s=path.time_s[rows],
        centre_m=path.centre_m[rows],
        rotation=path.rotation[rows],
        tension_n=path.tension_n[rows],
    )
