"""Wires: thin level chains of points that sag like a hanging line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.spatial import cKDTree

from treescan.pointcloud.cloud import Float32s, Floats, Ints
from treescan.pointcloud.growth import CellGraph, cells, grow, path_cost, reached_through
from treescan.pointcloud.planes import local_shape

LOWEST_M = 2.5
"""Nothing lower is taken for a wire. [m]"""
SHORTEST_M = 4.0
COARSE_M = 0.2
"""Side of the cells in which chains are looked for. [m]"""
SIDE_M = 0.10
"""A point of a wire is at most this far off its line in plan, and off its sag in height. [m]"""
MOST_WIRES = 12
STEEPEST = 0.3
"""Rise over run of a span from end to end; limbs rise more."""
LONG_M = 8.0
STEEPEST_LONG = 0.6
"""The same for a span that long: a service drop may be steep. Of the limbs of 80 grown trees, two
in line among them, none that hung free enough ran straight for more than 6 m."""
DEEPEST = 0.06
"""Sag over span, beyond 0.2 m."""
MOST_MISSES = 6
TRIALS = 400
FREE_SHARE = 0.4
"""Share of a wire's length with nothing else within 0.6 m."""
MOST_THROUGH = 0.25
"""Share of a tree that may be reached through the middle of a wire."""
END_M = 0.75
"""Nearer to its end than this a wire may be fixed to a stem or a post. [m]"""


Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Wire:
    """One span.

    Attributes
    ----------
    path_m : ndarray, shape (k, 3)
        Along the wire, local frame. [m]
    sag_m : float
        Depth below the chord at mid-span. [m]
    seen_share : float
        Share of the half-metre pieces of the span that hold points, 0..1.
    cells : ndarray, shape (n,), int64
        Rows of the input that lie on it.
    """

    path_m: Floats
    sag_m: float
    seen_share: float
    cells: Ints


def find_wires(centre_m: Float32s, above_m: Floats, cell_m: float) -> list[Wire]:
    """Spans of wire among cells of a scan, longest first found.

    Parameters
    ----------
    centre_m : ndarray, shape (m, 3)
    above_m : ndarray, shape (m,)
        Height above ground. [m]
    cell_m : float

    Notes
    -----
    Cells with few neighbours, all on a near-level line, are candidates.  Pairs of them give a
    vertical plane; a parabola (a catenary with small sag) through the points of the plane must
    hold points over most of its length.
    """
    high = centre_m[above_m > LOWEST_M]
    if len(high) < 12:
        return []
    size = max(COARSE_M, 2.0 * cell_m)
    coarse = cells(high, size)[1]
    rows = _thin_level_cells(coarse, size)
    rng = np.random.default_rng(0)
    wires: list[Wire] = []
    misses = 0
    while len(rows) * size > 0.4 * SHORTEST_M and len(wires) < MOST_WIRES and misses < MOST_MISSES:
        points = coarse[rows].astype(np.float64)
        on = _best_line(points, size, rng)
        if on is None:
            break
        wire = _span(points[on])
        rest = np.ones(len(rows), dtype=bool)
        rest[on] = False
        rows = rows[rest]
        if wire is not None:
            wires.append(wire)
        misses = 0 if wire is not None else misses + 1
    return [_with_all_cells(wire, centre_m, cell_m) for wire in wires]


def hanging_wires(
    graph: CellGraph, above_m: Floats, keep: Bools, trunk: Ints, owner: Ints
) -> Bools:
    """Cells of wires; a chain that nowhere hangs free could be a limb and is left alone.

    Two limbs in line on either side of a stem look like a wire too, but a wire ends at a stem or
    a post or passes it: where much of a tree is reached through the middle of a chain, the stem
    runs through it.

    Parameters
    ----------
    graph : CellGraph
    above_m : ndarray, shape (m,)
        Height above ground. [m]
    keep : ndarray, shape (m,), bool
        Cells that a tree may have.
    trunk, owner : ndarray, shape (k,), int64
        Cells of stems at breast height and the tree of each.
    """
    result = np.zeros(len(above_m), dtype=bool)
    hanging = []
    for wire in find_wires(graph.centre_m, above_m, graph.cell_m):
        others = np.ones(len(above_m), dtype=bool)
        others[wire.cells] = False
        rows = np.flatnonzero(others & (above_m > LOWEST_M - 1.0))
        if not len(rows):
            continue
        fine = densified(wire.path_m, 0.2)
        distance, _ = cKDTree(graph.centre_m[rows], balanced_tree=False).query(
            fine, distance_upper_bound=0.6, workers=-1
        )
        if np.isinf(distance).mean() > FREE_SHARE:
            hanging.append(wire)
    if not hanging:
        return result
    through = _borne_through(graph, keep, trunk, owner, hanging)
    for wire, share in zip(hanging, through, strict=True):
        if share <= MOST_THROUGH:
            result[wire.cells] = True
    return result


def _borne_through(
    graph: CellGraph, keep: Bools, trunk: Ints, owner: Ints, chains: list[Wire]
) -> Floats:
    """Largest share of a tree's cells that is reached through the middle of each chain."""
    share = np.zeros(len(chains))
    if not len(trunk):
        return share
    cost = path_cost(graph.length_m, graph.cell_m)
    reached, root, before = grow(graph.matrix(cost, keep), trunk)
    order = np.argsort(reached)
    traffic = reached_through(order[np.isfinite(reached[order])], before)
    of_cell = np.full(len(keep), -1, dtype=np.int64)
    of_cell[trunk] = owner
    tree = np.where(root >= 0, of_cell[root], -1)
    whole = np.bincount(tree[tree >= 0], minlength=owner.max() + 1)
    for number, chain in enumerate(chains):
        about = np.zeros(len(keep), dtype=bool)
        about[chain.cells] = True
        touched = about[graph.edges].any(axis=1)
        about[graph.edges[touched]] = True
        about &= tree >= 0
        enters = np.flatnonzero(about & ((before < 0) | ~about[np.maximum(before, 0)]))
        ends = chain.path_m[[0, -1]]
        off = np.linalg.norm(graph.centre_m[enters][:, None] - ends, axis=2).min(axis=1)
        enters = enters[off > END_M]
        borne = np.bincount(tree[enters], weights=traffic[enters], minlength=len(whole))
        share[number] = float(np.max(borne / np.maximum(whole, 1)))
    return share


def _thin_level_cells(coarse: Float32s, size: float) -> Ints:
    reach = 3.0 * size
    tree = cKDTree(coarse, balanced_tree=False, compact_nodes=False)
    most = min(14, len(coarse))
    distance, other = tree.query(coarse, k=most, distance_upper_bound=reach, workers=-1)
    near = np.isfinite(distance).sum(axis=1)
    rows = np.flatnonzero((near >= 4) & (near < most))
    if len(rows) < 8:
        return np.empty(0, dtype=np.int64)
    values, vectors = local_shape(coarse, other[rows])
    thin = np.sqrt(np.maximum(values[:, 1], 0.0)) < 0.16 * np.sqrt(np.maximum(values[:, 2], 1e-12))
    long = np.sqrt(np.maximum(values[:, 2], 0.0)) > 0.3 * reach
    level = np.abs(vectors[:, 2, 2]) < 0.6
    return np.asarray(rows[thin & long & level], dtype=np.int64)


def _best_line(points: Floats, size: float, rng: np.random.Generator) -> Ints | None:
    """Rows on the best plan line with a parabola over it, or None."""
    pairs = rng.integers(0, len(points), size=(TRIALS, 2))
    counts = _on_plan_lines(points, pairs, SIDE_M)
    best = np.empty(0, dtype=np.int64)
    for k in np.argsort(-counts)[:8]:
        start = points[pairs[k, 0], :2]
        unit = points[pairs[k, 1], :2] - start
        unit /= max(float(np.linalg.norm(unit)), 1e-9)
        offset = points[:, :2] - start
        near = np.flatnonzero(np.abs(offset[:, 0] * unit[1] - offset[:, 1] * unit[0]) < SIDE_M)
        if len(near) < 6:
            continue
        triples = rng.integers(0, len(near), size=(80, 3))
        on = _on_parabola(offset[near] @ unit, points[near, 2], triples, SIDE_M)
        if on.sum() > len(best):
            best = near[on]
    return best if len(best) >= max(8, 0.4 * SHORTEST_M / size) else None


@njit(cache=True)
def _on_plan_lines(points: Any, pairs: Any, side: float) -> Any:
    """Points near the line through each pair, seen from above; pairs under 1 m apart get none."""
    counts = np.zeros(pairs.shape[0], dtype=np.int64)
    for k in range(pairs.shape[0]):
        x, y = points[pairs[k, 0], 0], points[pairs[k, 0], 1]
        ux, uy = points[pairs[k, 1], 0] - x, points[pairs[k, 1], 1] - y
        length = np.hypot(ux, uy)
        if length < 1.0:
            continue
        ux, uy = ux / length, uy / length
        for i in range(points.shape[0]):
            if abs((points[i, 0] - x) * uy - (points[i, 1] - y) * ux) < side:
                counts[k] += 1
    return counts


@njit(cache=True)
def _on_parabola(along: Any, height: Any, triples: Any, side: float) -> Any:
    """Points near the best sagging parabola through three of them."""
    best = np.zeros(along.size, dtype=np.bool_)
    best_count = 0
    span = along.max() - along.min()
    for k in range(triples.shape[0]):
        p, q, r = along[triples[k, 0]], along[triples[k, 1]], along[triples[k, 2]]
        if abs(p - q) < 0.3 or abs(q - r) < 0.3 or abs(p - r) < 0.3:
            continue
        zp, zq, zr = height[triples[k, 0]], height[triples[k, 1]], height[triples[k, 2]]
        slope = (zq - zp) / (q - p)
        bend = ((zr - zp) / (r - p) - slope) / (r - q)
        if bend < -0.02 or bend > 0.5 or bend * span**2 / 4.0 > 0.2 * span + 0.3:
            continue
        on = np.abs(zp + slope * (along - p) + bend * (along - p) * (along - q) - height) < side
        count = on.sum()
        if count > best_count:
            best, best_count = on, count
    return best


def _span(points: Floats) -> Wire | None:
    middle = points[:, :2].mean(axis=0)
    _, _, axes = np.linalg.svd(points[:, :2] - middle, full_matrices=False)
    along = (points[:, :2] - middle) @ axes[0]
    low, high = (float(v) for v in np.percentile(along, [0.5, 99.5]))
    if high - low < SHORTEST_M:
        return None
    bins = np.unique(((along - low) / 0.5).astype(np.int64))
    share = len(bins) / max(1, int(np.ceil((high - low) / 0.5)))
    if share < 0.45:
        return None
    curve = np.polyfit(along, points[:, 2], 2)
    rise = abs(float(np.polyval(curve, high) - np.polyval(curve, low)))
    deep = float(curve[0]) * (high - low) ** 2 / 4.0
    steepest = STEEPEST if high - low < LONG_M else STEEPEST_LONG
    if rise > steepest * (high - low) or deep > 0.2 + DEEPEST * (high - low):
        return None
    at = np.linspace(low, high, max(3, int((high - low) / 2.0) + 2))
    path = np.column_stack((middle + at[:, None] * axes[0], np.polyval(curve, at)))
    sag = float(curve[0] * (high - low) ** 2 / 4.0)
    return Wire(path, max(sag, 0.0), min(share, 1.0), np.empty(0, dtype=np.int64))


def _with_all_cells(wire: Wire, centre_m: Float32s, cell_m: float) -> Wire:
    """All cells within a hand's breadth of the span."""
    fine = densified(wire.path_m, 0.1)
    reach = max(0.12, 1.5 * cell_m)
    low, high = fine.min(axis=0) - reach, fine.max(axis=0) + reach
    rows = np.flatnonzero(np.all((centre_m >= low) & (centre_m <= high), axis=1))
    distance, _ = cKDTree(fine).query(centre_m[rows], distance_upper_bound=reach, workers=-1)
    return Wire(wire.path_m, wire.sag_m, wire.seen_share, rows[np.isfinite(distance)])


def densified(path_m: npt.NDArray[np.float64], step_m: float) -> Floats:
    """Points (k, 3) along a polyline ``path_m`` (j, 3), at most a step apart. [m]"""
    lengths = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(path_m, axis=0), axis=1))]
    at = np.linspace(0.0, lengths[-1], max(2, int(np.ceil(lengths[-1] / step_m)) + 1))
    result: Floats = np.column_stack([np.interp(at, lengths, path_m[:, k]) for k in range(3)])
    return result
