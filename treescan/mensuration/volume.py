"""Volume of stem and limb segments from diameters and length, and of a whole skeleton graph.

The four formulas treat a segment as a frustum of a solid of revolution.  The graph uses
:func:`conical_frustum`, since both end diameters of an edge come from one smoothed taper.

======================  ======================  ==========================================
Formula                 Exact for               Use it when
======================  ======================  ==========================================
:func:`smalian`         cylinder, paraboloid    only end diameters are known; reads high on
                                                flared butts
:func:`huber`           cylinder, paraboloid    only the mid diameter is known
:func:`newton`          all four solids         butt, mid and top diameters are known
:func:`conical_frustum` cylinder, cone          ends of a fitted cone; limbs with even taper
======================  ======================  ==========================================

Metres and cubic metres throughout; diameters are over bark unless the caller has taken it off.

References
----------
.. [AB02] Avery, T. E. and Burkhart, H. E. (2002). Forest Measurements, 5th ed. McGraw-Hill.
   Chapter on log volume. [from memory]
.. [HBK03] Husch, B., Beers, T. W. and Kershaw, J. A. (2003). Forest Mensuration, 4th ed.
   Wiley. Chapter on volume of tree sections. [from memory]
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.skeleton.graph import TreeGraph

Metres = npt.NDArray[np.float64]
CubicMetres = npt.NDArray[np.float64]

SYSTEMATIC_SD = 0.02
"""Spread of radius that all edges share (scale, beam width), relative. [judgement]"""


def smalian(
    diameter_butt: npt.ArrayLike, diameter_top: npt.ArrayLike, length: npt.ArrayLike
) -> CubicMetres:
    """Volume from the two end areas, V = L (A_butt + A_top) / 2 [HBK03]_.

    Parameters
    ----------
    diameter_butt, diameter_top : array_like, shape (n,)
        Diameters at the thick and the thin end. [m]
    length : array_like, shape (n,)
        Length along the segment axis. [m]

    Returns
    -------
    ndarray, shape (n,)
        Volume of each segment. [m³]

    Raises
    ------
    InvalidInputError
        If a diameter or a length is negative or not finite.

    Examples
    --------
    >>> float(smalian(0.29, 0.25, 5.0).round(4))
    0.2878
    """
    return _length(length) * (_area(diameter_butt) + _area(diameter_top)) / 2.0


def huber(diameter_mid: npt.ArrayLike, length: npt.ArrayLike) -> CubicMetres:
    """Volume from the mid-length area, V = L A_mid [HBK03]_. [m³]

    Arguments and result, shape (n,), as `newton`.
    """
    return _length(length) * _area(diameter_mid)


def newton(
    diameter_butt: npt.ArrayLike,
    diameter_mid: npt.ArrayLike,
    diameter_top: npt.ArrayLike,
    length: npt.ArrayLike,
) -> CubicMetres:
    """Volume from three areas, V = L (A_butt + 4 A_mid + A_top) / 6 [HBK03]_.

    ``diameter_mid`` is measured at half the length. [m]  Others and the result, shape (n,),
    as `smalian`.
    """
    ends = _area(diameter_butt) + _area(diameter_top)
    return _length(length) * (ends + 4.0 * _area(diameter_mid)) / 6.0


def conical_frustum(
    diameter_butt: npt.ArrayLike, diameter_top: npt.ArrayLike, length: npt.ArrayLike
) -> CubicMetres:
    """Volume of a cone frustum, V = L (A_b + sqrt(A_b A_t) + A_t) / 3.

    Arguments [m] and result [m³], shape (n,), as `smalian`.
    """
    butt, top = _area(diameter_butt), _area(diameter_top)
    return _length(length) * (butt + np.sqrt(butt * top) + top) / 3.0


def edge_volume_m3(graph: TreeGraph) -> CubicMetres:
    """Volume over bark of each node's edge outside the parent's wood, shape (n,). [m³]"""
    return conical_frustum(
        2.0 * graph.edge_start_radius_m, 2.0 * graph.radius_m, graph.edge_length_m
    )


def edge_volume_sd_m3(graph: TreeGraph) -> CubicMetres:
    """Standard deviation of `edge_volume_m3` from that of the radii, shape (n,). [m³]

    The two ends of an edge err together (one fit, one smoothing), so that their relative
    spreads are averaged: sd(V) = 2 V sd(r) / r.
    """
    relative = graph.radius_sd_m / graph.radius_m
    up = np.maximum(graph.parent, 0)
    start = np.where(graph.starts_limb, relative, relative[up])
    result: CubicMetres = edge_volume_m3(graph) * (relative + start)
    return result


def total_sd_m3(graph: TreeGraph, take: npt.NDArray[np.bool_]) -> float:
    """Standard deviation of the summed volume of the edges in ``take`` (n,). [m³]

    Along one limb errors are taken as fully correlated, between limbs as independent, and a
    share of ``SYSTEMATIC_SD`` of the radius as common to all.
    """
    sd = np.where(take, edge_volume_sd_m3(graph), 0.0)
    by_limb = np.bincount(graph.limb, sd)
    common = 2.0 * SYSTEMATIC_SD * float(edge_volume_m3(graph)[take].sum())
    return float(np.hypot(np.sqrt((by_limb**2).sum()), common))


def share_over(graph: TreeGraph, diameter_m: float) -> Metres:
    """Share of each edge's length that is thicker than ``diameter_m``, shape (n,), 0..1."""
    start, end = 2.0 * graph.edge_start_radius_m, 2.0 * graph.radius_m
    thick, thin = np.maximum(start, end), np.minimum(start, end)
    span = np.maximum(thick - thin, 1e-12)
    result: Metres = np.clip((thick - diameter_m) / span, 0.0, 1.0)
    return result


def volume_over_m3(graph: TreeGraph, diameter_m: float) -> CubicMetres:
    """Volume of each edge where it is thicker than ``diameter_m``, shape (n,). [m³]

    An edge that crosses the limit is cut there (linear taper).
    """
    share = share_over(graph, diameter_m)
    start, end = 2.0 * graph.edge_start_radius_m, 2.0 * graph.radius_m
    thick, thin = np.maximum(start, end), np.minimum(start, end)
    cut = thick - share * (thick - thin)
    return conical_frustum(thick, cut, share * graph.edge_length_m)


def _area(diameter: npt.ArrayLike) -> npt.NDArray[np.float64]:
    result: npt.NDArray[np.float64] = np.pi / 4.0 * _checked(diameter, "diameter") ** 2
    return result


def _length(length: npt.ArrayLike) -> Metres:
    return _checked(length, "length")


def _checked(values: npt.ArrayLike, name: str) -> Metres:
    array = np.asarray(values, dtype=np.float64)
    bad = ~np.isfinite(array) | (array < 0.0)
    if bad.any():
        index = int(np.flatnonzero(bad)[0])
        raise InvalidInputError(
            f"segment {index}: {name} is {array.flat[index]:g} m; it must be finite and not "
            f"negative. Refit the segment or leave it out."
        )
    return array
