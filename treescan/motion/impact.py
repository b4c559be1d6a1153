"""The blow of a falling piece on the ground, and what protects the ground (handbook 10.3)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.mechanics.inputs import not_negative, positive
from treescan.motion.landing import FLAT_WITHIN_DEG
from treescan.motion.types import Path
from treescan.units import G_M_S2

Floats = npt.NDArray[np.float64]

STOPPING_DEPTH_M = {
    ("turf", "flat"): (0.01, 0.05),
    ("turf", "end"): (0.05, 0.30),
    ("bare soil", "flat"): (0.01, 0.05),
    ("bare soil", "end"): (0.05, 0.30),
    ("brush mat", "flat"): (0.10, 0.30),
    ("brush mat", "end"): (0.10, 0.30),
    ("paving", "flat"): (0.005, 0.02),
    ("paving", "end"): (0.005, 0.02),
}
"""Depth in which a log is stopped, low and high. [m]  Turf and brush: handbook 10.3
[from memory / common practice, no source]; bare soil taken as turf; paving: its L16 value of
0.02 m as the softer end, assumption."""


@dataclass(frozen=True)
class Blow:
    """Energy and mean force of a landing; the peak is about twice the mean.

    ``mean_force_n`` is (low, high) over the range of stopping depths.
    """

    energy_j: float
    mean_force_n: tuple[float, float]
    options: tuple[str, ...]


def impact_energy_j(
    mass_kg: npt.ArrayLike, fall_m: npt.ArrayLike, depth_m: npt.ArrayLike = 0.0
) -> Floats:
    """Energy given up by a piece stopped in a depth, ``m g (h + delta)``; array_like. [J]"""
    mass = positive("mass", mass_kg, 1e6, "kg")
    way = not_negative("fall", fall_m, 200.0, "m") + not_negative("depth", depth_m, 5.0, "m")
    result: Floats = mass * G_M_S2 * way
    return result


def mean_force_n(energy_j: npt.ArrayLike, depth_m: npt.ArrayLike) -> Floats:
    """Mean force over the stopping depth, ``E / delta``; array_like that broadcast. [N]"""
    result: Floats = not_negative("energy", energy_j) / positive("depth", depth_m, 5.0, "m")
    return result


def blow(path: Path, surface: str, limit_j: float) -> Blow:
    """Blow of a falling piece on a surface, and options when it is more than it takes.

    Parameters
    ----------
    path : Path
    surface : str
        A surface of the site file.
    limit_j : float
        Energy the ground takes there. [J]

    Raises
    ------
    InvalidInputError
        If the surface is not known.
    """
    flat = abs(path.contact_attitude_deg - 90.0) <= FLAT_WITHIN_DEG
    key = (surface, "flat" if flat else "end")
    if key not in STOPPING_DEPTH_M:
        known = ", ".join(sorted({name for name, _ in STOPPING_DEPTH_M}))
        raise InvalidInputError(f"surface '{surface}' is not known. Use one of {known}.")
    low, high = STOPPING_DEPTH_M[key]
    energy = path.impact_energy_j
    forces = (float(mean_force_n(energy, high)), float(mean_force_n(energy, low)))
    options: list[str] = []
    if energy > limit_j > 0.0:
        ratio = energy / limit_j
        options.append(
            f"{energy / 1e3:.1f} kJ is {ratio:.1f} times what the {surface} is given to take"
        )
        if surface != "brush mat":
            options.append("lay a brush mat 0.3 to 1 m deep, with boards or crossed logs over it")
        options.append(f"or cut {int(np.ceil(ratio))} shorter sections, or lower it")
    return Blow(energy, forces, tuple(options))
