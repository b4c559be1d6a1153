"""What the scan did not show of a tree, in sentences for people."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.skeleton.diameters import Radii
from treescan.skeleton.graph import MODELLED
from treescan.skeleton.limbs import LimbAxes

Bools = npt.NDArray[np.bool_]

POOR_SCATTER_M = 0.006
LEAST_LEAFY_M = 2.0
"""Less of a tree in leaves is not worth a word. [m]"""


def tree_notes(axes: LimbAxes, radii: Radii, keep: Bools) -> tuple[str, ...]:
    """Sentences on unseen tops, bridged gaps, modelled diameters and disagreeing stations.

    ``keep`` (n,) marks the nodes that go into the graph.
    """
    notes = []
    ends = np.flatnonzero(radii.cut_off_m > 0)
    top = int(np.argmax(axes.position_m[:, 2]))
    if len(ends):
        thickest = 200 * float(radii.radius_m[ends].max())
        notes.append(
            f"{len(ends)} limbs end in the scan while still up to {thickest:.0f} cm thick: what "
            f"lies beyond was cut off or not seen, so height, spread and volume are at least "
            f"those given."
        )
    limb_of = axes.limb_of_node
    stem_end = int(axes.first[1] - 1)
    if radii.cut_off_m[stem_end] > 0 or limb_of[top] in limb_of[ends]:
        notes.append("The top of the tree was not seen: the height is that of the top point seen.")
    bridged = int((axes.bridged & keep).sum())
    if bridged:
        notes.append(f"{bridged} stretches of limb were bridged across gaps in the scan.")
    step = np.zeros(len(limb_of))
    step[1:] = np.linalg.norm(np.diff(axes.position_m, axis=0), axis=1)
    step[axes.first[:-1]] = 0.0
    share = float(step[(radii.source == MODELLED) & keep].sum() / max(float(step.sum()), 1e-9))
    if share > 0.05:
        notes.append(
            f"{100 * share:.0f} % of the length of wood carries diameters modelled from the "
            f"tree's own well-seen limbs."
        )
    leafy_m = float(step[radii.leafy & keep].sum())
    if leafy_m > LEAST_LEAFY_M:
        notes.append(
            f"{leafy_m:.0f} m of shoots run through leaves: their wood was not seen, it is drawn "
            f"as thinning to a shoot of the last years, and thicker wood may be hidden there."
        )
    if radii.noise_m > POOR_SCATTER_M:
        notes.append(
            f"Points scatter {1000 * radii.noise_m:.0f} mm about the stem: stations disagree, the "
            f"instrument is coarse, or the bark is rough. Small limbs lean on the model."
        )
    return tuple(notes)
