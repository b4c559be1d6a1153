"""Closed solids joined into one surface, or split by a saw's plane, with exact booleans.

The booleans are those of the library manifold3d, whose results are closed by construction
(Smith 2009, "Towards topologically robust boolean operations").
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import manifold3d
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
FINEST_M = 1e-4
"""Edges shorter than this are drawn together: the files hold single precision. [m]"""
TOUCH_M = 2e-5
"""Points nearer than this to another sheet of the surface are drawn back from it. [m]"""
SLIVER_SHARE = 0.02
"""Loose parts smaller than this share of a piece are numerical crumbs and are left out."""


@dataclass(frozen=True)
class Surface:
    """A closed triangle surface; ``sawn`` marks the triangles of cut faces.

    ``vertex_m`` (v, 3), ``normal`` (v, 3), ``face`` (f, 3), ``sawn`` (f,).
    """

    vertex_m: Floats
    normal: Floats
    face: Ints
    sawn: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Part:
    """A closed solid ready to be joined."""

    solid: manifold3d.Manifold

    @property
    def empty(self) -> bool:
        """Whether nothing is left of it."""
        return bool(self.solid.is_empty())

    def split(self, at_m: Floats, axis: Floats) -> tuple[Part, Part]:
        """The parts beyond and before a plane, with sawn faces.

        The plane goes through ``at_m`` (3,) [m] across ``axis`` (3,), of any length.
        """
        size = float(np.linalg.norm(axis))
        normal = axis / size
        beyond, before = self.solid.split_by_plane(tuple(normal), float(at_m @ normal))
        return Part(beyond), Part(before)


def tube(rings_m: Floats, normal: Floats, sawn: tuple[bool, bool]) -> Part:
    """Return a closed tube of ``rings_m`` (k, c, 3), unit vectors ``normal`` (k, c, 3), flat ends.

    ``sawn`` says which ends are cut faces.
    """
    k, n = rings_m.shape[:2]
    corner = np.arange(n)
    base = (np.arange(k - 1) * n)[:, None]
    a, b = base + corner, base + (corner + 1) % n
    side = np.concatenate([np.stack([a, b, b + n], -1), np.stack([a, b + n, a + n], -1)], 1)
    faces = [side.reshape(-1, 3)]
    rows = [np.hstack([rings_m.reshape(-1, 3), normal.reshape(-1, 3), np.zeros((k * n, 1))])]
    merge_from, merge_to = [], []
    for end, sign, cut in ((0, -1.0, sawn[0]), (k - 1, 1.0, sawn[1])):
        start = k * n + (n + 1) * (0 if sign < 0 else 1)
        ring = rings_m[end]
        hub = ring.mean(0)
        across = np.cross(ring - hub, np.roll(ring, -1, axis=0) - hub).sum(0)
        facing = sign * across / max(float(np.linalg.norm(across)), 1e-12)
        rows.append(np.hstack([np.vstack([ring, hub]), np.tile([*facing, float(cut)], (n + 1, 1))]))
        one, two, middle = start + corner, start + (corner + 1) % n, np.full(n, start + n)
        faces.append(np.stack([middle, two, one] if sign < 0 else [middle, one, two], -1))
        merge_from.append(start + corner)
        merge_to.append(end * n + corner)
    mesh = manifold3d.Mesh64(
        vert_properties=np.concatenate(rows),
        tri_verts=np.concatenate(faces).astype(np.uint64),
        merge_from_vert=np.concatenate(merge_from).astype(np.uint64),
        merge_to_vert=np.concatenate(merge_to).astype(np.uint64),
    )
    return Part(manifold3d.Manifold(mesh))


def joined(parts: Sequence[Part], without: Sequence[Part] = ()) -> Surface | None:
    """Join parts into one closed surface, less what others hold; None when nothing is left."""
    kind = manifold3d.OpType
    whole = manifold3d.Manifold.batch_boolean([p.solid for p in parts], kind.Add)
    near = [p.solid for p in without if any(_meet(p, q) for q in parts)]
    if near:
        others = manifold3d.Manifold.batch_boolean(near, kind.Add)
        whole = whole - others
    whole = _without_crumbs(whole.simplify(FINEST_M))
    return None if whole.is_empty() else _surface(whole)


def _meet(one: Part, other: Part) -> bool:
    """Whether the boxes round two solids overlap."""
    a, b = one.solid.bounding_box(), other.solid.bounding_box()
    return all(a[i] < b[i + 3] and b[i] < a[i + 3] for i in range(3))


def _without_crumbs(whole: manifold3d.Manifold) -> manifold3d.Manifold:
    loose = whole.decompose()
    if len(loose) < 2:
        return whole
    least = SLIVER_SHARE * max(part.volume() for part in loose)
    kept = [part for part in loose if part.volume() >= least]
    return manifold3d.Manifold.compose(kept)


def _surface(solid: manifold3d.Manifold) -> Surface:
    mesh = solid.to_mesh64()
    rows = np.asarray(mesh.vert_properties)
    face = np.asarray(mesh.tri_verts).astype(np.int64)
    vertex, normal, mark = rows[:, :3].copy(), rows[:, 3:6].copy(), rows[:, 6]
    a, b, c = (vertex[face[:, i]] for i in range(3))
    flat = np.cross(b - a, c - a)
    inward = (flat * normal[face].sum(1)).sum(1) < 0  # out of what was taken away
    normal[np.unique(face[inward])] *= -1
    plane = np.abs(normal[face]).max(axis=(1, 2)) < 1e-9  # made by a split: it has no normals
    for i in range(3):
        normal[face[plane, i]] = flat[plane]
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    sawn = (mark[face].min(1) > 0.5) | inward | plane
    same = np.arange(len(vertex))
    same[np.asarray(mesh.merge_from_vert, dtype=np.int64)] = mesh.merge_to_vert
    _soften_seams(normal, same, face[sawn])
    _part_touching(vertex, normal, same)
    return Surface(vertex, normal, face, sawn)


def _soften_seams(normal: Floats, same: Ints, sawn_face: Ints) -> None:
    """Give the bark on both sides of a seam one normal, so that a union looks grown."""
    bark = np.ones(len(normal), dtype=bool)
    bark[sawn_face.ravel()] = False
    total = np.zeros_like(normal)
    np.add.at(total, same[bark], normal[bark])
    mean = total[same[bark]]
    size = np.linalg.norm(mean, axis=1, keepdims=True)
    normal[bark] = np.where(size > 0.3, mean / np.maximum(size, 1e-12), normal[bark])


def _part_touching(vertex: Floats, normal: Floats, same: Ints) -> None:
    """Draw back points that touch another sheet of the surface, so that it stays one surface.

    A file that is read by position would else join the two sheets along a line.
    """
    corner = np.unique(same)
    near = np.unique(cKDTree(vertex[corner]).query_pairs(TOUCH_M, output_type="ndarray"))
    for place, one in enumerate(near):
        members = np.flatnonzero(same == corner[one])
        inward = normal[members].mean(0)
        size = float(np.linalg.norm(inward))
        depth = TOUCH_M * (1 + place % 4)  # each its own, lest neighbours move together
        vertex[members] -= depth * inward / max(size, 1e-9)
