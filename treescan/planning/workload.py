"""What of each piece is work for the chipper, and in which part of the crown it is cut."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from treescan.planning.job import Job
from treescan.wood.types import Piece


def chip_masses(job: Job, pieces: Sequence[Piece]) -> list[float]:
    """Mass of each piece that goes through the chipper. [kg]"""
    thin = 2.0 * job.inputs.graph.radius_m < job.inputs.site.haul.chip_below_m
    likely = np.where(thin, job.inputs.mass.likely_kg, 0.0)
    return [float(likely[piece.nodes].sum()) for piece in pieces]


def crown_part(job: Job, node: int) -> int:
    """Part of the crown a cut is in: the first-order limb it grows on, else the stem."""
    graph = job.inputs.graph
    limb = int(graph.limb[node])
    while node >= 0 and graph.order[node] > 1:
        node = int(graph.parent[node])
    if node >= 0 and graph.order[node] == 1:
        limb = int(graph.limb[node])
    return limb
