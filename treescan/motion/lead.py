"""The line itself: what its lead passes while the piece moves, and what its fall runs past."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from treescan.motion.body import rigid_piece
from treescan.motion.on_line import swing_steps
from treescan.motion.types import Clearance, Path
from treescan.site.obstacles import Obstacles
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

LINE_STEP_M = 0.1
"""Points looked at on the line are this far apart: distances are exact to half of it. [m]"""

MOST_POSES = 240


def lead_points(
    piece: Piece, path: Path, tie_m: npt.ArrayLike, anchor_m: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """Points along the straight lead from the anchor to the tie, over the path.

    Parameters
    ----------
    piece : Piece
    path : Path
    tie_m : array_like, shape (3,) or (j, 3)
        On the piece before the cut; the first row is followed. [m]
    anchor_m : array_like, shape (3,)

    Returns
    -------
    point : ndarray, shape (t, p, 3)
        [m]
    time : ndarray, shape (t,)
        [s]
    """
    tie = np.atleast_2d(np.asarray(tie_m, dtype=np.float64))[0]
    anchor = np.asarray(anchor_m, dtype=np.float64)
    rows = np.unique(np.linspace(0, len(path.time_s) - 1, MOST_POSES).astype(int))
    offset = tie - rigid_piece(piece).centre_m
    end = path.centre_m[rows] + path.rotation[rows] @ offset
    longest = float(np.linalg.norm(end - anchor, axis=1).max())
    share = np.linspace(0.0, 1.0, max(int(np.ceil(longest / LINE_STEP_M)), 2))
    point = anchor + share[None, :, None] * (end - anchor)[:, None]
    return point, np.asarray(path.time_s[rows], dtype=np.float64)


def lead_clearances(
    piece: Piece,
    path: Path,
    tie_m: npt.ArrayLike,
    anchor_m: npt.ArrayLike,
    obstacles: Obstacles,
) -> tuple[Clearance, ...]:
    """Closest approach of the lead to every target and conductor, in the site's order.

    A line near a conductor is as dangerous as the piece; a line over a roof's edge is cut.
    """
    if not len(obstacles):
        return ()
    point, time = lead_points(piece, path, tie_m, anchor_m)
    spread = path.sway_m + LINE_STEP_M / 2.0
    return _line_clearances(
        point.reshape(-1, 3), np.repeat(time, point.shape[1]), spread, obstacles
    )


def _line_clearances(
    point: Floats, time: Floats, spread_m: float, obstacles: Obstacles
) -> tuple[Clearance, ...]:
    """Closest of a line's points (k, 3) [m] at their times (k,) [s] to every target."""
    gap, best = obstacles.nearest(point)
    return tuple(
        Clearance(
            target=f"{name} (line)",
            distance_m=float(gap[row]),
            margin_m=float(obstacles.margin_m[row]) if obstacles.is_conductor[row] else 0.1,
            time_s=float(time[best[row]]),
            point_m=tuple(float(v) for v in point[best[row]]),  # type: ignore[arg-type]
            spread_m=spread_m,
        )
        for row, name in enumerate(obstacles.names)
    )


def fall_clearances(points_m: npt.ArrayLike, obstacles: Obstacles) -> tuple[Clearance, ...]:
    """Distance of the line's fall to every target and conductor, in the site's order.

    The fall stands still while a piece is lowered: straight from the anchor over the redirects
    to the friction device.

    Parameters
    ----------
    points_m : array_like, shape (k, 3)
        Anchor, redirects and device, in the order of the line. [m]
    obstacles : Obstacles
    """
    corner = np.asarray(points_m, dtype=np.float64)
    if not len(obstacles) or len(corner) < 2:
        return ()
    parts = []
    for start, end in pairwise(corner):
        count = max(int(np.ceil(np.linalg.norm(end - start) / LINE_STEP_M)), 1) + 1
        parts.append(start + np.linspace(0.0, 1.0, count)[:, None] * (end - start))
    point = np.concatenate(parts)
    return _line_clearances(point, np.zeros(len(point)), LINE_STEP_M / 2.0, obstacles)


def swing_past_fall_m(piece: Piece, path: Path, points_m: npt.ArrayLike) -> tuple[float, float]:
    """Gap between the piece's outline and the line's fall: before the cut, and least on the swing.

    Only the swing is looked at, not the way down: there people guide the piece.

    Parameters
    ----------
    piece : Piece
    path : Path
    points_m : array_like, shape (k, 3)
        Anchor, redirects and device, in the order of the line. [m]

    Returns
    -------
    before, least : float
        [m]; below zero where the fall runs through the outline.
    """
    corner = np.asarray(points_m, dtype=np.float64)
    steps = swing_steps(path.time_s)
    last = len(path.time_s) - 1 if steps is None else steps
    rows = np.unique(np.linspace(0, last, MOST_POSES // 2).astype(int))
    rigid = rigid_piece(piece)
    ball = np.einsum("tab,jb->tja", path.rotation[rows], rigid.offset_m)
    ball += path.centre_m[rows][:, None]
    gap = np.full(len(rows), np.inf)
    for start, end in pairwise(corner):
        along = end - start
        share = (ball - start) @ along / max(float(along @ along), 1e-12)
        nearest = start + np.clip(share, 0.0, 1.0)[..., None] * along
        away = np.linalg.norm(ball - nearest, axis=2) - rigid.radius_m
        gap = np.minimum(gap, away.min(axis=1))
    return float(gap[0]), float(gap.min())
