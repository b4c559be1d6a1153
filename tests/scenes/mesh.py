"""Triangle meshes of limbs and leaves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.scenes.foliage import Leaves, _across
from tests.scenes.grow import Flare, Tree
from treescan.skeleton.graph import TreeGraph


@dataclass(frozen=True)
class Mesh:
    """Vertices (n, 3) in metres, triangles (m, 3)."""

    vertex_m: np.ndarray
    triangle: np.ndarray

    def moved(self, shift_m: np.ndarray) -> Mesh:
        """The same mesh elsewhere."""
        return Mesh(self.vertex_m + shift_m, self.triangle)


def joined(meshes: list[Mesh]) -> Mesh:
    """One mesh of many."""
    first = np.cumsum([0] + [len(m.vertex_m) for m in meshes])
    return Mesh(
        np.concatenate([m.vertex_m for m in meshes]),
        np.concatenate([m.triangle + k for m, k in zip(meshes, first, strict=False)]),
    )


def sides_for(radius_m: float) -> int:
    """Sides of a limb's polygon: 0.25 % off a circle for stems, under 0.2 mm for twigs."""
    return 40 if radius_m > 0.05 else 20 if radius_m > 0.015 else 10


def limb_meshes(
    graph: TreeGraph, flare: Flare | None = None, root_m: float = 0.6, clipped: bool = False
) -> list[Mesh]:
    """One closed tube a limb, shape given by its nodes.

    Polygons have the area of the circle they stand for.  Where a limb starts, its tube begins
    on the parent's axis (``clipped``: at the parent's surface, as ``edge_start_m`` says).  The
    stem is carried ``root_m`` below the ground.
    """
    order = np.argsort(graph.limb, kind="stable")
    limbs, first = np.unique(graph.limb[order], return_index=True)
    meshes = []
    for limb, nodes in zip(limbs, np.split(order, first[1:]), strict=True):
        position, radius = graph.position_m[nodes], graph.radius_m[nodes]
        up = graph.parent[nodes[0]]
        start = graph.edge_start_m[nodes[:1]] if clipped else graph.position_m[[max(up, 0)]]
        if up >= 0:
            position = np.concatenate([start, position])
            radius = np.concatenate([radius[:1], radius])
        elif root_m > 0:
            down = (position[0] - position[1]) / np.linalg.norm(position[0] - position[1])
            position = np.concatenate([position[:1] + root_m * down, position])
            radius = np.concatenate([radius[:1], radius])
        meshes.append(tube(position, radius, sides_for(radius.max()), flare if up < 0 else None))
        assert limb == graph.limb[nodes[0]]
    return meshes


def tube(
    position_m: np.ndarray, radius_m: np.ndarray, sides: int, flare: Flare | None = None
) -> Mesh:
    """Closed tube along a polyline (k, 3) with a radius (k,) at each point."""
    k = len(position_m)
    step = np.diff(position_m, axis=0)
    step /= np.linalg.norm(step, axis=1, keepdims=True)
    tangent = np.concatenate([step[:1], step[:-1] + step[1:], step[-1:]])
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    across = np.empty_like(tangent)
    across[0] = _across(tangent[:1], np.zeros(1))[0]
    if flare is not None:
        across[0] = [1.0, 0.0, 0.0]
    for i in range(k):
        v = across[max(i - 1, 0)] - (across[max(i - 1, 0)] @ tangent[i]) * tangent[i]
        across[i] = v / np.sqrt(v @ v)
    other = np.cross(tangent, across)
    theta = np.arange(sides) * 2 * np.pi / sides
    equal_area = np.sqrt((2 * np.pi / sides) / np.sin(2 * np.pi / sides))
    r = np.repeat(radius_m[:, None] * equal_area, sides, axis=1)
    if flare is not None:
        r = r * flare.ratio(theta[None, :], (position_m[:, 2] - position_m[1, 2])[:, None])
    ring = (
        position_m[:, None]
        + (r * np.cos(theta))[..., None] * across[:, None]
        + (r * np.sin(theta))[..., None] * other[:, None]
    )
    vertex = np.concatenate([ring.reshape(-1, 3), position_m[:1], position_m[-1:]])
    i, j = np.meshgrid(np.arange(k - 1), np.arange(sides), indexing="ij")
    a, b = (i * sides + j).ravel(), (i * sides + (j + 1) % sides).ravel()
    c, d = a + sides, b + sides
    rim = np.arange(sides)
    low = np.column_stack([np.full(sides, k * sides), (rim + 1) % sides, rim])
    last = (k - 1) * sides
    top = np.column_stack([np.full(sides, k * sides + 1), last + rim, last + (rim + 1) % sides])
    walls = np.concatenate([np.column_stack([a, b, d]), np.column_stack([a, d, c])])
    return Mesh(vertex, np.concatenate([walls, low, top]))


def tube_segments(points: int, sides: int) -> np.ndarray:
    """Number of the polyline's segment that each triangle of :func:`tube` belongs to."""
    walls = np.repeat(np.arange(points - 1), sides)
    return np.concatenate([walls, walls, np.zeros(sides, int), np.full(sides, points - 2)])


def wood_mesh(tree: Tree) -> Mesh:
    """All limbs of a tree as one mesh."""
    return joined(limb_meshes(tree.graph, tree.flare))


def wood_nodes(tree: Tree) -> np.ndarray:
    """Node of the truth graph whose edge each triangle of :func:`wood_mesh` stands for."""
    graph = tree.graph
    order = np.argsort(graph.limb, kind="stable")
    _, first = np.unique(graph.limb[order], return_index=True)
    rows = []
    for nodes in np.split(order, first[1:]):
        sides = sides_for(graph.radius_m[nodes].max())
        rows.append(nodes[tube_segments(len(nodes) + 1, sides)])
    return np.concatenate(rows).astype(np.int32)


def leaf_mesh(leaves: Leaves) -> Mesh:
    """Leaves as flat rhombs with the given length and width."""
    across = np.cross(leaves.normal, leaves.axis)
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    long = 0.5 * leaves.length_m[:, None] * leaves.axis
    wide = 0.5 * leaves.width_m[:, None] * across
    c = leaves.centre_m
    corner = np.stack([c - long, c + wide, c + long, c - wide], axis=1).reshape(-1, 3)
    base = 4 * np.arange(len(c))[:, None]
    first, second = np.array([0, 1, 2]), np.array([0, 2, 3])
    return Mesh(corner, np.concatenate([base + first, base + second]))
