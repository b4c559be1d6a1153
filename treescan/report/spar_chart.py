"""Load along the spar: bending and share of strength from the anchor down to the ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.errors import TreescanError
from treescan.planning.types import JobResult, Step
from treescan.report.frames import uphill_ground_m
from treescan.report.ribbons import STAYS, piece_of_node
from treescan.rigging.model import spar_model
from treescan.rigging.spar import one_case, section_forces

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class SparRun:
    """Sections on the way from an anchor to the ground under the high anchor load of a step.

    ``height_m`` above ground, ``bending_n_m`` and ``share`` of the ultimate stress (the load
    without safety factor), each shape (k,), anchor first.
    """

    step: int
    anchor_id: str
    height_m: Floats
    bending_n_m: Floats
    share: Floats


def spar_runs(result: JobResult, most: int = 3) -> tuple[SparRun, ...]:
    """Runs of the steps with the highest shares, at most ``most``, hardest first."""
    steps = [s for s in (result.plan.steps if result.plan else ()) if s.load and not s.load.failed]
    steps.sort(key=lambda s: -(s.load.share if s.load else 0.0))
    runs = (_run(result, step) for step in steps[:most])
    return tuple(run for run in runs if run is not None)


def _run(result: JobResult, step: Step) -> SparRun | None:
    """Sections under one step's anchor load; None where what stands does not hold together."""
    load = step.load
    assert load is not None
    owner = piece_of_node(result)
    standing = (owner == STAYS) | (owner > step.number)
    anchor = load.case.anchor
    graph, site = result.graph, result.site.localised(result.origin_m)
    try:
        model = spar_model(
            graph, result.mass, result.species, result.measures, site, standing=standing
        )
        force = load.anchor_load_n.high * np.asarray(load.anchor_direction)
        forces = section_forces(model, one_case(anchor.node, anchor.position_m, force))
    except TreescanError:
        return None
    path = np.array(graph.ancestors(anchor.node))[:-1]
    height = graph.position_m[path, 2] - uphill_ground_m(result)
    return SparRun(
        step.number, anchor.anchor_id, height, forces.bending_n_m[path], forces.share[path]
    )
