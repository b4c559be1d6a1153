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
OFF_CHORD_M, WIDEST_TURN_DEG = 0.2, 30.0
"""Places are taken so that between them the way bends and the piece turns by no more."""
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
    """Times at which the piece's place is taken: first, last, and where it bends or turns.

    Between two of them the piece is ``OFF_CHORD_M`` at most off the straight way, and turns by
    ``WIDEST_TURN_DEG`` at most.
    """
    kept, last = [0], len(path.time_s) - 1
    while kept[-1] < last:
        first = kept[-1]
        rest = slice(first + 1, last + 1)
        cosine = (np.einsum("kij,ij->k", path.rotation[rest], path.rotation[first]) - 1.0) / 2.0
        narrow = np.append(cosine >= np.cos(np.radians(WIDEST_TURN_DEG)), False)
        most = max(first + int(np.argmin(narrow)), first + 1)
        while most > first + 1 and _off_chord_m(path.centre_m[first : most + 1]) > OFF_CHORD_M:
            most = (first + most + 1) // 2 if most - first > 2 else first + 1
        kept.append(most)
    return np.array(kept)


def _off_chord_m(place_m: Floats) -> float:
    """How far places (k, 3) are off the straight way from the first to the last. [m]"""
    way = place_m[-1] - place_m[0]
    along = np.clip((place_m - place_m[0]) @ way / max(float(way @ way), 1e-12), 0.0, 1.0)
    return float(np.linalg.norm(place_m - place_m[0] - along[:, None] * way, axis=1).max())
