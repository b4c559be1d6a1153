"""The butt: radii of equal area from outlines, down to the ground.

Circles are drawn too narrow there, for they follow the hollows between the lobes or one of them.
From a height where the stem is nearly round its outline is handed down slice by slice, see
`treescan.skeleton.outline`; below the last slice that was seen the butt goes on as it widened.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from treescan.skeleton import taper
from treescan.skeleton.diameters import Radii
from treescan.skeleton.fitting import Fits
from treescan.skeleton.forks import LIKE_RATIO
from treescan.skeleton.graph import FITTED, INTERPOLATED
from treescan.skeleton.limbs import LimbAxes
from treescan.skeleton.outline import MOVED, SHARP, Outline, circle, hand_down

Floats = npt.NDArray[np.float64]

BUTT_M = 2.5
"""So much of the stem is measured by outlines. [m]"""
THICK_M = 0.08
"""Thinner butts are left to circles. [m, judgement]"""
FEWEST_SLICES = 4
FLARE_M = 1.2
"""Below this height lobes may change fast. [m, judgement]"""
MOVED_AT_GROUND = 0.15
"""How far an outline may move there from slice to slice, as a share of the radius. [judgement]"""
ON_M = 0.4
"""Stretch above the last slice that tells how the butt goes on to the ground. [m]"""
LEFT = 0.4
"""Share of the points' scatter that the radius may be off, all of it alike. [judgement]"""
LEFT_APART = 0.35
"""The same of how far stations set walls apart, as in `treescan.mensuration.walls`. [judgement]"""
LEAST_SD = 0.015
"""Least standard deviation that is said, as a share of the radius. [judgement]"""


def measure_butt(axes: LimbAxes, fits: Fits, radii: Radii, points: Floats) -> Radii:
    """Radii with those of the butt, from its sections in ``points`` (p, 3). [m]

    ``fits`` are the circles at the nodes, the topmost of which is where the outlines start.
    """
    top = _top(axes, fits, radii)
    if top < FEWEST_SLICES:
        return radii
    position = axes.position_m[: top + 1]
    low, high = position.min(axis=0) - 0.2, position.max(axis=0) + 0.2
    wide = 2.0 * float(radii.radius_m[0])
    low[:2], high[:2] = low[:2] - wide, high[:2] + wide
    near = points[((points > low) & (points < high)).all(axis=1)]
    found = _outlines(axes, radii, near, top)
    if len(found) < FEWEST_SLICES:
        return radii
    radius, sd = radii.radius_m.copy(), radii.sd_m.copy()
    source, good = radii.source.copy(), radii.good.copy()
    for node, outline in found.items():
        radius[node], sd[node] = _section(outline, float(fits.apart_m[node]))
        source[node], good[node] = FITTED, True
    _go_on(axes, min(found), radius, sd, source)
    stem = np.array([0, axes.first[1]])
    own = slice(0, int(axes.first[1]))
    radius[own] = taper.fall_to_tip(stem, radius[own], 1.0 / sd[own] ** 2)
    return replace(radii, radius_m=radius, sd_m=sd, source=source, good=good)


def _section(outline: Outline, apart_m: float) -> tuple[float, float]:
    """Radius of equal area of a slice and its sd; walls stand ``apart_m`` apart. [m]"""
    # Scatter of the points widens an outline as it does a circle.
    size, blur = outline.radius_m, outline.scatter_m
    size -= min(blur, 0.5 * size) ** 2 / (2 * size)
    sd = np.linalg.norm([outline.radius_sd_m, LEFT * blur, LEFT_APART * apart_m, LEAST_SD * size])
    return size, float(sd)


def _top(axes: LimbAxes, fits: Fits, radii: Radii) -> int:
    """Highest node of the butt with a circle to start from, below the first fork; 0 if none."""
    stem = int(axes.first[1])
    height = axes.position_m[:stem, 2] - axes.position_m[0, 2]
    end = int(np.argmax(height > BUTT_M)) if (height > BUTT_M).any() else stem
    for limb in np.flatnonzero(axes.parent_limb == 0):
        joint = int(axes.parent_node[limb])
        base = min(int(axes.first[limb]) + 1, int(axes.first[limb + 1]) - 1)
        if radii.radius_m[base] > LIKE_RATIO * radii.radius_m[joint]:
            end = min(end, int(np.searchsorted(height, height[joint] - radii.radius_m[joint])))
    # The circle there must be the stem's: one that the limb as a whole agrees with.
    agrees = np.abs(fits.radius_m[:end] / radii.radius_m[:end] - 1.0) < MOVED
    clear = radii.good[:end] & agrees & (radii.radius_m[:end] > THICK_M)
    if not clear.any():
        return 0
    sharp = fits.contrast[:end] >= SHARP * float(fits.contrast[:end][clear].max())
    return int(np.flatnonzero(clear & sharp)[-1])


def _outlines(axes: LimbAxes, radii: Radii, points: Floats, top: int) -> dict[int, Outline]:
    """Outlines of the slices of the butt by node, from ``top`` down to the last one seen."""
    nodes = np.arange(top, -1, -1)
    height = axes.position_m[nodes, 2] - axes.position_m[0, 2]
    share = MOVED + (MOVED_AT_GROUND - MOVED) * np.maximum(1.0 - height / FLARE_M, 0.0)
    place = axes.position_m[nodes], axes.directions()[nodes]
    found = hand_down(points, place, circle(float(radii.radius_m[top])), share)
    return {int(n): outline for n, outline in zip(nodes, found, strict=True) if outline}


def _go_on(
    axes: LimbAxes,
    last: int,
    radius: Floats,
    sd: Floats,
    source: npt.NDArray[np.int64],
) -> None:
    """Let the nodes below ``last``, the lowest that was seen, widen as those above it do."""
    along = axes.along_m()[: axes.first[1]]
    above = np.flatnonzero((along >= along[last]) & (along <= along[last] + ON_M))
    if not last or len(above) < 2:
        return
    slope = np.polyfit(along[above], np.log(radius[above]), 1)[0]
    rise = min(float(slope), 0.0) * (along[:last] - along[last])
    radius[:last] = radius[last] * np.exp(rise)
    sd[:last] = np.hypot(sd[last], 0.5 * (radius[:last] - radius[last])) * 1.5
    source[:last] = INTERPOLATED
