"""Points of things that the site file already names are not the tree's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import shapely

from treescan.errors import SiteFileError
from treescan.pointcloud.cloud import Ground, PointCloud
from treescan.site.model import Site, Target

SKIN_M = 0.12
"""Points this near a target's outline are taken for its surface. [m]"""

STANDS_BELOW_M = 0.5
"""A target whose base is higher than this may be over the stem's foot. [m]"""


def without_targets(
    cloud: PointCloud, ground: Ground, site: Site
) -> tuple[PointCloud, npt.NDArray[np.intp], tuple[str, ...]]:
    """Leave out the points that lie in or on the site's targets.

    ``site`` is in the local frame.  Only where it names the tree's place (``near_m``): else a
    target drawn over the stem would hide the tree instead of being refused.  Wood that reaches
    into a target goes with it, so the number of points is said; wood above a roof stays.

    Returns
    -------
    (cloud, rows, notes)
        The thinner cloud, the row (k,) of each of its points in the one given, and what is to be
        said.

    Raises
    ------
    SiteFileError
        If a target stands where ``tree.near_m`` says the stem is: its points would be lost.
    """
    _refuse_on_the_stem(site)
    inside = np.zeros(len(cloud), dtype=bool)
    notes = []
    for target in site.target if site.tree.near_m is not None else ():
        here = _in_target(cloud, ground, target) & ~inside
        count = int(np.count_nonzero(here))
        if count:
            notes.append(
                f"{count:,} points in or against the target “{target.name}” were taken for it; "
                "check by eye whether wood reaches into it"
            )
        inside |= here
    rows = np.flatnonzero(~inside)
    if len(rows) == len(cloud):
        return cloud, rows, ()
    kept = replace(
        cloud,
        xyz=cloud.xyz[rows],
        rgb=None if cloud.rgb is None else cloud.rgb[rows],
        intensity=None if cloud.intensity is None else cloud.intensity[rows],
    )
    return kept, rows, tuple(notes)


def _refuse_on_the_stem(site: Site) -> None:
    if site.tree.near_m is None:
        return
    stem = shapely.Point(site.tree.near_m)
    for number, target in enumerate(site.target, start=1):
        if target.base_m <= STANDS_BELOW_M and _outline(target).contains(stem):
            raise SiteFileError(
                f"target [{number}] ('{target.name}') stands where tree.near_m says the stem is. "
                "Correct its corners or near_m, and check that both are scan coordinates."
            )


def _outline(target: Target) -> shapely.Geometry:
    if target.footprint_m is not None:
        return shapely.Polygon(target.footprint_m).buffer(SKIN_M)
    return shapely.LineString(target.path_m).buffer(target.width_m / 2 + SKIN_M)


def _in_target(cloud: PointCloud, ground: Ground, target: Target) -> npt.NDArray[np.bool_]:
    outline = _outline(target)
    left, low, right, high = outline.bounds
    x, y = cloud.xyz[:, 0], cloud.xyz[:, 1]
    rows = np.flatnonzero((x >= left) & (x <= right) & (y >= low) & (y <= high))
    rows = rows[shapely.contains_xy(outline, x[rows].astype(float), y[rows].astype(float))]
    above = cloud.xyz[rows, 2] - ground.height(x[rows], y[rows])
    top = target.base_m + target.height_m + SKIN_M
    rows = rows[(above >= target.base_m - SKIN_M) & (above <= top)]
    result = np.zeros(len(cloud), dtype=bool)
    result[rows] = True
    return result
