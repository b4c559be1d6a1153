"""Everything about one job that does not depend on where it is cut, prepared once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from treescan.planning.candidates import CutRules, height_above_ground_m
from treescan.planning.draws import Draws
from treescan.planning.falls import Field
from treescan.planning.inputs import PlanInputs
from treescan.rigging.anchors import find_anchors
from treescan.rigging.cases import Rider
from treescan.rigging.model import SparModel, spar_model
from treescan.rigging.tie_ins import climber_n, find_tie_ins, shared_out
from treescan.rigging.types import Anchor
from treescan.site.obstacles import build_obstacles
from treescan.wood.pieces import PieceTable

Floats = npt.NDArray[np.float64]

LEAST_LIGHT_DIAMETER_M = 0.06
"""Thinnest wood that carries a light line: common practice, no source. [m]"""

LONGEST_PIECE_M = 8.0
"""Limbs longer than this are cut in two even when light: common practice, no source. [m]"""


@dataclass(frozen=True)
class Job:
    """A prepared job.

    Attributes
    ----------
    anchors : tuple of Anchor
        All candidates, best first; the rejected ones keep their reason.
    tie_ins : tuple of Anchor
        Best first.
    spar : SparModel
        Of the tree as it stands at the start.
    height_m : ndarray, shape (n,)
        Height above the ground right below.
    device_m : ndarray, shape (3,)
        Friction device at the foot of the stem.
    """

    inputs: PlanInputs
    rules: CutRules
    field: Field
    anchors: tuple[Anchor, ...]
    tie_ins: tuple[Anchor, ...]
    spar: SparModel
    table: PieceTable
    height_m: Floats
    device_m: Floats

    @property
    def usable(self) -> tuple[Anchor, ...]:
        """Anchors that may carry a block."""
        return tuple(a for a in self.anchors if not a.rejected)

    @property
    def tie_in(self) -> Anchor | None:
        """Tie-in the climber works from until the spar itself is cut."""
        return next((t for t in self.tie_ins if not t.rejected), None)

    def tie_in_on(self, standing: npt.NDArray[np.bool_]) -> Anchor | None:
        """Best tie-in on wood that stands; ``standing`` is (n,)."""
        return next((t for t in self.tie_ins if not t.rejected and standing[t.node]), None)

    def rider(self, standing: npt.NDArray[np.bool_]) -> Rider | None:
        """The climber hanging from the best tie-in that stands; None when work is from a lift.

        ``standing`` (n,) marks nodes not yet taken.
        """
        tie = self.tie_in_on(standing)
        if tie is None:
            return None
        return Rider(tie.node, climber_n(self.inputs.site.climber.mass_kg))

    def spar_without(self, standing: npt.NDArray[np.bool_]) -> SparModel:
        """Structure of what ``standing`` (n,) marks; a piece on the line counts as gone."""
        known = self.inputs
        return spar_model(
            known.graph,
            known.mass,
            known.species,
            known.measures,
            known.site,
            standing=standing,
            wood_state=self.spar.state,
        )

    def after(self, standing: npt.NDArray[np.bool_]) -> Job:
        """The job once only ``standing`` (n,) is left; anchors and tie-ins that fell are out."""
        return replace(
            self,
            inputs=replace(self.inputs, done=self.inputs.standing & standing),
            anchors=tuple(a for a in self.anchors if standing[a.node]),
            tie_ins=tuple(t for t in self.tie_ins if standing[t.node]),
        )

    def spar_beside(self, butt_node: int) -> SparModel:
        """Structure while a piece hangs on the line: all else stands, its outer wood is gone."""
        standing = self.inputs.standing.copy()
        standing[self.inputs.graph.subtree(butt_node)] = False
        return self.spar_without(standing)

    @cached_property
    def draws(self) -> Draws:
        """Draws of chance that all ways of this job share."""
        return Draws.of(self.inputs.seed)

    @cached_property
    def light(self) -> tuple[Anchor, ...]:
        """Sound wood too thin for heavy work that may carry light pieces."""
        return tuple(
            replace(a, rejected="", notes=(*a.notes, f"light pieces only: {a.rejected}"))
            for a in self.anchors
            if a.rejected.startswith(("too thin", "too weak", "on a limb"))
            and a.diameter_m >= LEAST_LIGHT_DIAMETER_M
            and a.node not in self.inputs.lost_anchors
        )


def cut_rules(inputs: PlanInputs) -> CutRules:
    """Limits of a piece from the site file."""
    site = inputs.site
    return CutRules(
        max_mass_kg=site.limits.max_piece_kg,
        max_length_m=LONGEST_PIECE_M,
        log_length_m=site.limits.log_length_m,
        max_cut_diameter_m=2.0 * site.climber.saw_bar_m,
        reach_m=site.climber.reach_m,
    )


def prepare(inputs: PlanInputs) -> Job:
    """Find anchors and tie-ins, build the obstacles and the structure of the standing tree."""
    graph, site = inputs.graph, inputs.site
    rules = cut_rules(inputs)
    obstacles = build_obstacles(site, inputs.ground)
    known = (graph, inputs.measures, inputs.species, inputs.mass, site, inputs.ground)
    standing = inputs.standing
    anchors = tuple(_barred(a, inputs) for a in find_anchors(*known, wood_state=inputs.wood_state))
    places = find_tie_ins(*known, wood_state=inputs.wood_state)
    anchors, tie_ins = shared_out(
        [a for a in anchors if standing[a.node]],
        [_barred(t, inputs) for t in places if standing[t.node]],
    )
    spar = spar_model(
        graph,
        inputs.mass,
        inputs.species,
        inputs.measures,
        site,
        standing=standing,
        wood_state=inputs.wood_state,
    )
    return Job(
        inputs,
        rules,
        Field(inputs.ground, obstacles, site, rules, graph.position_m[0]),
        anchors,
        tie_ins,
        spar,
        PieceTable(graph, inputs.mass),
        height_above_ground_m(graph, inputs.ground),
        _device_m(inputs),
    )


def _barred(anchor: Anchor, inputs: PlanInputs) -> Anchor:
    """Mark an anchor or a tie-in whose place was lost during the job."""
    if anchor.node in inputs.lost_anchors and not anchor.rejected:
        return replace(anchor, rejected="lost during the job")
    return anchor


def _device_m(inputs: PlanInputs) -> Floats:
    """Where the friction device sits: on the stem's surface a metre up, on the lawn's side."""
    graph = inputs.graph
    base = graph.position_m[0]
    zones = inputs.site.landing or inputs.site.drop_zone
    side = np.array([1.0, 0.0])
    if zones:
        away = np.mean(np.asarray(zones[0].footprint_m), axis=0) - base[:2]
        size = float(np.linalg.norm(away))
        side = away / size if size > 1e-6 else side
    offset = (graph.radius_m[0] + 0.15) * side
    return np.array([base[0] + offset[0], base[1] + offset[1], base[2] + 1.0])
