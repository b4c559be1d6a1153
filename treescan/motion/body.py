"""A piece as a rigid body with ground under it: what the motion modules share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.spatial.transform import Rotation

from treescan.errors import InvalidInputError
from treescan.motion.rigid_body import Body
from treescan.pointcloud.cloud import Ground
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

LEAST_MOMENT_SHARE = 1e-3
"""A slender piece's smallest moment is held at this share of its largest (step size)."""


class Grid(NamedTuple):
    """Ground as compiled loops take it.

    ``z`` (rows, columns) are heights at ``x0 + cell * column``, ``y0 + cell * row``. [m]
    """

    x0: float
    y0: float
    cell: float
    z: Floats


@dataclass(frozen=True)
class RigidPiece:
    """A piece ready for integration.

    Attributes
    ----------
    body : Body
    centre_m : ndarray, shape (3,)
        Centre of mass before the cut. [m]
    axes : ndarray, shape (3, 3)
        Columns are the principal axes at rest, right-handed.
    offset_m : ndarray, shape (j, 3); radius_m : shape (j,)
        Outline balls from the centre of mass, room axes at rest. [m]
    """

    body: Body
    centre_m: Floats
    axes: Floats
    offset_m: Floats
    radius_m: Floats

    @property
    def reach_m(self) -> float:
        """Greatest distance of the outline from the centre of mass. [m]"""
        return float((np.linalg.norm(self.offset_m, axis=1) + self.radius_m).max())

    def attitude(self, rotation: Floats) -> Floats:
        """Quaternion (w, x, y, z) of the principal axes after ``rotation`` (3, 3)."""
        x, y, z, w = Rotation.from_matrix(rotation @ self.axes).as_quat()
        return np.array([w, x, y, z])

    def rotations(self, quaternion: Floats) -> Floats:
        """Rotations from the attitude at rest, (k, 3, 3), of attitudes ``quaternion`` (k, 4)."""
        result: Floats = Rotation.from_quat(quaternion[:, [1, 2, 3, 0]]).as_matrix() @ self.axes.T
        return result


def rigid_piece(piece: Piece, mass_kg: float | None = None) -> RigidPiece:
    """Principal axes and outline of a piece, at its high mass unless another is given.

    Raises
    ------
    InvalidInputError
        If mass, inertia or outline cannot be those of a body.
    """
    mass = float(piece.mass_kg.high if mass_kg is None else mass_kg)
    kept: dict[float, RigidPiece] = piece.__dict__.setdefault("_rigid", {})
    if mass not in kept:
        kept[mass] = _rigid(piece, mass)
    return kept[mass]


def _rigid(piece: Piece, mass: float) -> RigidPiece:
    inertia = np.asarray(piece.inertia_kg_m2, dtype=np.float64)
    if not (mass > 0.0 and np.isfinite(inertia).all() and len(piece.outline_m)):
        raise InvalidInputError(
            f"piece at node {piece.butt_node}: mass {mass:g} kg, {len(piece.outline_m)} outline "
            "balls; a moving piece needs a positive mass, finite inertia and an outline."
        )
    moments, axes = np.linalg.eigh(inertia * (mass / max(piece.mass_kg.likely, 1e-9)))
    if np.linalg.det(axes) < 0.0:
        axes[:, 0] = -axes[:, 0]
    if moments[-1] <= 0.0:
        raise InvalidInputError(
            f"piece at node {piece.butt_node}: its moments of inertia are not positive."
        )
    moments = np.maximum(moments, LEAST_MOMENT_SHARE * moments[-1])
    centre = np.asarray(piece.centre_m, dtype=np.float64)
    return RigidPiece(
        body=Body(float(mass), np.ascontiguousarray(moments), 0.0, 0.0),
        centre_m=centre,
        axes=np.ascontiguousarray(axes),
        offset_m=np.ascontiguousarray(np.asarray(piece.outline_m, dtype=np.float64) - centre),
        radius_m=np.ascontiguousarray(np.asarray(piece.outline_radius_m, dtype=np.float64)),
    )


def ground_grid(ground: Ground) -> Grid:
    """The ground's arrays for compiled loops."""
    z = np.ascontiguousarray(ground.z_m, dtype=np.float64)
    return Grid(float(ground.x0_m), float(ground.y0_m), float(ground.cell_m), z)


@njit(cache=True)
def ground_height(x: float, y: float, grid: Grid) -> float:
    """Bilinear height, as :meth:`Ground.height`. [m]"""
    ny, nx = grid.z.shape
    fx = min(max((x - grid.x0) / grid.cell, 0.0), nx - 1.0)
    fy = min(max((y - grid.y0) / grid.cell, 0.0), ny - 1.0)
    ix, iy = min(int(fx), max(nx - 2, 0)), min(int(fy), max(ny - 2, 0))
    jx, jy = min(ix + 1, nx - 1), min(iy + 1, ny - 1)
    u, v = fx - ix, fy - iy
    low = grid.z[iy, ix] * (1.0 - u) + grid.z[iy, jx] * u
    top = grid.z[jy, ix] * (1.0 - u) + grid.z[jy, jx] * u
    return low * (1.0 - v) + top * v


@njit(cache=True)
def lowest_ball(
    centre: Floats, rotation: Floats, offset: Floats, radius: Floats, grid: Grid
) -> tuple[float, int]:
    """Height of the lowest part of the outline above the ground, and its ball. [m]

    ``centre`` (3,), ``rotation`` (3, 3), ``offset`` (j, 3) and ``radius`` (j,) of the balls. [m]
    """
    best, index = np.inf, 0
    for row in range(len(offset)):
        a, b, c = offset[row, 0], offset[row, 1], offset[row, 2]
        x = centre[0] + rotation[0, 0] * a + rotation[0, 1] * b + rotation[0, 2] * c
        y = centre[1] + rotation[1, 0] * a + rotation[1, 1] * b + rotation[1, 2] * c
        z = centre[2] + rotation[2, 0] * a + rotation[2, 1] * b + rotation[2, 2] * c
        gap = z - radius[row] - ground_height(x, y, grid)
        if gap < best:
            best, index = gap, row
    return best, index


@njit(cache=True)
def lowest_gaps(
    centre: Floats, rotation: Floats, offset: Floats, radius: Floats, grid: Grid
) -> Floats:
    """Lowest height above ground of the outline along a path, shape (k,). [m]

    ``centre`` (k, 3), ``rotation`` (k, 3, 3); ``offset`` (j, 3) and ``radius`` (j,) of the balls.
    [m]
    """
    result = np.empty(len(centre))
    for row in range(len(centre)):
        result[row] = lowest_ball(centre[row], rotation[row], offset, radius, grid)[0]
    return result


def axis_attitude_deg(piece: Piece, rotation: Floats) -> float:
    """Angle of the turned piece's axis from straight up: 0 butt down, 180 top down. [deg]

    ``rotation`` (3, 3) from the attitude at rest.
    """
    up = float((rotation @ np.asarray(piece.axis, dtype=np.float64))[2])
    return float(np.degrees(np.arccos(np.clip(up, -1.0, 1.0))))
