"""Smooth closed surfaces of the tree's pieces.

Each limb is one run of rings along its nodes, shared by all pieces that are cut from it, so that
neighbouring pieces meet exactly at the cut.  Ring planes follow the limb's direction over a
length comparable with its radius, which keeps thick limbs with close nodes free of spikes, and
the frame is carried along without twist (double reflection, Wang et al. 2008, ACM Transactions
on Graphics 27(1), "Computation of rotation minimizing frames").  A limb begins inside its
parent's wood, just deep enough to hide its end.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from treescan.skeleton.graph import TreeGraph

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


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
class Chain:
    """A limb's rings: ``centre_m`` (k, 3), ``radius_m`` (k,), ``owner`` (k - 1,) per segment.

    ``begins_cut`` says whether the first ring is a cut face of its piece.
    """

    centre_m: Floats
    radius_m: Floats
    owner: Ints
    begins_cut: bool


def piece_surfaces(graph: TreeGraph, owner: Ints, sides: int = 14) -> dict[int, Surface]:
    """Surface of every piece.

    Parameters
    ----------
    graph : TreeGraph
    owner : ndarray, shape (n,)
        Number of the piece each node's edge belongs to.
    sides : int
        Corners of a ring on the thickest limbs; thin limbs get fewer.
    """
    parts: dict[int, list[Surface]] = defaultdict(list)
    for chain in limb_chains(graph, owner):
        for number, surface in _chain_surfaces(chain, sides):
            parts[number].append(surface)
    return {number: _merged(surfaces) for number, surfaces in sorted(parts.items())}


def limb_chains(graph: TreeGraph, owner: Ints) -> list[Chain]:
    """Split the graph into runs of nodes, one a limb."""
    follows = np.full(len(graph), -1, dtype=np.int64)
    begins: list[int] = []
    for node in range(1, len(graph)):
        up = int(graph.parent[node])
        if not graph.starts_limb[node] and follows[up] < 0:
            follows[up] = node
        else:
            begins.append(node)
    runs = [_run(0, follows)] if follows[0] >= 0 else []
    chains = [_stem_chain(graph, run, owner) for run in runs]
    chains += [_limb_chain(graph, _run(node, follows), owner) for node in begins]
    return [_thinned(chain) for chain in chains if len(chain.radius_m) > 1]


def _run(node: int, follows: Ints) -> list[int]:
    run = [node]
    while follows[run[-1]] >= 0:
        run.append(int(follows[run[-1]]))
    return run


def _stem_chain(graph: TreeGraph, run: list[int], owner: Ints) -> Chain:
    return Chain(graph.position_m[run], graph.radius_m[run], owner[run[1:]], False)


def _limb_chain(graph: TreeGraph, run: list[int], owner: Ints) -> Chain:
    """Rings of a limb that leaves another one, begun inside the parent's wood."""
    first = run[0]
    up = int(graph.parent[first])
    centre, start = graph.position_m[up], graph.edge_start_m[first]
    radius = float(graph.edge_start_radius_m[first])
    parent_radius = float(graph.radius_m[up])
    span = float(np.linalg.norm(start - centre))
    hidden = min(radius, 0.95 * parent_radius)
    depth = parent_radius - float(np.sqrt(parent_radius**2 - hidden**2)) + 0.02
    share = max(0.0, 1.0 - depth / span) if span > 0 else 0.0
    inner = centre + share * (start - centre)
    points = np.vstack([inner, graph.position_m[run]])
    radii = np.concatenate([[hidden], graph.radius_m[run]])
    cut = bool(owner[first] != owner[up])
    return Chain(points, radii, owner[run], cut)


def _thinned(chain: Chain) -> Chain:
    """Drop rings that change neither direction, nor radius, nor owner."""
    p, r, own = chain.centre_m, chain.radius_m, chain.owner
    keep, last = [0], 0
    for i in range(1, len(r) - 1):
        span = float(np.linalg.norm(p[i + 1] - p[last]))
        if own[i] != own[i - 1] or (span > 0.5 * r[last] and not _straight(p, r, last, i + 1)):
            keep.append(i)
            last = i
    keep.append(len(r) - 1)
    index = np.asarray(keep)
    return Chain(p[index], r[index], own[index[1:] - 1], chain.begins_cut)


def _straight(p: Floats, r: Floats, a: int, b: int) -> bool:
    """Whether the rings between a and b lie on their chord within what a picture shows."""
    chord = p[b] - p[a]
    length = float(np.linalg.norm(chord))
    if length < 1e-9 or length > max(8 * r[a], 0.8):
        return length < 1e-9
    offset = p[a + 1 : b] - p[a]
    t = offset @ chord / length**2
    off = np.linalg.norm(offset - t[:, None] * chord, axis=1)
    fat = np.abs(r[a + 1 : b] - (r[a] + t * (r[b] - r[a])))
    return bool((np.maximum(off, fat) < 0.004 + 0.04 * r[a]).all())


def _chain_surfaces(chain: Chain, sides: int) -> list[tuple[int, Surface]]:
    rings, normals, tangent = ring_points(chain, _corners(float(chain.radius_m.max()), sides))
    result = []
    cuts = np.flatnonzero(np.diff(chain.owner)) + 1
    edges = [0, *cuts.tolist(), len(chain.owner)]
    for a, b in pairwise(edges):
        sawn = (a > 0 or chain.begins_cut, b < len(chain.owner))
        result.append(
            (
                int(chain.owner[a]),
                _tube(
                    rings[a : b + 1],
                    normals[a : b + 1],
                    tangent[a : b + 1],
                    chain.centre_m[a : b + 1],
                    sawn,
                ),
            )
        )
    return result


def _corners(radius_m: float, sides: int) -> int:
    for limit, corners in ((0.012, 4), (0.025, 5), (0.05, 6), (0.10, 8), (0.2, 10)):
        if radius_m < limit:
            return min(corners, sides)
    return sides


def ring_points(chain: Chain, corners: int) -> tuple[Floats, Floats, Floats]:
    """Ring corners (k, corners, 3), their outward normals, and ring directions (k, 3).

    A ring holds the area of its circle, so that the surface holds the volume of the wood.
    """
    p, r = chain.centre_m, chain.radius_m
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))])
    reach = np.maximum(r, 0.05)
    ahead, behind = np.minimum(s + reach, s[-1]), np.maximum(s - reach, 0.0)
    tangent = np.column_stack(
        [np.interp(ahead, s, p[:, i]) - np.interp(behind, s, p[:, i]) for i in range(3)]
    )
    size = np.linalg.norm(tangent, axis=1, keepdims=True)
    tangent = np.divide(tangent, size, out=np.tile([0.0, 0.0, 1.0], (len(r), 1)), where=size > 1e-9)
    u = _frames(p, tangent)
    v = np.cross(tangent, u)
    turn = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    out = u[:, None] * np.cos(turn)[None, :, None] + v[:, None] * np.sin(turn)[None, :, None]
    same_area = np.sqrt(2 * np.pi / (corners * np.sin(2 * np.pi / corners)))
    return p[:, None] + out * (same_area * r)[:, None, None], out, tangent


def _frames(p: Floats, tangent: Floats) -> Floats:
    """Unit vectors across the limb, carried along it without twist, shape (k, 3)."""
    u = np.empty_like(p)
    axis = np.eye(3)[int(np.argmin(np.abs(tangent[0])))]
    first = axis - (axis @ tangent[0]) * tangent[0]
    u[0] = first / np.linalg.norm(first)
    for i in range(len(p) - 1):
        v1 = p[i + 1] - p[i]
        c1 = float(v1 @ v1)
        if c1 < 1e-18:
            u[i + 1] = u[i]
            continue
        left = u[i] - (2 / c1) * (v1 @ u[i]) * v1
        ahead = tangent[i] - (2 / c1) * (v1 @ tangent[i]) * v1
        v2 = tangent[i + 1] - ahead
        c2 = float(v2 @ v2)
        across = left - (2 / c2) * (v2 @ left) * v2 if c2 > 1e-18 else left
        across -= (across @ tangent[i + 1]) * tangent[i + 1]
        u[i + 1] = across / np.linalg.norm(across)
    return u


def _tube(
    rings: Floats, normals: Floats, tangent: Floats, centre: Floats, sawn: tuple[bool, bool]
) -> Surface:
    """A closed tube with flat ends."""
    k, n = rings.shape[:2]
    corner = np.arange(n)
    base = (np.arange(k - 1) * n)[:, None]
    a, b = base + corner, base + (corner + 1) % n
    side = np.concatenate([np.stack([a, b, b + n], -1), np.stack([a, b + n, a + n], -1)], 1)
    faces = [side.reshape(-1, 3)]
    marks = [np.zeros(2 * n * (k - 1), dtype=bool)]
    vertices, directions = [rings.reshape(-1, 3)], [normals.reshape(-1, 3)]
    for end, sign, is_cut in ((0, -1.0, sawn[0]), (k - 1, 1.0, sawn[1])):
        start = k * n + (n + 1) * (0 if sign < 0 else 1)
        vertices += [rings[end], centre[end][None]]
        directions.append(np.tile(sign * tangent[end], (n + 1, 1)))
        one, two = start + corner, start + (corner + 1) % n
        hub = np.full(n, start + n)
        fan = np.stack([hub, two, one] if sign < 0 else [hub, one, two], -1)
        faces.append(fan)
        marks.append(np.full(n, is_cut))
    return Surface(
        np.concatenate(vertices),
        np.concatenate(directions),
        np.concatenate(faces),
        np.concatenate(marks),
    )


def _merged(surfaces: list[Surface]) -> Surface:
    shift = np.cumsum([0, *(len(s.vertex_m) for s in surfaces[:-1])])
    return Surface(
        np.concatenate([s.vertex_m for s in surfaces]),
        np.concatenate([s.normal for s in surfaces]),
        np.concatenate([s.face + d for s, d in zip(surfaces, shift, strict=True)]),
        np.concatenate([s.sawn for s in surfaces]),
    )
