"""The room that a moving piece passes through, as one closed solid.

Each place of the piece is taken as the convex hull of its outline's balls, and the way between
two places as the hull of both, so that the room holds twigs and leaves too.  The balls are taken
as large icosahedra; the solid is then simplified by at most ``FINEST_M``.
"""

from __future__ import annotations

from itertools import pairwise

import manifold3d
import numpy as np
import numpy.typing as npt

from treescan.motion.types import Path
from treescan.report.site_shapes import Solid
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]
FARTHEST_M, WIDEST_TURN_DEG = 1.5, 20.0
"""Places are taken at least this often along the way and along the turn."""
FINEST_M = 0.06
"""How much the solid may be simplified. [m]"""
_GOLDEN = (1 + 5**0.5) / 2
_BALL = np.array(
    [
        corner
        for a in (-1.0, 1.0)
        for b in (-_GOLDEN, _GOLDEN)
        for corner in ((0.0, a, b), (a, b, 0.0), (b, 0.0, a))
    ]
)
_INSCRIBED = _GOLDEN**2 / 3**0.5
"""Radius of the ball inside the icosahedron whose corners are ``_BALL``."""


def swept_room(piece: Piece, path: Path) -> Solid | None:
    """Solid of everything the piece passes through, local frame; None for one at rest."""
    if len(path.time_s) < 2:
        return None
    corners = _outline_hull(piece)
    places = []
    for k in _places(path):
        turned = corners @ np.asarray(path.rotation[k]).T + path.centre_m[k]
        places.append(np.ascontiguousarray(turned))
    hulls = [manifold3d.Manifold.hull_points(np.vstack(pair)) for pair in pairwise(places)]
    whole = _simpler(manifold3d.Manifold.batch_boolean(hulls, manifold3d.OpType.Add))
    if whole.is_empty():
        return None
    mesh = whole.to_mesh64()
    vertex = np.asarray(mesh.vert_properties)[:, :3]
    face = np.asarray(mesh.tri_verts).astype(np.int64)
    normal = np.zeros_like(vertex)
    flat = np.cross(
        vertex[face[:, 1]] - vertex[face[:, 0]], vertex[face[:, 2]] - vertex[face[:, 0]]
    )
    for i in range(3):
        np.add.at(normal, face[:, i], flat)
    return Solid(vertex, normal, face)


def _outline_hull(piece: Piece) -> Floats:
    """Corners of a hull that holds the piece's balls, about its centre of mass, shape (j, 3)."""
    offset = np.asarray(piece.outline_m, dtype=np.float64) - piece.centre_m
    radius = np.maximum(np.asarray(piece.outline_radius_m, dtype=np.float64), 0.01)
    balls = (offset[:, None] + _BALL * (radius / _INSCRIBED)[:, None, None]).reshape(-1, 3)
    hull = _simpler(manifold3d.Manifold.hull_points(np.ascontiguousarray(balls)))
    return np.asarray(hull.to_mesh64().vert_properties)[:, :3]


def _simpler(solid: manifold3d.Manifold) -> manifold3d.Manifold:
    """The solid simplified, or as it is where it is too small for that."""
    simple = solid.simplify(FINEST_M)
    return solid if simple.is_empty() else simple


def _places(path: Path) -> npt.NDArray[np.int64]:
    """Times at which the piece's place is taken: first, last, and where it has moved enough."""
    kept = [0]
    for k in range(1, len(path.time_s) - 1):
        last = kept[-1]
        moved = float(np.linalg.norm(path.centre_m[k + 1] - path.centre_m[last]))
        cosine = (np.trace(path.rotation[last].T @ path.rotation[k + 1]) - 1) / 2
        turned = float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))
        if moved > FARTHEST_M or turned > WIDEST_TURN_DEG:
            kept.append(k)
    return np.array([*kept, len(path.time_s) - 1])
