"""What the pieces of a chosen plan strike on their way besides targets: standing wood."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from treescan.motion.standing import Standing, clearance_to_tree, standing_wood
from treescan.motion.types import Path
from treescan.planning.job import Job
from treescan.planning.types import Step

STOUT_RADIUS_M = 0.02
"""Thinner standing wood gives way; it is brushed, not struck: our choice, no source. [m]"""

MOST_OWN_POINTS = 80


def with_near_passes(job: Job, steps: Sequence[Step]) -> tuple[Step, ...]:
    """Add a warning where a piece strikes wood that still stands."""
    graph = job.inputs.graph
    stout = np.flatnonzero(graph.radius_m >= STOUT_RADIUS_M)
    if not len(stout):
        return tuple(steps)
    wood = standing_wood(graph.position_m[stout], graph.radius_m[stout])
    gone = ~job.inputs.standing
    result = []
    for step in steps:
        gone[step.piece.nodes] = True
        told = _struck(job, step, wood, gone[stout])
        result.append(replace(step, warnings=(*step.warnings, told)) if told else step)
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


def _part(path: Path, rows: slice) -> Path:
    """Some samples of a path."""
    return replace(
        path,
        time_s=path.time_s[rows],
        centre_m=path.centre_m[rows],
        rotation=path.rotation[rows],
        tension_n=path.tension_n[rows],
    )
