"""Measurements of a standing tree."""

from __future__ import annotations

from dataclasses import dataclass

from treescan.units import Band


@dataclass(frozen=True)
class UnionRow:
    """A union: where a limb leaves its parent."""

    node: int
    height_m: float
    parent_diameter_m: float
    branch_diameter_m: float
    angle_deg: float
    ratio: float
    included_bark_suspected: bool
    reason: str = ""


@dataclass(frozen=True)
class LimbRow:
    """A limb in numbers.  ``azimuth_deg`` is clockwise from +y (north)."""

    limb: int
    base_node: int
    order: int
    base_diameter_m: float
    base_height_m: float
    length_m: float
    azimuth_deg: float
    reach_m: float
    volume_m3: float


@dataclass(frozen=True)
class TreeMeasures:
    """Whole-tree measurements; heights count from the ground at the stem's uphill side."""

    height_m: float
    dbh_m: float
    dbh_sd_m: float
    dbh_height_m: float
    stem_diameters_m: tuple[tuple[float, float], ...]
    crown_spread_m: float
    crown_spread_cross_m: float
    crown_base_m: float
    live_crown_ratio: float
    lean_deg: float
    lean_azimuth_deg: float
    volume_m3: Band
    volume_over_7cm_m3: Band
    unseen_share: float
    stems: int
    unions: tuple[UnionRow, ...]
    limbs: tuple[LimbRow, ...]
    notes: tuple[str, ...] = ()
