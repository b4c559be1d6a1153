"""From one tree's points to its skeleton graph: the steps in order.

Thin to voxels; distance from the base along the wood; rings; limbs; circle fits; taper.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from treescan.errors import ScanError
from treescan.pointcloud.cloud import Ground, TreePoints
from treescan.pointcloud.foot import footing
from treescan.skeleton.butt import measure_butt
from treescan.skeleton.contact import part_touching
from treescan.skeleton.diameters import Radii, carried_m, settle_radii
from treescan.skeleton.fitting import Fits, fit_nodes, move_axes
from treescan.skeleton.forks import branch_order, fused_nodes, straighten
from treescan.skeleton.geodesic import Geodesic, measure_from_base
from treescan.skeleton.graph import TreeGraph
from treescan.skeleton.leafy import leafy_nodes
from treescan.skeleton.limbs import SHORTEST_LIMB_M, LimbAxes, lay_axes, part_limbs
from treescan.skeleton.notes import tree_notes
from treescan.skeleton.rings import Rings, cut_rings
from treescan.skeleton.settle import carry_over, hidden_limbs, nearest_skin, rebuild, without
from treescan.skeleton.traffic import long_ways
from treescan.skeleton.voxels import Voxels, neighbours, symmetric_edges, voxelise

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

VOXEL_M = 0.02
RING_WIDTH_M = 0.1
NODE_SPACING_M = 0.12
LONG_WAY_M = 0.4
ON_STEM_M = 2.5
"""Up to this height all that lies about the stem is kept, so that a skin seen thinly stays in
one piece. [m]"""
BUTT_M = 0.5
"""Up to this height above its lowest points rings of the stem are level. [m]"""
FEWEST_POINTS = 200
ROUNDS = 3
"""Times that axes and radii are settled together."""


def extract_skeleton(
    tree: TreePoints,
    ground: Ground,
    *,
    origin_m: npt.ArrayLike,
    progress: Callable[[float], None] | None = None,
) -> TreeGraph:
    """Skeleton graph with radii over bark of one tree.

    Parameters
    ----------
    tree : TreePoints
        The points of the tree, local frame. [m]
    ground : Ground
    origin_m : array_like, shape (3,)
        Handed on to the graph.
    progress : callable, optional
        Told the share done, 0..1.

    Raises
    ------
    ScanError
        If there are too few points for a stem, no points near the base, or no round of the stem
        was seen well enough for a diameter.
    """
    tell = progress or (lambda share: None)
    if len(tree.xyz) < FEWEST_POINTS:
        raise ScanError(
            f"the tree has {len(tree.xyz)} points; at least {FEWEST_POINTS} are needed to follow "
            f"a stem. Scan closer or with a finer setting."
        )
    base = np.asarray(tree.base_m, dtype=np.float64)
    voxels = voxelise(tree.xyz, VOXEL_M, base)
    edges = symmetric_edges(*neighbours(voxels.centre_m, 14, 0.11))
    tell(0.25)
    paths = _paths(voxels, edges, tree)
    on_stem = _on_stem(voxels.centre_m, tree)
    keep = long_ways(paths, edges, LONG_WAY_M) | on_stem
    if not (np.isfinite(paths.distance_m) & keep).any():
        raise ScanError(
            f"no stem or limb can be followed up from the base: the {len(tree.xyz)} points there "
            f"lie too far apart. Scan closer, or name another tree with tree.near_m."
        )
    rings = cut_rings(voxels.centre_m, edges, paths, RING_WIDTH_M, keep, on_stem, voxels.count)
    tell(0.4)
    chains, parent_limb, parent_ring = part_limbs(rings)
    axes = lay_axes(rings, chains, parent_limb, parent_ring, NODE_SPACING_M)
    butt_m = 0.5 * tree.stems[0].diameter_m if tree.stems else 0.2
    x, y = float(base[0]), float(base[1])
    foot = np.array([x, y, footing(ground, x, y, butt_m).height_m])
    axes, fits, radii = _measure(tree, voxels, rings, chains, axes, foot)
    tell(0.9)
    if not radii.good[: axes.first[1]].any():
        raise ScanError(
            f"no diameter could be fitted anywhere on the stem: {len(tree.xyz)} points are too "
            f"sparse or too scattered. Scan closer or with a finer setting."
        )
    graph = _graph(axes, fits, radii, np.asarray(origin_m, dtype=np.float64), tree)
    tell(1.0)
    return graph


def _on_stem(centre_m: Floats, tree: TreePoints) -> Bools:
    """Voxels about the chosen stem between its foot and ``ON_STEM_M``, shape (m,)."""
    if not tree.stems or tree.stems[0].diameter_m <= 0:
        return np.zeros(len(centre_m), dtype=bool)
    stem = tree.stems[0]
    breast = np.array([stem.x_m, stem.y_m])
    foot = np.asarray(stem.foot_m if stem.foot_m is not None else breast)
    height = centre_m[:, 2] - tree.base_m[2]
    axis = foot + (breast - foot) * (height / 1.3)[:, None]
    aside = np.linalg.norm(centre_m[:, :2] - axis, axis=1)
    result: Bools = (aside < 0.65 * stem.diameter_m + 0.03) & (height < ON_STEM_M)
    return result


def _paths(voxels: Voxels, edges: tuple[Ints, Ints, Floats], tree: TreePoints) -> Geodesic:
    """Distances from all voxels of the butt, each of which starts with its own height.

    So rings lie level there, even where the ground slopes or one side of the foot was not seen.
    """
    centre, base = voxels.centre_m, np.asarray(tree.base_m, dtype=np.float64)
    height = centre[:, 2] - base[2]
    aside = np.linalg.norm(centre[:, :2] - base[:2], axis=1)
    near = aside < max(1.0, 1.5 * float(np.min(aside)))
    low = max(float(np.min(height[near])), -0.3)
    seeds = np.flatnonzero(near & (height < low + 0.15))
    if not len(seeds):
        raise ScanError(
            "no points within 1 m of the stem's base. Give tree.near_m or scan the stem's foot."
        )
    wide = 0.75 * tree.stems[0].diameter_m + 0.15 if tree.stems else 0.0
    butt = (aside < wide) & (height < low + BUTT_M)
    butt[seeds] = True
    return measure_from_base(centre, edges, seeds, np.maximum(height - low, 0.0), butt)


def _measure(
    tree: TreePoints,
    voxels: Voxels,
    rings: Rings,
    chains: list[Ints],
    axes: LimbAxes,
    foot: Floats,
) -> tuple[LimbAxes, Fits, Radii]:
    """Fit, put unions and foot right, give each point to the limb whose skin it is, fit again."""
    points = np.asarray(tree.xyz, dtype=np.float64)[voxels.point_order]
    guess = _rough_radius(axes, rings, chains)
    low, high = np.full(len(guess), 0.002), 1.6 * guess + 0.01
    node = _node_of_ring(rings, chains, axes)[rings.of_voxel]
    tol = np.clip(0.2 * guess, 0.012, 0.04)
    fits = _fit(axes, points, voxels.count, node, (low, high), tol, 120, False)
    axes = move_axes(axes, fits)
    radii = settle_radii(axes, fits)
    axes, radius = _put_right(axes, radii.radius_m, foot)
    for round_ in range(ROUNDS):
        last = round_ == ROUNDS - 1
        node, skin = nearest_skin(voxels.centre_m, axes, radius)
        leafy = leafy_nodes(axes, carried_m(axes, axes.along_m()), node, skin)
        near = np.where(skin < np.maximum(0.04, 0.5 * radius[node]), node, -1)
        tol = np.clip(3.0 * radii.noise_m, np.maximum(0.008, 0.06 * radius), 0.05)
        limits = 0.4 * radius, 1.5 * radius + 0.01
        fits = _fit(axes, points, voxels.count, near, limits, tol, 160 if last else 80, last)
        if not last:
            axes = move_axes(axes, fits)
        radii = settle_radii(axes, fits, radius, fused_nodes(axes, radius), leafy)
        radius = radii.radius_m
        if round_ == 0:
            axes, radius = part_touching(axes, radius, radii.good, points)
        if not last:
            axes, radius = _put_right(axes, radius, foot)
    return axes, fits, measure_butt(axes, fits, radii, points)


def _put_right(axes: LimbAxes, radius: Floats, foot: Floats) -> tuple[LimbAxes, Floats]:
    """Forks, hidden limbs, unions and foot put right; returns axes and their radii."""
    axes = straighten(axes, radius)
    drop = hidden_limbs(axes, radius, SHORTEST_LIMB_M)
    axes = without(axes, drop)
    new = rebuild(axes, radius, ~drop, NODE_SPACING_M, foot)
    return new, carry_over(axes, new, ~drop, radius)


def _node_of_ring(rings: Rings, chains: list[Ints], axes: LimbAxes) -> Ints:
    """Nearest node of its limb for each ring, -1 where it is of none; one more for ring -1."""
    result = np.full(len(rings) + 1, -1, dtype=np.int64)
    for i, chain in enumerate(chains):
        low, high = axes.first[i], axes.first[i + 1]
        near = cKDTree(axes.position_m[low:high]).query(rings.centre_m[chain])[1]
        result[chain] = low + near
    return result


def _fit(
    axes: LimbAxes,
    points: Floats,
    count: Ints,
    node_of_voxel: Ints,
    limits: tuple[Floats, Floats],
    tol: Floats,
    trials: int,
    part_walls: bool,
) -> Fits:
    """Fit the nodes to the points of the voxels that were given to them."""
    node = np.repeat(node_of_voxel, count)
    keep = node >= 0
    node = node[keep]
    limb = axes.limb_of_node[node]
    return fit_nodes(axes, points[keep], limb, node, limits, tol, trials, part_walls)


def _rough_radius(axes: LimbAxes, rings: Rings, chains: list[Ints]) -> Floats:
    """Upper guess of the radius at each node from the spread of the rings."""
    result = np.full(len(axes.position_m), 0.03)
    for i, chain in enumerate(chains):
        low, high = axes.first[i], axes.first[i + 1]
        spread = np.sqrt(np.maximum(rings.spread_m[chain] ** 2 - RING_WIDTH_M**2 / 12, 1e-4))
        if len(spread) > 4:
            spread = np.array([np.median(spread[max(j - 2, 0) : j + 3]) for j in range(len(chain))])
        at = np.linspace(0, len(chain) - 1, high - low)
        result[low:high] = np.interp(at, np.arange(len(chain)), spread)
    return 1.3 * result + 0.01


def _graph(axes: LimbAxes, fits: Fits, radii: Radii, origin: Floats, tree: TreePoints) -> TreeGraph:
    """Put the limbs together: a limb's first node is its parent's, so it is left out."""
    limb_of = axes.limb_of_node
    n = len(limb_of)
    keep = np.ones(n, dtype=bool)
    keep[axes.first[1:-1]] = False
    number = np.cumsum(keep) - 1
    parent = np.arange(n) - 1
    parent[0] = -1
    after = axes.first[1:-1] + 1
    parent[after] = axes.parent_node[1:]
    # A limb may leave from the first node of its parent limb, which stands for the grandparent's.
    for limb in range(1, len(axes.first) - 1):
        up, node = axes.parent_limb[limb], axes.parent_node[limb]
        while up > 0 and node == axes.first[up]:
            node, up = axes.parent_node[up], axes.parent_limb[up]
        parent[axes.first[limb] + 1] = node
    order = branch_order(axes, radii.radius_m)
    up = parent[keep]
    return TreeGraph(
        position_m=axes.position_m[keep],
        radius_m=radii.radius_m[keep],
        radius_sd_m=radii.sd_m[keep],
        parent=np.where(up >= 0, number[up], -1).astype(np.int32),
        limb=limb_of[keep].astype(np.int32),
        order=order[limb_of[keep]],
        support=fits.coverage[keep],
        source=radii.source[keep].astype(np.int32),
        bridged=axes.bridged[keep],
        origin_m=origin,
        unseen_share=tree.unseen_share,
        notes=tree_notes(axes, radii, keep),
    )
