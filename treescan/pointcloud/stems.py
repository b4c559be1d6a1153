"""Stems: near-upright, near-round things that cross breast height."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from treescan.pointcloud.circles import SECTORS, Circle, circle_about, robust_circle
from treescan.pointcloud.cloud import Float32s, Floats, Ground, PointCloud, StemSeed
from treescan.pointcloud.ground import heights_above
from treescan.pointcloud.uprights import goes_on

SLICE_CENTRES_M = (0.8, 1.05, 1.3, 1.55, 1.8, 2.1, 2.5, 3.0)
SLICE_HALF_M = 0.06
RASTER_M = 0.04
RADIUS_RANGE_M = (0.025, 1.5)
MAX_DRIFT_PER_M = 0.6
"""Lean of a stem that is still followed from slice to slice: 31 degrees."""
BREAST_HEIGHT_M = 1.3
SPARSEST_M = 0.12
"""Point spacing beyond which no stem's round can be told. [m]"""
FEWEST_POINTS = 24
WIDEST_STOOL_M = 4.0
"""Widest clump of points in a slice that is searched for several stems. [m]"""
LEAST_FREE_ROUND = 0.35
"""Share of the round with nothing just outside it that a stem among touching ones must show."""
ROOM_STEP_M = 0.02
BLURRED = 0.25
LEAST_ROUND_BLURRED = 0.8
MOST_INSIDE_BLURRED = 0.18
"""Sway and poor registration blur a thin stem; it must then be seen from nearly all sides, and be
hollow: of points spread evenly over a disc twice as many lie within 0.6 of its radius."""
LEAST_ROUND_TOUCHING = 0.5
"""Share of the round that a stem among touching stems must show."""
SAME_TREE_GAP_M = 0.6
"""Stems whose edges are nearer than this at breast height are one tree. [m]"""
SAME_FOOT_GAP_M = 0.1
"""Stems whose edges come nearer than this below breast height meet there: a straight line through
what is seen from 0.8 m up misses the axis of a grown stem at 0.3 m by 4 cm, 19 of 20 times. [m]"""


@dataclass(frozen=True)
class _Disc:
    height_m: float
    circle: Circle


def find_stems(cloud: PointCloud, ground: Ground) -> tuple[StemSeed, ...]:
    """Stems crossing breast height, thickest evidence first.

    A stem is a chain of circles in at least three slices between 0.8 m and 3 m above the
    ground that agree in place and size.  What ends below 2.7 m (people, bins, short posts) is
    taken only when nothing else is there.

    Returns
    -------
    tuple of StemSeed
        Sorted by the height of the points above them, then by diameter; may be empty.
    """
    xyz = cloud.xyz
    if cloud.spacing_m > SPARSEST_M:
        return ()
    above = heights_above(xyz, ground)
    band = np.flatnonzero((above > 0.5) & (above < 3.3))
    low, low_above = xyz[band], above[band]
    half = max(SLICE_HALF_M, 1.5 * cloud.spacing_m)
    discs: list[_Disc] = []
    for centre in SLICE_CENTRES_M:
        inside = np.abs(low_above - centre) <= half
        discs += _discs(low[inside], centre, cloud.spacing_m)
    chains = _chains(discs)
    stems = [_seed(chain, xyz, above, ground) for chain in chains]
    stems = _without_doubles(stems)
    stems = [stem for stem in stems if goes_on(stem, xyz, above)] or stems
    return tuple(sorted(stems, key=lambda stem: (-round(stem.height_m), -stem.diameter_m)))


def same_tree(stems: tuple[StemSeed, ...]) -> list[list[int]]:
    """Rows of the stems of each tree.

    One tree have stems that stand as close at breast height as stems of one stool, and leaders
    that have parted wider by then but meet in one foot.
    """
    number = list(range(len(stems)))
    for i, one in enumerate(stems):
        for j, two in enumerate(stems[:i]):
            at_breast, least = _gaps_m(one, two)
            if at_breast < SAME_TREE_GAP_M or least < SAME_FOOT_GAP_M:
                old, new = number[i], number[j]
                number = [new if n == old else n for n in number]
    return [[i for i, n in enumerate(number) if n == group] for group in sorted(set(number))]


def _gaps_m(one: StemSeed, two: StemSeed) -> tuple[float, float]:
    """Gap between two stems at breast height, and the least from there to the ground. [m]"""
    wide = 0.5 * (one.diameter_m + two.diameter_m)
    at_breast = float(np.hypot(one.x_m - two.x_m, one.y_m - two.y_m)) - wide
    ground_z = min(one.ground_z_m, two.ground_z_m)
    at = [_axis(stem, ground_z) for stem in (one, two)]
    apart, per_m = at[0][0] - at[1][0], at[0][1] - at[1][1]
    nearest = -float(apart @ per_m) / max(float(per_m @ per_m), 1e-12)
    apart = apart + float(np.clip(nearest, 0.0, BREAST_HEIGHT_M)) * per_m
    return at_breast, float(np.hypot(*apart)) - wide


def _axis(stem: StemSeed, z_m: float) -> tuple[Floats, Floats]:
    """Place of the axis at a height, and how far it goes aside a metre, each (2,). [m]"""
    at_breast = np.array((stem.x_m, stem.y_m))
    per_m = (at_breast - (stem.foot_m or at_breast)) / BREAST_HEIGHT_M
    return at_breast + (z_m - stem.ground_z_m - BREAST_HEIGHT_M) * per_m, per_m


def _discs(points: Float32s, height: float, spacing: float) -> list[_Disc]:
    if len(points) < 8:
        return []
    cell = max(RASTER_M, 2.0 * spacing)
    cells = np.floor((points[:, :2] - points[:, :2].min(axis=0)) / cell).astype(np.int64)
    shape = tuple(cells.max(axis=0) + 1)
    if shape[0] * shape[1] > 60_000_000:
        return []
    raster = np.zeros(shape, dtype=bool)
    raster[cells[:, 0], cells[:, 1]] = True
    labels, _ = ndimage.label(raster, structure=np.ones((3, 3)))
    of_point = labels[cells[:, 0], cells[:, 1]]
    order = np.argsort(of_point, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(of_point[order]) > 0])
    found = []
    for group in np.split(order, starts[1:]):
        if len(group) < 8:
            continue
        together = points[group, :2].astype(np.float64)
        circle = robust_circle(together)
        if circle is not None and _stem_like(circle, spacing):
            found.append(_Disc(height, circle))
        elif len(group) >= FEWEST_POINTS and np.ptp(together, axis=0).max() < WIDEST_STOOL_M:
            found += [_Disc(height, one) for one in _touching(together, spacing)]
    return found


def _touching(xy: Floats, spacing: float) -> list[Circle]:
    """Circles of stems whose skins touch in a slice.

    Stems are opaque: the middle of each is a place that is farther from all points than the
    places around it.
    """
    low = xy.min(axis=0)
    count = np.ceil((xy.max(axis=0) - low) / ROOM_STEP_M).astype(np.int64) + 1
    across, along = np.meshgrid(np.arange(count[0]), np.arange(count[1]), indexing="ij")
    place = low + ROOM_STEP_M * np.stack([across, along], axis=-1)
    room = cKDTree(xy).query(place.reshape(-1, 2))[0].reshape(tuple(count))
    middle = (room == ndimage.maximum_filter(room, size=5)) & (room > RADIUS_RANGE_M[0])
    found: list[Circle] = []
    order = np.argsort(-room[middle])
    for (x, y), free in zip(place[middle][order], room[middle][order], strict=True):
        circle = circle_about(xy, float(x), float(y), float(free))
        if circle is None or not _stem_like(circle, spacing):
            continue
        moved = np.hypot(circle.x_m - x, circle.y_m - y)
        if moved > 0.5 * circle.radius_m or circle.seen_share < LEAST_ROUND_TOUCHING:
            continue
        if circle.points < FEWEST_POINTS or not _stands_out(circle, xy):
            continue
        if not any(_overlap(circle, one) for one in found):
            found.append(circle)
    return found


def _stands_out(circle: Circle, xy: Floats) -> bool:
    """Whether nothing much lies just outside a good part of the round: a stem, no thicket."""
    r = circle.radius_m
    x, y = xy[:, 0] - circle.x_m, xy[:, 1] - circle.y_m
    rest = np.hypot(x, y) - r
    sector = ((np.arctan2(y, x) + np.pi) / (2 * np.pi) * SECTORS).astype(np.int64) % SECTORS
    wide = max(0.015, 0.12 * r)
    on = np.bincount(sector[np.abs(rest) <= wide], minlength=SECTORS)
    out = np.bincount(sector[(rest > wide) & (rest <= 3.0 * wide)], minlength=SECTORS)
    return bool(((on >= 2) & (out <= 0.35 * on)).mean() >= LEAST_FREE_ROUND)


def _overlap(one: Circle, two: Circle) -> bool:
    apart = np.hypot(one.x_m - two.x_m, one.y_m - two.y_m)
    return bool(apart < 0.75 * (one.radius_m + two.radius_m))


def _stem_like(circle: Circle, spacing: float) -> bool:
    low, high = RADIUS_RANGE_M
    if not low <= circle.radius_m <= high:
        return False
    if circle.radius_m < 1.2 * spacing:
        return False
    limit = max(0.015, 0.12 * circle.radius_m, 0.7 * spacing)
    if circle.spread_m <= limit:
        return circle.seen_share >= 0.2 and circle.inside_share <= 0.25
    return (
        circle.spread_m <= BLURRED * circle.radius_m
        and circle.seen_share >= LEAST_ROUND_BLURRED
        and circle.inside_share <= MOST_INSIDE_BLURRED
    )


def _chains(discs: list[_Disc]) -> list[list[_Disc]]:
    """Greedy links from slice to slice; longest and thickest first."""
    chains: list[list[_Disc]] = []
    for disc in sorted(discs, key=lambda d: d.height_m):
        best, best_gap = None, np.inf
        for chain in chains:
            last = chain[-1]
            rise = disc.height_m - last.height_m
            if not 0.0 < rise <= 1.0:
                continue
            shift = np.hypot(disc.circle.x_m - last.circle.x_m, disc.circle.y_m - last.circle.y_m)
            ratio = disc.circle.radius_m / last.circle.radius_m
            allowed = MAX_DRIFT_PER_M * rise + 0.3 * min(disc.circle.radius_m, last.circle.radius_m)
            if shift <= allowed and 0.5 < ratio < 1.6 and shift < best_gap:
                best, best_gap = chain, shift
        if best is None:
            chains.append([disc])
        else:
            best.append(disc)
    return [
        chain
        for chain in chains
        if len(chain) >= 3
        and sum(disc.circle.points for disc in chain) >= FEWEST_POINTS
        and _spans_breast_height(chain)
    ]


def _spans_breast_height(chain: list[_Disc]) -> bool:
    heights = [disc.height_m for disc in chain]
    return min(heights) <= 1.6 and max(heights) >= 1.25


def _seed(chain: list[_Disc], xyz: Float32s, above: Floats, ground: Ground) -> StemSeed:
    heights = np.array([disc.height_m for disc in chain])
    x = np.array([disc.circle.x_m for disc in chain])
    y = np.array([disc.circle.y_m for disc in chain])
    radius = np.array([disc.circle.radius_m for disc in chain])
    near = int(np.argmin(np.abs(heights - BREAST_HEIGHT_M)))
    at_x = float(np.interp(BREAST_HEIGHT_M, heights, x))
    at_y = float(np.interp(BREAST_HEIGHT_M, heights, y))
    diameter = 2.0 * float(np.median(radius[max(0, near - 1) : near + 2]))
    column = np.hypot(xyz[:, 0] - at_x, xyz[:, 1] - at_y) < max(1.0, 2.0 * diameter)
    top = float(np.percentile(above[column], 99.5)) if column.any() else 0.0
    return StemSeed(
        x_m=at_x,
        y_m=at_y,
        ground_z_m=float(ground.height(at_x, at_y)),
        diameter_m=diameter,
        points=sum(disc.circle.points for disc in chain),
        height_m=top,
        foot_m=(_at_ground(heights, x, at_x), _at_ground(heights, y, at_y)),
    )


def _at_ground(heights: Floats, values: Floats, at_breast: float) -> float:
    """Place of the axis at the ground: the line through the low discs, through breast height."""
    low = heights <= 2.2
    slope = 0.0
    if low.sum() >= 3 and np.ptp(heights[low]) >= 0.45:
        slope = float(np.polyfit(heights[low], values[low], 1)[0])
    return at_breast - float(np.clip(slope, -0.7, 0.7)) * BREAST_HEIGHT_M


def _without_doubles(stems: list[StemSeed]) -> list[StemSeed]:
    kept: list[StemSeed] = []
    for stem in sorted(stems, key=lambda s: -s.points):
        clash = any(
            np.hypot(stem.x_m - other.x_m, stem.y_m - other.y_m)
            < 0.55 * max(stem.diameter_m, other.diameter_m)
            for other in kept
        )
        if not clash:
            kept.append(stem)
    return kept
