"""Measurements of the standing tree from its skeleton graph and points."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from treescan.errors import ScanError
from treescan.mensuration.breast_height import breast_height, uphill_ground_m
from treescan.mensuration.measures import LimbRow, TreeMeasures
from treescan.mensuration.unions import limb_rows, union_rows
from treescan.mensuration.volume import edge_volume_m3, share_over, total_sd_m3, volume_over_m3
from treescan.pointcloud.cloud import Ground, TreePoints
from treescan.skeleton.graph import INTERPOLATED, MODELLED, TreeGraph
from treescan.units import Band

Floats = npt.NDArray[np.float64]

STRAY_M = 1.0
"""Points farther than this from every node are not of the tree, but for what hangs together. [m]"""
SHOOT_GAP_M = 0.5
"""Gaps up to which points beyond hang together with what is near: tops are seen thinly, and points
that lie alone were left out when the tree was chosen. [m, judgement]"""
MERCHANTABLE_M = 0.07
Z_5_95 = 1.645


def measure_tree(
    graph: TreeGraph,
    ground: Ground,
    *,
    tree: TreePoints | None = None,
    dbh_height_m: float = 1.3,
) -> TreeMeasures:
    """Measure a tree; heights count from the ground at the stem's uphill side.

    Parameters
    ----------
    graph : TreeGraph
    ground : Ground
    tree : TreePoints, optional
        With the points, height and crown spread include what is thinner than the graph, and
        the diameter at breast height is fitted to the points themselves.
    dbh_height_m : float
        1.3 m, or 1.37 m (4.5 ft) by the custom of the country.

    Raises
    ------
    ScanError
        If breast height was not seen or only thinly.
    """
    base_z = uphill_ground_m(graph, ground)
    extent = _extent_points(graph, tree)
    height = float(extent[:, 2].max() - base_z)
    breast = breast_height(graph, ground, tree, dbh_height_m)
    limbs = limb_rows(graph, base_z)
    spread, cross = crown_spread_m(extent[:, :2])
    crown_base = _crown_base(limbs, height)
    lean, lean_azimuth = lean_deg(graph)
    volume, over = _volumes(graph)
    return TreeMeasures(
        height_m=height,
        dbh_m=breast.diameter_m,
        dbh_sd_m=breast.sd_m,
        dbh_height_m=dbh_height_m,
        stem_diameters_m=_stem_diameters(graph, base_z, dbh_height_m),
        crown_spread_m=spread,
        crown_spread_cross_m=cross,
        crown_base_m=crown_base,
        live_crown_ratio=float(np.clip((height - crown_base) / height, 0.0, 1.0)),
        lean_deg=lean,
        lean_azimuth_deg=lean_azimuth,
        volume_m3=volume,
        volume_over_7cm_m3=over,
        unseen_share=unseen_share(graph),
        stems=breast.stems,
        unions=union_rows(graph, base_z),
        limbs=limbs,
        notes=graph.notes + breast.notes,
    )


def _extent_points(graph: TreeGraph, tree: TreePoints | None) -> Floats:
    """Points that bound the tree: nodes, and scan points not far from any node."""
    if tree is None or not len(tree.xyz):
        return graph.position_m
    from scipy.spatial import cKDTree  # a quarter of a second; a tree file needs none of it

    points = np.asarray(tree.xyz, dtype=np.float64)
    cell = np.unique(np.floor(points / 0.1).astype(np.int64), axis=0, return_index=True)[1]
    points = points[np.sort(cell)]
    near = cKDTree(graph.position_m).query(points, distance_upper_bound=STRAY_M, workers=-1)[0]
    own = np.isfinite(near)
    if not own.any():
        raise ScanError("the points and the skeleton graph lie apart. Give both from one scan.")
    # A shoot too thin for the graph may be longer: it hangs together with what is near.
    edge, rest = points[own & (near > STRAY_M - SHOOT_GAP_M)], points[~own]
    found = [graph.position_m, points[own]]
    while len(edge) and len(rest):
        gap = cKDTree(edge).query(rest, distance_upper_bound=SHOOT_GAP_M, workers=-1)[0]
        edge, rest = rest[np.isfinite(gap)], rest[~np.isfinite(gap)]
        found.append(edge)
    return np.concatenate(found)


def crown_spread_m(plan_m: Floats) -> tuple[float, float]:
    """Longest spread of ``plan_m`` (n, 2) and the spread at right angles to it. [m]"""
    hull = shapely.get_coordinates(shapely.convex_hull(shapely.multipoints(plan_m)))
    step = hull[:, None] - hull[None]
    far = np.hypot(step[..., 0], step[..., 1])
    i, j = np.unravel_index(int(np.argmax(far)), far.shape)
    longest = float(far[i, j])
    if longest < 1e-9:
        return 0.0, 0.0
    across = np.array([-step[i, j, 1], step[i, j, 0]]) / longest
    return longest, float(np.ptp(hull @ across))


def _crown_base(limbs: tuple[LimbRow, ...], height_m: float) -> float:
    """Height of the lowest limb of some size (1 m long or a tenth of the height)."""
    longest = max(min(1.0, 0.1 * height_m), 0.3)
    heights = [row.base_height_m for row in limbs if row.order == 1 and row.length_m >= longest]
    return float(max(min(heights), 0.0)) if heights else height_m


LEADER_RATIO = 0.6
"""A limb this thick beside the stem above its union makes a fork of leaders (trade usage)."""
LEAST_LEAN_LENGTH_M = 1.3


def lean_deg(graph: TreeGraph) -> tuple[float, float]:
    """Lean of the stem, and its azimuth from +y. [deg]

    From the foot to half the stem's height, or to the lowest fork of leaders when that is
    lower (a leader's own slant is not the tree's lean), but over 1.3 m at least.
    """
    nodes = np.flatnonzero(graph.limb == 0)
    stem = graph.position_m[nodes]
    rise = stem[:, 2] - stem[0, 2]
    reach = min(0.5 * float(rise.max()), _lowest_fork_m(graph, nodes, rise))
    reach = min(max(reach, LEAST_LEAN_LENGTH_M), float(rise.max()))
    step = stem[int(np.argmax(rise >= reach))] - stem[0]
    lean = float(np.degrees(np.arctan2(np.hypot(step[0], step[1]), step[2])))
    return lean, float(np.degrees(np.arctan2(step[0], step[1])) % 360.0)


def _lowest_fork_m(graph: TreeGraph, nodes: npt.NDArray[np.intp], rise: Floats) -> float:
    """Height on the stem of its lowest fork of leaders; infinite without one. [m]"""
    starts = np.flatnonzero(graph.starts_limb)
    starts = starts[graph.limb[graph.parent[starts]] == 0]
    above = np.append(nodes[1:], nodes[-1])
    place = np.searchsorted(nodes, graph.parent[starts])
    leader = graph.radius_m[starts] >= LEADER_RATIO * graph.radius_m[above[place]]
    thick = graph.radius_m[starts] >= 0.25 * graph.radius_m[nodes[0]]
    forks = rise[place[leader & thick]]
    return float(forks.min()) if len(forks) else float("inf")


def _stem_diameters(
    graph: TreeGraph, base_z: float, dbh_height_m: float
) -> tuple[tuple[float, float], ...]:
    """Main stem's diameter at breast height and at each whole metre. [m]"""
    stem = np.flatnonzero(graph.limb == 0)
    z = np.maximum.accumulate(graph.position_m[stem, 2] - base_z)
    at = np.sort(np.append(np.arange(1.0, z[-1], 1.0), dbh_height_m))
    at = at[(at >= z[0]) & (at <= z[-1])]
    diameter = np.interp(at, z, 2 * graph.radius_m[stem])
    return tuple((float(h), float(d)) for h, d in zip(at, diameter, strict=True))


def unseen_share(graph: TreeGraph) -> float:
    """Share of the wood's length whose diameter is modelled or bridged, or of unseen rounds."""
    length = graph.edge_length_m
    doubt = (graph.source == MODELLED) | graph.bridged
    doubt |= (graph.source == INTERPOLATED) & (graph.support < 0.1)
    return float(length[doubt].sum() / max(float(length.sum()), 1e-9))


def _volumes(graph: TreeGraph) -> tuple[Band, Band]:
    volume = float(edge_volume_m3(graph).sum())
    sd = total_sd_m3(graph, np.ones(len(graph), dtype=bool))
    over = float(volume_over_m3(graph, MERCHANTABLE_M).sum())
    over_sd = total_sd_m3(graph, share_over(graph, MERCHANTABLE_M) > 0)
    return _band(volume, sd), _band(over, over_sd)


def _band(value: float, sd: float) -> Band:
    return Band(max(value - Z_5_95 * sd, 0.0), value, value + Z_5_95 * sd)
