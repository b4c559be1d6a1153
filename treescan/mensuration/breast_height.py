"""Diameter at breast height: where it is measured, of which stems, and whether it was seen.

Rule: heights count from the ground at the uphill side of the stem and along the stem's axis; a
tree that forks below breast height is measured as several stems, and the diameter given is that
of the circle with the sum of their areas.  [common practice in forest inventory]
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.errors import ScanError
from treescan.mensuration.section import taped_radius_m
from treescan.mensuration.walls import walls_radius_m
from treescan.pointcloud.cloud import Ground, TreePoints
from treescan.pointcloud.foot import footing
from treescan.skeleton.graph import FITTED, TreeGraph

Floats = npt.NDArray[np.float64]

UPRIGHT_COS = 0.6
"""A limb counts as a stem at breast height when it stands steeper than this."""
STEEP_NODES = 3
"""Its steepness is that of so many nodes to either side."""
ONE_SKIN = 0.6
"""Sections nearer to each other than this share of their summed radii are one. [judgement]"""
FEWEST_POINTS = 40
LEAST_COVERAGE = 0.2


@dataclass(frozen=True)
class BreastHeight:
    """Diameter at breast height of one tree. [m]"""

    diameter_m: float
    sd_m: float
    stems: int
    notes: tuple[str, ...]


def uphill_ground_m(graph: TreeGraph, ground: Ground) -> float:
    """Ground height at the uphill side of the stem, from the ground around the butt. [m]"""
    x, y = graph.position_m[0, :2]
    radius = float(graph.radius_m[0])
    return footing(ground, float(x), float(y), radius).uphill_m(radius)


def crossings(graph: TreeGraph, z_m: float) -> list[tuple[int, float]]:
    """Edges that cross the height ``z_m`` upward: ``(node, share along its edge)``."""
    up = np.maximum(graph.parent, 0)
    low, high = graph.position_m[up, 2], graph.position_m[:, 2]
    cross = (low <= z_m) & (high > z_m)
    cross[0] = False
    return [(int(n), float((z_m - low[n]) / (high[n] - low[n]))) for n in np.flatnonzero(cross)]


def breast_height(
    graph: TreeGraph, ground: Ground, tree: TreePoints | None, height_m: float
) -> BreastHeight:
    """Diameter at ``height_m`` above the uphill ground.

    Raises
    ------
    ScanError
        If no stem was seen there or the scan is too sparse; a diameter of the butt flare is
        never given instead.
    """
    base_z = uphill_ground_m(graph, ground)
    z = base_z + height_m
    found = [hit for hit in crossings(graph, z) if _stands(graph, hit[0], z)]
    if not found:
        top = float(graph.position_m[:, 2].max() - base_z)
        raise ScanError(
            f"breast height ({height_m:.2f} m) was not seen: the stem ends {top:.2f} m above the "
            f"ground in the scan. Scan the stem higher."
        )
    # Shoots that happen to cross the height are no stems.
    widest = max(float(graph.radius_m[node]) for node, _ in found)
    found = [hit for hit in found if graph.radius_m[hit[0]] >= 0.25 * widest]
    kept = _apart(
        [(_at(graph, *hit), *_stem(graph, *hit, tree, height_m)) for hit in found],
    )
    diameter = float(np.sqrt(sum(d * d for d, _ in kept)))
    sd = float(np.sqrt(sum((d * s) ** 2 for d, s in kept)) / diameter)
    notes: tuple[str, ...] = ()
    if len(kept) > 1:
        each = ", ".join(f"{100 * d:.1f}" for d, _ in sorted(kept, reverse=True))
        notes = (
            f"The tree forks below breast height: {len(kept)} stems of {each} cm; the diameter "
            f"given is that of the circle with their summed area.",
        )
    return BreastHeight(diameter, sd, len(kept), notes)


def _at(graph: TreeGraph, node: int, share: float) -> Floats:
    """Place on a node's edge, shape (3,). [m]"""
    up = int(graph.parent[node])
    result: Floats = (1 - share) * graph.position_m[up] + share * graph.position_m[node]
    return result


def _apart(stems: list[tuple[Floats, float, float]]) -> list[tuple[float, float]]:
    """Diameter and sd of the stems (centre, diameter, sd) that stand clear of thicker ones. [m]

    Just above a fork the members still share one skin: its girth counts once.
    """
    kept: list[tuple[Floats, float, float]] = []
    for centre, diameter, sd in sorted(stems, key=lambda stem: -stem[1]):
        clear = [
            float(np.linalg.norm(centre - there)) > ONE_SKIN * 0.5 * (diameter + other)
            for there, other, _ in kept
        ]
        if all(clear):
            kept.append((centre, diameter, sd))
    return [(diameter, sd) for _, diameter, sd in kept]


def _stands(graph: TreeGraph, node: int, z_m: float) -> bool:
    """Whether the limb is steep at ``node`` and nothing below it has been above ``z_m`` yet.

    A limb that hangs below breast height and rises again is no stem.
    """
    below = graph.ancestors(node)
    own = np.flatnonzero(graph.limb == graph.limb[node])
    ahead = own[own >= node][: STEEP_NODES + 1][-1]
    step = graph.position_m[ahead] - graph.position_m[below[min(STEEP_NODES, len(below) - 1)]]
    steep = step[2] > UPRIGHT_COS * np.linalg.norm(step)
    return bool(steep and (graph.position_m[below[1:], 2] <= z_m).all())


def _stem(
    graph: TreeGraph, node: int, share: float, tree: TreePoints | None, height_m: float
) -> tuple[float, float]:
    """Diameter and sd of one stem where it crosses breast height. [m]"""
    up = int(graph.parent[node])
    radius = float((1 - share) * graph.edge_start_radius_m[node] + share * graph.radius_m[node])
    sd = float(graph.radius_sd_m[node])
    if tree is None:
        if graph.source[node] != FITTED:
            raise ScanError(_sparse(height_m, 0))
        return 2 * radius, 2 * sd
    centre = _at(graph, node, share)
    step = graph.position_m[node] - graph.position_m[up]
    fitted = slice_fit(tree.xyz, centre, step / np.linalg.norm(step), radius)
    if fitted is None:
        raise ScanError(_sparse(height_m, FEWEST_POINTS))
    value, value_sd = fitted
    if abs(value - radius) > max(3 * float(np.hypot(sd, value_sd)), 0.1 * radius):
        # The section itself was seen: its own circle rules, and the doubt is said.
        return 2 * value, 2 * max(value_sd, abs(value - radius) / 3)
    share = 1 / (1 + (max(value_sd, 5e-4) / max(sd, 5e-4)) ** 2)
    # Section and limb share points: no surer together than one, and less where they disagree.
    apart = share * (1 - share) * (value - radius) ** 2
    both = float(np.sqrt(min(value_sd, sd) ** 2 + apart))
    return 2 * (share * value + (1 - share) * radius), 2 * both


def _sparse(height_m: float, points: int) -> str:
    return (
        f"the stem was seen too thinly at breast height ({height_m:.2f} m): fewer than {points} "
        f"points or too small a part of its round. Scan closer."
    )


def slice_fit(
    xyz: npt.ArrayLike, centre: Floats, axis: Floats, radius_m: float
) -> tuple[float, float] | None:
    """Taped radius of the slice of points about ``centre``; ``(radius, sd)`` or None. [m]

    A circle is fitted robustly; about it the outline that a girth tape lies on is drawn.

    ``xyz`` (n, 3) are points, ``centre`` (3,) the middle of the slice and ``axis`` (3,) the unit
    vector of the stem there; ``radius_m`` is a first guess.
    """
    from treescan.skeleton.circles import fit_circles  # compiled: a tree file needs none of it

    points = np.asarray(xyz, dtype=np.float64)
    near = np.abs(points[:, 2] - centre[2]) < 0.6
    step = points[near] - centre
    along = step @ axis
    away = step - along[:, None] * axis
    far = np.linalg.norm(away, axis=1)
    keep = (np.abs(along) < 0.08) & (far < 1.5 * radius_m + 0.03)
    if keep.sum() < FEWEST_POINTS:
        return None
    away = away[keep]
    helper = np.array([1.0, 0.0, 0.0]) if abs(axis[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    u = np.cross(axis, helper)
    u /= np.linalg.norm(u)
    v = np.cross(axis, u)
    order = np.lexsort((away @ v, away @ u))
    x, y = (away @ u)[order], (away @ v)[order]
    tol = max(0.012, 0.12 * radius_m)
    limits = np.array([[0.3 * radius_m, 1.5 * radius_m]])
    whole = np.array([[0], [len(x)], [400]])
    fit = fit_circles(x, y, whole, np.array([tol]), limits, 3000)[0]
    if fit[2] <= 0 or fit[5] < LEAST_COVERAGE or fit[6] < FEWEST_POINTS * 0.5:
        return None
    radius, spread, scatter = taped_radius_m(
        x - fit[0], y - fit[1], (along[keep])[order], float(fit[2]), tol
    )
    across = np.column_stack([step @ u, step @ v])
    walls = walls_radius_m(across, along, fit[:3], tol, scatter)
    if walls is not None:
        return walls
    radius -= float(fit[3] ** 2 / (2 * fit[2]))
    # Stations that disagree show as scatter beyond the misfit of the sharpest crowd.
    variance = fit[4] ** 2 + spread**2 + 0.0015**2 + (0.4 * scatter) ** 2
    return float(radius), float(np.sqrt(variance))
