"""Diameter at breast height: where it is measured, of which stems, and whether it was seen.

Rule: heights count from the ground at the uphill side of the stem and along the stem's axis; a
tree that forks below breast height is measured as several stems, and the diameter given is that
of the circle with the sum of their areas.  [common practice in forest inventory]
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.errors import ScanError
from treescan.mensuration.section import taped_radius_m
from treescan.mensuration.walls import LEFT, find_walls
from treescan.pointcloud.cloud import Ground, TreePoints
from treescan.pointcloud.foot import footing
from treescan.skeleton.graph import FITTED, TreeGraph
from treescan.skeleton.outline import MOVED, ROUND, SHARP, Outline, circle, frames, hand_down

Floats = npt.NDArray[np.float64]

UPRIGHT_COS = 0.6
"""A limb counts as a stem at breast height when it stands steeper than this."""
STEEP_NODES = 3
"""Its steepness is that of so many nodes to either side."""
LINE_M = 0.8
"""A limb whose skin touches a stem's at breast height is drawn aside there: its direction is that
of so long a stretch from where it is clear of the stems on. [m]"""
CLEAR_M = 0.8
"""How far above breast height that stretch may begin. [m, judgement]"""
UNSEEN_SD = 0.1
"""Doubt about its radius where its own round was not seen among theirs, as a share. [judgement]"""
ONE_SKIN = 0.6
"""Sections nearer to each other than this share of their summed radii are one. [judgement]"""
LEADER = 0.45
"""A limb that thick beside the stem it leaves makes a fork. [judgement]"""
ABOVE_M = 1.1
"""The outline at breast height is handed down from so much farther up at most. [m]"""
FEWEST_POINTS = 40
LEAST_COVERAGE = 0.2


@dataclass(frozen=True)
class BreastHeight:
    """Diameter at breast height of one tree. [m]"""

    diameter_m: float
    sd_m: float
    stems: int
    notes: tuple[str, ...]


def uphill_ground_m(graph: TreeGraph, ground: Ground) -> float:
    """Ground height at the uphill side of the stem, from the ground around the butt. [m]"""
    x, y = graph.position_m[0, :2]
    radius = float(graph.radius_m[0])
    return footing(ground, float(x), float(y), radius).uphill_m(radius)


def crossings(graph: TreeGraph, z_m: float) -> list[tuple[int, float]]:
    """Edges that cross the height ``z_m`` upward: ``(node, share along its edge)``."""
    up = np.maximum(graph.parent, 0)
    low, high = graph.position_m[up, 2], graph.position_m[:, 2]
    cross = (low <= z_m) & (high > z_m)
    cross[0] = False
    return [(int(n), float((z_m - low[n]) / (high[n] - low[n]))) for n in np.flatnonzero(cross)]


def breast_height(
    graph: TreeGraph, ground: Ground, tree: TreePoints | None, height_m: float
) -> BreastHeight:
    """Diameter at ``height_m`` above the uphill ground.

    Raises
    ------
    ScanError
        If no stem was seen there or the scan is too sparse; a diameter of the butt flare is
        never given instead.
    """
    base_z = uphill_ground_m(graph, ground)
    z = base_z + height_m
    across = [hit for hit in crossings(graph, z) if _never_above(graph, hit[0], z)]
    steep = [hit for hit in across if _steep(graph, hit[0])]
    if not steep:
        top = float(graph.position_m[:, 2].max() - base_z)
        raise ScanError(
            f"breast height ({height_m:.2f} m) was not seen: the stem ends {top:.2f} m above the "
            f"ground in the scan. Scan the stem higher."
        )
    # Shoots that happen to cross the height are no stems.
    widest = max(float(graph.radius_m[node]) for node, _ in steep)
    found = [hit for hit in steep if graph.radius_m[hit[0]] >= 0.25 * widest]
    stems = [node for node, _ in found]
    drawn = [_led_back(graph, hit[0], stems, z) for hit in across if hit not in steep]
    sections = [_section(graph, *hit) for hit in found]
    sections += [one for one in drawn if one is not None and one.radius_m >= 0.25 * widest]
    kept = _apart([(one.centre_m, *_stem(one, tree, height_m)) for one in sections])
    diameter = float(np.sqrt(sum(d * d for d, _ in kept)))
    sd = float(np.sqrt(sum((d * s) ** 2 for d, s in kept)) / diameter)
    notes: tuple[str, ...] = ()
    if len(kept) > 1:
        each = ", ".join(f"{100 * d:.1f}" for d, _ in sorted(kept, reverse=True))
        notes = (
            f"The tree forks below breast height: {len(kept)} stems of {each} cm; the diameter "
            f"given is that of the circle with their summed area.",
        )
    return BreastHeight(diameter, sd, len(kept), notes)


def _at(graph: TreeGraph, node: int, share: float) -> Floats:
    """Place on a node's edge, shape (3,). [m]"""
    up = int(graph.parent[node])
    result: Floats = (1 - share) * graph.position_m[up] + share * graph.position_m[node]
    return result


def _apart(stems: list[tuple[Floats, float, float]]) -> list[tuple[float, float]]:
    """Diameter and sd of the stems (centre, diameter, sd) that stand clear of thicker ones. [m]

    Just above a fork the members still share one skin: its girth counts once.
    """
    kept: list[tuple[Floats, float, float]] = []
    for centre, diameter, sd in sorted(stems, key=lambda stem: -stem[1]):
        clear = [
            float(np.linalg.norm(centre - there)) > ONE_SKIN * 0.5 * (diameter + other)
            for there, other, _ in kept
        ]
        if all(clear):
            kept.append((centre, diameter, sd))
    return [(diameter, sd) for _, diameter, sd in kept]


def _never_above(graph: TreeGraph, node: int, z_m: float) -> bool:
    """Whether nothing below ``node`` has been above ``z_m`` yet.

    A limb that hangs below breast height and rises again is no stem.
    """
    return bool((graph.position_m[graph.ancestors(node)[1:], 2] <= z_m).all())


def _steep(graph: TreeGraph, node: int) -> bool:
    """Whether the limb is steep at ``node``."""
    below = graph.ancestors(node)
    own = np.flatnonzero(graph.limb == graph.limb[node])
    ahead = own[own >= node][: STEEP_NODES + 1][-1]
    step = graph.position_m[ahead] - graph.position_m[below[min(STEEP_NODES, len(below) - 1)]]
    return bool(step[2] > UPRIGHT_COS * np.linalg.norm(step))


@dataclass(frozen=True)
class _Section:
    """A stem where it crosses breast height: centre and unit vector (3,), radius, sd. [m]

    ``above`` are the places `_above`; None where the axis was drawn aside, and the stem is known
    from where it is clear again.
    """

    centre_m: Floats
    axis: Floats
    radius_m: float
    sd_m: float
    fitted: bool
    above: tuple[Floats, Floats, Floats] | None


def _section(graph: TreeGraph, node: int, share: float) -> _Section:
    """The section through the edge of ``node``, ``share`` of the way along it."""
    step = graph.position_m[node] - graph.position_m[int(graph.parent[node])]
    return _Section(
        centre_m=_at(graph, node, share),
        axis=step / np.linalg.norm(step),
        radius_m=float(
            (1 - share) * graph.edge_start_radius_m[node] + share * graph.radius_m[node]
        ),
        sd_m=float(graph.radius_sd_m[node]),
        fitted=bool(graph.source[node] == FITTED),
        above=_above(graph, node),
    )


def _led_back(graph: TreeGraph, node: int, stems: list[int], z_m: float) -> _Section | None:
    """The section of a limb drawn aside by the stems it touches, where its line crosses ``z_m``.

    None where it touches none, or is not steep or was not seen where it is clear of them.
    """
    own = np.flatnonzero(graph.limb == graph.limb[node])
    own = own[max(int(np.searchsorted(own, node)) - STEEP_NODES, 0) :]
    other = np.isin(graph.limb, graph.limb[stems]) & (graph.limb != graph.limb[node])
    gap = np.linalg.norm(graph.position_m[own][:, None] - graph.position_m[other], axis=2)
    gap -= graph.radius_m[own][:, None] + graph.radius_m[other]
    touches, ahead = (gap <= 0.0).any(axis=1), own >= node
    if not touches[own <= node].any() or touches[ahead].all():
        return None
    line = own[int(np.argmax(ahead & ~touches)) :]
    way = np.linalg.norm(graph.position_m[line] - graph.position_m[line[0]], axis=1)
    line = line[way <= LINE_M]
    line = line[len(line) // 3 :]  # just beyond the skin of the stems it is still drawn aside
    start, step = graph.position_m[line[0]], graph.position_m[line[-1]] - graph.position_m[line[0]]
    if len(line) <= STEEP_NODES or step[2] <= UPRIGHT_COS * np.linalg.norm(step):
        return None
    if start[2] - z_m > CLEAR_M or not (graph.source[line] == FITTED).any():
        return None
    return _Section(
        centre_m=start - (start[2] - z_m) / step[2] * step,
        axis=step / np.linalg.norm(step),
        radius_m=float(np.median(graph.radius_m[line])),
        sd_m=float(np.median(graph.radius_sd_m[line])),
        fitted=True,
        above=None,
    )


def _stem(stem: _Section, tree: TreePoints | None, height_m: float) -> tuple[float, float]:
    """Diameter and sd of one stem where it crosses breast height. [m]"""
    radius, sd = stem.radius_m, stem.sd_m
    if tree is None:
        if not stem.fitted:
            raise ScanError(_sparse(height_m, 0))
        return 2 * radius, 2 * sd
    fitted = slice_fit(tree.xyz, stem.centre_m, stem.axis, radius, stem.above)
    if fitted is None and stem.above is None:
        return 2 * radius, 2 * max(sd, UNSEEN_SD * radius)
    if fitted is None:
        raise ScanError(_sparse(height_m, FEWEST_POINTS))
    value, value_sd = fitted
    if abs(value - radius) > max(3 * float(np.hypot(sd, value_sd)), 0.1 * radius):
        # The section itself was seen: its own circle rules, and the doubt is said.
        return 2 * value, 2 * max(value_sd, abs(value - radius) / 3)
    share = 1 / (1 + (max(value_sd, 5e-4) / max(sd, 5e-4)) ** 2)
    # Section and limb share points: no surer together than one, and less where they disagree.
    apart = share * (1 - share) * (value - radius) ** 2
    both = float(np.sqrt(min(value_sd, sd) ** 2 + apart))
    return 2 * (share * value + (1 - share) * radius), 2 * both


def _above(graph: TreeGraph, node: int) -> tuple[Floats, Floats, Floats]:
    """Places of a stem from ``node`` up to ``ABOVE_M`` or its next fork, axis and radius there."""
    own = np.flatnonzero(graph.limb == graph.limb[node])
    own = own[own >= node]
    forks = np.flatnonzero(graph.starts_limb & np.isin(graph.parent, own))
    forks = forks[graph.radius_m[forks] > LEADER * graph.radius_m[graph.parent[forks]]]
    if len(forks):
        own = own[own < graph.parent[forks].min()]
    own = own[graph.position_m[own, 2] < graph.position_m[node, 2] + ABOVE_M]
    step = graph.position_m[own] - graph.position_m[graph.parent[own]]
    step /= np.linalg.norm(step, axis=1, keepdims=True)
    return graph.position_m[own], step, graph.radius_m[own]


def _sparse(height_m: float, points: int) -> str:
    return (
        f"the stem was seen too thinly at breast height ({height_m:.2f} m): fewer than {points} "
        f"points or too small a part of its round. Scan closer."
    )


def slice_fit(
    xyz: npt.ArrayLike,
    centre: Floats,
    axis: Floats,
    radius_m: float,
    above: tuple[Floats, Floats, Floats] | None = None,
) -> tuple[float, float] | None:
    """Taped radius of the slice of points about ``centre``; ``(radius, sd)`` or None. [m]

    The outline that a girth tape lies on is handed down from the stem ``above``, where it is
    rounder, or starts from the slice's own circle.

    Parameters
    ----------
    xyz : array_like, shape (n, 3)
        Points. [m]
    centre, axis : ndarray, shape (3,)
        Middle of the slice [m] and unit vector of the stem there.
    radius_m : float
        A first guess.
    above : tuple of three ndarray, shape (k, 3), (k, 3) and (k,), optional
        The same of places farther up the stem, upward.
    """
    place, guess = (centre[None], axis[None]), np.array([radius_m])
    if above is not None:
        place = np.concatenate([place[0], above[0]]), np.concatenate([place[1], above[1]])
        guess = np.append(guess, above[2])
    points = np.asarray(xyz, dtype=np.float64)
    low, high = place[0][:, 2].min() - 0.6, place[0][:, 2].max() + 0.6
    points = points[(points[:, 2] > low) & (points[:, 2] < high)]
    cuts = [_cut(points, c, d, 1.5 * radius_m + 0.03) for c, d in zip(*place, strict=True)]
    tol = max(0.012, 0.12 * radius_m)
    fits = np.array([_circle(across, radius_m, tol) for across, _ in cuts])
    fit = fits[0]
    if fit[2] <= 0:
        return None
    start, first = _start(fits, guess)
    down = place[0][start::-1], place[1][start::-1]
    outline = hand_down(points, down, first, np.full(start + 1, MOVED))[-1]
    across, along = cuts[0]
    spread = ROUND * fit[2]
    if outline is None:
        outline = circle(float(fit[2]), (float(fit[0]), float(fit[1])))
    else:
        spread = outline.radius_sd_m
    radius, scatter = taped_radius_m(across, along, outline, tol)
    radius -= float(fit[3] ** 2 / (2 * fit[2]))
    # Stations that disagree show as scatter beyond the misfit of the sharpest crowd.
    variance = fit[4] ** 2 + spread**2 + 0.0015**2 + (0.4 * scatter) ** 2
    walls = find_walls(*_cut(points, centre, axis, np.inf, np.inf), fit[:3], tol)
    if walls is not None and walls.shown_by(scatter):
        if walls.rule(float(fit[2])):
            return walls.radius_m, walls.sd_m
        variance += (LEFT * walls.apart_m) ** 2
    return float(radius), float(np.sqrt(variance))


def _cut(
    points: Floats, centre: Floats, axis: Floats, wide_m: float, half_m: float = 0.08
) -> tuple[Floats, Floats]:
    """Points of a slice across its axis (n, 2) and along it (n,), in a fixed order. [m]"""
    step = points - centre
    along = step @ axis
    u, v = frames(axis[None])
    across = np.column_stack([step @ u[0], step @ v[0]])
    keep = (np.abs(along) < half_m) & (np.hypot(*across.T) < wide_m)
    across, along = across[keep], along[keep]
    order = np.lexsort((along, across[:, 1], across[:, 0]))
    return across[order], along[order]


def _circle(across: Floats, radius_m: float, tol_m: float) -> Floats:
    """Row of `fit_circles` for a slice ``across`` (n, 2); radius 0 where it was seen too thinly."""
    from treescan.skeleton.circles import fit_circles  # compiled: a tree file needs none of it

    if len(across) < FEWEST_POINTS:
        return np.zeros(9)
    limits = np.array([[0.3 * radius_m, 1.5 * radius_m]])
    whole = np.array([[0], [len(across)], [400]])
    u, v = across[:, 0].copy(), across[:, 1].copy()
    fit: Floats = fit_circles(u, v, whole, np.array([tol_m]), limits, 3000)[0]
    seen = fit[5] >= LEAST_COVERAGE and fit[6] >= FEWEST_POINTS * 0.5
    return fit if seen else np.zeros(9)


def _start(fits: Floats, guess_m: Floats) -> tuple[int, Outline]:
    """Highest of the slices from which an outline can be handed down, and the circle there.

    ``fits`` (k, 9) are the slices' circles, ``guess_m`` (k,) the radii of the stem as a whole:
    where one agrees with the other it is the stem's, and that of the whole is the surer.
    """
    size, contrast = fits[:, 2], fits[:, 7]
    agrees = (size > 0) & (np.abs(size / guess_m - 1.0) < MOVED)
    if not agrees.any():
        return 0, circle(float(size[0]), (float(fits[0, 0]), float(fits[0, 1])))
    start = int(np.flatnonzero(agrees & (contrast >= SHARP * contrast[agrees].max()))[-1])
    return start, circle(float(guess_m[start]), (float(fits[start, 0]), float(fits[start, 1])))
