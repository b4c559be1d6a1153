"""Write a result: the report layer's files, and the site file that goes with them."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from treescan.planning.types import JobResult
from treescan.report.writing import write_measure_outputs, write_plan_outputs
from treescan.site.model import Site
from treescan.site.reading import site_toml
from treescan.units import UnitSystem


def write_outputs(
    result: JobResult, folder: Path, *, units: UnitSystem = "metric", proposed: str = ""
) -> None:
    """Write every file of a result into ``folder``, ``site.toml`` in scan coordinates included.

    With ``site.toml``, ``tree.json`` and ``plan.json`` the folder is a whole job: ``replan``,
    ``haul`` and ``page`` work on it.
    """
    if result.plan is None:
        write_measure_outputs(result, folder, units=units)
    else:
        write_plan_outputs(result, folder, units=units)
    site = in_scan_coordinates(result.site, result.origin_m)
    (folder / "site.toml").write_text(site_toml(site), encoding="utf-8")
    if proposed:
        (folder / "proposed_site.toml").write_text(proposed, encoding="utf-8")


def in_scan_coordinates(site: Site, origin_m: np.ndarray) -> Site:
    """Undo :meth:`Site.localised`."""
    if not site.local:
        return site
    moved = site.model_copy(update={"local": False}).localised(-np.asarray(origin_m))
    return moved.model_copy(update={"local": False})
