"""The scan's scale against a tape: two numbers side by side, corrected only when asked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from treescan.mensuration.measures import TreeMeasures
from treescan.pointcloud.cloud import PointCloud
from treescan.site.model import Site
from treescan.units import diameter_text

TAPE_SD_M = 0.005


def with_corrected_scale(cloud: PointCloud, site: Site) -> tuple[PointCloud, tuple[str, ...]]:
    """Check a known length between two scan points; rescale only if the site file asks.

    Returns the cloud (rescaled about its own origin if asked) and what is to be said.
    """
    known, ends = site.tree.known_length_m, site.tree.known_length_points_m
    if known is None or ends is None:
        return cloud, ()
    measured = float(np.linalg.norm(np.subtract(ends[1], ends[0])))
    ratio = known / measured if measured > 0 else float("nan")
    both = f"known length {known:.3f} m, in the scan {measured:.3f} m"
    if not 0.2 < ratio < 5.0:
        return cloud, (
            f"WARNING: scale NOT checked: {both} cannot be the same thing. Check both, and units.",
        )
    if abs(ratio - 1.0) * known < 0.01 + 0.005 * known:
        return cloud, (f"Scale agrees with the known length ({both}).",)
    if not site.tree.correct_scale:
        return cloud, (
            f"WARNING: scale disagrees with the known length ({both}); not corrected. "
            "Set tree.correct_scale = true to correct it.",
        )
    scaled = replace(cloud, xyz=(cloud.xyz * np.float32(ratio)), spacing_m=cloud.spacing_m * ratio)
    return scaled, (f"Scale corrected by {ratio:.4f} ({both}).",)


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
        return (f"DBH agrees with the tape ({both}).",)
    ratio = max(measures.dbh_m / tape, tape / measures.dbh_m)
    feet = " It would fit if one of them were in feet." if abs(ratio * 0.3048 - 1.0) < 0.1 else ""
    return (
        f"WARNING: DBH disagrees with the tape ({both}).{feet} Check units and scale of the scan, "
        "and where the tape was put, before using any weight.",
    )
