"""Smooth closed surfaces of the tree's pieces, limbs joined to their parents.

Each limb is one run of rings along its nodes.  Ring planes follow the limb's direction over a
length comparable with its radius, which keeps thick limbs with close nodes free of spikes, and
the frame is carried along without twist (double reflection, Wang et al. 2008, ACM Transactions
on Graphics 27(1), "Computation of rotation minimizing frames").  A limb begins inside its
parent's wood and is flared into it (:mod:`treescan.report.union_blend`); the solids of one piece
are then joined into one closed surface (:mod:`treescan.report.joined_solids`), and what two
pieces share at a cut is given to one of them.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.report.joined_solids import Part, Surface, joined, tube
from treescan.report.union_blend import blend_size_m, flared
from treescan.skeleton.graph import TreeGraph

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


SMALLEST_BLEND_M = 0.008
"""Limbs thinner than this (radius) meet their parent without a flare: nobody sees it."""
SAMPLES = 20
"""Rings laid close together where a limb leaves its parent, before the flare picks its own."""


@dataclass(frozen=True)
class Chain:
    """A limb's rings: ``centre_m`` (k, 3), ``radius_m`` (k,), ``owner`` (k - 1,) per segment.

    ``parent`` is the place of the parent's chain in the list, -1 for a chain that leaves none,
    and ``leaves_m`` (3,) the node it leaves.  Such a chain begins inside the parent's wood and has
    its second ring at the parent's surface, where a cut of the whole limb goes.
    """

    centre_m: Floats
    radius_m: Floats
    owner: Ints
    parent: int = -1
    leaves_m: Floats = field(default_factory=lambda: np.zeros(3))

    @property
    def cut_off(self) -> bool:
        """Whether the limb belongs to another piece than the wood it leaves."""
        return self.parent >= 0 and bool(self.owner[0] != self.owner[1])


def piece_surfaces(graph: TreeGraph, owner: Ints, sides: int = 16) -> dict[int, Surface]:
    """Surface of every piece, closed, its limbs joined.

    Parameters
    ----------
    graph : TreeGraph
    owner : ndarray, shape (n,)
        Number of the piece each node's edge belongs to.
    sides : int
        Corners of a ring on the thickest limbs; thin limbs get fewer.
    """
    chains = limb_chains(graph, owner)
    parts: dict[int, list[Part]] = defaultdict(list)
    taken: dict[int, list[Part]] = defaultdict(list)
    runs: list[list[tuple[int, Part]]] = []
    for chain in chains:
        made = _chain_parts(chain, chains, sides)
        runs.append(made)
        for number, part in made:
            parts[number].append(part)
    for chain in chains:
        if chain.parent >= 0:  # wood of the parent that another piece holds is not this piece's
            own = {int(v) for v in chain.owner[:2]}
            for number, part in runs[chain.parent]:
                for mine in own - {number}:
                    taken[mine].append(part)
    found = {number: joined(parts[number], taken[number]) for number in sorted(parts)}
    return {number: surface for number, surface in found.items() if surface is not None}


def limb_chains(graph: TreeGraph, owner: Ints) -> list[Chain]:
    """Split the graph into runs of nodes, one a limb; a parent's run comes before its limbs'.

    ``owner`` (n,) is the step that takes each node.
    """
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
    place = dict.fromkeys(runs[0], 0) if runs else {}
    for node in begins:
        run = _run(node, follows)
        place |= dict.fromkeys(run, len(chains))
        chains.append(_limb_chain(graph, run, owner, place.get(int(graph.parent[node]), -1)))
    return [_thinned(chain) for chain in chains]


def _run(node: int, follows: Ints) -> list[int]:
    run = [node]
    while follows[run[-1]] >= 0:
        run.append(int(follows[run[-1]]))
    return run


def _stem_chain(graph: TreeGraph, run: list[int], owner: Ints) -> Chain:
    return Chain(graph.position_m[run], graph.radius_m[run], owner[run[1:]])


def _limb_chain(graph: TreeGraph, run: list[int], owner: Ints, parent: int) -> Chain:
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
    if span < 1e-6 or share > 0.98:
        inner = start - 0.02 * (graph.position_m[first] - start)
    points = np.vstack([inner, start, graph.position_m[run]])
    radii = np.concatenate([[hidden, radius], graph.radius_m[run]])
    return Chain(points, radii, owner[[up, *run]], parent, centre)


def _thinned(chain: Chain) -> Chain:
    """Drop rings that change neither direction, nor radius, nor owner."""
    p, r, own = chain.centre_m, chain.radius_m, chain.owner
    index = np.flatnonzero(_kept(p, r, np.asarray(own, dtype=np.int64), int(chain.parent >= 0)))
    return replace(chain, centre_m=p[index], radius_m=r[index], owner=own[index[1:] - 1])


@njit(cache=True)
def _kept(p: Floats, r: Floats, own: Ints, first: int) -> npt.NDArray[np.bool_]:
    """Which rings stay: the first ``first`` + 1, the last, and those that change something."""
    keep = np.zeros(len(r), dtype=np.bool_)
    keep[: first + 1] = True
    keep[-1] = True
    last = first
    for i in range(first + 1, len(r) - 1):
        span = np.sqrt(((p[i + 1] - p[last]) ** 2).sum())
        if own[i] != own[i - 1] or (span > 0.5 * r[last] and not _straight(p, r, last, i + 1)):
            keep[i] = True
            last = i
    return keep


@njit(cache=True)
def _straight(p: Floats, r: Floats, a: int, b: int) -> bool:
    """Whether the rings between a and b lie on their chord within what a picture shows."""
    chord = p[b] - p[a]
    length = np.sqrt((chord * chord).sum())
    if length < 1e-9 or length > max(8 * r[a], 0.8):
        return bool(length < 1e-9)
    for i in range(a + 1, b):
        offset = p[i] - p[a]
        t = (offset * chord).sum() / length**2
        off = np.sqrt(((offset - t * chord) ** 2).sum())
        fat = abs(r[i] - r[a] - t * (r[b] - r[a]))
        if off >= 0.004 + 0.04 * r[a] or fat >= 0.001 + 0.012 * r[a]:
            return False
    return True


def _chain_parts(chain: Chain, chains: list[Chain], sides: int) -> list[tuple[int, Part]]:
    """Solids of a limb with the piece each belongs to."""
    corners = _corners(float(chain.radius_m.max()), sides)
    root = _root_end(chain, chains)
    if root == 0:
        return _run_parts(ring_points(chain, corners)[0], chain.owner)
    dense = _sampled(chain, root)
    rings, out, tangent = ring_points(dense, corners)
    collar = _collar(chain, chains, rings[:SAMPLES], out[:SAMPLES])
    rest = rings[SAMPLES - 1 :]
    if not chain.cut_off:
        lead = np.full(len(collar), chain.owner[1])
        return _run_parts(
            np.concatenate([collar, rest]), np.concatenate([lead, chain.owner[root:]])
        )
    foot = np.concatenate([collar, rest[:1]])
    at = int(np.argmin(np.linalg.norm(dense.centre_m[:SAMPLES] - chain.centre_m[1], axis=1)))
    halves = tube(foot, _across(foot), (False, False)).split(chain.centre_m[1], tangent[at])
    parts = [(int(chain.owner[1]), halves[0]), (int(chain.owner[0]), halves[1])]
    return [(n, p) for n, p in parts if not p.empty] + _run_parts(rest, chain.owner[root:])


def _run_parts(rings: Floats, owner: Ints) -> list[tuple[int, Part]]:
    """Tubes of one run of rings, cut where the owner of its segments changes."""
    cuts = np.flatnonzero(np.diff(owner)) + 1
    made = []
    for a, b in pairwise([0, *cuts.tolist(), len(owner)]):
        if b > a:
            own = rings[a : b + 1]
            made.append((int(owner[a]), tube(own, _across(own), (a > 0, b < len(owner)))))
    return made


def _root_end(chain: Chain, chains: list[Chain]) -> int:
    """Ring beyond which a limb is clear of its parent and of the blend; 0 without a blend."""
    radius = float(chain.radius_m[1])
    if chain.parent < 0 or radius < SMALLEST_BLEND_M:
        return 0
    parent = chains[chain.parent]
    off = np.linalg.norm(parent.centre_m - chain.leaves_m, axis=1)
    clear = float(parent.radius_m[int(np.argmin(off))]) + 2.2 * radius
    far = np.linalg.norm(chain.centre_m - chain.leaves_m, axis=1)
    end = 2
    while end < len(far) - 1 and far[end] < clear and chain.owner[end] == chain.owner[1]:
        end += 1
    return end


def _sampled(chain: Chain, root: int) -> Chain:
    """Lay rings close together up to the ring ``root``, with straight lines between the given."""
    p, r = chain.centre_m[: root + 1], chain.radius_m[: root + 1]
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))])
    at = np.linspace(0.0, s[-1], SAMPLES)
    fine = np.column_stack([np.interp(at, s, p[:, i]) for i in range(3)])
    lead = np.full(SAMPLES - 1, chain.owner[1])
    return replace(
        chain,
        centre_m=np.vstack([fine, chain.centre_m[root + 1 :]]),
        radius_m=np.concatenate([np.interp(at, s, r), chain.radius_m[root + 1 :]]),
        owner=np.concatenate([lead, chain.owner[root:]]),
    )


def _collar(chain: Chain, chains: list[Chain], rings: Floats, out: Floats) -> Floats:
    """Rings from inside the parent to where the limb stands free: its end, then the flare."""
    parent = chains[chain.parent]
    off = np.linalg.norm(parent.centre_m - chain.leaves_m, axis=1)
    reach = float(np.linalg.norm(chain.centre_m - chain.leaves_m, axis=1)[2]) + 3 * float(
        parent.radius_m[int(np.argmin(off))]
    )
    near = np.flatnonzero(off < max(reach, float(off.min()) + 1.0))
    part = slice(max(int(near[0]) - 1, 0), int(near[-1]) + 2)
    centre, radius = parent.centre_m[part], parent.radius_m[part]
    size = blend_size_m(float(chain.radius_m[1]), float(radius[int(np.argmin(off[part]))]))
    return np.concatenate([rings[:1], flared(rings, out, centre, radius, size)])


def _across(rings: Floats) -> Floats:
    """Unit normals of a grid of rings (k, c, 3), outward."""
    along = np.gradient(rings, axis=0)
    around = np.roll(rings, -1, axis=1) - np.roll(rings, 1, axis=1)
    normal = np.cross(around, along)
    size = np.linalg.norm(normal, axis=2, keepdims=True)
    out = rings - rings.mean(axis=1, keepdims=True)
    out /= np.maximum(np.linalg.norm(out, axis=2, keepdims=True), 1e-12)
    found: Floats = np.where(size > 1e-12, normal / np.maximum(size, 1e-12), out)
    return found


def _corners(radius_m: float, sides: int) -> int:
    for limit, corners in ((0.008, 4), (0.02, 5), (0.04, 6), (0.07, 8), (0.12, 12)):
        if radius_m < limit:
            return min(corners, sides)
    return sides


def ring_points(chain: Chain, corners: int) -> tuple[Floats, Floats, Floats]:
    """Ring corners (k, corners, 3) [m], their outward normals, and ring directions (k, 3).

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


@njit(cache=True)
def _frames(p: Floats, tangent: Floats) -> Floats:
    """Unit vectors across the limb, carried along it without twist, shape (k, 3)."""
    u = np.zeros_like(p)
    u[0, int(np.argmin(np.abs(tangent[0])))] = 1.0
    first = u[0] - (u[0] @ tangent[0]) * tangent[0]
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
