"""Members of a fork that touch above it: followed down through their contact, one beside the other.

Where leaders grow against each other their skins are one for metres, rings hold both, and the
fork seems to stand where the skins part at last; below it one axis wanders from one member to the
other.  But each member is still a round of its own: from where both stand clear each is followed
down by small steps, its circle fitted to the points that lie nearer to its own skin than to the
other's, for as long as both are seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from treescan.skeleton.forks import LIKE_RATIO
from treescan.skeleton.limbs import LimbAxes
from treescan.skeleton.outline import frames, sector_of

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

THICK_M = 0.06
"""Thinner members are left as they are. [m, judgement]"""
STEP_M, HALF_SLICE_M = 0.1, 0.06
CLEAR = 1.05
"""Members are clear of each other where their axes stand so many of their summed radii apart."""
ONE = 0.65
"""Below this share of the summed radii they are one. [judgement]"""
LEAST_ROUND = 0.4
"""Share of a member's round that must be seen. [judgement]"""
BLIND_M = 0.3
"""A member is followed unseen over so much. [m, judgement]"""
LEAST_GAIN_M = 0.5
"""A fork is moved down where its members were followed at least so far below it. [m, judgement]"""
FARTHEST_M = 4.0
SECTORS, FEWEST = 24, 20
SHIFT, THINNER, THICKER = 0.3, 0.8, 1.25
"""Bounds of how far a circle may move and change in a step, shares of its radius. [judgement]"""
BEND = 0.2
"""Share of a step's direction that a member's direction takes on."""


@dataclass
class Member:
    """A member as it is followed.

    ``place`` (3,) is where it is [m], ``along`` (3,) the unit vector up along it; ``path`` holds
    the places so far, (3,) each [m], ``size_m`` the radii there.
    """

    place: Floats
    along: Floats
    radius_m: float
    path: list[Floats]
    size_m: list[float]
    unseen_m: float = 0.0

    def skin_m(self, points: Floats) -> Floats:
        """How far ``points`` (n, 3) lie from the member's skin, shape (n,). [m]"""
        step = points - self.place
        off = step - (step @ self.along)[:, None] * self.along
        result: Floats = np.abs(np.linalg.norm(off, axis=1) - self.radius_m)
        return result

    def step_down(self, points: Floats, other: Member) -> None:
        """Go one step down, to the middle of what is seen of the round there.

        ``points`` (n, 3) are those of the tree, ``other`` is the member beside this one. [m]
        """
        place = self.place - STEP_M * self.along
        step = points - place
        near = (np.abs(step @ self.along) < HALF_SLICE_M) & (
            np.linalg.norm(step, axis=1) < 1.6 * self.radius_m + 0.1
        )
        self.place = place
        own = points[near]
        own = own[self.skin_m(own) < other.skin_m(own) + 0.01] - place
        u_axis, v_axis = frames(self.along[None])
        found = _circle_near(own @ u_axis[0], own @ v_axis[0], self.radius_m)
        self.unseen_m += STEP_M
        if found is not None:
            u, v, radius = found
            above = place + STEP_M * self.along
            self.place = place + u * u_axis[0] + v * v_axis[0]
            turned = (1.0 - BEND) * self.along + BEND * (above - self.place) / STEP_M
            self.along = turned / np.linalg.norm(turned)
            self.radius_m = float(np.clip(radius, 0.97 * self.radius_m, 1.06 * self.radius_m))
            self.unseen_m = 0.0
        self.path.append(self.place)
        self.size_m.append(self.radius_m)


def _circle_near(u: Floats, v: Floats, radius_m: float) -> tuple[float, float, float] | None:
    """Circle near the origin and about ``radius_m`` wide: ``(u, v, radius)``; None if not seen.

    ``u`` and ``v`` (n,) are points across the axis. [m]  Reweighted least squares in which each
    sector has the same say.
    """
    tol = max(0.02, 0.15 * radius_m)
    x = y = 0.0
    size = radius_m
    held: Floats = np.zeros(SECTORS)
    for _ in range(8):
        du, dv = u - x, v - y
        rho = np.maximum(np.hypot(du, dv), 1e-6)
        q = (rho - size) / tol
        weight = np.where(np.abs(q) < 1.0, (1.0 - q * q) ** 2, 0.0)
        if (weight > 0).sum() < FEWEST:
            return None
        sector = sector_of(np.arctan2(dv, du), SECTORS)
        held = np.bincount(sector, weight, SECTORS).astype(np.float64)
        weight = weight / np.sqrt(held[sector] + 1.0)
        design = np.column_stack([du / rho, dv / rho, np.ones(len(u))])
        normal = design.T @ (design * weight[:, None]) + 1e-4 * np.eye(3)
        shift = np.linalg.solve(normal, design.T @ (weight * (rho - size)))
        x, y, size = x + float(shift[0]), y + float(shift[1]), size + float(shift[2])
    seen = float((held > 0.5).mean()) >= LEAST_ROUND
    moved = np.hypot(x, y) < SHIFT * radius_m + 0.02
    return (x, y, size) if seen and moved and THINNER < size / radius_m < THICKER else None


def part_touching(
    axes: LimbAxes, radius_m: Floats, good: Bools, points: Floats
) -> tuple[LimbAxes, Floats]:
    """Axes whose forks were moved down to where their members part, and their radii.

    ``radius_m`` and ``good`` (n,) are the radii of the nodes and which were fitted, ``points``
    (p, 3) those of the tree. [m]
    """
    tried = set()
    while True:
        for limb in range(1, len(axes.parent_limb)):
            tip = tuple(axes.position_m[axes.first[limb + 1] - 1])
            if tip in tried:
                continue
            tried.add(tip)
            members = _followed(axes, radius_m, good, points, limb)
            if members is not None:
                axes, radius_m, good = _hang_anew(axes, radius_m, good, limb, members)
                break
        else:
            return axes, radius_m


def _followed(
    axes: LimbAxes, radius: Floats, good: Bools, points: Floats, limb: int
) -> tuple[tuple[int, Member], tuple[int, Member]] | None:
    """Parent and limb followed down from their first clear nodes; None where that gains little."""
    up, joint = int(axes.parent_limb[limb]), int(axes.parent_node[limb])
    parent = np.arange(joint + 1, axes.first[up + 1])
    own = np.arange(axes.first[limb] + 1, axes.first[limb + 1])
    if len(parent) < 8 or len(own) < 8:
        return None
    thick = float(np.median(radius[parent[2:8]])), float(np.median(radius[own[2:8]]))
    if min(thick) < max(THICK_M, LIKE_RATIO * max(thick)):
        return None
    apart = CLEAR * sum(thick)
    starts = _clear(axes, parent, own, apart, good), _clear(axes, own, parent, apart, good)
    if min(starts) < 0:
        return None
    a, b = (_member(axes, radius, node) for node in starts)
    low = axes.position_m[joint] - FARTHEST_M - 1.0
    high = np.maximum(a.place, b.place) + 1.0
    near = points[((points > np.minimum(low, high - 2.0)) & (points < high)).all(axis=1)]
    for _ in range(2 * int((FARTHEST_M + 2.0) / STEP_M)):
        member, other = (a, b) if a.place[2] >= b.place[2] else (b, a)
        member.step_down(near, other)
        gap = float(np.linalg.norm(a.place - b.place))
        one = gap < ONE * (a.radius_m + b.radius_m)
        if member.unseen_m > BLIND_M or one or _inside(axes, radius, (up, limb), member.place):
            break
    for member in (a, b):
        seen = len(member.path) - round(member.unseen_m / STEP_M)
        del member.path[seen:], member.size_m[seen:]
        if not seen:
            return None
    end = max(a.path[-1][2], b.path[-1][2])
    if axes.position_m[joint, 2] - end < LEAST_GAIN_M:
        return None
    return (starts[0], a), (starts[1], b)


def _inside(axes: LimbAxes, radius: Floats, members: tuple[int, int], place: Floats) -> bool:
    """Whether a place is in the wood of a limb that is neither a member nor hangs on one."""
    others = ~np.isin(np.arange(len(axes.parent_limb)), members)
    others &= ~np.isin(axes.parent_limb, members)
    node = others[axes.limb_of_node]
    far = np.linalg.norm(axes.position_m[node] - place, axis=1)
    return bool((far < radius[node]).any())


def _clear(axes: LimbAxes, nodes: Ints, others: Ints, apart: float, good: Bools) -> int:
    """First of ``nodes`` that was fitted and stands clear of ``others``; -1 if none."""
    far = cKDTree(axes.position_m[others]).query(axes.position_m[nodes])[0]
    clear = np.flatnonzero((far > apart) & good[nodes])
    return int(nodes[clear[0]]) if len(clear) else -1


def _member(axes: LimbAxes, radius: Floats, node: int) -> Member:
    """The limb at a node, to be followed down from there."""
    ahead = min(node + 6, int(axes.first[axes.limb_of_node[node] + 1]) - 1)
    step = axes.position_m[ahead] - axes.position_m[node]
    along = step / max(float(np.linalg.norm(step)), 1e-9)
    return Member(axes.position_m[node].copy(), along, float(radius[node]), [], [])


def _hang_anew(
    axes: LimbAxes,
    radius: Floats,
    good: Bools,
    limb: int,
    members: tuple[tuple[int, Member], tuple[int, Member]],
) -> tuple[LimbAxes, Floats, Bools]:
    """Put the followed paths in place of the old ones and hang side limbs on the nearer one."""
    (from_a, a), (from_b, b) = members
    up = int(axes.parent_limb[limb])
    k = len(axes.parent_limb)
    path = [axes.position_m[axes.first[i] : axes.first[i + 1]] for i in range(k)]
    gap = [axes.bridged[axes.first[i] : axes.first[i + 1]] for i in range(k)]
    size = [radius[axes.first[i] : axes.first[i + 1]] for i in range(k)]
    seen = [good[axes.first[i] : axes.first[i + 1]] for i in range(k)]
    below = path[up][: from_a - axes.first[up]]
    low = int(np.argmin(np.linalg.norm(below - a.path[-1], axis=1)))
    for i, keep, node, member in ((up, low, from_a, a), (limb, 0, from_b, b)):
        new = np.array(member.path[::-1])
        rest = slice(node - axes.first[i], None)
        head = path[i][:keep] if i == up else path[up][low : low + 1]
        many = len(new)
        path[i] = np.concatenate([head, new, path[i][rest]])
        gap[i] = np.concatenate([gap[i][: len(head)], np.zeros(many, dtype=bool), gap[i][rest]])
        size[i] = np.concatenate([size[i][: len(head)], member.size_m[::-1], size[i][rest]])
        seen[i] = np.concatenate([seen[i][: len(head)], np.ones(many, dtype=bool), seen[i][rest]])
    return _joined(axes, (path, gap, size, seen), (up, limb))


def _joined(
    axes: LimbAxes,
    parts: tuple[list[Floats], list[Bools], list[Floats], list[Bools]],
    members: tuple[int, int],
) -> tuple[LimbAxes, Floats, Bools]:
    """Limbs put together again, those of the two members hung on the nearer one, parents first."""
    path, gap, size, seen = parts
    up, limb = members
    parent = axes.parent_limb.copy()
    for i in np.flatnonzero((parent == up) | (parent == limb)):
        if i != limb:
            start = path[i][1 : 1 + max(len(path[i]) // 4, 1)][:3]
            off = [
                float(np.min(np.linalg.norm(path[m][:, None] - start, axis=2) - size[m][:, None]))
                for m in members
            ]
            parent[i] = up if off[0] <= off[1] else limb
    order = _parents_first(parent)
    first = np.cumsum([0, *(len(path[i]) for i in order)])
    place = np.argsort(order)
    node = np.full(len(order), -1, dtype=np.int64)
    for new, i in enumerate(order):
        if parent[i] >= 0:
            on = path[parent[i]]
            near = int(np.argmin(np.linalg.norm(on - path[i][0], axis=1)))
            node[new] = first[place[parent[i]]] + near
            path[i] = np.concatenate([on[near][None], path[i][1:]])
    moved = LimbAxes(
        np.concatenate([path[i] for i in order]),
        first,
        np.where(parent[order] >= 0, place[parent[order]], -1),
        node,
        np.concatenate([gap[i] for i in order]),
    )
    return (
        moved,
        np.concatenate([size[i] for i in order]),
        np.concatenate([seen[i] for i in order]),
    )


def _parents_first(parent: Ints) -> Ints:
    """Order of limbs in which parents come first and others stay as they are, shape (k,)."""
    depth = np.zeros(len(parent), dtype=np.int64)
    for i in range(len(parent)):
        at = i
        while parent[at] >= 0:
            at = int(parent[at])
            depth[i] += 1
    # Only limbs that stand before their parent are moved: after it, as near as can be.
    rank = np.arange(len(parent), dtype=np.float64)
    for i in np.argsort(depth, kind="stable"):
        if parent[i] >= 0 and rank[i] <= rank[parent[i]]:
            rank[i] = rank[parent[i]] + 0.5 * (1.0 + i) / (len(parent) + 1.0)
    return np.argsort(rank, kind="stable").astype(np.int64)
