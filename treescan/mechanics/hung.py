"""A piece hung off its centre of mass: line and piece swing as a double pendulum.

A tie away from the centre of mass lets the piece whip about its tie while the tie itself
swings.  The peak of such a motion can pass the sum of the two single ones several times over,
so it is integrated, or bounded by the energy of the whole fall of the centre of mass.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.mechanics.drop import drop_tension_n
from treescan.mechanics.inputs import Floats, not_negative, positive, within
from treescan.units import G_M_S2

WINDOW_PERIODS = 0.75
"""Integrated from the release past the plumb line and back from the far side: later swings
have lost energy and are held by the crew."""
STEPS_PER_SPRING_PERIOD = 120.0
LARGEST_STEP_S = 2e-3
SENSITIVITY = 0.3
"""Share by which an off-centre piece's integrated peak is raised.

A start 5 deg and a lead 3 % off shift the peak; 0.3 covers 95 % of random hangings (tests).
It grows from 0 for a piece hung at its centre of mass to the full share where the arm is a
fifth of the radius of gyration.
"""


def whole_fall_m(
    lead_m: npt.ArrayLike,
    arm_m: npt.ArrayLike,
    release_rad: npt.ArrayLike,
    start_rad: npt.ArrayLike,
) -> Floats:
    """Fall of the centre of mass from release to hanging plumb, ``l (1 - cos a) + d (1 - cos s)``.

    Parameters
    ----------
    lead_m, arm_m : array_like
        Lead l, and distance d from tie to centre of mass. [m]
    release_rad, start_rad : array_like
        Angle of the lead, and of the centre of mass seen from the tie, from straight down. [rad]
    """
    lead = positive("lead length", lead_m, 1000.0, "m")
    arm = not_negative("distance from tie to centre of mass", arm_m, 200.0, "m")
    release = within("release angle", release_rad, 0.0, np.pi, unit="rad")
    start = within("start angle", start_rad, -np.pi, np.pi, unit="rad")
    result: Floats = lead * (1.0 - np.cos(release)) + arm * (1.0 - np.cos(start))
    return result


def hung_peak_n(
    weight_n: npt.ArrayLike,
    lead_m: npt.ArrayLike,
    arm_m: npt.ArrayLike,
    gyration_m: npt.ArrayLike,
    release_rad: npt.ArrayLike,
    start_rad: npt.ArrayLike,
    stiffness_n_m: npt.ArrayLike,
) -> Floats:
    """Peak lead tension of a lossless first swing of a piece on a taut elastic line. [N]

    Plane motion of a rigid piece on a one-sided spring, integrated by a symplectic rule;
    raised for its sensitivity to the start (:data:`SENSITIVITY`), at most the energy bound of
    the whole fall (:func:`~treescan.mechanics.drop.drop_tension_n`).

    Parameters
    ----------
    weight_n : array_like
        [N]
    lead_m, arm_m, gyration_m : array_like
        Lead, distance from tie to centre of mass, and radius of gyration about the latter. [m]
    release_rad : array_like
        Lead from the plumb line at release. [rad]
    start_rad : array_like
        Centre of mass from straight below the tie; positive on the lead's own side. [rad]
    stiffness_n_m : array_like
        Of the line in service. [N/m]
    """
    bound = drop_tension_n(
        weight_n, whole_fall_m(lead_m, arm_m, release_rad, start_rad), stiffness_n_m
    )
    values = np.broadcast_arrays(
        np.asarray(lead_m, dtype=np.float64),
        np.asarray(arm_m, dtype=np.float64),
        positive("radius of gyration", gyration_m, 200.0, "m"),
        np.asarray(release_rad, dtype=np.float64),
        np.asarray(start_rad, dtype=np.float64),
        np.asarray(stiffness_n_m, dtype=np.float64) * G_M_S2 / np.asarray(weight_n),
    )
    rows = np.stack([np.ravel(value) for value in values], axis=1)
    factor = _peak_factors(rows).reshape(values[0].shape)
    raised = 1.0 + SENSITIVITY * np.minimum(values[1] / (0.2 * values[2]), 1.0)
    result: Floats = np.minimum(raised * factor * np.asarray(weight_n), bound)
    return result


@njit(cache=True)
def _peak_factors(rows):  # type: ignore[no-untyped-def] # noqa: ANN001
    """Peak tension over weight of each row (lead, arm, gyration, release, start, k/m)."""
    result = np.zeros(rows.shape[0])
    for row in range(rows.shape[0]):
        lead, arm, gyration, release, start, stiff = rows[row]
        total = WINDOW_PERIODS * 2.0 * np.pi * np.sqrt((lead + arm) / G_M_S2)
        step = min(LARGEST_STEP_S, 2.0 * np.pi / np.sqrt(stiff) / STEPS_PER_SPRING_PERIOD)
        turn = start
        x = lead * np.sin(release) + arm * np.sin(start)
        z = -lead * np.cos(release) - arm * np.cos(start)
        vx, vz, spin, peak = 0.0, 0.0, 0.0, 0.0
        for _ in range(int(total / step) + 1):
            arm_x, arm_z = -arm * np.sin(turn), arm * np.cos(turn)
            tie_x, tie_z = x + arm_x, z + arm_z
            length = np.sqrt(tie_x * tie_x + tie_z * tie_z)
            pull = max(stiff * (length - lead), 0.0)
            peak = max(peak, pull)
            fx, fz = -pull * tie_x / length, -pull * tie_z / length
            spin += (arm_x * fz - arm_z * fx) / (gyration * gyration) * step
            vx += fx * step
            vz += (fz - G_M_S2) * step
            x += vx * step
            z += vz * step
            turn += spin * step
        result[row] = peak / G_M_S2
    return result
