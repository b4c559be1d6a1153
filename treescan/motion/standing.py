"""Closest approach of a moving piece to the wood that still stands.

The standing wood is a cloud of balls sorted into cubes once; each ball of the piece then
walks its way in steps no longer than its distance allows, so that few places are looked at.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.errors import InvalidInputError
from treescan.motion.body import rigid_piece
from treescan.motion.clearance import Motion, _ball, motion_of
from treescan.motion.types import Clearance, Path
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

WOOD_EXACT_M = 0.01
CUBE_M = 0.4
LOOK_AHEAD_M = 0.8
FAR_M = 3.0
"""Distances to standing wood beyond this are given as this. [m]"""


class Standing(NamedTuple):
    """Standing wood ready for many queries.

    ``point`` (k, 3) and ``radius`` (k,) sorted by cube; ``row`` (k,) the place of each in
    the arrays it was made from; ``first`` (nx, ny, nz) and ``last`` the rows of each cube;
    ``low`` (3,) the corner of the first cube; ``widest`` the greatest radius. [m]
    """

    point: Floats
    radius: Floats
    row: Ints
    first: Ints
    last: Ints
    low: Floats
    widest: float


def standing_wood(point_m: npt.ArrayLike, radius_m: npt.ArrayLike = 0.0) -> Standing:
    """Sort the standing wood into cubes.

    Parameters
    ----------
    point_m : array_like, shape (k, 3)
        Nodes or surface points, as close together as the answer should be exact. [m]
    radius_m : array_like, shape (k,) or scalar

    Raises
    ------
    InvalidInputError
        If there is no point, or one is not finite.
    """
    point = np.asarray(point_m, dtype=np.float64).reshape(-1, 3)
    radius = np.broadcast_to(np.asarray(radius_m, dtype=np.float64), (len(point),))
    if not len(point) or not np.isfinite(point).all() or not np.isfinite(radius).all():
        raise InvalidInputError(
            f"standing wood: {len(point)} points, all of which must be finite. Leave the check "
            "out when nothing stands."
        )
    low = point.min(axis=0)
    cube = ((point - low) / CUBE_M).astype(np.int64)
    size = cube.max(axis=0) + 1
    if size.prod() > 50_000_000:
        raise InvalidInputError(
            f"standing wood spreads over {np.ptp(point, axis=0).round(0)} m. Give one tree's."
        )
    key = (cube[:, 0] * size[1] + cube[:, 1]) * size[2] + cube[:, 2]
    order = np.argsort(key, kind="stable")
    edges = np.searchsorted(key[order], np.arange(size.prod() + 1))
    return Standing(
        point=np.ascontiguousarray(point[order]),
        radius=np.ascontiguousarray(radius[order]),
        row=order.astype(np.int64),
        first=edges[:-1].reshape(size).astype(np.int64),
        last=edges[1:].reshape(size).astype(np.int64),
        low=low,
        widest=float(radius.max()),
    )


def clearance_to_tree(  # noqa: PLR0913 - what moves, what stands, what does not count
    piece: Piece,
    path: Path,
    standing: Standing | Floats,
    standing_radius_m: Floats | float = 0.0,
    *,
    gone: Bools | None = None,
    wood_m: Floats | None = None,
    wood_radius_m: Floats | None = None,
    margin_m: float = 0.0,
    near_cut_m: float = 0.3,
) -> Clearance:
    """Closest approach of the moving piece to the wood that still stands.

    Parameters
    ----------
    piece : Piece
    path : Path
    standing : Standing, or ndarray of shape (k, 3)
        Made once by :func:`standing_wood` for many pieces; or points for a single call.
    standing_radius_m : ndarray, shape (k,) or scalar
        With points only.
    gone : ndarray, shape (k,), bool, optional
        Points that no longer stand, or belong to the piece.
    wood_m, wood_radius_m : ndarray, shapes (j, 3) and (j,), optional
        The piece's own wood before the cut (nodes and radii).  Without it the whole outline
        counts, leaves included, which brushes a crown nearly always.
    margin_m : float
        Distance wanted. [m]
    near_cut_m : float
        Balls nearer than this before the cut (at the cut itself, crossing twigs) count only
        once they have moved away by as much and both widths. [m]

    Returns
    -------
    Clearance
        Exact to 1 cm up to :data:`FAR_M`, which also stands for anything farther.
    """
    wood = standing if isinstance(standing, Standing) else standing_wood(
        standing, standing_radius_m
    )  # fmt: skip
    count = len(wood.point)
    missing = np.zeros(count, dtype=np.bool_)
    if gone is not None:
        missing = np.ascontiguousarray(np.asarray(gone, dtype=np.bool_)[wood.row])
    rigid = rigid_piece(piece)
    motion = motion_of(rigid, path)
    if wood_m is not None:
        offset = np.ascontiguousarray(np.asarray(wood_m, dtype=np.float64) - rigid.centre_m)
        radius = np.zeros(len(offset)) if wood_radius_m is None else np.asarray(wood_radius_m)
        motion = motion._replace(
            offset=offset, radius=np.ascontiguousarray(radius, dtype=np.float64)
        )
    found = _closest_to_wood(motion, wood, missing, near_cut_m)
    return Clearance(
        target="rest of the tree",
        distance_m=float(found[0]),
        margin_m=margin_m,
        time_s=float(found[1]),
        point_m=(float(found[2]), float(found[3]), float(found[4])),
        spread_m=path.sway_m,
    )


@njit(cache=True)
def _gap(x: float, y: float, z: float, wood: Standing, missing: Bools, limit: float) -> float:
    """Distance from a point to the surface of the nearest standing ball, at most ``limit``."""
    best = limit
    nx, ny, nz = wood.first.shape
    reach = max(limit + wood.widest, 0.0)
    ax = max(int((x - reach - wood.low[0]) / CUBE_M), 0)
    ay = max(int((y - reach - wood.low[1]) / CUBE_M), 0)
    az = max(int((z - reach - wood.low[2]) / CUBE_M), 0)
    bx = min(int(np.floor((x + reach - wood.low[0]) / CUBE_M)), nx - 1)
    by = min(int(np.floor((y + reach - wood.low[1]) / CUBE_M)), ny - 1)
    bz = min(int(np.floor((z + reach - wood.low[2]) / CUBE_M)), nz - 1)
    for i in range(ax, bx + 1):
        cx = wood.low[0] + i * CUBE_M
        dx = max(cx - x, 0.0, x - cx - CUBE_M)
        for j in range(ay, by + 1):
            cy = wood.low[1] + j * CUBE_M
            dy = max(cy - y, 0.0, y - cy - CUBE_M)
            for k in range(az, bz + 1):
                first, last = wood.first[i, j, k], wood.last[i, j, k]
                if first == last:
                    continue
                cz = wood.low[2] + k * CUBE_M
                dz = max(cz - z, 0.0, z - cz - CUBE_M)
                near = best + wood.widest
                if near <= 0.0 or dx * dx + dy * dy + dz * dz > near * near:
                    continue
                for row in range(first, last):
                    if missing[row]:
                        continue
                    px, py, pz = wood.point[row, 0], wood.point[row, 1], wood.point[row, 2]
                    far = np.sqrt((px - x) ** 2 + (py - y) ** 2 + (pz - z) ** 2)
                    best = min(best, far - wood.radius[row])
    return best


@njit(cache=True)
def _closest_to_wood(motion: Motion, wood: Standing, missing: Bools, near_cut: float) -> Floats:
    """Distance, time and place (5,) of the closest approach to standing wood."""
    found = np.array([FAR_M, motion.time[0], np.nan, np.nan, np.nan])
    start, a, b = np.empty(3), np.empty(3), np.empty(3)
    last = len(motion.time) - 1
    for row in range(len(motion.radius)):
        radius = motion.radius[row]
        _ball(motion, 0, row, start)
        look = near_cut + 0.1 + radius
        gap = _gap(start[0], start[1], start[2], wood, missing, look) - radius
        free_after = near_cut + 2.0 * (radius + wood.widest) if gap < near_cut else -1.0
        ahead = 0.0  # way the ball may still go before it is worth a look
        for step in range(max(last, 1)):
            _ball(motion, step, row, a)
            _ball(motion, min(step + 1, last), row, b)
            way = np.sqrt((b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2 + (b[2] - a[2]) ** 2)
            along = ahead
            while along <= way:
                share = along / way if way > 0.0 else 0.0
                x = a[0] + share * (b[0] - a[0])
                y = a[1] + share * (b[1] - a[1])
                z = a[2] + share * (b[2] - a[2])
                moved = np.sqrt((x - start[0]) ** 2 + (y - start[1]) ** 2 + (z - start[2]) ** 2)
                if moved <= free_after:
                    along += max(free_after - moved, 2.0 * WOOD_EXACT_M)
                    continue
                free_after = -1.0
                look = min(FAR_M, found[0] + LOOK_AHEAD_M) + radius
                gap = _gap(x, y, z, wood, missing, look) - radius
                if gap < found[0]:
                    later = motion.time[min(step + 1, last)]
                    found[0] = gap
                    found[1] = motion.time[step] + share * (later - motion.time[step])
                    found[2], found[3], found[4] = x, y, z
                along += max(gap - found[0], 2.0 * WOOD_EXACT_M)
            ahead = along - way
    return found
