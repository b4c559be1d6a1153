"""Hand-made pieces of known mass and shape for the motion tests."""

import numpy as np

from treescan.pointcloud.cloud import Ground
from treescan.units import Band
from treescan.wood.types import Piece


def flat_ground(height=0.0, half_width=60):
    n = 2 * half_width + 1
    return Ground(
        -float(half_width), -float(half_width), 1.0, np.full((n, n), height),
        np.ones((n, n), dtype=bool),
    )  # fmt: skip


def rod(cut, axis, length, mass, diameter=0.02, balls=None, cone=False):
    """Uniform rod, or slender cone thick at the cut, as a piece."""
    cut, axis = np.asarray(cut, float), np.asarray(axis, float) / np.linalg.norm(axis)
    share, about_end = (0.25, 0.1) if cone else (0.5, 1.0 / 3.0)
    across = mass * length**2 * (about_end - share**2)
    along = 0.5 * mass * (diameter / 2) ** 2
    inertia = across * (np.eye(3) - np.outer(axis, axis)) + along * np.outer(axis, axis)
    balls = balls or int(np.ceil(length / 0.25)) + 1
    reach = np.linspace(0.0, length, balls)
    return Piece(
        butt_node=1,
        nodes=np.array([1], dtype=np.int32),
        limb=0,
        mass_kg=Band(0.8 * mass, 0.9 * mass, mass),
        centre_m=cut + share * length * axis,
        inertia_kg_m2=0.9 * inertia,
        cut_m=cut,
        axis=axis,
        length_m=length,
        butt_diameter_m=diameter,
        top_diameter_m=diameter,
        outline_m=cut + reach[:, None] * axis,
        outline_radius_m=np.full(balls, diameter / 2),
    )
