"""The scan's scale against a tape: two numbers side by side, corrected only when asked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from treescan.mensuration.measures import TreeMeasures
from treescan.pointcloud.cloud import UNIT_DOUBT, PointCloud
from treescan.site.model import COORDINATES, Site
from treescan.units import diameter_text

TAPE_SD_M = 0.005
LENGTH_ERROR = (0.01, 0.005)
"""What a taped length between two picked points may be off: metres, and a share of it."""
AGREES = ("Scale agrees", "DBH agrees")
LARGEST_SHIFT_M = 0.05
"""By so much a place of the site file may be off without a word. [m]"""


def with_corrected_scale(cloud: PointCloud, site: Site) -> tuple[PointCloud, tuple[str, ...]]:
    """Check a known length between two scan points; rescale only if the site file asks.

    Returns the cloud (rescaled about its own origin if asked) and what is to be said.
    """
    known, ends = site.tree.known_length_m, site.tree.known_length_points_m
    if known is None or ends is None:
        return cloud, _unchecked(site)
    measured = float(np.linalg.norm(np.subtract(ends[1], ends[0])))
    ratio = known / measured if measured > 0 else float("nan")
    both = f"known length {known:.3f} m, in the scan {measured:.3f} m"
    if not 0.2 < ratio < 5.0:
        return cloud, (
            f"WARNING: scale NOT checked: {both} cannot be the same thing. Check both, and units.",
        )
    error_m = LENGTH_ERROR[0] + LENGTH_ERROR[1] * known
    if abs(ratio - 1.0) * known < error_m:
        return cloud, (f"{AGREES[0]} with the known length ({both}, error {error_m:.3f} m).",)
    if not site.tree.correct_scale:
        return cloud, (
            f"WARNING: scale disagrees with the known length ({both}, error {error_m:.3f} m); "
            "not corrected. Set tree.correct_scale = true to correct it.",
        )
    scaled = replace(cloud, xyz=(cloud.xyz * np.float32(ratio)), spacing_m=cloud.spacing_m * ratio)
    shift_m = abs(ratio - 1.0) * _farthest_m(site.localised(cloud.origin_m).model_dump())
    moved = (
        f"WARNING: correcting the scale moved the scan: places of the site file that were drawn "
        f"on the uncorrected scan are up to {shift_m:.2f} m off; check them on the corrected one.",
    )
    said = f"Scale corrected by {ratio:.4f} ({both})."
    return scaled, (said, *(moved if shift_m > LARGEST_SHIFT_M else ()))


def _unchecked(site: Site) -> tuple[str, ...]:
    """What is to be said when there is no known length between two points."""
    tree = site.tree
    if tree.known_length_m is not None or tree.known_length_points_m is not None:
        return (
            "WARNING: the scale was NOT checked: known_length_m and known_length_points_m "
            "(its two ends in the scan) are needed together.",
        )
    if tree.correct_scale:
        return (
            "WARNING: the scale was NOT corrected: tree.correct_scale needs known_length_m and "
            "known_length_points_m; a diameter is too short a length to set the scale by.",
        )
    return ()


def _farthest_m(item: object, key: str = "") -> float:
    """Distance from the local origin to the farthest place that a dumped site names. [m]"""
    if isinstance(item, dict):
        return max((_farthest_m(part, name) for name, part in item.items()), default=0.0)
    if not isinstance(item, list | tuple) or key == "known_length_points_m":
        return 0.0
    if key in COORDINATES and item and isinstance(item[0], float | int):
        return float(np.linalg.norm(item))
    return max((_farthest_m(part, key) for part in item), default=0.0)


def taped_dbh_note(measures: TreeMeasures, site: Site) -> tuple[str, ...]:
    """Compare the scan's DBH with the taped one, as a sentence; empty without a tape."""
    tape = site.tree.dbh_tape_m
    if tape is None:
        return ()
    spread = 2.0 * float(np.hypot(measures.dbh_sd_m, TAPE_SD_M))
    both = (
        f"tape {diameter_text(tape)}, scan {diameter_text(measures.dbh_m)} ± {spread * 100:.0f} cm"
    )
    if abs(measures.dbh_m - tape) <= spread:
        return (f"{AGREES[1]} with the tape ({both}).",)
    ratio = max(measures.dbh_m / tape, tape / measures.dbh_m)
    feet = " It would fit if one of them were in feet." if abs(ratio * 0.3048 - 1.0) < 0.1 else ""
    return (
        f"WARNING: DBH disagrees with the tape ({both}).{feet} Check units and scale of the scan, "
        "and where the tape was put, before using any weight.",
    )


def without_settled_doubt(decisions: tuple[str, ...]) -> tuple[str, ...]:
    """Leave out the doubt about the scan's unit where a taped length has settled it."""
    if not any(text.startswith(AGREES) for text in decisions):
        return decisions
    return tuple(
        text for text in decisions if not (text.startswith("WARNING") and UNIT_DOUBT in text)
    )
