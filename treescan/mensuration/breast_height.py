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
from treescan.pointcloud.cloud import Ground, TreePoints
from treescan.pointcloud.foot import footing
from treescan.skeleton.graph import FITTED, TreeGraph

Floats = npt.NDArray[np.float64]

UPRIGHT_COS = 0.6
"""A limb counts as a stem at breast height when it stands steeper than this."""
STEEP_NODES = 3
"""Its steepness is that of so many nodes to either side."""
FEWEST_POINTS = 40
LEAST_COVERAGE = 0.2
OUTLINE_SECTORS = 36
FULL_RELIEF_M, NO_RELIEF_M = 0.0035, 0.0045
"""Scatter of small patches up to which relief of the bark can be told from the scan's own faults,
and beyond which it cannot. [m, judgement]"""
MOST_RELIEF = 0.02
"""Relief of bark beyond this share of the radius is taken for walls that disagree. [judgement]"""
RIDGE = 1.5
"""A tape lies this many standard deviations of the bark's relief outside the mean surface: the
top of evenly spread relief is sqrt(3) above its mean, sharp ridges are pressed in. [judgement]"""


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
    kept = [_stem(graph, node, share, tree, height_m) for node, share in found]
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
    centre = (1 - share) * graph.position_m[up] + share * graph.position_m[node]
    step = graph.position_m[node] - graph.position_m[up]
    fitted = slice_fit(tree.xyz, centre, step / np.linalg.norm(step), radius)
    if fitted is None:
        raise ScanError(_sparse(height_m, FEWEST_POINTS))
    value, value_sd = fitted
    if abs(value - radius) > max(3 * float(np.hypot(sd, value_sd)), 0.1 * radius):
        # The section itself was seen: its own circle rules, and the doubt is said.
        return 2 * value, 2 * max(value_sd, abs(value - radius) / 3)
    weight = 1 / max(value_sd, 5e-4) ** 2, 1 / max(sd, 5e-4) ** 2
    return 2 * (value * weight[0] + radius * weight[1]) / sum(weight), 2 * min(value_sd, sd)


def _sparse(height_m: float, points: int) -> str:
    return (
        f"the stem was seen too thinly at breast height ({height_m:.2f} m): fewer than {points} "
        f"points or too small a part of its round. Scan closer."
    )


def slice_fit(
    xyz: npt.ArrayLike, centre: Floats, axis: Floats, radius_m: float
) -> tuple[float, float] | None:
    """Taped radius of the slice of points about ``centre``; ``(radius, sd)`` or None. [m]

    A circle is fitted robustly; what a girth tape reads beyond it is added.
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
    radius = fit[2] - fit[3] ** 2 / (2 * fit[2])
    on = np.abs(np.hypot(x - fit[0], y - fit[1]) - fit[2]) < tol
    radius += taped_excess_m(x[on] - fit[0], y[on] - fit[1], (along[keep][order])[on])
    # Stations that disagree show as scatter beyond the misfit of the sharpest crowd.
    variance = fit[4] ** 2 + 0.0015**2 + (0.4 * fit[8]) ** 2
    return float(radius), float(np.sqrt(variance) * (1 + max(0.6 - fit[5], 0.0)))


def taped_excess_m(x: Floats, y: Floats, along: Floats) -> float:
    """How much more than the mean circle a girth tape reads, as a radius. [m]

    A tape lies over the hull of the section and on the ridges of the bark.  Relief of the bark
    is what the points scatter about the section's outline beyond what they scatter about small
    patches of surface: range noise and stations that disagree show in both, ridges and furrows
    only in the first.  Only rounds that were seen nearly whole are judged.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Across the axis, from the fitted centre. [m]
    along : ndarray, shape (n,)
        Along the axis. [m]
    """
    sector = ((np.arctan2(y, x) + np.pi) / (2 * np.pi) * OUTLINE_SECTORS).astype(np.int64)
    sector %= OUTLINE_SECTORS
    count = np.bincount(sector, minlength=OUTLINE_SECTORS)
    seen = count >= 5
    if seen.mean() < 0.5:
        return 0.0
    rho = np.hypot(x, y)
    mean = np.bincount(sector, rho, OUTLINE_SECTORS) / np.maximum(count, 1)
    outline = _hull_excess_m(mean) if seen.all() else 0.0
    judged = seen[sector]
    about = (rho - mean[sector])[judged]
    relief = float(np.mean(about**2)) * len(about) / max(len(about) - int(seen.sum()), 1)
    noise = patch_noise_m(np.column_stack([x, y, along])[judged])
    relief -= noise**2
    ridge = min(float(np.sqrt(max(relief, 0.0))), MOST_RELIEF * float(np.median(rho)))
    trust = (NO_RELIEF_M - noise) / (NO_RELIEF_M - FULL_RELIEF_M)
    return outline + RIDGE * ridge * float(np.clip(trust, 0.0, 1.0))


def _hull_excess_m(mean_m: Floats) -> float:
    """Girth radius of the hull of a section's outline beyond its mean radius. [m]"""
    from scipy.spatial import ConvexHull

    for _ in range(2):
        mean_m = 0.25 * np.roll(mean_m, 1) + 0.5 * mean_m + 0.25 * np.roll(mean_m, -1)
    turn = (np.arange(OUTLINE_SECTORS) + 0.5) / OUTLINE_SECTORS * 2 * np.pi
    ring = np.column_stack([mean_m * np.cos(turn), mean_m * np.sin(turn)])
    girth = float(ConvexHull(ring).area) / np.sinc(1.0 / OUTLINE_SECTORS)
    return max(girth / (2 * np.pi) - float(mean_m.mean()), 0.0)


def patch_noise_m(points: Floats, k: int = 10) -> float:
    """Typical scatter of the points about planes through their ``k`` nearest. [m]"""
    from scipy.spatial import cKDTree

    picked = points[:: max(len(points) // 400, 1)]
    near = cKDTree(points).query(picked, k=min(k, len(points)))[1]
    patch = points[near] - points[near].mean(axis=1, keepdims=True)
    least = np.linalg.eigvalsh(np.einsum("nki,nkj->nij", patch, patch))[:, 0]
    return float(np.sqrt(np.mean(np.maximum(least, 0.0)) / (patch.shape[1] - 3)))
