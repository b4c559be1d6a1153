"""Radii of all nodes from circle fits, taper and the tree's own pipe model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from treescan.skeleton import taper
from treescan.skeleton.fitting import Fits
from treescan.skeleton.graph import FITTED, INTERPOLATED, MODELLED
from treescan.skeleton.leafy import thinned
from treescan.skeleton.limbs import LimbAxes

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

BLUR, BLOB = 0.2, 5.0
"""How far fits of one limb are off together by the scatter over the radius: see `_seen`.  Set on
twelve grown trees of seed 700 (November 2026)."""
DOUBT_OF_BLUR, DOUBT_OF_DISPUTE = 0.25, 0.7
DOUBT_OF_SOURCE = np.array([1.0, 1.6, 2.0])
MOST_DOUBT = 0.6
"""What the course of one limb does not show of its own error: a share of the scatter over the
radius, a share of how far fits and pipe model lie apart where rings are blurred, a factor for
each source (fitted, interpolated, modelled), and the most that is said, as a share of the radius.
Set on grown trees of seeds 100 and 700, checked on others (November 2026).
"""
CLEAR_RING, NO_RING = 0.25, 0.5
"""Scatter over the radius of the limb's fits up to which they tell the radius, and from which on
they could be points strewn about a line, as in `_seen`."""
APART_LEFT = 0.25
"""Share of how far walls stand apart that is left as scatter once they are told from each other.
[judgement]"""
TELLS_APART = 3.0
"""A limb so many times as wide as stations stand apart tells itself how far they do. [judgement]"""
ENDS_IN, ENDS_TOLD = 6, 2
"""Nodes at the end of a limb, and how many of them must tell that it ends thick. [judgement]"""
WELL_SEEN = 5.0
"""Rings at least so many times as wide as their scatter tell how much the scan scatters."""
WINDOWS_TOGETHER = 25.0
"""Windows of one limb that swell alike: their faults do not average out."""


@dataclass(frozen=True)
class Radii:
    """Radii of the nodes of limb axes; arrays of shape (n,).

    ``good`` marks fits that count, ``source`` is as in the graph.  ``noise_m`` is the typical
    misfit of well-seen rings: range noise and co-registration together.  ``cut_off_m`` is the
    length that must lie beyond limbs that end thick, at their last nodes.  ``leafy`` nodes run
    through leaves that hide their wood.
    """

    radius_m: Floats
    sd_m: Floats
    good: Bools
    source: Ints
    noise_m: float
    cut_off_m: Floats
    leafy: Bools


def carried_m(axes: LimbAxes, along: Floats) -> Floats:
    """Total length of limbs farther out than each node, side limbs included, shape (n,). [m]

    ``along`` (n,) is the place of each node along its limb. [m]
    """
    step = np.zeros(len(along))
    step[1:] = np.maximum(np.diff(along), 0.0)
    result: Floats = _carry(axes, step) - step
    return result


def _carry(axes: LimbAxes, own: Floats) -> Floats:
    """Sum of ``own`` (n,) over each node and all that lies farther out, shape (n,)."""
    total = own.copy()
    for limb in range(len(axes.first) - 2, -1, -1):
        span = slice(axes.first[limb], axes.first[limb + 1])
        total[span] = np.cumsum(total[span][::-1])[::-1]
        if limb:
            total[axes.parent_node[limb]] += total[axes.first[limb]]
    return total


def cut_off_m(
    axes: LimbAxes, seen: Floats, var: Floats, model: taper.PipeModel, noise: float
) -> Floats:
    """Length that must have been carried where a limb ends thick, at its last node, (n,). [m]

    A limb that ends well above the thickness of a tip was cut, or the scan saw no farther.

    ``seen`` (n,) are the fitted radii [m], ``var`` (n,) the variances of their logarithms,
    infinite where nothing was fitted; ``noise`` is that of the scan [m].
    """
    result = np.zeros(len(seen))
    for limb in range(len(axes.first) - 1):
        end = axes.first[limb + 1]
        last = np.arange(max(end - ENDS_IN, axes.first[limb]), end)
        known = last[np.isfinite(var[last]) & (var[last] < 0.2)]
        if len(known) < ENDS_TOLD:
            continue
        thick = float(np.median(seen[known]))
        if thick < max(0.02, 4.0 * noise):
            continue
        side = model.side if limb else 1.0
        result[last[-1]] = (thick / (model.scale * side)) ** (1.0 / model.power)
    return result


def noise_of(fits: Fits) -> float:
    """Typical misfit of the well-seen rings. [m]"""
    ok = (fits.coverage > 0.5) & (fits.inliers > 30) & (fits.radius_m > 0.05)
    if ok.sum() < 5:
        ok = (fits.coverage > 0.4) & (fits.inliers > 15)
    return float(np.median(fits.scatter_m[ok])) if ok.sum() > 3 else 0.005


def union_drop(axes: LimbAxes, radius_m: Floats) -> Floats:
    """Fall of log radius on entering each node: the area a side limb takes away, shape (n,).

    ``radius_m`` (n,) are those of the round before.  Areas add at a union, the pipe model of
    Shinozaki et al. 1964; the limit of 0.5 is our choice.
    """
    n = len(axes.position_m)
    taken = np.zeros(n)
    base = np.minimum(axes.first[1:-1] + 1, axes.first[2:] - 1)
    np.add.at(taken, axes.parent_node[1:], radius_m[base] ** 2)
    drop = np.zeros(n)
    drop[1:] = 0.5 * np.log1p(taken[:-1] / radius_m[1:] ** 2)
    drop[axes.first[:-1]] = 0.0
    return np.minimum(drop, 0.5)


def local_noise(axes: LimbAxes, fits: Fits, noise: float) -> Floats:
    """Scatter to be reckoned with at each node, shape (n,). [m]

    That of the limb's own rings seen well nearby, else that of the limb it hangs on: stations
    disagree more where wind moved the crown between them.
    """
    well = (fits.radius_m > WELL_SEEN * fits.scatter_m) & (fits.contrast > 0.4)
    well &= (fits.coverage > 0.35) & (fits.inliers >= 15)
    result = np.full(len(fits.radius_m), noise)
    for limb in range(len(axes.first) - 1):
        low, high = axes.first[limb], axes.first[limb + 1]
        own = np.flatnonzero(well[low:high])
        if len(own) < 4:
            result[low:high] = result[axes.parent_node[limb]] if limb else noise
            continue
        middle = median_filter(fits.scatter_m[low:high][own], 9, mode="nearest")
        result[low:high] = np.interp(np.arange(high - low), own, middle)
    return np.maximum(result, 0.5 * noise)


def _apart(axes: LimbAxes, fits: Fits, good: Bools) -> Floats:
    """How far stations stand apart at each node, shape (n,); 0 where they do not. [m]

    Registration sets them apart all over and wind the more the farther out, so that it does not
    fall along a limb.  A limb whose radius is not well above how far stations stand apart where
    it leaves does not tell it by itself.

    ``good`` (n,) marks the fits that count.
    """
    result = np.zeros(len(fits.radius_m))
    for limb in range(len(axes.first) - 1):
        low, high = axes.first[limb], axes.first[limb + 1]
        start = float(result[axes.parent_node[limb]]) if limb else 0.0
        own = np.flatnonzero((fits.parted & good)[low:high])
        if len(own) < 4:
            result[low:high] = start
            continue
        middle = median_filter(fits.apart_m[low:high][own], 9, mode="nearest")
        # The thicker, the better it tells how far its walls stand apart.
        weight = fits.radius_m[low:high][own] ** 2
        middle = -taper.fall_to_tip(np.array([0, len(own)]), -middle, weight)
        if float(np.median(fits.radius_m[low:high][own])) < TELLS_APART * start:
            middle = np.maximum(middle, start)
        result[low:high] = np.interp(np.arange(high - low), own, middle)
    return result


def _counts(fits: Fits) -> Bools:
    """Fits that tell a radius at all, shape (n,)."""
    good = (fits.radius_m > 0) & (fits.coverage >= 0.25) & (fits.inliers >= 10)
    result: Bools = good & (fits.contrast > 0.4)
    return result


def _blurred_by(fits: Fits, noise: Floats) -> Floats:
    """Scatter that the fits have to do with, shape (n,). [m]

    Where walls were told from each other that about each wall, and a part of how far they stand
    apart; else that about the circle, or the ``noise`` (n,) to be reckoned with.
    """
    walls = np.hypot(fits.rms_m, APART_LEFT * fits.apart_m)
    return np.where(fits.parted, walls, np.maximum(fits.scatter_m, noise))


def _typical(axes: LimbAxes, seen: Floats, good: Bools) -> Floats:
    """Running median along each limb of the radii measured well, shape (n,). [m]"""
    result = seen.copy()
    for limb in range(len(axes.first) - 1):
        low, high = axes.first[limb], axes.first[limb + 1]
        own = np.flatnonzero(good[low:high])
        if len(own) < 3:
            continue
        # Mirrored at both ends, or a limb's first and last fit would be their own median.
        middle = median_filter(seen[low:high][own], 9, mode="reflect")
        result[low:high] = np.interp(np.arange(high - low), own, middle)
    return result


def _seen(
    axes: LimbAxes, fits: Fits, blurred: tuple[Floats, Floats], before: Floats | None
) -> tuple[Floats, Floats, Bools, Floats]:
    """Measured radius, also its running median, whether it counts, and the variance of its log.

    Where the radius is not well above the scatter, circles are as wide as the scatter lets
    them be: ``BLUR q + BLOB q^4``, ``q`` the scatter over the radius, is how far the fits of one
    limb may be off together.  (Points strewn about a line show ``q`` of about 0.6.)  The radius
    is the one known before where there is one: with the fit's own, fits that happen to be too
    wide would count for more than those too narrow.  But where the limb's fits nearby are well
    above the scatter it is theirs, or a radius that the model once set too low would keep them
    from mending it.

    ``blurred`` are the scatter to be reckoned with and how far stations stand apart, (n,) each.
    [m]  Where walls were told from each other what is left of both counts instead.
    """
    # Scatter of the points widens a circle fitted to their distances by s^2 / (2 r).
    seen = fits.radius_m - fits.rms_m**2 / (2 * np.maximum(fits.radius_m, 0.004))
    seen = np.maximum(seen, 0.002)
    good = _counts(fits)
    noise, apart = blurred
    local = _blurred_by(fits, noise)
    size = seen
    near = _typical(axes, seen, good)
    if before is not None:
        clear = np.clip((NO_RING - local / near) / (NO_RING - CLEAR_RING), 0.0, 1.0)
        size = before * np.maximum(near / before, 1.0) ** clear
    sd = np.sqrt(fits.radius_sd_m**2 + 0.0015**2 + (0.02 * size) ** 2)
    sd *= 1.0 + 1.5 * np.maximum(0.5 - fits.coverage, 0.0)
    sd *= 1.0 + 2.0 * np.maximum(0.7 - fits.contrast, 0.0)
    blur = local / size
    swell = BLUR * blur + BLOB * np.where(fits.parted, apart / size, blur) ** 4
    # Neighbouring windows share points and faults.
    var = 3.0 * (sd / size) ** 2 + WINDOWS_TOGETHER * swell**2
    # One fit among others that say otherwise has met a lobe, a knot or a neighbour.
    var = np.maximum(var, np.log(seen / near) ** 2)
    return seen, near, good, np.where(good, var, np.inf)


def settle_radii(
    axes: LimbAxes,
    fits: Fits,
    before_m: Floats | None = None,
    fused: Bools | None = None,
    leafy: Bools | None = None,
) -> Radii:
    """Bring fits, taper and pipe model together along every limb.

    ``before_m`` are radii known so far (n,), for the areas that limbs take away at unions;
    ``fused`` nodes' fits are left out; ``leafy`` nodes' too, and they thin to shoots.
    """
    along = axes.along_m()
    carried = carried_m(axes, along)
    is_side = axes.limb_of_node > 0
    noise = noise_of(fits)
    clear = _counts(fits) if fused is None else _counts(fits) & ~fused
    walls = _apart(axes, fits, clear)
    near = np.maximum(local_noise(axes, fits, noise), walls)
    seen, typical, good, var = _seen(axes, fits, (near, walls), before_m)
    leafy = np.zeros(len(along), dtype=bool) if leafy is None else leafy
    good &= ~leafy
    if fused is not None:
        good &= ~fused
    var = np.where(good, var, np.inf)
    model = taper.calibrate(carried, is_side, seen, var)
    unseen = cut_off_m(axes, seen, var, model, noise)
    if unseen.any():
        carried = carried + _carry(axes, unseen)
        model = taper.calibrate(carried, is_side, seen, var)
    drop = np.zeros(len(along)) if before_m is None else union_drop(axes, before_m)
    model_log = np.log(model.radius_m(carried, is_side))
    mean, spread = taper.smooth_taper(
        axes.first,
        along,
        np.stack([model_log, drop]),
        np.log(seen),
        var,
        model.sd_log**2,
        taper.WALK_SD_PER_SQRT_M**2,
    )
    radius = np.exp(taper.fall_to_tip(axes.first, mean, 1.0 / spread))
    firm = spread < 0.4 * model.sd_log**2
    source = np.where(good, FITTED, np.where(firm, INTERPOLATED, MODELLED)).astype(np.int64)
    blur = np.where(good, _blurred_by(fits, near), near) / radius
    # Where the ring is blurred, what the limb's fits say is little better than the model.
    apart = np.where(good, np.log(typical) - model_log, 0.0)
    dispute = DOUBT_OF_DISPUTE * np.minimum(2.0 * blur, 1.0) * apart
    doubt = np.sqrt(spread + 0.02**2 + (DOUBT_OF_BLUR * blur) ** 2 + dispute**2)
    doubt *= DOUBT_OF_SOURCE[source]
    hidden = thinned(axes, radius, leafy)
    # Wood that leaves hide may be as thick as the limb was before them.
    radius_sd = np.maximum(hidden * np.minimum(doubt, MOST_DOUBT), 0.5 * (radius - hidden))
    radius = hidden
    return Radii(radius, radius_sd, good, source, noise, unseen, leafy)
