"""The site file's defects, laid on the graph."""

from __future__ import annotations

from treescan.site.model import Site
from treescan.skeleton.graph import TreeGraph
from treescan.wood.decay import DefectMark, WoodState, wood_state
from treescan.wood.types import Species


def wood_state_of(graph: TreeGraph, site: Site, species: Species) -> WoodState:
    """State of every node's wood from the (localised) site file's defects.

    Raises
    ------
    SiteFileError
        If a defect is not on this tree.
    """
    marks = [
        DefectMark(
            kind=defect.kind,
            at_m=defect.at_m,
            limb=defect.limb,
            height_m=defect.height_m,
            length_m=defect.length_m,
            sound_shell_m=defect.sound_shell_m,
        )
        for defect in site.defect
    ]
    return wood_state(graph, marks, species.bark_pct_of_wood_volume / 100.0)
