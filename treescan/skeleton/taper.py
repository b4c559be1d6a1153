"""Radii along the limbs: measured values, taper and the pipe model brought together.

Along each limb the logarithm of the radius is a random walk about the pipe model's course; the
fits are its observations (Kalman filter and smoother, Rauch, Tung and Striebel 1965).  Where
the scan saw little, the walk falls back on the model, which is calibrated on the nodes of the
same tree that were seen well.  Then radii are made to fall toward the tip.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

TIP_RADIUS_M = 0.003
MODEL_SD = 0.35
"""Spread of one limb's level about the tree's own pipe model, in logarithm of radius."""
WALK_SD_PER_SQRT_M = 0.12


@dataclass(frozen=True)
class PipeModel:
    """Radius from the length of wood beyond: ``r = tip + scale * beyond ** power``. [m]"""

    scale: float
    power: float
    sd_log: float

    def radius_m(self, beyond_m: npt.ArrayLike) -> Floats:
        """Radius where ``beyond_m`` of limb lies farther out. [m]"""
        beyond = np.maximum(np.asarray(beyond_m, dtype=np.float64), 0.0)
        result: Floats = TIP_RADIUS_M + self.scale * beyond**self.power
        return result


def calibrate(beyond_m: Floats, radius_m: Floats, good: Bools) -> PipeModel:
    """Fit the pipe model to well-seen nodes by robust regression of logarithms."""
    use = good & (beyond_m > 0.2) & (radius_m > 1.2 * TIP_RADIUS_M)
    if use.sum() < 12:
        return PipeModel(0.008, 1.0, 0.5)
    x = np.log(beyond_m[use])
    y = np.log(np.maximum(radius_m[use] - TIP_RADIUS_M, 1e-4))
    weight = np.ones(len(x))
    slope, level = 1.0, float(np.median(y - x))
    for _ in range(15):
        mx, my = np.average(x, weights=weight), np.average(y, weights=weight)
        sxx = np.average((x - mx) ** 2, weights=weight)
        # A prior of slope 1 +- 0.3 holds the fit where the lengths span too little.
        pull = 0.05 / max(len(x), 1) ** 0.5
        slope = (np.average((x - mx) * (y - my), weights=weight) + pull) / (sxx + pull)
        slope = float(np.clip(slope, 0.6, 1.6))
        level = float(my - slope * mx)
        rest = y - level - slope * x
        scale = max(1.4826 * float(np.median(np.abs(rest))), 0.05)
        weight = 1.0 / (1.0 + (rest / (2 * scale)) ** 2)
    return PipeModel(float(np.exp(level)), slope, float(np.clip(scale, 0.15, 0.6)))


@njit(cache=True)
def smooth_taper(
    first: Ints,
    along: Floats,
    course: Floats,
    seen_log: Floats,
    seen_var: Floats,
    model_var: float,
    walk_var_per_m: float,
) -> Any:
    """Smooth log radii along each limb; ``seen_var`` is infinite where nothing was seen.

    ``course`` (2, n) holds the model's log radius and the fall expected at unions.

    Returns ``(mean, variance)`` of the log radius, shape (n,) each.
    """
    n = len(along)
    model_log, drop = course[0], course[1]
    mean = np.zeros(n)
    var = np.zeros(n)
    ahead_mean = np.zeros(n)
    ahead_var = np.zeros(n)
    for limb in range(len(first) - 1):
        low, high = first[limb], first[limb + 1]
        m, p = model_log[low], model_var
        for i in range(low, high):
            if i > low:
                ds = max(along[i] - along[i - 1], 1e-3)
                # Falls back on the model over about 3 m without sight.
                hold = np.exp(-ds / 3.0)
                m = model_log[i] + hold * (m - model_log[i - 1]) - drop[i]
                p = hold * hold * p + (1 - hold * hold) * model_var + walk_var_per_m * ds
                p += (0.5 * drop[i]) ** 2
            ahead_mean[i], ahead_var[i] = m, p
            if np.isfinite(seen_var[i]):
                gain = p / (p + seen_var[i])
                m = m + gain * (seen_log[i] - m)
                p = (1 - gain) * p
            mean[i], var[i] = m, p
        for i in range(high - 2, low - 1, -1):
            ds = max(along[i + 1] - along[i], 1e-3)
            hold = np.exp(-ds / 3.0)
            back = var[i] * hold / ahead_var[i + 1]
            mean[i] += back * (mean[i + 1] - ahead_mean[i + 1])
            var[i] += back * back * (var[i + 1] - ahead_var[i + 1])
    return mean, var


@njit(cache=True)
def fall_to_tip(first: Ints, value: Floats, weight: Floats) -> Any:
    """Nearest non-rising course along each limb (pool adjacent violators)."""
    n = len(value)
    result = np.zeros(n)
    level = np.zeros(n)
    mass = np.zeros(n)
    size = np.zeros(n, np.int64)
    for limb in range(len(first) - 1):
        top = 0
        for i in range(first[limb], first[limb + 1]):
            level[top], mass[top], size[top] = value[i], weight[i], 1
            top += 1
            while top > 1 and level[top - 2] < level[top - 1]:
                total = mass[top - 2] + mass[top - 1]
                level[top - 2] = (
                    level[top - 2] * mass[top - 2] + level[top - 1] * mass[top - 1]
                ) / total
                mass[top - 2] = total
                size[top - 2] += size[top - 1]
                top -= 1
        at = first[limb]
        for block in range(top):
            for _ in range(size[block]):
                result[at] = level[block]
                at += 1
    return result
