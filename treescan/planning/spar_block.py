"""Spar wood caught on a block just below the cut: the piece tips over its hinge and is caught.

The fall of the centre of mass is that of handbook 6.2 (E13: L + 2 b for a log), whatever the
height of the tie above the cut.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.motion.swing import caught
from treescan.motion.types import Path
from treescan.planning.job import Job
from treescan.planning.line_in_service import line_in_service
from treescan.planning.ties import Tie, lift_case
from treescan.rigging.spar import allowable_n
from treescan.rigging.types import Anchor, LoadCase, LoadResult
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

BLOCK_BELOW_M = 0.4
TIE_ABOVE_M = 0.4
"""Block below and tie above the cut, as tight as people rig it: common practice, no source."""

RUN_M = 1.0
"""Line let run on a caught piece: agreed with the brake hand beforehand. [m]"""

LEAST_BLOCK_DIAMETER_M = 0.10
BLOCK_PREFIX = "B"


def block_below(job: Job, piece: Piece) -> Anchor | None:
    """Anchor on the stem just below the cut of a piece; None where the stem is too thin or low.

    Its id is "B" and the node number.
    """
    graph = job.inputs.graph
    node = int(graph.parent[piece.butt_node])
    while node > 0 and np.linalg.norm(graph.position_m[node] - piece.cut_m) < BLOCK_BELOW_M - 0.1:
        node = int(graph.parent[node])
    if node <= 0 or 2.0 * graph.radius_m[node] < LEAST_BLOCK_DIAMETER_M:
        return None
    if job.height_m[node] < 1.5 or job.spar.state.strength_share[node] < 1.0:
        return None
    place = graph.position_m[node]
    down = np.array([[0.0, 0.0, -1.0]])
    side = np.array([graph.radius_m[node] + 0.2, 0.0, 0.0])
    force, section = allowable_n(
        job.spar_beside(piece.butt_node), np.array([node]), (place + side)[None], down
    )
    return Anchor(
        anchor_id=f"{BLOCK_PREFIX}{node}",
        node=node,
        position_m=place.copy(),
        height_m=float(job.height_m[node]),
        diameter_m=float(2.0 * graph.radius_m[node]),
        union_ratio=0.0,
        allowable_n=float(force[0]),
        governs=f"bending of the section at {job.height_m[int(section[0])]:.1f} m",
        best_direction=down[0],
        notes=("block just below the cut, moved down with the work",),
    )


def is_caught(case: LoadCase) -> bool:
    """Whether a case is a catch on the block below its own cut."""
    return case.anchor.anchor_id.startswith(BLOCK_PREFIX)


def caught_case(job: Job, piece: Piece, block: Anchor) -> LoadCase:
    """Load case of a piece caught on the block, with the whole fall of its centre of mass."""
    tie = piece.cut_m + min(TIE_ABOVE_M, 0.4 * piece.length_m) * piece.axis
    lead = float(np.linalg.norm(tie - block.position_m))
    arm = float(np.linalg.norm(piece.centre_m - tie))
    fall = float(piece.centre_m[2] - (block.position_m[2] - lead - arm))
    drop = max(fall, 0.0)
    return lift_case(job, piece, block, Tie("butt", tie[None]), drop_m=drop, run_m=RUN_M)


def caught_path(
    job: Job, result: LoadResult, azimuth_deg: float, lower_to: Floats | None
) -> Path | None:
    """Way of a piece that tips over its hinge and is caught; None when it cannot be tipped.

    ``lower_to`` (2,) is where it is set down, if not straight below. [m]
    """
    case = result.case
    try:
        return caught(
            case.piece,
            case.tie_m[0],
            case.anchor.position_m,
            job.inputs.ground,
            hinge_azimuth_deg=azimuth_deg,
            lower_to=lower_to,
            **line_in_service(result),
        )
    except InvalidInputError:
        return None
