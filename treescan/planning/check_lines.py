"""Plain statics of a stretched line for the independent check, from ``plan.json`` alone."""

from __future__ import annotations

from typing import Any

import numpy as np

Json = dict[str, Any]

WITHIN = 0.05
"""The sag is found here by bisection on its own; tensions may differ by this share."""


def stretched_line_faults(step: Json, weight_n: float) -> list[str]:
    """Faults of the tensions told for a piece on a stretched line.

    The tension of a sudden load (twice the weight) where the piece hangs at the cut is worked
    out anew from the ends, the modulus and the tightening; the tension told must reach it, the
    anchor must carry at least the line, and a weak lower end must be said.
    """
    number = step["step"]
    told = (step.get("load") or {}).get("stretched_line")
    if told is None:
        return [f"step {number}: a speed line without its ends"]
    upper = np.asarray(told["upper_m"], dtype=np.float64)
    lower = np.asarray(told["lower_m"], dtype=np.float64)
    tight, modulus = told["tightened_N"], told["modulus_N"]
    if lower[2] >= upper[2]:
        return [f"step {number}: its stretched line does not fall to its lower end"]
    expected = mid_tension_n(upper, lower, (tight, modulus), told["starts_at_share"], 2 * weight_n)
    faults = []
    high = step["line_tension_N"]["high"]
    if high < (1.0 - WITHIN) * expected:
        faults.append(
            f"step {number}: the stretched line holds {high:.0f} N; statics gives {expected:.0f} N"
        )
    if step["anchor_load_N"]["high"] < 0.999 * high:
        faults.append(f"step {number}: the upper anchor carries less than its stretched line")
    holds = told.get("lower_holds_N")
    if holds and high > 1.001 * holds and not step.get("broken_limits"):
        faults.append(f"step {number}: {told['lower_end']} holds less than the line pulls, unsaid")
    return faults


def mid_tension_n(
    upper: Any, lower: Any, line: tuple[float, float], share: float, load_n: float
) -> float:
    """Tension of an elastic line with a load held at a share of its span. [N]

    ``line`` is its tightening and its modulus, both [N].  Bisection on the sag below the chord.
    """
    tight, modulus = line
    chord = float(np.linalg.norm(lower - upper))
    free = chord / (1.0 + tight / modulus)
    low, high = 0.0, chord
    tension = tight
    for _ in range(80):
        sag = 0.5 * (low + high)
        at = upper + share * (lower - upper) - np.array([0.0, 0.0, sag])
        up, on = upper - at, lower - at
        first, second = float(np.linalg.norm(up)), float(np.linalg.norm(on))
        tension = modulus * max((first + second) / free - 1.0, 0.0)
        carries = tension * (up[2] / first + on[2] / second)
        low, high = (sag, high) if carries < load_n else (low, sag)
    return tension
