"""What a plan is made from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.mensuration.measures import TreeMeasures
from treescan.planning.edits import Edit
from treescan.pointcloud.cloud import Ground
from treescan.rigging.types import GearSet
from treescan.site.model import Site
from treescan.skeleton.graph import TreeGraph
from treescan.wood.decay import WoodState
from treescan.wood.types import GreenMass, Species


@dataclass(frozen=True)
class PlanInputs:
    """The tree, its weights, the site and the gear of one job.

    Attributes
    ----------
    site : Site
        Localised.
    done : ndarray, shape (n,), bool, optional
        Wood that still stands (False where it is down); all of it when None.
    edits : tuple of Edit
        Wishes of a person that overrule the planner's own choice and are checked like it.
    lost_anchors : frozenset of int
        Nodes of anchors that must not be used.
    keep_cuts : tuple of int
        Cuts of an earlier plan to start from; finer ones are added only where needed.
    fell_before : frozenset of int
        Cuts whose piece was let fall in the earlier plan: while it still may, no line is looked at.
    prefer : str
        Name of the whole plan that a person chose among the alternatives; the planner's own
        choice when empty.
    thorough : bool
        Look at ten times as many other cuts: a shorter day on a big tree, and a longer run.
    """

    graph: TreeGraph
    ground: Ground
    measures: TreeMeasures
    species: Species
    mass: GreenMass
    site: Site
    gear: GearSet
    wood_state: WoodState | None = None
    seed: int = 0
    done: npt.NDArray[np.bool_] | None = None
    edits: tuple[Edit, ...] | None = None
    lost_anchors: frozenset[int] = frozenset()
    keep_cuts: tuple[int, ...] = ()
    fell_before: frozenset[int] = frozenset()
    prefer: str = ""
    thorough: bool = False

    @property
    def standing(self) -> npt.NDArray[np.bool_]:
        """Wood that stands at the start of the plan, shape (n,)."""
        if self.done is None:
            return np.ones(len(self.graph), dtype=bool)
        return np.asarray(self.done, dtype=bool)
