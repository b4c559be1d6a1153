"""Mass, moments and inertia of the frusta a tree is made of, and their sums over subtrees."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.skeleton.graph import TreeGraph
from treescan.wood.crown import edge_direction
from treescan.wood.types import GreenMass

Floats = npt.NDArray[np.float64]


def frustum_centre_share(r0: npt.ArrayLike, r1: npt.ArrayLike) -> Floats:
    """Centre of mass of a cone frustum from its r0 end, as a share of its length.

    (r0² + 2 r0 r1 + 3 r1²) / (4 (r0² + r0 r1 + r1²)).

    Parameters
    ----------
    r0, r1 : array_like
        End radii. [m]
    """
    a, b = np.asarray(r0, dtype=np.float64), np.asarray(r1, dtype=np.float64)
    result: Floats = (a * a + 2 * a * b + 3 * b * b) / (4 * (a * a + a * b + b * b))
    return result


def frustum_inertia_per_mass(
    r0: npt.ArrayLike, r1: npt.ArrayLike, length_m: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """Inertia per mass of a uniform cone frustum about its centre of mass. [m²]

    Parameters
    ----------
    r0, r1, length_m : array_like
        End radii and length. [m]

    Returns
    -------
    axial, transverse : arrays
        About its axis, and about any line across it through the centre of mass.  Exact: the
        cylinder's r²/2 and r²/4 + L²/12 at equal radii, the cone's 3 r²/10 at r1 = 0.
    """
    a, b = np.asarray(r0, dtype=np.float64), np.asarray(r1, dtype=np.float64)
    length = np.asarray(length_m, dtype=np.float64)
    section = a * a + a * b + b * b
    fourth = a**4 + a**3 * b + a * a * b * b + a * b**3 + b**4
    axial: Floats = 0.3 * fourth / section
    along = length**2 * (a * a + 3 * a * b + 6 * b * b) / (10 * section)
    centre = length * frustum_centre_share(a, b)
    transverse: Floats = 0.5 * axial + along - centre**2
    return axial, transverse


def node_moments(graph: TreeGraph, mass: GreenMass) -> Floats:
    """Additive quantities of every node, shape (n, 12), about the root node's position.

    Columns: low, likely, high mass [kg]; first moment x, y, z [kg m]; second moment
    xx, yy, zz, xy, xz, yz of the likely mass [kg m²].  The second moment of a body is
    sum(m p pᵀ) with the spread of the body itself included.

    Parameters
    ----------
    graph : TreeGraph
        n nodes.
    mass : GreenMass
        Of the same nodes.
    """
    origin = graph.position_m[0]
    axis = edge_direction(graph)
    r0, r1, length = graph.edge_start_radius_m, graph.radius_m, graph.edge_length_m
    share = frustum_centre_share(r0, r1)
    centre = graph.edge_start_m + axis * (length * share)[:, None] - origin
    axial, transverse = frustum_inertia_per_mass(r0, r1, length)
    along = np.maximum(transverse - 0.5 * axial, 0.0)
    across = 0.5 * axial
    woody = mass.woody_kg
    fine = mass.likely_kg - mass.woody_kg
    ball_centre = _fine_centre(graph, mass) - origin
    ball = (_fine_reach(graph, mass) / 3.0) ** 2 / 5.0
    result = np.zeros((len(graph), 12))
    result[:, 0:3] = np.column_stack([mass.low_kg, mass.likely_kg, mass.high_kg])
    result[:, 3:6] = woody[:, None] * centre + fine[:, None] * ball_centre
    for column, (i, j) in enumerate(_PAIRS, start=6):
        unit = float(i == j)
        body = across * unit + (along - across) * axis[:, i] * axis[:, j]
        result[:, column] = woody * (centre[:, i] * centre[:, j] + body) + fine * (
            ball_centre[:, i] * ball_centre[:, j] + ball * unit
        )
    return result


_PAIRS = ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))


def _fine_centre(graph: TreeGraph, mass: GreenMass) -> Floats:
    return mass.crown_centre_m if len(mass.crown_centre_m) else graph.position_m


def _fine_reach(graph: TreeGraph, mass: GreenMass) -> Floats:
    return mass.crown_reach_m if len(mass.crown_reach_m) else np.zeros(len(graph))


def centre_and_inertia(sums: Floats, origin_m: Floats) -> tuple[Floats, Floats]:
    """Centre of mass (c, 3) [m] and inertia tensor (c, 3, 3) [kg m²] from sums (c, 12).

    The inertia is about the centre of mass, axes of the local frame.

    Parameters
    ----------
    sums : ndarray, shape (c, 12)
        Sums of :func:`node_moments` over each body.
    origin_m : ndarray, shape (3,)
        Position the sums are about. [m]
    """
    likely = np.maximum(sums[:, 1], 1e-12)
    centre = sums[:, 3:6] / likely[:, None]
    second = np.empty((len(sums), 3, 3))
    for column, (i, j) in enumerate(_PAIRS, start=6):
        value = sums[:, column] - likely * centre[:, i] * centre[:, j]
        second[:, i, j] = value
        second[:, j, i] = value
    trace = np.trace(second, axis1=1, axis2=2)
    inertia = trace[:, None, None] * np.eye(3) - second
    return centre + origin_m, inertia
