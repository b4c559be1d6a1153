"""What the scan cannot know: cavities, decay, dead wood, cracks, laid on the graph's nodes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.errors import SiteFileError
from treescan.skeleton.graph import TreeGraph

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

KINDS = ("cavity", "decay", "crack", "included bark", "dead")

REACH_DIAMETERS = 1.5
"""A defect of no stated length is taken to weaken this many diameters each way, 0.5 m at least.

Judgement: the cautious side for strength; no mass credit follows from it.
"""
UNKNOWN_CAVITY_SHARE = 0.8
"""Cavity over inside-bark diameter when the shell is not given (section modulus x 0.59): judgement,
the cautious side."""
STRENGTH_LEFT = {"decay": 0.3, "dead": 0.3, "crack": 0.5, "included bark": 1.0, "cavity": 1.0}
"""Share of green MOR left: dead or decayed 0.3-0.7 (common practice, low end used); a crack
0.5 (judgement).  Included bark is judged at the union, a cavity by its section."""
WEAK_WOOD = (
    "Dead, decayed or cracked wood: strength cut to 0.3-0.5 of sound wood; it fails "
    "early and without warning. Do not rig on it."
)
FAR_M = 3.0
"""A defect farther than this from any wood is refused."""


@dataclass(frozen=True)
class DefectMark:
    """A defect in plain numbers, local frame; same fields as the site file's ``[[defect]]``."""

    kind: str
    at_m: tuple[float, float, float] | None = None
    limb: int | None = None
    height_m: float | None = None
    length_m: float | None = None
    sound_shell_m: float | None = None


@dataclass(frozen=True)
class WoodState:
    """State of the wood per node, each array of shape (n,).

    Attributes
    ----------
    cavity_share : ndarray
        Cavity over inside-bark diameter for strength, 0..<1.
    cavity_mass_share : ndarray
        The same where the cavity's length is given; 0 elsewhere (no mass credit).
    dead, decayed, cracked, included_bark : ndarray of bool
    strength_share : ndarray
        Share of green MOR left, 0..1, cavities not counted.
    notes : tuple of str
    """

    cavity_share: Floats
    cavity_mass_share: Floats
    dead: Bools
    decayed: Bools
    cracked: Bools
    included_bark: Bools
    strength_share: Floats
    notes: tuple[str, ...] = ()


def sound_wood(graph: TreeGraph) -> WoodState:
    """A tree without known defects."""
    n = len(graph)
    return WoodState(
        cavity_share=np.zeros(n),
        cavity_mass_share=np.zeros(n),
        dead=np.zeros(n, dtype=bool),
        decayed=np.zeros(n, dtype=bool),
        cracked=np.zeros(n, dtype=bool),
        included_bark=np.zeros(n, dtype=bool),
        strength_share=np.ones(n),
    )


def hollow_shares(cavity_share: npt.ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Shares of area (so of mass), of section modulus and of radius left by a centred round cavity.

    1 - t², 1 - t⁴ and 1 - t with t = cavity over diameter, array_like; exact for a round.

    Examples
    --------
    >>> [round(float(v), 4) for v in hollow_shares(0.7)]
    [0.51, 0.7599, 0.3]
    """
    t = np.asarray(cavity_share, dtype=np.float64)
    return 1.0 - t**2, 1.0 - t**4, 1.0 - t


def inside_bark_diameter_m(diameter_m: npt.ArrayLike, bark_share_of_wood: float) -> Floats:
    """Diameter without bark, d sqrt(1/(1 + b)) with b = bark over wood volume. [m]

    Parameters
    ----------
    diameter_m : array_like
        Over bark. [m]
    bark_share_of_wood : float
        b, bark over wood volume.

    Examples
    --------
    >>> round(float(inside_bark_diameter_m(1.0, 0.16)), 4)
    0.9285
    """
    return np.asarray(diameter_m, dtype=np.float64) / np.sqrt(1.0 + bark_share_of_wood)


def _seat(graph: TreeGraph, mark: DefectMark, number: int) -> int:
    """Node a defect sits on."""
    where = f"[[defect]] {number} ({mark.kind})"
    if mark.kind not in KINDS:
        raise SiteFileError(f"{where}: kind must be one of {', '.join(KINDS)}.")
    nodes = np.arange(len(graph))
    if mark.limb is not None:
        nodes = np.flatnonzero(graph.limb == mark.limb)
        if not len(nodes):
            raise SiteFileError(
                f"{where}: limb {mark.limb} does not exist; the tree has limbs 0 to "
                f"{int(graph.limb.max())}. Use a limb of tree.json, or at_m."
            )
    elif mark.at_m is None:
        nodes = np.flatnonzero(graph.limb == 0)
    if mark.at_m is not None:
        apart = np.linalg.norm(graph.position_m[nodes] - np.asarray(mark.at_m), axis=1)
        apart = apart - graph.radius_m[nodes]
        if apart.min() > FAR_M:
            raise SiteFileError(
                f"{where}: at_m is {apart.min():.1f} m from the tree's wood, more than "
                f"{FAR_M:g} m; check the coordinates (scan coordinates unless local = true)."
            )
        return int(nodes[np.argmin(apart)])
    if mark.height_m is not None:
        height = graph.position_m[nodes, 2] - graph.position_m[0, 2]
        gap = np.abs(height - mark.height_m)
        if gap.min() > FAR_M:
            raise SiteFileError(
                f"{where}: height_m = {mark.height_m:g} is not on limb "
                f"{int(graph.limb[nodes[0]])}, which spans {height.min():.1f} to "
                f"{height.max():.1f} m."
            )
        return int(nodes[np.argmin(gap)])
    return int(nodes[0])


def _along(graph: TreeGraph, seat: int, half_m: float) -> Bools:
    """Nodes of the seat's limb, and of its parent's stem, within ``half_m`` along the wood."""
    near = np.abs(graph.path_length_m - graph.path_length_m[seat]) <= half_m
    mask = near & (graph.limb == graph.limb[seat])
    for node in graph.ancestors(seat):
        if graph.path_length_m[seat] - graph.path_length_m[node] > half_m:
            break
        mask[node] = True
    mask[seat] = True
    return mask


def _extent(graph: TreeGraph, mark: DefectMark, seat: int) -> Bools:
    """Nodes a defect weakens."""
    whole_limb = mark.limb is not None and mark.at_m is None and mark.height_m is None
    if mark.kind == "dead":
        mask = np.zeros(len(graph), dtype=bool)
        mask[graph.subtree(seat)] = True
        return mask
    if whole_limb and mark.length_m is None:
        return graph.limb == mark.limb
    reach = max(0.5, REACH_DIAMETERS * 2.0 * float(graph.radius_m[seat]))
    return _along(graph, seat, mark.length_m / 2.0 if mark.length_m else reach)


def wood_state(
    graph: TreeGraph, defects: Sequence[DefectMark], bark_share_of_wood: float = 0.15
) -> WoodState:
    """Lay defects on the graph.

    A dead mark covers everything beyond its place; the others cover their stated length, or
    1.5 diameters each way, on their limb.  A cavity earns a mass credit only where its
    length and shell are given; without a shell a cavity of 0.8 of the diameter is assumed for
    strength.

    Parameters
    ----------
    graph : TreeGraph
        n nodes.
    defects : sequence of DefectMark
    bark_share_of_wood : float
        Bark over wood volume; shells are measured inside bark.

    Raises
    ------
    SiteFileError
        A defect names a limb, height or place that is not on the tree, or a shell thicker
        than the wood.
    """
    state = sound_wood(graph)
    notes: list[str] = []
    wood_m = inside_bark_diameter_m(2.0 * graph.radius_m, bark_share_of_wood)
    flags = {
        "dead": state.dead,
        "decay": state.decayed,
        "crack": state.cracked,
        "included bark": state.included_bark,
    }
    for number, mark in enumerate(defects, start=1):
        seat = _seat(graph, mark, number)
        mask = _extent(graph, mark, seat)
        if mark.kind in flags:
            flags[mark.kind][mask] = True
        left = STRENGTH_LEFT[mark.kind]
        state.strength_share[mask] = np.minimum(state.strength_share[mask], left)
        if mark.kind == "cavity":
            notes += _lay_cavity(state, mark, mask, wood_m, float(wood_m[seat]))
    if (state.strength_share < 1.0).any():
        notes.append(WEAK_WOOD)
    return WoodState(
        state.cavity_share,
        state.cavity_mass_share,
        state.dead,
        state.decayed,
        state.cracked,
        state.included_bark,
        state.strength_share,
        tuple(notes),
    )


def _lay_cavity(
    state: WoodState, mark: DefectMark, mask: Bools, wood_m: Floats, seat_m: float
) -> list[str]:
    """Write one cavity into the arrays of ``state``; return what to tell people."""
    if mark.sound_shell_m is None:
        state.cavity_share[mask] = np.maximum(state.cavity_share[mask], UNKNOWN_CAVITY_SHARE)
        return [
            "A cavity without a measured shell is taken as 0.8 of the diameter for strength; "
            "its weight is not taken off. Give sound_shell_m and length_m."
        ]
    if 2.0 * mark.sound_shell_m >= seat_m:
        raise SiteFileError(
            f"[[defect]] cavity: sound_shell_m = {mark.sound_shell_m:g} leaves no cavity in "
            f"{seat_m:.2f} m of wood; give less than {seat_m / 2:.2f}."
        )
    share = np.clip(1.0 - 2.0 * mark.sound_shell_m / wood_m[mask], 0.0, 0.98)
    state.cavity_share[mask] = np.maximum(state.cavity_share[mask], share)
    if mark.length_m is None:
        return ["A cavity without a length: its weight is not taken off. Give length_m."]
    state.cavity_mass_share[mask] = np.maximum(state.cavity_mass_share[mask], share)
    return []
