"""Pictures of the tree and of the plan, PNG and SVG, drawn without a display.

Every picture carries its units, what its colours mean, and the caution where a number may be
acted on.  The same input gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure

from treescan.planning.types import JobResult
from treescan.report import colours, wording
from treescan.report.cautions import SHORT
from treescan.report.drawings import plan_sketch
from treescan.report.facts import step_facts
from treescan.report.frames import uphill_ground_m
from treescan.report.scan_pictures import stems_picture, unseen_picture
from treescan.report.schedule_chart import schedule_rows
from treescan.report.skeleton_pictures import skeleton_picture
from treescan.report.sketch import side_view, wood_quads
from treescan.report.sketch_axes import draw_sketch
from treescan.report.spar_chart import spar_runs
from treescan.report.tables import shown_places
from treescan.units import FOOT_M, UnitSystem

Picture = Callable[[JobResult, UnitSystem], Figure]
RC: dict[Any, Any] = {
    "svg.hashsalt": "treescan",
    "svg.fonttype": "none",
    "font.size": 11.0,
    "font.family": ["DejaVu Sans"],
    "axes.grid": False,
    "path.simplify": True,
}


def pictures_of(result: JobResult) -> dict[str, Picture]:
    """Every picture that applies by its name, the slowest to draw first."""
    pictures: dict[str, Picture] = {"skeleton": skeleton_picture}
    if result.plan is not None and result.plan.steps:
        pictures |= {"anchors": anchors_picture, "plan_view": plan_picture}
    pictures["tree"] = tree_picture
    if result.not_seen is not None:
        pictures |= {"stems_found": stems_picture, "not_seen": unseen_picture}
    if result.plan is not None and result.plan.steps:
        if any(f.share is not None for f in step_facts(result)):
            pictures["load_shares"] = shares_picture
        if spar_runs(result, 1):
            pictures["spar_load"] = spar_picture
        if any(s.clearances for s in result.plan.steps):
            pictures["clearance"] = clearance_picture
        if schedule_rows(result):
            pictures["schedule"] = schedule_picture
    return pictures


def write_picture(
    picture: Picture, result: JobResult, base: Path, units: UnitSystem = "metric"
) -> list[Path]:
    """Write one of :func:`pictures_of` as PNG and SVG; ``base`` is their path without ending."""
    paths = []
    with matplotlib.rc_context(RC):
        figure = picture(result, units)
        figure.draw_without_rendering()
        figure.set_layout_engine("none")
        for kind, meta in (("png", {"Software": None}), ("svg", {"Date": None})):
            path = base.with_suffix(f".{kind}")
            figure.savefig(path, dpi=150, metadata=meta)
            paths.append(path)
    return paths


def _figure(
    title: str, width: float, height: float, *, caution: bool = False
) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    figure.suptitle(title, fontsize=13, weight="bold", parse_math=False)
    if caution:
        figure.text(0.01, -0.002, SHORT, fontsize=7, va="bottom")
        figure.set_layout_engine("constrained", rect=(0, 0.03, 1, 0.97))
    return figure, figure.add_subplot()


def _metres(units: UnitSystem) -> tuple[float, str]:
    return (1 / FOOT_M, "ft") if units == "us" else (1.0, "m")


def _aloft(axes: Axes, units: UnitSystem, label: str) -> float:
    """Set up axes with height above ground; returns the factor from metres."""
    factor, unit = _metres(units)
    axes.set_ylabel(f"height above ground at the stem's uphill side [{unit}]")
    axes.set_xlabel(f"{label} [{unit}]")
    axes.set_aspect("equal")
    axes.axhline(0, color="#5A4A33", linewidth=1.6, zorder=0)
    return factor


def _wood(
    axes: Axes,
    result: JobResult,
    view: npt.NDArray[np.float64],
    factor: float,
    colour: npt.ArrayLike | str,
    nodes: npt.NDArray[np.int64],
) -> None:
    base = np.array([0.0, uphill_ground_m(result)])
    origin = np.array([result.graph.position_m[0] @ view[0], 0.0])
    quads = np.asarray(wood_quads(result.graph, nodes, view, 0.0))
    if len(quads):
        shapes = (quads - base - origin) * factor
        axes.add_collection(
            PolyCollection(list(shapes), facecolors=colour, edgecolors=colour, linewidths=0.3)
        )
        axes.autoscale_view()


def tree_picture(result: JobResult, units: UnitSystem = "metric") -> Figure:
    """The tree's points from the south and from the east, with height and DBH."""
    figure, first = _figure(f"Tree in {result.scan_name}", 10, 6.6)
    first.remove()
    xyz = np.asarray(result.tree_xyz, dtype=np.float64)
    xyz = xyz[:: max(len(xyz) // 60_000, 1)] if len(xyz) else result.graph.position_m
    base, ground, m = result.graph.position_m[0], uphill_ground_m(result), result.measures
    girth = wording.diameter_near(m.dbh_m, m.dbh_sd_m)
    reach = float(np.abs(xyz[:, :2] - base[:2]).max()) * 1.05
    for place, (title, axis) in enumerate((("from the south", 0), ("from the east", 1))):
        axes = figure.add_subplot(1, 2, place + 1)
        factor = _aloft(axes, units, "west to east" if axis == 0 else "south to north")
        across = (xyz[:, axis] - base[axis]) * factor
        axes.scatter(
            across, (xyz[:, 2] - ground) * factor, s=0.4, c="#4D6B4D", linewidths=0, rasterized=True
        )
        axes.set_title(f"seen {title}", fontsize=11)
        axes.set_xlim(-reach * factor, reach * factor)
        axes.set_ylim(-0.04 * m.height_m * factor, 1.08 * m.height_m * factor)
        for height, text, style in (
            (m.height_m, f" height {wording.length(m.height_m).text(units)}", "--"),
            (m.dbh_height_m, f" diameter {girth.text(units)}", ":"),
        ):
            axes.axhline(height * factor, color="#000000", linewidth=0.8, linestyle=style)
            axes.text(-reach * factor, height * factor, text, va="bottom", fontsize=10)
    return figure


def plan_picture(result: JobResult, units: UnitSystem = "metric") -> Figure:
    """The site from above."""
    sketch = plan_sketch(result)
    figure, axes = _figure("Site from above, north up", 9, 9 * sketch.aspect + 0.8, caution=True)
    draw_sketch(axes, sketch, units)
    return figure


def anchors_picture(result: JobResult, units: UnitSystem = "metric") -> Figure:
    """Anchors and tie-ins on the tree, with what each may carry."""
    figure, axes = _figure(
        "Anchors: what each may carry, and the peak the plan asks", 12, 7.5, caution=True
    )
    figure.set_layout_engine("constrained", rect=(0, 0.03, 0.6, 0.97))
    factor = _aloft(axes, units, "west to east")
    graph, view = result.graph, side_view(0.0)
    _wood(axes, result, view, factor, "#C9C3B6", np.arange(1, len(graph)))
    x0, ground = graph.position_m[0] @ view[0], uphill_ground_m(result)
    assert result.plan is not None
    marks = []
    for word, colour, ranked in (
        ("anchor", colours.ANCHOR, shown_places(result.plan.anchors)),
        ("tie-in", colours.TIE_IN, shown_places(result.plan.tie_ins, 3)),
    ):
        for item in ranked:
            a = item.anchor
            at = ((a.position_m @ view[0] - x0) * factor, (a.position_m[2] - ground) * factor)
            text = f"{word} {a.anchor_id}: {wording.force_least(a.allowable_n).text(units)}"
            if a.rejected:
                text = f"{a.anchor_id}: refused, {a.rejected}"
            elif item.peak_n > 0:
                peak = wording.force_most(item.peak_n).text(units)
                text += f"; asked up to {peak} ({wording.percent(item.share)})"
            axes.plot(
                *at,
                "o",
                color="#FFFFFF" if a.rejected else colour,
                markeredgecolor=colour,
                markersize=9,
                zorder=5,
            )
            marks.append((at, text, colour))
    _side_notes(axes, marks)
    return figure


def _side_notes(axes: Axes, marks: list[tuple[tuple[float, float], str, str]]) -> None:
    """Names in a column right of the tree, in order of height, joined to their marks."""
    low, high = axes.get_ylim()
    left, right = axes.get_xlim()
    marks = sorted(marks, key=lambda m: -m[0][1])
    gap = (high - low) / max(len(marks) + 1, 14)
    column = right + 0.06 * (right - left)
    y = high
    for at, text, colour in marks:
        y = min(at[1], y - gap)
        note = axes.annotate(
            text if len(text) < 64 else text[:62] + "…", at, (column, y), fontsize=9, va="center",
            annotation_clip=False, parse_math=False,
            arrowprops={
                "arrowstyle": "-", "color": colour, "linewidth": 0.8, "relpos": (0.0, 0.5)
            },
        )  # fmt: skip
        note.set_in_layout(False)


def shares_picture(result: JobResult, _units: UnitSystem = "metric") -> Figure:
    """Share of the limit at the governing item of every step on the line."""
    facts = [f for f in step_facts(result) if f.share is not None]
    figure, axes = _figure(
        "Share of the limit used, each step on the line",
        9,
        max(3.0, 0.42 * len(facts) + 1.8),
        caution=True,
    )
    at = [float(i) for i in range(len(facts))]
    shares = np.array([f.share or 0.0 for f in facts]) * 100
    axes.barh(
        at,
        shares,
        color=[colours.load_colour(f.share) for f in facts],
        edgecolor="#000000",
        height=0.7,
    )
    for y, fact, share in zip(at, facts, shares, strict=True):
        axes.text(
            share + 1,
            y,
            f"{wording.percent(share / 100)}  {fact.governs}",
            va="center",
            fontsize=9,
            parse_math=False,
        )
    axes.set_yticks(at, [f"{f.number}. {f.name}" for f in facts], fontsize=9)
    axes.invert_yaxis()
    axes.axvline(100, color=colours.OVER_LIMIT, linewidth=2)
    axes.text(
        101, 0.98, "limit", color=colours.OVER_LIMIT, va="top", fontsize=9,
        transform=axes.get_xaxis_transform(),
    )  # fmt: skip
    axes.set_xlim(0, max(150.0, float(shares.max(initial=0.0)) * 1.6))
    axes.set_xlabel("share of the limit at the governing item, high end of the load [%]")
    return figure


def spar_picture(result: JobResult, units: UnitSystem = "metric") -> Figure:
    """Bending and share of strength along the spar for the hardest steps."""
    figure, left = _figure("Load along the spar, hardest steps", 10, 6, caution=True)
    left.remove()
    left, right = figure.subplots(1, 2, sharey=True)
    factor, unit = _metres(units)
    moment, moment_unit = (1e-3, "kN·m") if units == "metric" else (0.7375621493, "lbf·ft")
    for place, run in enumerate(spar_runs(result)):
        style = {"color": colours.CATEGORIES[place], "linestyle": ("-", "--", "-.")[place]}
        name = f"step {run.step}, anchor {run.anchor_id}"
        left.plot(run.bending_n_m * moment, run.height_m * factor, **style, label=name)
        right.plot(run.share * 100, run.height_m * factor, **style, label=name)
        worst = int(np.argmax(run.share))
        at = (run.share[worst] * 100, run.height_m[worst] * factor)
        right.plot(*at, "o", color=colours.CATEGORIES[place], markeredgecolor="#000000")
        text = f" {wording.percent(float(run.share[worst]))}"
        right.annotate(text, at, fontsize=9, va="bottom")
    left.set_ylabel(f"height above ground [{unit}]")
    left.set_xlabel(f"bending, high end of the load [{moment_unit}]")
    right.set_xlabel("share of green strength, no safety factor [%]")
    left.legend(fontsize=9)
    for axes in (left, right):
        axes.set_xlim(left=0)
        axes.grid(linewidth=0.3)
    return figure


def clearance_picture(result: JobResult, units: UnitSystem = "metric") -> Figure:
    """Closest approach of each step to each target and wire, less its uncertainty."""
    assert result.plan is not None
    steps = result.plan.steps
    names = list(dict.fromkeys(c.target for s in steps for c in s.clearances))
    figure, axes = _figure("Room left beyond the margin, each step", 11, 5.5, caution=True)
    factor, unit = _metres(units)
    shapes = "osD^vPX*"
    for place, name in enumerate(names):
        found = [(s.number, c) for s in steps for c in s.clearances if c.target == name]
        room = [(c.distance_m - c.spread_m - c.margin_m) * factor for _, c in found]
        axes.plot(
            [n for n, _ in found], room, shapes[place % 8], label=name[:30], linestyle="none",
            color=colours.CATEGORIES[place % 8], markeredgecolor="#000000", markersize=6,
        )  # fmt: skip
    axes.axhline(0, color=colours.OVER_LIMIT, linewidth=2)
    axes.annotate("margin", (0.2, 0), color=colours.OVER_LIMIT, va="bottom", fontsize=9)
    low, high = axes.get_ylim()
    axes.set_ylim(min(low, -0.5), min(high, 10 * factor))
    axes.set_xlim(0, len(steps) + 1)
    axes.set_xlabel("step")
    axes.set_ylabel(f"distance less uncertainty and margin [{unit}]")
    axes.grid(linewidth=0.3)
    legend = axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1), fontsize=9)
    for text in legend.get_texts():
        text.set_parse_math(False)
    return figure


def schedule_picture(result: JobResult, _units: UnitSystem = "metric") -> Figure:
    """Who does what when, at the likely pace."""
    rows = schedule_rows(result)
    who = list(dict.fromkeys(r[0] for r in rows))
    figure, axes = _figure("Crew's day at the likely pace", 10, 0.8 * len(who) + 1.8)
    hatches = ("", "//", "..", "xx")
    for place, name in enumerate(who):
        bars = [(a, b - a) for resource, _, a, b in rows if resource == name]
        axes.broken_barh(
            bars,
            (place - 0.35, 0.7),
            facecolors=colours.CATEGORIES[place % 8],
            edgecolors="#000000",
            hatch=hatches[place % 4],
        )
        for resource, step, a, b in rows:
            if resource == name and b - a > rows[-1][3] / 60:
                axes.text(
                    (a + b) / 2, place - 0.38, str(step), ha="center", va="bottom", fontsize=8
                )
    axes.set_yticks(range(len(who)), who)
    axes.invert_yaxis()
    axes.set_xlabel("minutes from the start; durations are common practice, set your own")
    return figure
