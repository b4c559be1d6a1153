"""Forks of like members: the skin parts far above the place where the axes meet.

Rings stay in one piece until the gap between the members opens, so that the axis first runs
midway and then jumps to one member.  Where a limb leaves a parent of like thickness both axes
are led back along straight lines to where these meet.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from treescan.skeleton.limbs import LimbAxes, off_line_m

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LIKE_RATIO = 0.45
LEADER_RATIO = 0.65
LINE_M = 0.8
FARTHEST_BACK_M = 4.0
CROSSES_M = 0.5
"""Lines that meet so far above the place where members part are of members that cross. [m]"""


def fused_nodes(axes: LimbAxes, radius_m: Floats) -> Bools:
    """Mask (n,) of nodes where the skin of two like members is one: circles there mislead.

    ``radius_m`` (n,) are the radii of the nodes.
    """
    fused = np.zeros(len(axes.position_m), dtype=bool)
    limb_of = axes.limb_of_node
    for limb in range(1, len(axes.parent_node)):
        joint = int(axes.parent_node[limb])
        own = np.arange(axes.first[limb] + 1, min(axes.first[limb] + 15, axes.first[limb + 1]))
        other = np.arange(joint + 1, min(joint + 15, len(limb_of)))
        other = other[limb_of[other] == limb_of[joint]]
        if not len(own) or not len(other):
            continue
        if np.median(radius_m[own]) < LIKE_RATIO * np.median(radius_m[other]):
            continue
        far = np.linalg.norm(axes.position_m[own][:, None] - axes.position_m[other], axis=2)
        touch = radius_m[own][:, None] + radius_m[other]
        fused[own[(far < 1.02 * touch).any(axis=1)]] = True
        fused[other[(far < 1.02 * touch).any(axis=0)]] = True
    return fused


def branch_order(axes: LimbAxes, radius_m: Floats) -> npt.NDArray[np.int32]:
    """Order of each limb, shape (k,): 0 for the stem and for codominant leaders of it.

    A leader leaves a stem of order 0 steeply upward and has at least ``LEADER_RATIO`` of the
    radius with which that stem goes on.

    ``radius_m`` (n,) are the radii of the nodes.
    """
    order = np.zeros(len(axes.parent_limb), dtype=np.int32)
    for limb in range(1, len(order)):
        up, joint = int(axes.parent_limb[limb]), int(axes.parent_node[limb])
        order[limb] = order[up] + 1
        own = slice(axes.first[limb] + 1, min(axes.first[limb] + 12, axes.first[limb + 1]))
        other = slice(joint + 1, min(joint + 12, int(axes.first[up + 1])))
        if order[up] or not len(radius_m[own]) or not len(radius_m[other]):
            continue
        step = axes.position_m[own][-1] - axes.position_m[axes.first[limb]]
        steep = step[2] > 0.7 * np.linalg.norm(step)
        if steep and np.median(radius_m[own]) >= LEADER_RATIO * np.median(radius_m[other]):
            order[limb] = 0
    return order


def straighten(axes: LimbAxes, radius_m: Floats) -> LimbAxes:
    """Lead the members of forks back to where they meet; node numbers stay.

    ``radius_m`` (n,) are the radii of the nodes.
    """
    position = axes.position_m.copy()
    joint = axes.parent_node.copy()
    for limb in range(1, len(joint)):
        meeting = _meeting(axes, position, radius_m, limb)
        if meeting is None:
            continue
        low, clear, place, end = meeting
        share = np.linspace(0.0, 1.0, clear - low)[:, None]
        position[low:clear] = place + share * (end - place)
        joint[limb] = low
    return replace(axes, position_m=position, parent_node=joint)


def _meeting(
    axes: LimbAxes, position: Floats, radius: Floats, limb: int
) -> tuple[int, int, Floats, Floats] | None:
    """Where the members' lines meet and where the parent's axis comes clear of the fork.

    Returns the parent's node at the first, its first node beyond the second, and both places.
    """
    up, joint = int(axes.parent_limb[limb]), int(axes.parent_node[limb])
    end = int(axes.first[up + 1])
    own = np.arange(axes.first[limb] + 1, axes.first[limb + 1])
    other = np.arange(joint + 1, end)
    if len(own) < 5 or len(other) < 5:
        return None
    thick = float(np.median(radius[own[2:8]])), float(np.median(radius[other[2:8]]))
    if thick[0] < LIKE_RATIO * thick[1]:
        return None
    apart = 1.1 * (thick[0] + thick[1]) + 0.02
    a = _clear_line(position, other, position[own], apart)
    b = _clear_line(position, own, position[other], apart)
    if a is None or b is None:
        return None
    (start_a, along_a, clear), (start_b, along_b, _) = a, b
    met = _closest(start_a, along_a, start_b, along_b)
    if met is None:
        return None
    point, miss, back_a, back_b = met
    if miss > thick[0] + thick[1] or min(back_a, back_b) < 0:
        return None
    if max(back_a, back_b) > FARTHEST_BACK_M:
        return None
    below = np.arange(axes.first[up], clear)
    low = int(below[np.argmin(((position[below] - point) ** 2).sum(axis=1))])
    # Members that cross farther up part where they were seen to.
    crosses = low > joint and float(np.linalg.norm(position[low] - position[joint])) > CROSSES_M
    if low + 1 >= clear or crosses:
        return None
    return low, clear, _nearest_place(position[max(low - 1, below[0]) : low + 2], point), start_a


def _clear_line(
    position: Floats, nodes: Ints, others: Floats, apart: float
) -> tuple[Floats, Floats, int] | None:
    """Where ``nodes`` come clear of the other member, the line from there on, the node beyond."""
    far = off_line_m(position[nodes], others)
    clear = np.flatnonzero(far > apart)
    if not len(clear):
        return None
    begin = int(clear[0])
    along = np.linalg.norm(position[nodes[begin:]] - position[nodes[begin]], axis=1)
    end = begin + int(np.searchsorted(along, LINE_M))
    if end - begin < 2:
        return None
    # Close to the fork the axis is still drawn aside: the line is that of the stretch beyond.
    inner = nodes[begin + (min(end, len(nodes) - 1) - begin) // 3]
    step = position[nodes[min(end, len(nodes) - 1)]] - position[inner]
    at = position[nodes[begin]]
    if begin:
        share = (far[begin] - apart) / (far[begin] - far[begin - 1])
        at = at + share * (position[nodes[begin - 1]] - at)
    return at, step / max(float(np.linalg.norm(step)), 1e-9), int(nodes[begin])


def _nearest_place(line: Floats, point: Floats) -> Floats:
    """Point of a polyline of at least two nodes, (p, 3), that is nearest to ``point`` (3,). [m]"""
    step = np.diff(line, axis=0)
    size = np.maximum((step**2).sum(axis=1), 1e-12)
    share = np.clip(((point - line[:-1]) * step).sum(axis=1) / size, 0.0, 1.0)
    place = line[:-1] + share[:, None] * step
    nearest: Floats = place[np.argmin(((place - point) ** 2).sum(axis=1))]
    return nearest


def _closest(
    start_a: Floats, along_a: Floats, start_b: Floats, along_b: Floats
) -> tuple[Floats, float, float, float] | None:
    """Midpoint of the closest approach of two lines, their distance, and how far back."""
    cosine = float(along_a @ along_b)
    if abs(cosine) > np.cos(np.radians(4.0)):
        return None
    step = start_b - start_a
    p, q = float(step @ along_a), float(step @ along_b)
    s = (p - cosine * q) / (1.0 - cosine**2)
    t = (cosine * p - q) / (1.0 - cosine**2)
    on_a, on_b = start_a + s * along_a, start_b + t * along_b
    return (on_a + on_b) / 2, float(np.linalg.norm(on_a - on_b)), -s, -t
