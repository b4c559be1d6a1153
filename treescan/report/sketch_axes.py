"""A :class:`~treescan.report.sketch.Sketch` drawn into matplotlib axes."""

from __future__ import annotations

from typing import Any

from matplotlib import patheffects
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection

from treescan.report.sketch import Shape, Sketch
from treescan.units import UnitSystem


def draw_sketch(axes: Axes, sketch: Sketch, units: UnitSystem) -> None:
    """Draw a sketch to scale; the axes lose their frame's ticks."""
    x0, y0, x1, y1 = sketch.window_m
    for order, item in enumerate(sketch.items):
        if isinstance(item, Shape):
            style: dict[str, Any] = {
                "edgecolors": item.stroke or "none",
                "linewidths": item.width_pt,
                "linestyles": [(0, item.dash_pt)] if item.dash_pt else "solid",
                "alpha": item.opacity,
                "zorder": order + 1,
            }
            if item.closed:
                axes.add_collection(
                    PolyCollection(list(item.lines_m), facecolors=item.fill or "none", **style)
                )
            else:
                style["colors"] = style.pop("edgecolors")
                axes.add_collection(LineCollection(list(item.lines_m), **style))
            continue
        axes.text(
            *item.at_m,
            item.text.text(units),
            fontsize=item.size_pt,
            ha={"start": "left", "middle": "center", "end": "right"}[item.anchor],
            weight="bold" if item.bold else "normal",
            color=item.colour,
            zorder=order + 1,
            parse_math=False,
            path_effects=[patheffects.withStroke(linewidth=2.5, foreground="white")],
        )
    axes.set_xlim(x0, x1)
    axes.set_ylim(y0, y1)
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
