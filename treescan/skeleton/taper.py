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

WALK_SD_PER_SQRT_M = 0.10
MEMORY_M = 3.0
"""Over this length without sight the walk falls back on the pipe model. [m]"""
TIP_LENGTH_M = 0.1
BEST_SEEN = 300
"""Where no diameter is sharp the model is set on so many of the nodes seen best: those of the stem
alone would say nothing of thin limbs. [judgement]"""
PIPE_POWER, PIPE_POWER_SD, SIDE_SD = 0.52, 0.05, 0.3
"""Radius grows as the supported shoot length to about 1/2: equal area for equal length, the pipe
model (Shinozaki et al. 1964, Japanese Journal of Ecology 14:97 [from memory]); a little more for
the taper between unions. [judgement]"""


@dataclass(frozen=True)
class PipeModel:
    """Radius from the total length of limb beyond: ``r = scale * (length + tip) ** power``. [m]

    Side limbs have ``side`` times the radius of a stem that carries as much.
    """

    scale: float
    power: float
    side: float
    sd_log: float

    def radius_m(self, carried_m: Floats, is_side: Bools) -> Floats:
        """Radius where ``carried_m`` (n,) of limbs in all lies farther out, shape (n,). [m]

        ``is_side`` (n,) marks nodes of side limbs.
        """
        length = np.maximum(carried_m, 0.0) + TIP_LENGTH_M
        result: Floats = self.scale * length**self.power * np.where(is_side, self.side, 1.0)
        return result


def calibrate(carried_m: Floats, is_side: Bools, radius_m: Floats, var_log: Floats) -> PipeModel:
    """Fit the pipe model to the nodes seen well, by reweighted regression of logarithms.

    ``carried_m`` [m], ``is_side`` and ``radius_m`` [m] are (n,); ``var_log`` (n,) is the
    variance of each log radius, infinite where nothing was seen.  The power has the prior of the
    pipe model, the side limbs' factor one of 1 with sd ``SIDE_SD`` in log.
    """
    use = np.isfinite(var_log) & (var_log < 0.1**2) & (carried_m > 0.3)
    if use.sum() < 30:
        known = np.where(carried_m > 0.3, var_log, np.inf)
        few = float(np.sort(known)[min(BEST_SEEN, len(known)) - 1])
        use = np.isfinite(known) & (known <= max(0.3**2, few))
    if use.sum() < 8:
        return PipeModel(0.010, PIPE_POWER, 1.0, 0.5)
    x = np.log(carried_m[use] + TIP_LENGTH_M)
    y = np.log(radius_m[use])
    design = np.column_stack([np.ones(len(x)), x, is_side[use].astype(np.float64)])
    # A limb's nodes err together: a hundred of them say no more than about ten.
    base = 0.1 / (var_log[use] + 0.05**2 + 0.15**2)
    prior = np.diag([0.0, 1.0 / PIPE_POWER_SD**2, 1.0 / SIDE_SD**2])
    target = np.array([0.0, PIPE_POWER / PIPE_POWER_SD**2, 0.0])
    weight, spread = base, 0.2
    answer = np.zeros(3)
    for _ in range(12):
        normal = design.T @ (design * weight[:, None]) + prior
        answer = np.linalg.solve(normal, design.T @ (weight * y) + target)
        rest = y - design @ answer
        spread = max(1.4826 * float(np.median(np.abs(rest))), 0.05)
        weight = base / (1.0 + (rest / (2.0 * spread)) ** 2)
    sd = float(np.clip(1.5 * spread, 0.18, 0.5))
    return PipeModel(float(np.exp(answer[0])), float(answer[1]), float(np.exp(answer[2])), sd)


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

    ``course`` (2, n) holds the model's log radius, which falls at unions, and how far the
    true fall there may differ.

    Returns ``(mean, variance)`` of the log radius, shape (n,) each.

    Nodes ``first[i]`` to ``first[i + 1]`` (k + 1,) are those of limb i; ``along`` (n,) is their
    place on it [m], ``seen_log`` (n,) the log of the fitted radius in metres.
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
                hold = np.exp(-ds / MEMORY_M)
                m = model_log[i] + hold * (m - model_log[i - 1])
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
            hold = np.exp(-ds / MEMORY_M)
            back = var[i] * hold / ahead_var[i + 1]
            mean[i] += back * (mean[i + 1] - ahead_mean[i + 1])
            var[i] += back * back * (var[i + 1] - ahead_var[i + 1])
    return mean, var


@njit(cache=True)
def fall_to_tip(first: Ints, value: Floats, weight: Floats) -> Any:
    """Nearest non-rising course along each limb (pool adjacent violators).

    ``first`` (k + 1,) as in :func:`smooth_taper`; ``value`` of any unit and ``weight`` are (n,),
    and so is what comes back.
    """
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
