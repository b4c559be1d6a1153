"""What the scan shows and what it does not: the stems found, numbered, and the unseen parts."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import ListedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Wedge

from treescan.planning.types import JobResult
from treescan.pointcloud.cloud import StemSeed, Unseen
from treescan.report import colours
from treescan.units import FOOT_M, UnitSystem, diameter_text, length_text

SEEN, NOT_SEEN = "#B9CDE0", "#3A3A3A"
COMPASS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
MOST_ROWS = 12
SMALLEST_RING_M = 0.35


def stems_picture(result: JobResult, units: UnitSystem = "metric") -> Figure:
    """The scan from above with every stem found numbered, and where each stands."""
    figure = _figure("Stems found in the scan, from above, north up", 9.5, 7.0)
    axes, table = figure.subplots(1, 2, width_ratios=(3, 2))
    factor, unit = (1 / FOOT_M, "ft") if units == "us" else (1.0, "m")
    origin = result.origin_m[:2] * factor
    for xyz, colour in ((result.display_xyz, "#C4C4BC"), (result.tree_xyz, "#5F8A5F")):
        some = xyz[:: max(1, len(xyz) // 60_000), :2].astype(np.float64) * factor
        axes.scatter(*some.T, s=0.3, c=colour, linewidths=0, rasterized=True)
    for number, stem in enumerate(result.stems, start=1):
        own = number <= result.own_stems
        radius = max(0.5 * stem.diameter_m, SMALLEST_RING_M) * factor
        place = np.array([stem.x_m, stem.y_m]) * factor
        line = colours.OVER_LIMIT if own else "#000000"
        axes.add_patch(Circle((place[0], place[1]), radius, fill=False, edgecolor=line, lw=2))
        axes.annotate(
            str(number), place, (7, 7), textcoords="offset points", fontsize=13, weight="bold",
            color=line, bbox={"boxstyle": "round,pad=0.15", "fc": "white", "ec": line},
        )  # fmt: skip
    axes.set_aspect("equal")
    axes.set_xlabel(f"east of {origin[0]:,.1f} [{unit}]")
    axes.set_ylabel(f"north of {origin[1]:,.1f} [{unit}]")
    _stem_table(table, result, units)
    return figure


def _stem_table(axes: Axes, result: JobResult, units: UnitSystem) -> None:
    axes.axis("off")
    if not result.stems:
        axes.text(0, 1, "No stem crosses breast height.", va="top")
        return
    rows = [_stem_row(k, stem, result, units) for k, stem in enumerate(result.stems, start=1)]
    table = axes.table(
        rows[:MOST_ROWS],
        colLabels=["no.", "near_m (scan, m)", "diameter", "reaches"],
        colWidths=[0.1, 0.6, 0.2, 0.18],
        loc="upper left",
    )
    table.auto_set_font_size(False)
    table.set_fontsize(9)
    for column in range(4):
        for row in range(1, min(result.own_stems, MOST_ROWS) + 1):
            table[row, column].get_text().set_color(colours.OVER_LIMIT)
    more = len(rows) - MOST_ROWS
    text = (
        "Red: taken as the tree. To take another, put its\n"
        "place as near_m under [tree] in the site file."
    )
    if more > 0:
        text += f"\n{more} more stems are not listed."
    axes.text(0, 0.02, text, va="bottom", fontsize=9)


def _stem_row(number: int, stem: StemSeed, result: JobResult, units: UnitSystem) -> list[str]:
    x, y = stem.x_m + result.origin_m[0], stem.y_m + result.origin_m[1]
    size = diameter_text(stem.diameter_m, units) if stem.diameter_m else "not seen"
    return [str(number), f"[{x:.2f}, {y:.2f}]", size, length_text(stem.height_m, units)]


def unseen_picture(result: JobResult, units: UnitSystem = "metric") -> Figure:
    """Sides of the stem and of the crown that the scan did not see, and whether its top was."""
    unseen = result.not_seen
    figure = _figure("What the scan did not see", 9.5, 6.0)
    if unseen is None:
        return figure
    stem, crown = figure.subplots(1, 2)
    _stem_sides(stem, unseen, units)
    _crown_sides(crown, unseen)
    text = "Unseen sides may hide decay, cracks and limbs: look there before trusting a number."
    if unseen.top_cut:
        low, high = unseen.beyond_share
        text = (
            f"THE TOP MAY NOT HAVE BEEN SEEN: {low:.0%} to about {high:.0%} of the crown may lie "
            f"above the scan.\n{text}"
        )
    figure.supxlabel(text, fontsize=10)
    return figure


def _stem_sides(axes: Axes, unseen: Unseen, units: UnitSystem) -> None:
    """The stem's surface laid out flat: height over compass, dark where no point lies."""
    axes.set_title("stem, laid out flat", fontsize=11)
    if not len(unseen.stem_seen):
        axes.axis("off")
        axes.text(0.5, 0.5, "the stem could not be followed", ha="center")
        return
    factor, unit = (1 / FOOT_M, "ft") if units == "us" else (1.0, "m")
    bands, sectors = unseen.stem_seen.shape
    # sectors run anticlockwise from east; the compass runs clockwise from north
    azimuth = (90.0 - (np.arange(sectors) + 0.5) * 360.0 / sectors) % 360.0
    by_azimuth = unseen.stem_seen[:, np.argsort(azimuth)]
    bottom, top = 1.0 * factor, (1.0 + 0.5 * bands) * factor
    axes.imshow(
        by_azimuth, origin="lower", aspect="auto", extent=(0, 360, bottom, top), vmin=0, vmax=1,
        cmap=ListedColormap([NOT_SEEN, SEEN]), interpolation="nearest",
    )  # fmt: skip
    axes.set_xticks(np.arange(0, 361, 90), ["N", "E", "S", "W", "N"])
    axes.set_ylabel(f"height above ground [{unit}]")
    axes.set_xlabel(f"dark: no points ({unseen.stem_share:.0%})")


def _crown_sides(axes: Axes, unseen: Unseen) -> None:
    """How full each compass sector of the crown is beside the middle one."""
    axes.set_title("crown by compass side", fontsize=11)
    full = np.minimum(unseen.crown_density, 2.0)
    for k, share in enumerate(full):
        middle = 90.0 - 45.0 * k
        empty = share < 0.3
        axes.add_patch(Wedge((0, 0), 1.0, middle - 22, middle + 22, fc="white", ec="#888888"))
        axes.add_patch(
            Wedge((0, 0), float(np.sqrt(0.5 * share)), middle - 22, middle + 22,
                  fc=NOT_SEEN if empty else SEEN, hatch="//" if empty else None)
        )  # fmt: skip
        at = np.deg2rad(middle)
        axes.text(1.18 * np.cos(at), 1.18 * np.sin(at), f"{COMPASS[k]}\n{share:.0%}",
                  ha="center", va="center", fontsize=9)  # fmt: skip
    axes.set_xlim(-1.45, 1.45)
    axes.set_ylim(-1.45, 1.45)
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_xlabel("points beside the middle sector (100 %);\ndark: thin there, or not seen")


def _figure(title: str, width: float, height: float) -> Figure:
    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    figure.suptitle(title, fontsize=13, weight="bold", parse_math=False)
    return figure
