"""The standing tree as a structure: forces at every section between a load and the ground.

The graph is a rooted tree, so section forces follow by walking from each load to the root; no
frame analysis is needed.  A section is the lower end of a node's edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.errors import InvalidInputError
from treescan.rigging.model import FIELD, SAFETY_PERSON, SparModel, spar_model

__all__ = [
    "SAFETY_PERSON",
    "Loads",
    "SectionForces",
    "SparModel",
    "SparShares",
    "allowable_n",
    "deflection_m",
    "each_a_case",
    "one_case",
    "peak_shares",
    "section_forces",
    "spar_model",
]

Floats = npt.NDArray[np.float64]
Int64s = npt.NDArray[np.int64]


ROOT_SHARE = 0.7
"""Anchorage of a sound root plate over the bending strength of the stem's foot, at most
[assumption].  The scan sees no roots: inspect them.
"""
TURNING_N_M_PER_KG = 77.4
"""Turning moment that winched trees over, per kilogram of stem: the least of four species.

Byrne 2005, M.Sc. thesis, Univ. of British Columbia (abstract): lodgepole pine 145.6, hybrid
spruce 118.6, western redcedar 94.5, western hemlock 77.4, linear in the stem's mass.  Conifers of
forest stands; Nicoll et al. 2006 (Can. J. For. Res. 36:1871-1883) find the same form for twelve
species, poorest on gleyed soil.
"""


@dataclass(frozen=True)
class Loads:
    """Forces on the tree, grouped by case.

    Attributes
    ----------
    start : ndarray, shape (cases + 1,), int64
        Case i has the loads ``start[i]:start[i + 1]``.
    node : ndarray, shape (k,), int64
        Node that carries each load.
    point_m, force_n : ndarray, shape (k, 3)
        Where it acts and the force. [m], [N]
    """

    start: Int64s
    node: Int64s
    point_m: Floats
    force_n: Floats


@dataclass(frozen=True)
class SparShares:
    """Per case, each shape (cases,): the section nearest its limit, and the base.

    ``share`` is the stress of the factored load and of self weight over the ultimate stress
    (1 at the limit).  Self weight counts once, at the high mass, and against the strength before
    the field and union factors: every union has carried it, so those knock-downs belong to what
    is added [assumption].  Decay, cracks and cavities count in full for both.
    ``base_moment_n_m`` is the overturning moment at the ground, unfactored, self weight
    included; ``root_share`` its factored value over :func:`root_holds_n_m`.
    """

    share: Floats
    worst_node: Int64s
    worst_height_m: Floats
    base_moment_n_m: Floats
    root_share: Floats


@dataclass(frozen=True)
class SectionForces:
    """Forces at every section for one case, each shape (n,). [N], [N m]

    Off the loaded paths only self weight acts.  ``share`` is stress over ultimate stress
    with no factor on the load, self weight counted as in :class:`SparShares`.
    """

    bending_n_m: Floats
    torsion_n_m: Floats
    shear_n: Floats
    axial_n: Floats
    share: Floats


def one_case(node: npt.ArrayLike, point_m: npt.ArrayLike, force_n: npt.ArrayLike) -> Loads:
    """Loads that act together, as one case.

    Parameters
    ----------
    node : array_like, shape (k,)
        Nodes that carry the loads.
    point_m, force_n : array_like, shape (k, 3)
        [m], [N]
    """
    nodes = np.atleast_1d(np.asarray(node, dtype=np.int64))
    return Loads(
        np.array([0, len(nodes)], dtype=np.int64),
        nodes,
        np.atleast_2d(np.asarray(point_m, dtype=np.float64)),
        np.atleast_2d(np.asarray(force_n, dtype=np.float64)),
    )


def each_a_case(node: Int64s, point_m: Floats, force_n: Floats) -> Loads:
    """Every load a case of its own.

    Parameters
    ----------
    node : ndarray, shape (k,), int64
    point_m, force_n : ndarray, shape (k, 3)
        [m], [N]
    """
    nodes = np.asarray(node, dtype=np.int64)
    return Loads(np.arange(len(nodes) + 1, dtype=np.int64), nodes, point_m, force_n)


def peak_shares(model: SparModel, loads: Loads, factor: Floats | float | None = None) -> SparShares:
    """Greatest share of the strength between the loads and the ground, per case.

    Parameters
    ----------
    model : SparModel
    loads : Loads
    factor : float or ndarray, shape (n,), optional
        Factor on the loads by section; safety factor over ``anchor_share`` when omitted.

    Raises
    ------
    InvalidInputError
        A load on a node that is no longer standing, or a value that is not finite.
    """
    _check(model, loads)
    load_factor = model.safety / model.limits.anchor_share if factor is None else factor
    factors = np.broadcast_to(np.asarray(load_factor, dtype=np.float64), model.safety.shape)
    cases = len(loads.start) - 1
    share, worst = np.zeros(cases), np.zeros(cases, dtype=np.int64)
    base = np.zeros((cases, 3))
    proven = FIELD * model.union
    _walk(
        model.parent,
        model.section_m,
        model.axis,
        _limits(model, factors),
        np.hstack([model.self_force_n, model.self_moment_n_m]) * proven[:, None],
        model.base_m,
        (loads.start, loads.node, loads.point_m, loads.force_n),
        (share, worst, base),
    )
    foot = model.foot
    own = model.self_moment_n_m[0, :2]
    total = np.linalg.norm(base[:, :2] + own, axis=1)
    factored = np.linalg.norm(factors[foot] * base[:, :2] + own, axis=1)
    held = factored / root_holds_n_m(model)
    return SparShares(share, worst, model.height_m[worst], total, held)


def root_holds_n_m(model: SparModel) -> float:
    """Overturning moment that the root plate is taken to hold: the lesser of two rules. [N m]

    ``ROOT_SHARE`` of the bending strength of the foot, and ``TURNING_N_M_PER_KG`` times the low
    mass of the whole stem, standing or not: the roots grew with it.
    """
    foot = model.foot
    bends = ROOT_SHARE * float(model.bending_pa[foot] * model.modulus_m3[foot])
    mass = model.mass
    low = np.divide(mass.low_kg, mass.likely_kg, where=mass.likely_kg > 0.0,
                    out=np.zeros_like(mass.likely_kg))  # fmt: skip
    stem_kg = float((mass.woody_kg * low)[model.graph.order == 0].sum())
    return min(bends, TURNING_N_M_PER_KG * stem_kg) if stem_kg > 0.0 else bends


def section_forces(model: SparModel, loads: Loads) -> SectionForces:
    """Forces at every section for a single case (``loads`` holds one).

    Bending is the moment across the edge's axis, torsion along it; axial is positive in
    tension.

    Parameters
    ----------
    model : SparModel
    loads : Loads
        One case.

    Raises
    ------
    InvalidInputError
        As :func:`peak_shares`.
    """
    _check(model, loads)
    force, moment = np.zeros_like(model.self_force_n), np.zeros_like(model.self_moment_n_m)
    for node, point, load in zip(loads.node, loads.point_m, loads.force_n, strict=True):
        path = np.array(model.graph.ancestors(int(node)))
        force[path] += load
        moment[path] += np.cross(point - model.section_m[path], load)
    proven = (FIELD * model.union)[:, None]
    counted = _components(
        model, force + proven * model.self_force_n, moment + proven * model.self_moment_n_m
    )
    bending, torsion, shear, axial = counted
    normal = bending / model.modulus_m3 + np.abs(axial) / model.area_m2
    tangent = np.abs(torsion) / (2.0 * model.modulus_m3) + 4.0 / 3.0 * shear / model.area_m2
    share = np.hypot(normal / model.bending_pa, tangent / model.shear_pa)
    share[0] = 0.0
    bending, torsion, shear, axial = _components(
        model, force + model.self_force_n, moment + model.self_moment_n_m
    )
    return SectionForces(bending, torsion, shear, axial, share)


def _components(
    model: SparModel, force: Floats, moment: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Bending, torsion, shear and axial force at every section, each shape (n,)."""
    torsion = np.einsum("ij,ij->i", moment, model.axis)
    axial = np.einsum("ij,ij->i", force, model.axis)
    bending = np.linalg.norm(moment - torsion[:, None] * model.axis, axis=1)
    shear = np.linalg.norm(force - axial[:, None] * model.axis, axis=1)
    return bending, torsion, shear, axial


def allowable_n(
    model: SparModel,
    node: Int64s,
    point_m: Floats,
    direction: Floats,
    safety: Floats | float | None = None,
) -> tuple[Floats, Int64s]:
    """Force at each node in a direction that brings some section to its allowable.

    Before the site's ``anchor_share``.  Found by halving: the share is convex in the force, so
    once it passes 1 it stays above.

    Parameters
    ----------
    model : SparModel
    node : ndarray, shape (k,)
    point_m, direction : ndarray, shape (k, 3)
        Point of action and unit vectors.
    safety : float or ndarray, optional
        Safety factors by section; the model's when omitted.

    Returns
    -------
    (force, section) : ndarray (k,), ndarray (k,)
        [N], and the node whose section governs; 0 N where self weight alone is too much.
    """
    factor = model.safety if safety is None else safety
    nodes = np.asarray(node, dtype=np.int64)
    ways = np.asarray(direction, dtype=np.float64)
    low, high = np.zeros(len(nodes)), np.full(len(nodes), 1e3)
    section = nodes.copy()
    for _ in range(14):
        high = np.where(
            _share_at(model, nodes, point_m, ways, high, factor)[0] < 1.0, 4 * high, high
        )
        high = np.minimum(high, 1e7)
    for _ in range(26):
        middle = 0.5 * (low + high)
        share, section = _share_at(model, nodes, point_m, ways, middle, factor)
        low, high = np.where(share < 1.0, middle, low), np.where(share < 1.0, high, middle)
    return low, section


def _share_at(
    model: SparModel,
    node: Int64s,
    point_m: Floats,
    way: Floats,
    force_n: Floats,
    factor: Floats | float,
) -> tuple[Floats, Int64s]:
    got = peak_shares(model, each_a_case(node, point_m, force_n[:, None] * way), factor)
    return got.share, got.worst_node


def deflection_m(model: SparModel, node: int, force_n: npt.ArrayLike) -> Floats:
    """Elastic movement of a node under a force on it, shape (3,). [m]

    Unit-load method over the members between the node and the ground, Simpson's rule along
    each; bending only.

    Parameters
    ----------
    model : SparModel
    node : int
    force_n : array_like, shape (3,)
        [N]
    """
    path = np.array(model.graph.ancestors(node)[:-1])
    if not len(path):
        return np.zeros(3)
    force = np.asarray(force_n, dtype=np.float64)
    low = model.graph.position_m[model.graph.parent[path]]
    step = model.graph.position_m[path] - low
    length = np.linalg.norm(step, axis=1)
    axis = step / np.maximum(length, 1e-12)[:, None]
    soft = length / (model.elasticity_pa * model.inertia_m4)[path]
    result: Floats = np.zeros(3)
    for place, weight in ((0.0, 1 / 6), (0.5, 4 / 6), (1.0, 1 / 6)):
        arm = model.graph.position_m[node] - (low + place * step)
        moment = np.cross(arm, force)
        bending = moment - np.einsum("ij,ij->i", moment, axis)[:, None] * axis
        result = result + weight * np.cross(bending * soft[:, None], arm).sum(axis=0)
    return result


def _limits(model: SparModel, factor: Floats) -> Floats:
    """Columns: 1/Z, 1/A, 1/bending strength, 1/shear strength, factor on the load."""
    return np.stack(
        [
            1.0 / model.modulus_m3,
            1.0 / model.area_m2,
            1.0 / model.bending_pa,
            1.0 / model.shear_pa,
            factor,
        ],
        axis=1,
    )


def _check(model: SparModel, loads: Loads) -> None:
    if len(loads.node) and not model.standing[loads.node].all():
        gone = int(loads.node[~model.standing[loads.node]][0])
        raise InvalidInputError(f"a load acts on node {gone}, which is no longer standing.")
    if not (np.isfinite(loads.force_n).all() and np.isfinite(loads.point_m).all()):
        raise InvalidInputError("a load on the spar is not finite. Check the case.")


@njit(cache=True)
def _walk(parent, section, axis, limits, weight, base, loads, out):  # type: ignore[no-untyped-def] # noqa: ANN001
    start, load_node, point, force = loads
    share, worst, base_moment = out
    n = parent.shape[0]
    total = np.zeros((n, 6))
    stamp = np.full(n, -1)
    touched = np.empty(n, np.int64)
    for case in range(start.shape[0] - 1):
        count = 0
        for k in range(start[case], start[case + 1]):
            fx, fy, fz = force[k, 0], force[k, 1], force[k, 2]
            px, py, pz = point[k, 0] - base[0], point[k, 1] - base[1], point[k, 2] - base[2]
            mx, my, mz = py * fz - pz * fy, pz * fx - px * fz, px * fy - py * fx
            base_moment[case, 0] += mx
            base_moment[case, 1] += my
            base_moment[case, 2] += mz
            node = load_node[k]
            while node > 0:
                if stamp[node] != case:
                    stamp[node] = case
                    touched[count] = node
                    count += 1
                    for i in range(6):
                        total[node, i] = 0.0
                total[node, 0] += fx
                total[node, 1] += fy
                total[node, 2] += fz
                total[node, 3] += mx
                total[node, 4] += my
                total[node, 5] += mz
                node = parent[node]
        best, at = 0.0, 0
        for j in range(count):
            node = touched[j]
            ax, ay, az = axis[node, 0], axis[node, 1], axis[node, 2]
            sx = section[node, 0] - base[0]
            sy = section[node, 1] - base[1]
            sz = section[node, 2] - base[2]
            fx, fy, fz = total[node, 0], total[node, 1], total[node, 2]
            times = limits[node, 4]
            mx = times * (total[node, 3] - (sy * fz - sz * fy)) + weight[node, 3]
            my = times * (total[node, 4] - (sz * fx - sx * fz)) + weight[node, 4]
            mz = times * (total[node, 5] - (sx * fy - sy * fx)) + weight[node, 5]
            fx = times * fx + weight[node, 0]
            fy = times * fy + weight[node, 1]
            fz = times * fz + weight[node, 2]
            twist = mx * ax + my * ay + mz * az
            axial = fx * ax + fy * ay + fz * az
            bend = np.sqrt(max(mx * mx + my * my + mz * mz - twist * twist, 0.0))
            shear = np.sqrt(max(fx * fx + fy * fy + fz * fz - axial * axial, 0.0))
            normal = (bend * limits[node, 0] + abs(axial) * limits[node, 1]) * limits[node, 2]
            tangent = 0.5 * abs(twist) * limits[node, 0] + 4.0 / 3.0 * shear * limits[node, 1]
            tangent *= limits[node, 3]
            value = normal * normal + tangent * tangent
            if value > best:
                best, at = value, node
        share[case] = np.sqrt(best)
        worst[case] = at
