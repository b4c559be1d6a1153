"""From one tree's points to its skeleton graph: the steps in order.

Thin to voxels; distance from the base along the wood; rings; limbs; circle fits; taper.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from treescan.errors import ScanError
from treescan.pointcloud.cloud import Ground, TreePoints
from treescan.skeleton import taper
from treescan.skeleton.fitting import Fits, fit_nodes, move_axes
from treescan.skeleton.geodesic import Geodesic, measure_from_base
from treescan.skeleton.graph import FITTED, INTERPOLATED, MODELLED, TreeGraph
from treescan.skeleton.limbs import LimbAxes, lay_axes, part_limbs
from treescan.skeleton.rings import Rings, cut_rings
from treescan.skeleton.voxels import Voxels, neighbours, symmetric_edges, voxelise

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

VOXEL_M = 0.02
RING_WIDTH_M = 0.1
NODE_SPACING_M = 0.12
FEWEST_POINTS = 200


@dataclass(frozen=True)
class _Wood:
    """What the shape steps hand to the diameter steps."""

    points: Floats
    limb: Ints
    node: Ints


def extract_skeleton(
    tree: TreePoints,
    ground: Ground,
    *,
    origin_m: npt.ArrayLike,
    in_leaf: bool | None = None,
    seed: int = 0,
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
    in_leaf : bool, optional
        A hint; geometry decides where it is not given.
    seed : int
        Nothing is drawn at random today; kept so that the call need not change.
    progress : callable, optional
        Told the share done, 0..1.

    Raises
    ------
    ScanError
        If there are too few points for a stem, or no points near the base.
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
    paths = _paths(voxels, edges, base)
    rings = cut_rings(voxels.centre_m, edges, paths, RING_WIDTH_M)
    tell(0.5)
    chains, parent_limb, parent_ring = part_limbs(rings)
    axes = lay_axes(rings, chains, parent_limb, parent_ring, NODE_SPACING_M)
    wood = _assign(tree, voxels, rings, chains, axes)
    tell(0.6)
    axes, fits = _fit(axes, wood, rings, chains)
    tell(0.9)
    graph = _assemble(axes, fits, base, np.asarray(origin_m, dtype=np.float64), tree)
    tell(1.0)
    return graph


def _paths(voxels: Voxels, edges: tuple[Ints, Ints, Floats], base: Floats) -> Geodesic:
    """Distances from all voxels of the lowest decimetres of the stem."""
    centre = voxels.centre_m
    height = centre[:, 2] - base[2]
    aside = np.linalg.norm(centre[:, :2] - base[:2], axis=1)
    near = aside < max(1.0, 1.5 * float(np.min(aside)))
    low = max(float(np.min(height[near])), -0.3)
    seeds = np.flatnonzero(near & (height < low + 0.15))
    if not len(seeds):
        raise ScanError(
            "no points within 1 m of the stem's base. Give tree.near_m or scan the stem's foot."
        )
    return measure_from_base(centre, edges, seeds, np.maximum(height[seeds] - low, 0.0))


def _assign(
    tree: TreePoints, voxels: Voxels, rings: Rings, chains: list[Ints], axes: LimbAxes
) -> _Wood:
    """Points of the rings that limbs are made of, each with its limb and a node nearby."""
    limb_of_ring = np.full(len(rings) + 1, -1, dtype=np.int64)
    node_of_ring = np.zeros(len(rings) + 1, dtype=np.int64)
    for i, chain in enumerate(chains):
        limb_of_ring[chain] = i
        low, high = axes.first[i], axes.first[i + 1]
        near = cKDTree(axes.position_m[low:high]).query(rings.centre_m[chain])[1]
        node_of_ring[chain] = low + near
    ring = np.repeat(rings.of_voxel, voxels.count)
    limb = limb_of_ring[ring]
    keep = limb >= 0
    points = np.asarray(tree.xyz, dtype=np.float64)[voxels.point_order[keep]]
    return _Wood(points, limb[keep], node_of_ring[ring[keep]])


def _fit(axes: LimbAxes, wood: _Wood, rings: Rings, chains: list[Ints]) -> tuple[LimbAxes, Fits]:
    """Fit, move the axes to the centres, and fit again."""
    guess = _rough_radius(axes, rings, chains)
    tol = np.maximum(0.010, 0.15 * guess)
    fits = fit_nodes(axes, wood.points, wood.limb, wood.node, guess, tol)
    for _ in range(2):
        axes = move_axes(axes, fits)
        ok = fits.radius_m > 0
        tol = np.where(ok, np.maximum(0.010, 0.12 * fits.radius_m), tol)
        fits = fit_nodes(axes, wood.points, wood.limb, wood.node, guess, tol)
    return axes, fits


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


def _beyond(axes: LimbAxes, along: Floats) -> Floats:
    """Length of the longest way outward from each node, side limbs included. [m]"""
    far = along[axes.first[1:] - 1].copy()
    for i in range(len(far) - 1, 0, -1):
        up, node = axes.parent_limb[i], axes.parent_node[i]
        far[up] = max(far[up], along[node] + far[i])
    result: Floats = far[axes.limb_of_node] - along
    return result


def _assemble(
    axes: LimbAxes, fits: Fits, base: Floats, origin: Floats, tree: TreePoints
) -> TreeGraph:
    along = axes.along_m()
    beyond = _beyond(axes, along)
    noise = _noise(fits)
    seen = fits.radius_m - fits.rms_m**2 / (2 * np.maximum(fits.radius_m, 0.004))
    seen = np.maximum(seen, 0.002)
    good = (fits.radius_m > 0) & (fits.coverage >= 0.3) & (fits.inliers >= 12)
    good &= fits.share > 0.25
    well = good & (seen > 3 * noise) & (fits.coverage >= 0.4)
    model = taper.calibrate(beyond, seen, well)
    sd = np.sqrt(fits.radius_sd_m**2 + (0.5 * noise) ** 2 + (0.03 * seen) ** 2)
    sd *= 1.0 + 1.5 * np.maximum(0.5 - fits.coverage, 0.0)
    var = np.where(good, (sd / seen) ** 2 + 0.02, np.inf)
    model_log = np.log(model.radius_m(beyond))
    mean, spread = taper.smooth_taper(
        axes.first, along, model_log, np.log(seen), var, taper.MODEL_SD**2,
        taper.WALK_SD_PER_SQRT_M**2,
    )  # fmt: skip
    radius = np.exp(taper.fall_to_tip(axes.first, mean, 1.0 / spread))
    radius_sd = radius * np.sqrt(spread + 0.02**2)
    source = np.where(good, FITTED, np.where(spread < 0.5 * taper.MODEL_SD**2, INTERPOLATED, 2))
    source = np.where((source == 2), MODELLED, source)
    return _graph(axes, radius, radius_sd, source, fits.coverage, origin, tree)


def _noise(fits: Fits) -> float:
    """Typical misfit of the well-seen rings. [m]"""
    ok = (fits.coverage > 0.5) & (fits.inliers > 30)
    return float(np.median(fits.rms_m[ok])) if ok.sum() > 5 else 0.005


def _graph(
    axes: LimbAxes,
    radius: Floats,
    radius_sd: Floats,
    source: Ints,
    support: Floats,
    origin: Floats,
    tree: TreePoints,
) -> TreeGraph:
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
    order = np.zeros(len(axes.first) - 1, dtype=np.int32)
    for limb in range(1, len(order)):
        order[limb] = order[axes.parent_limb[limb]] + 1
    up = parent[keep]
    return TreeGraph(
        position_m=axes.position_m[keep],
        radius_m=radius[keep],
        radius_sd_m=radius_sd[keep],
        parent=np.where(up >= 0, number[up], -1).astype(np.int32),
        limb=limb_of[keep].astype(np.int32),
        order=order[limb_of[keep]],
        support=support[keep],
        source=source[keep].astype(np.int32),
        bridged=axes.bridged[keep],
        origin_m=origin,
        unseen_share=tree.unseen_share,
        notes=(),
    )
