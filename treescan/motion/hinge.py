"""Turning of a piece about its hinge until the hinge wood breaks: a pendulum with one angle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.spatial.transform import Rotation

from treescan.errors import InvalidInputError
from treescan.motion.body import RigidPiece
from treescan.units import G_M_S2

Floats = npt.NDArray[np.float64]

PULLED_RATE_RAD_S = 0.25
"""Rate at which people pull or wedge a piece over its balance point: our choice. [rad/s]"""

START_RATE_RAD_S = 0.05
"""Rate at which a piece leaves its balance point: our choice. [rad/s]"""


@dataclass(frozen=True)
class Hinge:
    """Hinge line and the gravity moment about it.

    The moment is ``mass g (sine sin(theta) + cosine cos(theta))``, positive opening.

    Attributes
    ----------
    point_m, axis : ndarray, shape (3,)
    inertia_kg_m2 : float
        About the hinge line.
    sine_m, cosine_m : float
    """

    point_m: Floats
    axis: Floats
    inertia_kg_m2: float
    sine_m: float
    cosine_m: float

    @property
    def balance_rad(self) -> float:
        """Angle that must be passed before gravity opens the hinge; inf when it never does."""
        if self.cosine_m >= 0.0:
            return 0.0
        if self.sine_m <= 0.0:
            return float("inf")
        return float(np.arctan2(-self.cosine_m, self.sine_m))


def face_direction(azimuth_deg: float, below_level_deg: float) -> Floats:
    """Unit vector (3,) a face aims along; azimuth clockwise from +y (north)."""
    azimuth, below = np.radians(azimuth_deg), np.radians(below_level_deg)
    level = np.cos(below)
    return np.array([level * np.sin(azimuth), level * np.cos(azimuth), -np.sin(below)])


def make_hinge(rigid: RigidPiece, point_m: Floats, limb_axis: Floats, facing: Floats) -> Hinge:
    """Hinge across the cut, so that opening moves the limb toward ``facing``.

    ``point_m`` (3,) lies on the hinge [m]; ``limb_axis`` and ``facing`` are unit vectors (3,).

    Raises
    ------
    InvalidInputError
        If the face aims along the limb itself.
    """
    axis = np.cross(limb_axis, facing)
    length = float(np.linalg.norm(axis))
    if length < 0.05:
        raise InvalidInputError(
            "hinge: the face aims along the limb (within 3 degrees). Aim it across the limb."
        )
    axis = axis / length
    arm = rigid.centre_m - point_m
    spun = rigid.axes.T @ axis
    about_centre = float((np.asarray(rigid.body.moments) * spun**2).sum())
    across = np.cross(axis, arm)
    return Hinge(
        point_m=point_m,
        axis=axis,
        inertia_kg_m2=about_centre + rigid.body.mass * float(across @ across),
        sine_m=float(arm[2] - axis[2] * (axis @ arm)),
        cosine_m=float(-across[2]),
    )


@njit(cache=True)
def hinge_motion(
    rates: tuple[float, float, float],
    start: tuple[float, float],
    end_rad: float,
    dt: float,
    most: int,
) -> Floats:
    """Angle and rate over time of a piece turning freely about its hinge.

    Parameters
    ----------
    rates : (sine, cosine, decay)
        Angular acceleration is ``sine sin + cosine cos - decay rate``. [1/s², 1/s², 1/s]
    start : (angle, rate)
        [rad], [rad/s]
    end_rad : float
        The hinge breaks here.
    dt : float
        Step. [s]
    most : int
        Steps at most.

    Returns
    -------
    ndarray, shape (k, 3)
        Time, angle, rate; the last row is at ``end_rad`` (or at the last step).
    """
    sine, cosine, decay = rates
    out = np.empty((most + 2, 3))
    t, a, w = 0.0, start[0], start[1]
    out[0, 0], out[0, 1], out[0, 2] = t, a, w
    count = 1
    while count <= most and a < end_rad:
        k1 = sine * np.sin(a) + cosine * np.cos(a) - decay * w
        a2, w2 = a + 0.5 * dt * w, w + 0.5 * dt * k1
        k2 = sine * np.sin(a2) + cosine * np.cos(a2) - decay * w2
        a3, w3 = a + 0.5 * dt * w2, w + 0.5 * dt * k2
        k3 = sine * np.sin(a3) + cosine * np.cos(a3) - decay * w3
        a4, w4 = a + dt * w3, w + dt * k3
        k4 = sine * np.sin(a4) + cosine * np.cos(a4) - decay * w4
        step_a = dt / 6.0 * (w + 2.0 * (w2 + w3) + w4)
        step_w = dt / 6.0 * (k1 + 2.0 * (k2 + k3) + k4)
        share = 1.0
        if a + step_a >= end_rad and step_a > 0.0:
            share = (end_rad - a) / step_a
        t, a, w = t + share * dt, a + share * step_a, w + share * step_w
        out[count, 0], out[count, 1], out[count, 2] = t, a, w
        count += 1
        if share < 1.0 or w <= 0.0:
            break
    return out[:count]


def open_hinge(
    hinge: Hinge, mass_kg: float, break_rad: float, dt: float = 0.002
) -> tuple[Floats, Floats, Floats]:
    """Angle over time from the cut to the break: pulled over its balance, then free.

    ``dt`` is the step of the free part. [s]

    Returns
    -------
    time_s, angle_rad, rate_rad_s : ndarray, shape (k,)
    """
    balance = min(hinge.balance_rad, break_rad)
    pulled = np.arange(0.0, balance, PULLED_RATE_RAD_S * 0.02)
    time = pulled / PULLED_RATE_RAD_S
    angle, rate = pulled, np.full(len(pulled), PULLED_RATE_RAD_S)
    begin = balance / PULLED_RATE_RAD_S
    if balance >= break_rad:
        return (
            np.append(time, begin),
            np.append(angle, break_rad),
            np.append(rate, PULLED_RATE_RAD_S),
        )
    scale = mass_kg * G_M_S2 / hinge.inertia_kg_m2
    free = hinge_motion(
        (scale * hinge.sine_m, scale * hinge.cosine_m, 0.0),
        (balance, START_RATE_RAD_S),
        break_rad,
        dt,
        int(20.0 / dt),
    )
    return (
        np.concatenate([time, begin + free[:, 0]]),
        np.concatenate([angle, free[:, 1]]),
        np.concatenate([rate, free[:, 2]]),
    )


def sampled(
    time: Floats, angle: Floats, rate: Floats, sample_s: float
) -> tuple[Floats, Floats, Floats]:
    """Every sample time and the last moment of a finely stepped motion.

    ``time`` [s], ``angle`` [rad] and ``rate`` [rad/s] are (n,); what comes back is (k,).
    """
    wanted = np.append(np.arange(0.0, time[-1], sample_s), time[-1])
    return wanted, np.interp(wanted, time, angle), np.interp(wanted, time, rate)


def turned(hinge: Hinge, centre_m: Floats, angle_rad: Floats) -> tuple[Floats, Floats]:
    """Centres (k, 3) [m] and rotations (k, 3, 3) of a piece at hinge angles ``angle_rad`` (k,).

    ``centre_m`` (3,) is its centre of mass before the cut. [m]
    """
    rotation = Rotation.from_rotvec(np.asarray(angle_rad)[:, None] * hinge.axis).as_matrix()
    arm = centre_m - hinge.point_m
    return hinge.point_m + rotation @ arm, rotation
