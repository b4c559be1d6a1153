"""The skeleton over the scan's points, for a person to judge: side and top, source and misfit.

Misfit is how far the points beside a limb lie from the skin that the skeleton gives it: where it
is large, the limb is not where it was drawn, not as thick, or hidden in leaves.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.cm import ScalarMappable
from matplotlib.collections import PolyCollection
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from scipy.spatial import cKDTree

from treescan.planning.types import JobResult
from treescan.report.frames import uphill_ground_m
from treescan.report.sketch import side_view, wood_quads
from treescan.skeleton.graph import SOURCE_NAMES, TreeGraph
from treescan.units import FOOT_M, INCH_M, UnitSystem

Floats = npt.NDArray[np.float64]
Colours = npt.NDArray[np.str_] | Floats

SOURCE_COLOURS = ("#0072B2", "#E69F00", "#D55E00")
SOURCE_WORDS = {
    "fitted": "fitted to points",
    "interpolated": "between fitted rings",
    "modelled": "modelled, not seen",
}
BRIDGED_COLOUR = "#000000"
UNKNOWN_COLOUR = "#B9B9B9"
MISFIT_CEILING_M = 0.03
"""Misfit at and beyond which the colour no longer changes. [m]"""
BESIDE_M = 0.10
"""Points farther than this outside a limb's skin are not its own. [m]"""
MOST_POINTS = 60_000
FEWEST_POINTS = 5


def node_misfit_m(graph: TreeGraph, xyz: npt.ArrayLike) -> Floats:
    """Median distance of the points beside each node's edge from its skin, shape (n,). [m]

    Parameters
    ----------
    xyz : array_like, shape (p, 3)
        Points of the tree. [m]

    Returns
    -------
    ndarray
        NaN where fewer than five points lie beside the edge.
    """
    points = np.asarray(xyz, dtype=np.float64).reshape(-1, 3)
    result = np.full(len(graph), np.nan)
    if not len(points):
        return result
    start, step = graph.edge_start_m, graph.position_m - graph.edge_start_m
    edges = np.flatnonzero(graph.edge_length_m > 1e-6)
    near = cKDTree((start + 0.5 * step)[edges]).query(points, k=min(4, len(edges)), workers=-1)[1]
    nodes = edges[near.reshape(len(points), -1)]
    away = points[:, None] - start[nodes]
    size = np.maximum((step[nodes] ** 2).sum(axis=2), 1e-12)
    share = np.clip(np.einsum("ijk,ijk->ij", away, step[nodes]) / size, 0.0, 1.0)
    off = np.linalg.norm(away - share[..., None] * step[nodes], axis=2)
    first, last = graph.edge_start_radius_m[nodes], graph.radius_m[nodes]
    skin = np.abs(off - first - share * (last - first))
    best = np.argmin(skin, axis=1)[:, None]
    node, misfit = np.take_along_axis(nodes, best, 1)[:, 0], np.take_along_axis(skin, best, 1)[:, 0]
    beside = misfit < BESIDE_M
    node, misfit = node[beside], misfit[beside]
    order = np.lexsort((misfit, node))
    node, misfit = node[order], misfit[order]
    found, begin, count = np.unique(node, return_index=True, return_counts=True)
    enough = count >= FEWEST_POINTS
    result[found[enough]] = misfit[(begin + count // 2)[enough]]
    return result


def skeleton_picture(result: JobResult, units: UnitSystem = "metric") -> Figure:
    """Side view and plan of the skeleton over the points, by source and by misfit."""
    graph = result.graph
    figure = Figure(figsize=(12, 13), layout="constrained")
    FigureCanvasAgg(figure)
    figure.suptitle(
        "Stem and limbs over the scan: where each diameter comes from, and how well it fits",
        fontsize=13, weight="bold", parse_math=False,
    )  # fmt: skip
    points = np.asarray(result.tree_xyz, dtype=np.float64)
    misfit = node_misfit_m(graph, points)
    points = points[:: max(len(points) // MOST_POINTS, 1)]
    plan = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    base = np.array([*graph.position_m[0, :2], uphill_ground_m(result)])
    panels = figure.subplots(2, 2)
    colours: tuple[Colours, Colours] = (_by_source(graph), _by_misfit(misfit))
    for row, colour in zip(panels, colours, strict=True):
        for axes, view in zip(row, (side_view(0.0), plan), strict=True):
            _draw(axes, graph, (points, base), view, colour, units)
    unit = "ft" if units == "us" else "m"
    for row in panels:
        row[0].set_ylabel(f"height above ground at the stem's uphill side [{unit}]")
        row[0].set_xlabel(f"west to east [{unit}]")
        row[1].set_ylabel(f"south to north [{unit}]")
        row[1].set_xlabel(f"west to east [{unit}]")
    figure.legend(handles=_source_key(graph), loc="outside lower center", ncols=2, fontsize=9)
    per_m, small = (1 / INCH_M, "in") if units == "us" else (1000.0, "mm")
    scale = ScalarMappable(Normalize(0, MISFIT_CEILING_M * per_m), colormaps["cividis"])
    bar = figure.colorbar(scale, ax=panels[1].tolist(), shrink=0.6, extend="max")
    bar.set_label(f"median distance of the points from the skin [{small}]; grey: too few points")
    return figure


def _by_source(graph: TreeGraph) -> npt.NDArray[np.str_]:
    return np.where(graph.bridged, BRIDGED_COLOUR, np.array(SOURCE_COLOURS)[graph.source])


def _by_misfit(misfit_m: Floats) -> Floats:
    ramp = colormaps["cividis"](np.clip(np.nan_to_num(misfit_m) / MISFIT_CEILING_M, 0.0, 1.0))
    grey = [int(UNKNOWN_COLOUR[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    result: Floats = np.where(np.isnan(misfit_m)[:, None], [*grey, 1.0], ramp)
    return result


def _source_key(graph: TreeGraph) -> list[Line2D]:
    length = graph.edge_length_m
    total = max(float(length.sum()), 1e-9)
    rows = [
        (SOURCE_WORDS[name], colour, (graph.source == kind) & ~graph.bridged)
        for kind, (name, colour) in enumerate(zip(SOURCE_NAMES, SOURCE_COLOURS, strict=True))
    ]
    rows.append(("bridged across a gap", BRIDGED_COLOUR, graph.bridged))
    return [
        Line2D([], [], color=c, linewidth=5, label=f"{w} ({length[m].sum() / total:.0%} of length)")
        for w, c, m in rows
    ]


def _draw(
    axes: Axes,
    graph: TreeGraph,
    scan: tuple[Floats, Floats],
    view: Floats,
    colour: Colours,
    units: UnitSystem,
) -> None:
    """One panel: grey points, then every edge as thick as its wood, thick wood on top."""
    factor = 1 / FOOT_M if units == "us" else 1.0
    points, base = scan
    origin = view @ base
    if len(points):
        x, y = ((points @ view.T) - origin).T * factor
        axes.scatter(x, y, s=0.3, c="#C4C4C4", linewidths=0, rasterized=True)
    nodes = np.arange(1, len(graph))
    nodes = nodes[np.argsort(graph.radius_m[nodes], kind="stable")]
    quads = [(quad - origin) * factor for quad in wood_quads(graph, nodes, view, 0.0)]
    wood = PolyCollection(
        quads, facecolors=colour[nodes], edgecolors=colour[nodes], linewidths=0.3, rasterized=True
    )
    axes.add_collection(wood)
    axes.set_aspect("equal")
    axes.autoscale_view()
