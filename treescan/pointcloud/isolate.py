"""The points of the one tree to be removed, out of everything else in the scan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from treescan.errors import ScanError
from treescan.pointcloud.borders import Forest, first_on_way, settled
from treescan.pointcloud.cloud import Floats, Ground, Ints, PointCloud, StemSeed, TreePoints
from treescan.pointcloud.ground import heights_above
from treescan.pointcloud.growth import CellGraph, cell_graph, grow, grow_along_wood, path_cost
from treescan.pointcloud.stems import SAME_TREE_GAP_M, find_stems, same_tree
from treescan.pointcloud.structure_cells import structure_cells
from treescan.pointcloud.surface import stem_surface
from treescan.pointcloud.tops import tree_tops
from treescan.pointcloud.unseen import what_was_unseen
from treescan.pointcloud.uprights import is_bare
from treescan.pointcloud.wires import hanging_wires

Bools = npt.NDArray[np.bool_]

GROUND_SKIN_M = 0.06
"""Points this near the ground surface are ground. [m]"""
LOW_GROWTH_M = 3.0
"""Shrubs, hedges, people and cars stand below this. [m]"""
BESIDE_M = 4.0
"""How deep along the wood the border with another tree is judged anew. [m]"""
STANDING_M = 15.0
"""The same for what stands on the ground with no stem found: it may be a whole tree. [m]"""
FOOT_M = 0.3
"""What reaches down to here stands on the ground. [m]"""
DOUBTED_WIDTH_M = 30.0
DOUBTED_WIDTH = 1.5
"""A crown wider than this and so many times its height is doubted."""
SAID_SHARE = 0.005
DOUBTED_LOSS = 0.1
"""Share lost to things whose stems were not found from which on that is a warning."""
MIN_TREE_POINTS = 500
POST_HANDICAP_M = 1.5
"""A post must be nearer to near_m than a tree by this. [m]"""
POST_WEIGHT = 1e-3
LONE_NEIGHBOURS = 3
LONE_CELLS = 4.0
"""A thin cell is a stray when its third nearest neighbour is farther off than so many cells."""


@dataclass(frozen=True)
class _Growth:
    graph: CellGraph
    above: Floats
    cost: Floats
    before: Ints
    stem: Ints
    foreign: Bools
    low: Bools


def isolate_tree(
    cloud: PointCloud,
    ground: Ground,
    *,
    near_m: tuple[float, float] | None = None,
    stems: tuple[StemSeed, ...] | None = None,
    progress: Callable[[float], None] | None = None,
) -> TreePoints:
    """Points of one tree: the one nearest ``near_m``, else the largest.

    Every cell of the scan goes to the stem it is nearest to along the wood; flat building
    parts, the ground, and low growth that stands on the ground by itself are left out.

    Parameters
    ----------
    cloud : PointCloud
    ground : Ground
    near_m : tuple of float, optional
        Plan point near the stem, local frame. [m]
    stems : tuple of StemSeed, optional
        As found before; found here otherwise.
    progress : callable, optional
        Told the share done, 0..1.

    Raises
    ------
    ScanError
        When no tree is there, or none within 10 m of ``near_m``.
    """
    tell = progress or (lambda share: None)
    xyz = cloud.xyz
    found = find_stems(cloud, ground) if stems is None else stems
    tell(0.1)
    above = heights_above(xyz, ground)
    standing = np.flatnonzero(above > GROUND_SKIN_M)
    if len(standing) < MIN_TREE_POINTS:
        raise ScanError(
            f"{cloud.source_name or 'the scan'}: only {len(standing)} points stand above the "
            "ground; a tree needs more: check the up axis and units, or scan closer"
        )
    cell = max(0.05, 2.5 * cloud.spacing_m)
    graph = cell_graph(xyz[standing], cell, reach_m=max(0.6, 6.0 * cell))
    tell(0.4)
    growth, trees, found = _grown(graph, above[standing], found)
    tell(0.8)
    chosen, why = _choice(growth, trees, found, near_m)
    if trees and found[trees[chosen][0]].diameter_m > 0:
        growth, said = _settled(growth, trees[chosen], found)
        why += said
    mine = np.isin(growth.stem, trees[chosen]) & ~growth.foreign if trees else ~growth.foreign
    cells = _whole(growth, mine, trees)
    lone = _lone_cells(graph, cells)
    index = standing[(cells & ~lone)[graph.cell_of_point]]
    if len(index) < MIN_TREE_POINTS:
        raise ScanError(
            f"{cloud.source_name or 'the scan'}: the tree chosen has only {len(index)} points; "
            "give near_m at another stem, or scan closer"
        )
    tell(1.0)
    ordered = _ordered(found, trees, chosen)
    own = len(trees[chosen]) if trees else 0
    base = _base(xyz[index], ordered, ground, own)
    own_stems = tuple(stem for stem in ordered[:own] if stem.diameter_m > 0)
    unseen = what_was_unseen(xyz[index], base, own_stems, ground, _ceiling_m(above[standing]))
    return TreePoints(
        xyz=xyz[index],
        base_m=base,
        stems=ordered,
        index=index,
        unseen_share=unseen.stem_share,
        notes=(
            *why,
            *_too_wide(xyz[index]),
            *_left_out(growth, cells, trees),
            *_dropped(int(lone[graph.cell_of_point].sum())),
            *(stem_surface(xyz[index], own_stems[0]).sentences() if own_stems else ()),
            *unseen.sentences,
        ),
        own_stems=own,
        unseen=unseen,
    )


def _ceiling_m(above: Floats) -> float:
    """Height that all points but a few strays stay below. [m]"""
    return float(np.percentile(above[:: max(1, len(above) // 500_000)], 99.99))


def _grown(
    graph: CellGraph, point_above: Floats, stems: tuple[StemSeed, ...]
) -> tuple[_Growth, list[list[int]], tuple[StemSeed, ...]]:
    """Growth over the graph, the stems of each tree, and the stems or else the tree tops."""
    above = _mean_above(graph, point_above)
    foreign = structure_cells(graph.centre_m, graph.cell_m, graph.near)
    cost_of_edge = path_cost(graph.length_m, graph.cell_m)
    trunk, owner = _stem_cells(graph, above, stems)
    foreign |= hanging_wires(graph, above, ~foreign, trunk, _tree_of(stems)[owner])
    by_tops = not stems
    if by_tops:
        stems = tree_tops(graph.centre_m[~foreign], above[~foreign])
        if len(stems) < 2:
            whole = np.zeros(len(above), dtype=np.int64)
            none = np.zeros(len(above), dtype=bool)
            return (
                _Growth(graph, above, np.zeros(len(above)), whole - 1, whole, foreign, none),
                [],
                (),
            )
    sources, owner = (_top_cells if by_tops else _stem_cells)(graph, above, stems)
    near_stem = np.zeros(len(above), dtype=bool)
    near_stem[sources] = True
    foreign &= ~near_stem
    cost, nearest, before = grow_along_wood(graph, cost_of_edge, ~foreign, sources)
    of_node = np.full(len(above), -1, dtype=np.int64)
    of_node[sources] = owner
    stem = np.where(nearest >= 0, of_node[np.maximum(nearest, 0)], -1)
    low = _low_growth(graph, above, cost, stems) & ~foreign
    ground_cost, ground_before, _ = _from_ground(graph, above, low)
    cost, before = np.where(low, ground_cost, cost), np.where(low, ground_before, before)
    growth = _Growth(graph, above, cost, before, stem, foreign | low, low)
    return growth, [[k] for k in range(len(stems))] if by_tops else same_tree(stems), stems


def _settled(
    growth: _Growth, own: list[int], stems: tuple[StemSeed, ...]
) -> tuple[_Growth, list[str]]:
    """Cells near the tree's border given to the side they grow on, and what to say of it."""
    mine = np.isin(growth.stem, own) & ~growth.foreign
    beside = (growth.stem >= 0) & ~mine & ~growth.foreign
    graph = growth.graph
    forest = Forest(growth.cost, growth.before)
    edge_cost = path_cost(graph.length_m, graph.cell_m)
    taker = settled(graph, edge_cost, forest, mine, beside, BESIDE_M)
    between = taker != np.arange(len(taker))
    stays = mine & ~between
    low = growth.low & _apart_from(growth, [stems[k] for k in own])
    from_ground = settled(graph, edge_cost, forest, stays, low, STANDING_M)
    taker = np.where(between, taker, from_ground)
    after = replace(
        growth, stem=growth.stem[taker], foreign=growth.foreign[taker], low=growth.low[taker]
    )
    said = []
    share = float(between.sum() / max(mine.sum(), 1))
    if share >= SAID_SHARE:
        said.append(
            f"the crown touches its neighbours: limbs of {share:.1%} of its size were told apart "
            "by the way they branch; look in the picture for limbs that are not its own"
        )
    lost = float((stays & (from_ground != np.arange(len(mine)))).sum() / max(mine.sum(), 1))
    if lost >= DOUBTED_LOSS:
        said.append(
            f"WARNING: {lost:.0%} of what hangs together with the tree was given to things that "
            "stand on the ground beside it and whose stems were not found. Look in the picture "
            "whether the tree is whole and alone; else crop the scan to it, or scan closer."
        )
    return after, said


def _apart_from(growth: _Growth, stems: list[StemSeed]) -> Bools:
    """Cells whose way begins farther from the stems than stems of one stool stand."""
    first = first_on_way(growth.before)
    xy = growth.graph.centre_m[first, :2]
    result = np.ones(len(first), dtype=bool)
    for stem in stems:
        for x, y in ((stem.x_m, stem.y_m), stem.foot_m or (stem.x_m, stem.y_m)):
            gap = np.hypot(xy[:, 0] - x, xy[:, 1] - y) - 0.5 * stem.diameter_m
            result &= gap > SAME_TREE_GAP_M
    return result


def _mean_above(graph: CellGraph, above: Floats) -> Floats:
    size = len(graph.centre_m)
    total = np.bincount(graph.cell_of_point, weights=above, minlength=size)
    mean: Floats = total / np.bincount(graph.cell_of_point, minlength=size)
    return mean


def _stem_cells(graph: CellGraph, above: Floats, stems: tuple[StemSeed, ...]) -> tuple[Ints, Ints]:
    """Cells of each stem around breast height: the sources of growth."""
    nodes, owners = [], []
    band = np.flatnonzero((above > 0.7) & (above < 1.9))
    for number, stem in enumerate(stems):
        away = np.hypot(graph.centre_m[band, 0] - stem.x_m, graph.centre_m[band, 1] - stem.y_m)
        reach = 0.5 * stem.diameter_m * 1.15 + 1.2 * graph.cell_m
        own = band[(away < reach) & (np.abs(above[band] - 1.3) < 0.25)]
        if not len(own):
            own = band[np.argsort(away)[:3]] if len(band) else np.empty(0, dtype=np.int64)
        nodes.append(own)
        owners.append(np.full(len(own), number))
    if not nodes:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    all_nodes, first = np.unique(np.concatenate(nodes), return_index=True)
    return all_nodes, np.concatenate(owners)[first]


def _top_cells(graph: CellGraph, above: Floats, tops: tuple[StemSeed, ...]) -> tuple[Ints, Ints]:
    """Cells of the upper part of each crown: the sources of growth where no stem was seen."""
    centres = np.array([(top.x_m, top.y_m) for top in tops])
    distance, nearest = cKDTree(centres).query(graph.centre_m[:, :2])
    height = np.array([top.height_m for top in tops])[nearest]
    nodes = np.flatnonzero((distance < 2.0) & (above > 0.75 * height))
    return nodes, nearest[nodes].astype(np.int64)


def _low_growth(
    graph: CellGraph, above: Floats, cost: Floats, stems: tuple[StemSeed, ...]
) -> Bools:
    """Low cells that stand on the ground by themselves rather than hang from a stem."""
    low = above < LOW_GROWTH_M
    for stem in stems:
        away = np.hypot(graph.centre_m[:, 0] - stem.x_m, graph.centre_m[:, 1] - stem.y_m)
        low &= away > 0.75 * stem.diameter_m + 0.25 + 0.25 * np.abs(above - 1.3)
    if not low.any():
        return low
    from_ground, _, links = _from_ground(graph, above, low)
    _, label = connected_components(links, directed=False)
    feet = np.zeros(label.max() + 1, dtype=bool)
    feet[label[low & (above < FOOT_M)]] = True
    return low & feet[label] & (from_ground < cost)


def _from_ground(graph: CellGraph, above: Floats, low: Bools) -> tuple[Floats, Ints, csr_matrix]:
    """Cost from the ground through low cells, the cell before each, and the links between them."""
    inside = low[graph.edges[:, 0]] & low[graph.edges[:, 1]] & (graph.length_m < 2.5 * graph.cell_m)
    cut = replace(graph, edges=graph.edges[inside], length_m=graph.length_m[inside])
    links = cut.matrix(path_cost(cut.length_m, graph.cell_m))
    feet = np.flatnonzero(low & (above < FOOT_M))
    if not len(feet):
        size = len(above)
        return np.full(size, np.inf), np.full(size, -1, dtype=np.int64), links
    cost, _, before = grow(links, feet)
    return cost, before, links


def _tree_of(stems: tuple[StemSeed, ...]) -> Ints:
    """Number of each stem's tree."""
    number = np.zeros(len(stems), dtype=np.int64)
    for tree, own in enumerate(same_tree(stems)):
        number[own] = tree
    return number


def _choice(
    growth: _Growth,
    trees: list[list[int]],
    stems: tuple[StemSeed, ...],
    near_m: tuple[float, float] | None,
) -> tuple[int, list[str]]:
    good = (growth.stem >= 0) & ~growth.foreign
    if not trees:
        rows = ~growth.foreign
        if is_bare(growth.graph.centre_m[rows], growth.above[rows]):
            raise ScanError(
                "what stands in the scan has no crown and no stem that could be measured: it looks "
                "like a post or a wall; give a scan of the tree, or scan closer"
            )
        return 0, ["no stem crosses breast height: everything that stands is taken as the tree"]
    bare = [_is_post(growth, tree, stems) for tree in trees]
    if near_m is not None:
        away = [
            min(np.hypot(stems[k].x_m - near_m[0], stems[k].y_m - near_m[1]) for k in tree)
            for tree in trees
        ]
        chosen = int(np.argmin(np.array(away) + POST_HANDICAP_M * np.array(bare)))
        if away[chosen] > 10.0:
            raise ScanError(
                f"no stem within 10 m of near_m (the nearest is {away[chosen]:.1f} m off); "
                "check near_m and that it is in scan coordinates"
            )
        why = [f"the tree {away[chosen]:.1f} m from near_m was taken", *_no_stem(stems)]
        return chosen, [*why, *_no_crown(bare, chosen)]
    sizes = np.bincount(growth.stem[good], minlength=len(stems))
    tops = np.zeros(len(stems))
    np.maximum.at(tops, growth.stem[good], growth.above[good])
    score = [float(sizes[tree].sum() * max(tops[k] for k in tree)) for tree in trees]
    score = [
        value * (POST_WEIGHT if post else 1.0) for value, post in zip(score, bare, strict=True)
    ]
    chosen = int(np.argmax(score))
    if len(trees) == 1:
        return 0, ["one tree was found and taken", *_no_crown(bare, 0)]
    return chosen, [
        f"the largest of {len(trees)} trees found was taken; near_m chooses another",
        *_no_stem(stems),
        *_no_crown(bare, chosen),
    ]


def _is_post(growth: _Growth, tree: list[int], stems: tuple[StemSeed, ...]) -> bool:
    """Whether a single stem has no crown; stems that stand together are never posts."""
    if len(tree) > 1 or stems[tree[0]].diameter_m == 0:
        return False
    own = (growth.stem == tree[0]) & ~growth.foreign
    return is_bare(growth.graph.centre_m[own], growth.above[own], stems[tree[0]])


def _no_crown(bare: list[bool], chosen: int) -> list[str]:
    said = []
    if bare[chosen]:
        said.append(
            "WARNING: what was taken has no crown. Check that it is the tree, stripped of its "
            "limbs, and not a post."
        )
    others = sum(bare) - bare[chosen]
    if others:
        said.append(f"{others} upright things without a crown were taken for posts")
    return said


def _no_stem(stems: tuple[StemSeed, ...]) -> list[str]:
    if any(stem.diameter_m > 0 for stem in stems):
        return []
    return ["no stem was seen at breast height: trees were told apart by their tops alone"]


def _whole(growth: _Growth, mine: Bools, trees: list[list[int]]) -> Bools:
    """Add islands that nothing else claims when they hang over or beside the tree."""
    if not trees:
        return mine
    lost = (growth.stem < 0) & ~growth.foreign
    if not lost.any() or not mine.any():
        return mine
    claimed = np.flatnonzero((growth.stem >= 0) & ~growth.foreign)
    tree = cKDTree(growth.graph.centre_m[claimed])
    rows = np.flatnonzero(lost)
    distance, nearest = tree.query(growth.graph.centre_m[rows], workers=-1)
    near_mine = mine[claimed[np.minimum(nearest, len(claimed) - 1)]]
    result = mine.copy()
    result[rows] = near_mine & (distance < 1.5) & (growth.above[rows] > 1.0)
    return result


def _lone_cells(graph: CellGraph, cells: Bools) -> Bools:
    """Cells of the tree that hold one or two points far from all others: strays of split beams."""
    result = np.zeros(len(cells), dtype=bool)
    few = np.bincount(graph.cell_of_point, minlength=len(cells)) <= 2
    rows = np.flatnonzero(cells & few)
    own = np.flatnonzero(cells)
    if not len(rows) or len(own) <= LONE_NEIGHBOURS:
        return result
    distance, _ = cKDTree(graph.centre_m[own], balanced_tree=False).query(
        graph.centre_m[rows], k=LONE_NEIGHBOURS + 1, workers=-1
    )
    result[rows] = distance[:, -1] > LONE_CELLS * graph.cell_m
    return result


def _too_wide(xyz: npt.NDArray[np.float32]) -> list[str]:
    low, high = np.percentile(xyz, [0.5, 99.5], axis=0)
    wide, tall = float(np.hypot(*(high - low)[:2])), float(high[2] - low[2])
    if wide < DOUBTED_WIDTH_M or wide < DOUBTED_WIDTH * tall:
        return []
    return [
        f"WARNING: what was taken is {wide:.0f} m wide and {tall:.0f} m high: it may be several "
        "trees whose stems were not seen. Crop the scan to the tree, or scan closer; do not use "
        "its weight before that."
    ]


def _dropped(points: int) -> list[str]:
    return [f"{points:,} isolated points in the crown were dropped"] if points else []


def _ordered(
    stems: tuple[StemSeed, ...], trees: list[list[int]], chosen: int
) -> tuple[StemSeed, ...]:
    if not trees:
        return ()
    own = sorted(trees[chosen], key=lambda k: -stems[k].diameter_m)
    rest = [k for k in range(len(stems)) if k not in set(own)]
    return tuple(stems[k] for k in [*own, *rest])


def _base(
    xyz: npt.NDArray[np.float32], stems: tuple[StemSeed, ...], ground: Ground, own: int
) -> Floats:
    if stems and own:
        weight = np.array([max(stem.diameter_m, 0.01) ** 2 for stem in stems[:own]])
        feet = [stem.foot_m or (stem.x_m, stem.y_m) for stem in stems[:own]]
        x, y = (float(v) for v in np.average(np.array(feet), axis=0, weights=weight))
    else:
        above = xyz[:, 2] - ground.height(xyz[:, 0], xyz[:, 1])
        foot = xyz[above <= np.percentile(above, 2) + 0.3]
        x, y = (float(v) for v in np.median(foot[:, :2], axis=0))
    return np.array([x, y, float(ground.height(x, y))])


def _left_out(growth: _Growth, cells: Bools, trees: list[list[int]]) -> list[str]:
    share = float(growth.foreign.mean())
    notes = []
    if share > 0.01:
        notes.append(
            f"{share:.0%} of what stands was left out as flat building parts or low growth"
        )
    others = float(((growth.stem >= 0) & ~cells & ~growth.foreign).mean())
    if len(trees) > 1 and others > 0:
        notes.append(f"{others:.0%} of what stands went to other trees")
    return notes
