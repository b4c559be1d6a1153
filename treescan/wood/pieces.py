"""Pieces: any cut set on the graph as rigid bodies, and many candidates at once.

A cut is named by a node (see :mod:`treescan.skeleton.graph`).  Everything additive is summed
over the tree in preorder once, so a piece is one difference per cut, whatever its size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.errors import InvalidInputError
from treescan.skeleton.graph import TreeGraph
from treescan.units import Band
from treescan.wood.outline import cover_with_balls, piece_balls
from treescan.wood.solids import centre_and_inertia, node_moments
from treescan.wood.types import GreenMass, Piece

Floats = npt.NDArray[np.float64]
Int32s = npt.NDArray[np.int32]
Int64s = npt.NDArray[np.int64]

MAX_BALLS = 40


@dataclass(frozen=True)
class Candidates:
    """Many pieces at once, one row each.

    ``mass_kg`` (c, 3) is low / likely / high; ``centre_m`` (c, 3); ``inertia_kg_m2``
    (c, 3, 3) about the centre at the likely mass; ``length_m`` (c,) the greatest distance
    along the wood from the cut.
    """

    butt_node: Int32s
    mass_kg: Floats
    centre_m: Floats
    inertia_kg_m2: Floats
    length_m: Floats


@njit(cache=True)
def _sums_and_reach(
    total: Floats,
    reach: Floats,
    first: Int32s,
    last: Int32s,
    butt: Int64s,
    offset: Int64s,
    inner: Int64s,
) -> tuple[Floats, Floats]:
    """Sums (c, k) and farthest path (c,) of each piece by differences along the preorder.

    ``total`` (n + 1, k) are prefix sums in preorder; ``reach`` (levels, n) is a table of
    maxima over blocks of 2^level nodes; the inner cuts of piece c are
    ``inner[offset[c]:offset[c + 1]]``, sorted by ``first``; those outside the piece or
    inside another cut are passed over.
    """
    count, width = len(butt), total.shape[1]
    sums = np.zeros((count, width))
    far = np.zeros(count)
    for c in range(count):
        start, stop = first[butt[c]], last[butt[c]]
        cursor, farthest = start, 0.0
        for k in range(offset[c], offset[c + 1] + 1):
            at_end = k == offset[c + 1]
            low = stop if at_end else first[inner[k]]
            high = stop if at_end else last[inner[k]]
            if low < cursor or high > stop:
                continue
            if low > cursor:
                for j in range(width):
                    sums[c, j] += total[low, j] - total[cursor, j]
                level = 0
                while (2 << level) <= low - cursor:
                    level += 1
                farthest = max(farthest, reach[level, cursor], reach[level, low - (1 << level)])
            cursor = high
        far[c] = farthest
    return sums, far


def _block_maxima(values: Floats) -> Floats:
    """Maxima over blocks of 2^level from each place, shape (levels, n)."""
    rows = [values]
    width = 1
    while 2 * width <= len(values):
        upper = rows[-1]
        row = upper.copy()
        row[: len(values) - width] = np.maximum(upper[: len(values) - width], upper[width:])
        rows.append(row)
        width *= 2
    return np.vstack(rows)


class PieceTable:
    """Prefix sums over a tree from which any piece follows without walking it."""

    def __init__(self, graph: TreeGraph, mass: GreenMass) -> None:
        """Sum the tree once; about 12 numbers per node."""
        self.graph = graph
        self.mass = mass
        self.moments = node_moments(graph, mass)
        sequence, self._first, self._last = graph.preorder
        width = self.moments.shape[1]
        self._total = np.zeros((len(graph) + 1, width))
        np.cumsum(self.moments[sequence], axis=0, out=self._total[1:])
        self._reach = _block_maxima(graph.path_length_m[sequence])
        self._cut_path_m = graph.path_length_m - graph.edge_length_m

    def candidates(
        self,
        butt_nodes: npt.ArrayLike,
        inner_cuts: Sequence[Sequence[int]] | tuple[npt.ArrayLike, npt.ArrayLike] | None = None,
    ) -> Candidates:
        """Mass, centre, inertia and length of many pieces.

        Parameters
        ----------
        butt_nodes : array, shape (c,)
        inner_cuts : sequence of c sequences of nodes, or (offsets (c + 1,), nodes (k,))
            Cuts made before: their subtrees are not in the piece.  Nodes outside the piece
            or inside another inner cut do no harm.
        """
        butt = np.atleast_1d(np.asarray(butt_nodes, dtype=np.int64))
        offset, inner = self._flat(inner_cuts, len(butt))
        sums, far = _sums_and_reach(
            self._total, self._reach, self._first, self._last, butt, offset, inner
        )
        centre, inertia = centre_and_inertia(sums, self.graph.position_m[0])
        return Candidates(
            butt.astype(np.int32),
            sums[:, 0:3],
            centre,
            inertia,
            np.maximum(far - self._cut_path_m[butt], 0.0),
        )

    def _flat(
        self,
        inner_cuts: Sequence[Sequence[int]] | tuple[npt.ArrayLike, npt.ArrayLike] | None,
        count: int,
    ) -> tuple[Int64s, Int64s]:
        """Offsets and nodes, the nodes of each piece in preorder."""
        if inner_cuts is None:
            return np.zeros(count + 1, dtype=np.int64), np.zeros(0, dtype=np.int64)
        if isinstance(inner_cuts, tuple) and len(inner_cuts) == 2:
            offset = np.asarray(inner_cuts[0], dtype=np.int64)
            inner = np.asarray(inner_cuts[1], dtype=np.int64)
        else:
            sizes = [len(cuts) for cuts in inner_cuts]
            offset = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
            inner = np.array([n for cuts in inner_cuts for n in cuts], dtype=np.int64)
        if len(offset) != count + 1 or offset[-1] != len(inner):
            raise InvalidInputError(
                f"inner cuts are given for {len(offset) - 1} pieces, not {count}; one list each."
            )
        owner = np.repeat(np.arange(count), np.diff(offset))
        return offset, inner[np.lexsort((self._first[inner], owner))]

    def piece(
        self, butt_node: int, inner_cuts: Sequence[int] = (), removed: npt.ArrayLike | None = None
    ) -> Piece:
        """The piece that a cut at ``butt_node`` frees, in full.

        Parameters
        ----------
        butt_node : int
        inner_cuts : sequence of int
            Nodes cut before; their subtrees are gone.
        removed : array_like, optional
            What is gone already: nodes, shape (k,), or a mask of shape (n,).  Whatever grows on
            a removed node is gone with it.

        Raises
        ------
        InvalidInputError
            ``butt_node`` is not in the tree or is itself gone.
        """
        nodes = self._nodes(butt_node, inner_cuts, removed)
        return _assemble(self, butt_node, nodes)

    def _nodes(
        self, butt_node: int, inner_cuts: Sequence[int], removed: npt.ArrayLike | None
    ) -> Int32s:
        graph = self.graph
        if not 0 <= butt_node < len(graph):
            raise InvalidInputError(
                f"cut node {butt_node} is not in the tree of {len(graph)} nodes."
            )
        sequence, first, last = graph.preorder
        gone = np.zeros(len(graph) + 1, dtype=np.int64)
        cuts = np.asarray(list(inner_cuts), dtype=np.int64)
        if removed is not None:
            array = np.asarray(removed)
            extra = np.flatnonzero(array) if array.dtype == bool else array.astype(np.int64)
            cuts = np.concatenate([cuts, extra])
        np.add.at(gone, first[cuts], 1)
        np.add.at(gone, last[cuts], -1)
        left = np.cumsum(gone[:-1]) == 0
        start, stop = int(first[butt_node]), int(last[butt_node])
        nodes: Int32s = sequence[start:stop][left[start:stop]]
        if not len(nodes) or nodes[0] != butt_node:
            raise InvalidInputError(
                f"cut node {butt_node} is already cut away; choose a node that still stands."
            )
        return nodes


def _assemble(table: PieceTable, butt: int, nodes: Int32s) -> Piece:
    """Piece from its nodes (in preorder, ``butt`` first)."""
    graph = table.graph
    sums = table.moments[nodes].sum(axis=0)
    centre, inertia = centre_and_inertia(sums[None, :], graph.position_m[0])
    own = nodes[graph.limb[nodes] == graph.limb[butt]]
    top = int(own[np.argmax(graph.path_length_m[own])])
    cut = graph.edge_start_m[butt]
    far = float(graph.path_length_m[nodes].max() - table._cut_path_m[butt])
    balls, radii = piece_balls(graph, table.mass, nodes)
    outline, outline_radius = cover_with_balls(balls, radii, MAX_BALLS)
    return Piece(
        butt_node=butt,
        nodes=nodes,
        limb=int(graph.limb[butt]),
        mass_kg=Band(float(sums[0]), float(sums[1]), float(sums[2])),
        centre_m=centre[0],
        inertia_kg_m2=inertia[0],
        cut_m=cut,
        axis=_axis(graph, cut, butt, top),
        length_m=far,
        butt_diameter_m=float(2.0 * graph.edge_start_radius_m[butt]),
        top_diameter_m=float(2.0 * graph.radius_m[top]),
        outline_m=outline,
        outline_radius_m=outline_radius,
    )


def _axis(graph: TreeGraph, cut_m: Floats, butt: int, top: int) -> Floats:
    """Unit vector from the cut to the last node of the piece's own limb."""
    for end in (top, butt):
        step = graph.position_m[end] - cut_m
        length = float(np.linalg.norm(step))
        if length > 1e-6:
            return np.asarray(step / length, dtype=np.float64)
    return np.array([0.0, 0.0, 1.0])
