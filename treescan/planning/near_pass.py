"""What pieces strike on their way besides targets: standing wood, and what that wood carries."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from treescan.motion.standing import Standing, clearance_to_tree, standing_wood
from treescan.motion.types import Path
from treescan.planning.job import Job
from treescan.planning.options import Option
from treescan.rigging.types import Anchor

Bools = npt.NDArray[np.bool_]
Int64s = npt.NDArray[np.int64]

STOUT_RADIUS_M = 0.02
"""Thinner standing wood gives way; it is brushed, not struck: our choice, no source. [m]"""

MOST_OWN_POINTS = 80

BUTT_WITHIN_M = 1.0
"""A strike this near to the cut is the butt leaving its own stump or fork: our choice. [m]"""

BY_HAND_KG = 20.0
BEARS_WITHIN_M = 1.0
"""Heavier pieces must not strike a limb that carries an anchor in use or the climber's tie-in, nor
the stem this near to one: our choice, no source. [m]"""


@dataclass(frozen=True)
class Strike:
    """Where a piece strikes standing wood: the node nearest to it, its height and place. [m]"""

    node: int
    height_m: float
    point_m: tuple[float, float, float]

    def at_cut(self, option: Option) -> bool:
        """Whether it is the butt that rubs on the wood beside its own cut."""
        away = np.array(self.point_m) - option.piece.cut_m
        return float(np.linalg.norm(away)) <= BUTT_WITHIN_M

    @property
    def told(self) -> str:
        """The warning."""
        return (
            f"strikes standing wood at about {self.height_m:.1f} m on its way: guide it, or clear"
            " that first"
        )


@dataclass(frozen=True)
class StandingWood:
    """The job's stout wood, sorted once for many questions.

    ``nodes`` (k,) are the graph's nodes in ``wood``.
    """

    job: Job
    nodes: Int64s
    wood: Standing | None

    @staticmethod
    def of(job: Job) -> StandingWood:
        """Sort the wood of a job."""
        graph = job.inputs.graph
        stout = np.flatnonzero(graph.radius_m >= STOUT_RADIUS_M)
        if not len(stout):
            return StandingWood(job, stout, None)
        return StandingWood(
            job, stout, standing_wood(graph.position_m[stout], graph.radius_m[stout])
        )

    def struck_by(self, option: Option, standing: Bools) -> Strike | None:
        """First wood of ``standing`` (n,) that a piece strikes before it touches the ground."""
        gone = ~standing[self.nodes]
        path = option.path
        touch = path.contact_time_s
        flying = path.time_s < (touch - 0.05 if np.isfinite(touch) else np.inf)
        if self.wood is None or gone.all() or flying.sum() < 2:
            return None
        graph, nodes = self.job.inputs.graph, option.piece.nodes
        own = nodes[graph.radius_m[nodes] >= min(0.01, 0.5 * option.piece.butt_diameter_m)]
        own = own if len(own) else nodes
        own = own[:: max(len(own) // MOST_OWN_POINTS, 1)]
        gap = clearance_to_tree(
            option.piece,
            _part(path, slice(0, int(flying.sum()))),
            self.wood,
            gone=gone,
            wood_m=graph.position_m[own],
            wood_radius_m=graph.radius_m[own],
        )
        if gap.distance_m >= 0.0:
            return None
        left = self.nodes[~gone]
        away = np.linalg.norm(graph.position_m[left] - np.array(gap.point_m), axis=1)
        node = int(left[np.argmin(away - graph.radius_m[left])])
        return Strike(node, float(gap.point_m[2] - graph.position_m[0, 2]), gap.point_m)


def borne_by(job: Job, strike: Strike, in_use: Iterable[Anchor]) -> Anchor | None:
    """The anchor or tie-in that the struck wood carries, if any.

    A limb carries what hangs on it or outward of it; the stem carries everything, so only what is
    near the strike counts there.
    """
    graph = job.inputs.graph
    place = graph.position_m[strike.node]
    for anchor in in_use:
        near = np.linalg.norm(anchor.position_m - place) <= BEARS_WITHIN_M
        on_limb = graph.order[strike.node] > 0 and strike.node in graph.ancestors(anchor.node)
        if near or on_limb:
            return anchor
    return None


def strike_broken(option: Option, anchor: Anchor) -> str:
    """Sentence for a piece that strikes wood which carries something."""
    what = "the climber's tie-in" if anchor.anchor_id.startswith("T") else "the anchor"
    return (
        f"would strike the wood that carries {what} {anchor.anchor_id}"
        f" with {option.piece.mass_kg.high:.0f} kg"
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
