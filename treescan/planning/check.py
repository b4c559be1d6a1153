"""An independent check of a finished plan from its documents alone.

Nothing here is shared with the planner: pieces are rebuilt from ``tree.json`` by cutting where
``plan.json`` says, masses and loads are bounded by plain statics, clearances by the distance
of the wood from the targets before the cut and by the reach of the piece on its way.  The
bounds are wide on purpose: they catch a wrong plan, not a rounding.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from treescan.planning.check_lines import stretched_line_faults
from treescan.planning.check_site import (
    distance_to_conductor_m,
    distance_to_target_m,
    ground_under,
    in_zone,
)
from treescan.site.model import Site
from treescan.units import G_M_S2

Json = dict[str, Any]
Floats = npt.NDArray[np.float64]

HIGHEST_STUMP_M = 0.35
TWIG_REACH_M = 1.5
"""Leaves and twigs may reach this far beyond the outermost node. [m]"""
TAPERS_OUT = 15.0
"""Wood may go on unseen for this many of its own diameters beyond where the scan saw it end."""
OUTSIDE_M = 0.6
"""The centre of mass may lie this far outside the nodes, and by half of what is unseen more. [m]"""
MOST_WEIGHTS = 25.0
"""No line tension of a drop on a line passes this many weights of the piece."""
LIGHTEST_KG_M3, HEAVIEST_KG_M3 = 350.0, 1400.0
STEP_FIELDS = (
    "step", "piece", "method", "tie", "tie_m", "anchor", "redirects", "line_tension_N",
    "anchor_load_N", "governs", "hinge", "landing", "clearance_m", "path", "minutes", "people",
    "warnings",
)  # fmt: skip
METHODS = ("free fall", "hinge fall", "lower", "speed line")


@dataclass
class _Tree:
    """The tree of ``tree.json`` while it is taken down, in local metres."""

    xyz: Floats
    radius: Floats
    parent: npt.NDArray[np.int64]
    limb: npt.NDArray[np.int64]
    origin: Floats
    volume_m3: Floats = field(init=False)
    edge_start: Floats = field(init=False)
    standing: npt.NDArray[np.bool_] = field(init=False)
    children: list[list[int]] = field(init=False)
    document: Json = field(default_factory=dict)

    def __post_init__(self) -> None:
        up = np.maximum(self.parent, 0)
        other = (self.limb != self.limb[up]) & (self.parent >= 0)
        step = self.xyz - self.xyz[up]
        length = np.linalg.norm(step, axis=1)
        inside = np.where(other, np.minimum(self.radius[up], 0.9 * length), 0.0)
        share = np.divide(inside, length, out=np.zeros_like(length), where=length > 0)
        self.edge_start = self.xyz[up] + step * share[:, None]
        low = np.where(other, self.radius, self.radius[up])
        self.volume_m3 = (
            np.pi / 3 * (length - inside) * (low**2 + low * self.radius + self.radius**2)
        )
        self.standing = np.ones(len(self.parent), dtype=bool)
        self.children = [[] for _ in self.parent]
        for node in range(1, len(self.parent)):
            self.children[self.parent[node]].append(node)

    def standing_above(self, node: int) -> npt.NDArray[np.int64]:
        """All standing nodes of the subtree of ``node``."""
        found, queue = [], [node]
        while queue:
            here = queue.pop()
            if self.standing[here]:
                found.append(here)
                queue.extend(self.children[here])
        return np.array(sorted(found), dtype=np.int64)

    def ends(self, piece: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Nodes of a piece that no other of it grows on."""
        return np.setdiff1d(piece, self.parent[piece])

    def cut_node(self, cut_m: Floats, limb: int) -> tuple[int, float]:
        """Node whose edge starts at the cut, on the limb named; and the distance. [m]"""
        mine = np.flatnonzero(self.limb == limb)
        mine = mine[mine > 0]
        if len(mine) == 0:
            return -1, np.inf
        away = np.linalg.norm(self.edge_start[mine] - cut_m, axis=1)
        best = int(np.argmin(away))
        return int(mine[best]), float(away[best])


def _tree_of(document: Json) -> _Tree:
    nodes = document["nodes"]
    return _Tree(
        np.array([[n["x"], n["y"], n["z"]] for n in nodes], dtype=np.float64),
        np.array([n["radius_m"] for n in nodes], dtype=np.float64),
        np.array([-1 if n["parent"] is None else n["parent"] for n in nodes], dtype=np.int64),
        np.array([n["limb"] for n in nodes], dtype=np.int64),
        np.array(document["origin_m"], dtype=np.float64),
        document=document,
    )


def check_plan(
    plan_json: Json, tree_json: Json, site: Site, *, gone: Iterable[int] = ()
) -> list[str]:
    """Return every fault found, one sentence each; an empty list when the plan holds.

    Parameters
    ----------
    plan_json, tree_json : dict
        The two documents of a run.
    site : Site
        As the site file gives it, or localised.
    gone : iterable of int
        Nodes already down before the first step (a plan of the rest of a job).
    """
    faults = _shape_faults(plan_json)
    if faults:
        return faults
    tree = _tree_of(tree_json)
    tree.standing[list(gone)] = False
    local = site.localised(tree.origin)
    density = _mean_density(tree, tree_json)
    for step in plan_json["steps"]:
        piece, found = _take_piece(tree, step)
        faults += found
        if len(piece) == 0:
            continue
        faults += _piece_faults(tree, step, piece, density, local)
        faults += _path_faults(tree, step, piece, local)
        if step["method"] in ("lower", "speed line"):
            faults += _load_faults(tree, plan_json, step, piece)
        tree.standing[piece] = False
    faults += _leftover_faults(tree)
    faults += _admitted_faults(plan_json)
    return faults


def _shape_faults(plan: Json) -> list[str]:
    """Fields of the contract that are missing or hold something else."""
    if plan.get("format") != "treescan-plan" or plan.get("version") != 1:
        return ["the document is not a treescan-plan of version 1"]
    faults = [f"the plan lacks '{k}'" for k in ("anchors", "steps", "cautions") if k not in plan]
    for i, step in enumerate(plan.get("steps", [])):
        missing = [k for k in STEP_FIELDS if k not in step]
        if missing:
            faults.append(f"step {i + 1} lacks {', '.join(missing)}")
        elif step["step"] != i + 1:
            faults.append(f"the {i + 1}th step is numbered {step['step']}")
        elif step["method"] not in METHODS:
            faults.append(f"step {i + 1} has the unknown way '{step['method']}'")
    return faults


def _mean_density(tree: _Tree, document: Json) -> float:
    """Green mass over woody volume of the whole tree, foliage included. [kg/m3]"""
    return float(document["summary"]["green_mass_kg"]["likely"]) / float(tree.volume_m3.sum())


def _take_piece(tree: _Tree, step: Json) -> tuple[npt.NDArray[np.int64], list[str]]:
    """Find the piece that the cut of a step takes from the standing tree."""
    none = np.zeros(0, dtype=np.int64)
    cut = np.asarray(step["piece"]["cut_m"], dtype=np.float64) - tree.origin
    node, away = tree.cut_node(cut, int(step["piece"]["limb"]))
    if away > 0.02:
        return none, [f"step {step['step']}: no edge of its limb starts at the cut ({away:.2f} m)"]
    if not tree.standing[node]:
        return none, [f"step {step['step']}: the wood at the cut is already down"]
    return tree.standing_above(node), []


def _piece_faults(
    tree: _Tree, step: Json, piece: npt.NDArray[np.int64], density: float, site: Site
) -> list[str]:
    """Mass, length and butt diameter against the wood that this cut takes."""
    number, told = step["step"], step["piece"]
    mass, faults = told["mass_kg"], []
    if not 0 < mass["low"] <= mass["likely"] <= mass["high"]:
        faults.append(f"step {number}: mass band {mass} is not low <= likely <= high")
    volume = float(tree.volume_m3[piece].sum())
    if mass["high"] < LIGHTEST_KG_M3 * volume:
        faults.append(f"step {number}: {mass['high']:.0f} kg is too light for {volume:.3f} m3")
    heaviest = max(HEAVIEST_KG_M3, 3.0 * density) * volume + 60.0
    if mass["low"] > heaviest:
        faults.append(f"step {number}: {mass['low']:.0f} kg is too heavy for {volume:.3f} m3")
    start = tree.edge_start[piece[0]]
    farthest = float(np.linalg.norm(tree.xyz[piece] - start, axis=1).max())
    if told["length_m"] < 0.95 * farthest - 0.05:
        faults.append(
            f"step {number}: length {told['length_m']:.2f} m, but its tip is {farthest:.2f} m away"
        )
    limit = site.limits.max_piece_kg
    if mass["high"] > 1.001 * limit and not step.get("broken_limits"):
        faults.append(f"step {number}: {mass['high']:.0f} kg passes the limit of {limit:.0f} kg")
    return faults


def _load_faults(tree: _Tree, plan: Json, step: Json, piece: npt.NDArray[np.int64]) -> list[str]:
    """Anchor standing, tension and anchor load within plain statics, shares within limits."""
    number, faults = step["step"], []
    anchors = {a["id"]: a for a in plan["anchors"]}
    anchor = anchors.get(step["anchor"])
    if anchor is None:
        return [f"step {number}: its anchor {step['anchor']} is not in the list of anchors"]
    removed = set(piece.tolist())
    for name in (step["anchor"], *step["redirects"]):
        node = anchors.get(name, {}).get("node")
        if node is None:
            continue
        if not tree.standing[node] or node in removed:
            faults.append(f"step {number}: {name} hangs on wood that is gone by then")
    weight = G_M_S2 * step["piece"]["mass_kg"]["high"]
    tension, load = step["line_tension_N"], step["anchor_load_N"]
    for name, band in (("line tension", tension), ("anchor load", load)):
        if not 0 < band["low"] <= band["likely"] <= band["high"]:
            faults.append(f"step {number}: {name} {band} is not low <= likely <= high")
    if step["method"] == "speed line":
        faults += stretched_line_faults(step, weight)
        return faults + _share_faults(step, anchor)
    least = 0.999 if step["tie"] != "two-leg" else 0.5
    if tension["high"] < least * weight:
        faults.append(f"step {number}: the line holds less than the piece's weight")
    if tension["high"] > MOST_WEIGHTS * weight + 500.0:
        faults.append(f"step {number}: the line holds more than {MOST_WEIGHTS:.0f} weights")
    if not 0.5 * tension["high"] <= load["high"] <= 2.01 * tension["high"]:
        faults.append(f"step {number}: the anchor load does not fit the line tension")
    return faults + _share_faults(step, anchor)


def _share_faults(step: Json, anchor: Json) -> list[str]:
    """Loads over what the anchor or the governing item may take that no limit admits."""
    share = step["anchor_load_N"]["high"] / max(anchor["allowable_N"], 1e-9)
    if step["method"] == "speed line":
        share = 0.0  # its pull is far off the direction that the allowable is stated for
    over = share > 1.02 or step["governs"]["share"] > 1.001
    if over and not step.get("broken_limits"):
        most = max(share, step["governs"]["share"])
        return [f"step {step['step']}: at {most:.2f} of its limit, unsaid"]
    return []


def _path_faults(tree: _Tree, step: Json, piece: npt.NDArray[np.int64], site: Site) -> list[str]:
    """Time steps, start, landing and clearances of the way a piece takes."""
    number, faults = step["step"], []
    path = np.asarray(step["path"], dtype=np.float64).reshape(-1, 4)
    if len(path) < 2:
        return [f"step {number}: its path has fewer than two points"]
    gaps = np.diff(path[:, 0])
    if (gaps <= 0).any() or gaps.max() > 0.0505:
        faults.append(f"step {number}: path times do not rise in steps of at most 0.05 s")
    way = path[:, 1:] - tree.origin
    reach = float(np.linalg.norm(tree.xyz[piece] - way[0], axis=1).max())
    box = tree.xyz[piece]
    outside = np.maximum(box.min(0) - way[0], way[0] - box.max(0)).max()
    unseen = TAPERS_OUT * 2.0 * float(tree.radius[tree.ends(piece)].max())
    if outside > OUTSIDE_M + 0.5 * unseen:
        faults.append(f"step {number}: its path starts {outside:.1f} m outside the piece")
    faults += _landing_faults(step, way[-1], tree.xyz[0], site)
    reach += max(TWIG_REACH_M, TAPERS_OUT * 2.0 * _thickest_end_m(tree, piece))
    faults += _clearance_faults(step, tree.xyz[piece], way, _nearest(tree, site), reach)
    return faults


def _thickest_end_m(tree: _Tree, piece: npt.NDArray[np.int64]) -> float:
    """Greatest radius at which wood of a piece ends without a cut. [m]"""
    return max((float(tree.radius[n]) for n in piece if not tree.children[n]), default=0.0)


def _landing_faults(step: Json, end_m: Floats, foot_m: Floats, site: Site) -> list[str]:
    if step["method"] not in ("free fall", "hinge fall") or step.get("broken_limits"):
        return []
    zones = {z.name: z.footprint_m for z in site.drop_zone}
    if step["landing"] == "foot of the stem":
        away = float(np.hypot(*(end_m - foot_m)[:2]))
        return [] if away <= 3.55 else [f"step {step['step']}: falls {away:.1f} m from the stump"]
    if step["landing"] not in zones:
        return [f"step {step['step']}: '{step['landing']}' is no drop zone of the site"]
    if not in_zone(end_m, zones[step["landing"]]):
        return [f"step {step['step']}: falls beside {step['landing']}"]
    return []


Measures = tuple[tuple[str, Callable[[Floats], Floats]], ...]


def _nearest(tree: _Tree, site: Site) -> Measures:
    """Name and distance function of every target and conductor."""
    targets = tuple(
        (t.name, partial(distance_to_target_m, target=t, document=tree.document))
        for t in site.target
    )
    wires = tuple((c.name, partial(distance_to_conductor_m, conductor=c)) for c in site.conductor)
    return targets + wires


def _clearance_faults(
    step: Json, piece_m: Floats, way_m: Floats, measures: Measures, reach_m: float
) -> list[str]:
    """Every target named; each figure between what the wood's place and reach allow."""
    number, faults, told = step["step"], [], step["clearance_m"]
    for name, measure in measures:
        if name not in told:
            faults.append(f"step {number}: clearance_m does not name {name}")
            continue
        before, nearest = float(measure(piece_m).min()), float(measure(way_m).min())
        value = told[name]
        if value > before + 0.1:
            faults.append(
                f"step {number}: {value:.2f} m to {name} told, but the wood stands"
                f" {before:.2f} m from it"
            )
        if value < min(before - TWIG_REACH_M, nearest - reach_m) - 0.5:
            faults.append(f"step {number}: {value:.2f} m to {name} cannot be reached")
        said = step.get("broken_limits") or any(name in w for w in step["warnings"])
        if value < 0.0 < before and not said:
            faults.append(f"step {number}: strikes {name}, unsaid")
    return faults


def _leftover_faults(tree: _Tree) -> list[str]:
    """Wood above the stump that no step takes."""
    foot = max(tree.xyz[0, 2], ground_under(tree.document, *tree.xyz[0, :2]))
    height = tree.xyz[:, 2] - foot
    left = tree.standing & (height > HIGHEST_STUMP_M)
    if not left.any():
        return []
    return [f"{int(left.sum())} nodes above the stump are in no step (first: {np.argmax(left)})"]


def _admitted_faults(plan: Json) -> list[str]:
    """A plan that calls itself feasible admits no broken limit."""
    broken = [s["step"] for s in plan["steps"] if s.get("broken_limits")]
    if plan.get("feasible", True) and broken:
        return [f"the plan calls itself feasible but breaks limits in steps {broken}"]
    return []
