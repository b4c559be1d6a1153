"""The skeleton graph: one rooted tree of nodes with diameters.

The edge from a parent to a node belongs to the node, and to the node's limb.  Where a limb
starts (the parent is on another limb) the edge has the limb's own radius at both ends.
A cut is named by a node ``c``: it severs the edge from ``parent[c]`` to ``c`` at its lower
end, and the piece is every node of the subtree of ``c`` that no earlier cut took away.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError

Floats = npt.NDArray[np.float64]
Int32s = npt.NDArray[np.int32]

FITTED, INTERPOLATED, MODELLED = 0, 1, 2
SOURCE_NAMES = ("fitted", "interpolated", "modelled")
LEAST_RADIUS_M = 1e-6
"""A thinner node is a fault of the file, and would make sums of squares overflow. [m]"""


@dataclass(frozen=True)
class TreeGraph:
    """Stems and limbs as a rooted tree; node 0 is the root at the ground.

    Attributes
    ----------
    position_m : ndarray, shape (n, 3), float64
        Local metres, z up.
    radius_m, radius_sd_m : ndarray, shape (n,)
        Over bark, and its standard deviation. [m]
    parent : ndarray, shape (n,), int32
        -1 for node 0; elsewhere smaller than the node's own index.
    limb : ndarray, shape (n,), int32
        Limb number; 0 is the main stem.
    order : ndarray, shape (n,), int32
        Branch order: 0 stem (and codominant leaders by the usual rule), 1 first order, ...
    support : ndarray, shape (n,)
        Share of the ring around the node that the scan saw, 0..1.
    source : ndarray, shape (n,), int32
        FITTED, INTERPOLATED or MODELLED.
    bridged : ndarray, shape (n,), bool
        The edge to the parent crosses a gap that the scan did not see.
    origin_m : ndarray, shape (3,)
        Add to positions for scan coordinates. [m]
    notes : tuple of str
        What was not seen or is doubtful, in sentences for people.
    """

    position_m: Floats
    radius_m: Floats
    radius_sd_m: Floats
    parent: Int32s
    limb: Int32s
    order: Int32s
    support: Floats
    source: Int32s
    bridged: npt.NDArray[np.bool_]
    origin_m: Floats
    unseen_share: float = 0.0
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Check the invariants every later layer relies on."""
        n = len(self.parent)
        if n < 2:
            raise InvalidInputError(f"tree graph has {n} nodes; at least 2 are needed. Scan again.")
        if self.parent[0] != -1 or (self.parent[1:] >= np.arange(1, n)).any():
            raise InvalidInputError("tree graph: a parent must come before its children.")
        if (self.parent[1:] < 0).any():
            raise InvalidInputError("tree graph: more than one root. Keep one tree per graph.")
        for name in ("position_m", "radius_m", "radius_sd_m"):
            if not np.isfinite(getattr(self, name)).all():
                raise InvalidInputError(f"tree graph: {name} holds values that are not finite.")
        if (self.radius_m < LEAST_RADIUS_M).any():
            raise InvalidInputError(
                f"tree graph: a radius is zero or negative, or below {LEAST_RADIUS_M:g} m. Refit"
                " the node."
            )

    def __len__(self) -> int:
        return len(self.parent)

    @cached_property
    def starts_limb(self) -> npt.NDArray[np.bool_]:
        """Nodes whose parent is on another limb, shape (n,).  The root is not one."""
        result = np.zeros(len(self), dtype=bool)
        result[1:] = self.limb[1:] != self.limb[self.parent[1:]]
        return result

    @cached_property
    def edge_start_radius_m(self) -> Floats:
        """Radius at the lower end of each node's edge, shape (n,). [m]"""
        result = self.radius_m.copy()
        same = ~self.starts_limb
        same[0] = False
        result[same] = self.radius_m[self.parent[same]]
        return result

    @cached_property
    def edge_start_m(self) -> Floats:
        """Lower end of each node's edge, outside the parent's wood, shape (n, 3). [m]

        Where a limb starts, the edge begins at the surface of the parent limb, so that no
        wood is counted twice; at most 90 % of the edge is given to the parent.
        """
        up = self.parent.copy()
        up[0] = 0
        start = self.position_m[up].copy()
        step = self.position_m - start
        length = np.linalg.norm(step, axis=1)
        inside = np.where(self.starts_limb, np.minimum(self.radius_m[up], 0.9 * length), 0.0)
        share = np.divide(inside, length, out=np.zeros_like(length), where=length > 0)
        return start + step * share[:, None]

    @cached_property
    def edge_length_m(self) -> Floats:
        """Length of each node's edge outside the parent's wood, shape (n,); 0 at the root. [m]"""
        result: Floats = np.linalg.norm(self.position_m - self.edge_start_m, axis=1)
        return result

    @cached_property
    def path_length_m(self) -> Floats:
        """Distance along the wood from the root to each node, shape (n,). [m]"""
        up = np.maximum(self.parent, 0)
        step = np.linalg.norm(self.position_m - self.position_m[up], axis=1)
        result = np.zeros(len(self))
        for node in range(1, len(self)):
            result[node] = result[self.parent[node]] + step[node]
        return result

    @cached_property
    def preorder(self) -> tuple[Int32s, Int32s, Int32s]:
        """Depth-first order for prefix sums.

        Returns ``(sequence, first, last)``, each shape (n,): nodes in preorder, and for each
        node the half-open slice ``sequence[first:last]`` that is its subtree.
        """
        n = len(self)
        size = np.ones(n, dtype=np.int32)
        for node in range(n - 1, 0, -1):
            size[self.parent[node]] += size[node]
        first = np.zeros(n, dtype=np.int32)
        used = np.ones(n, dtype=np.int32)
        for node in range(1, n):
            up = self.parent[node]
            first[node] = first[up] + used[up]
            used[up] += size[node]
        sequence = np.empty(n, dtype=np.int32)
        sequence[first] = np.arange(n, dtype=np.int32)
        return sequence, first, first + size

    def subtree(self, node: int) -> Int32s:
        """Nodes of the subtree of ``node``, itself first, shape (k,)."""
        sequence, first, last = self.preorder
        return sequence[first[node] : last[node]]

    def subtree_sum(self, values: npt.ArrayLike) -> Floats:
        """Sum of ``values`` (n, ...) over the subtree of every node, in their shape and unit."""
        array = np.asarray(values, dtype=np.float64)
        sequence, first, last = self.preorder
        total = np.concatenate([np.zeros((1, *array.shape[1:])), np.cumsum(array[sequence], 0)])
        result: Floats = total[last] - total[first]
        return result

    def ancestors(self, node: int) -> list[int]:
        """Nodes from ``node`` (included) down to the root."""
        result = []
        while node >= 0:
            result.append(node)
            node = int(self.parent[node])
        return result

    @cached_property
    def child_count(self) -> Int32s:
        """Number of children of each node, shape (n,)."""
        return np.bincount(self.parent[1:], minlength=len(self)).astype(np.int32)
