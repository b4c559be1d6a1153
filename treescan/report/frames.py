"""Local frame to scan coordinates, heights above ground, azimuths."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from treescan.mensuration import breast_height
from treescan.planning.types import JobResult
from treescan.site.model import Site


def scan_point(result: JobResult, point_m: npt.ArrayLike) -> list[float]:
    """A local point in scan coordinates, to the millimetre, as plain numbers."""
    return rounded(np.asarray(point_m, dtype=np.float64) + result.origin_m)


def rounded(point: npt.ArrayLike, digits: int = 3) -> list[float]:
    """Plain numbers for JSON."""
    return [round(float(v), digits) for v in np.asarray(point, dtype=np.float64).ravel()]


def scan_site(result: JobResult) -> Site:
    """The site in scan coordinates, whatever frame it was given in."""
    if not result.site.local:
        return result.site
    there = result.site.model_copy(update={"local": False})
    return there.localised(-np.asarray(result.origin_m)).model_copy(update={"local": False})


def uphill_ground_m(result: JobResult) -> float:
    """Ground height at the uphill side of the stem, where heights count from. [m, local]"""
    return breast_height.uphill_ground_m(result.graph, result.ground)


def azimuth_deg(dx: float, dy: float) -> float:
    """Azimuth clockwise from north (+y). [degrees]"""
    return math.degrees(math.atan2(dx, dy)) % 360.0
