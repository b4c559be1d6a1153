"""Write a result: the report layer's files, and the site file that goes with them."""

from __future__ import annotations

import warnings
from pathlib import Path

from treescan.pipeline.staging import staged_folder
from treescan.planning.types import JobResult
from treescan.report.cut_card import Paper
from treescan.report.frames import scan_site
from treescan.report.writing import write_measure_outputs, write_plan_outputs
from treescan.site.reading import site_toml
from treescan.units import UnitSystem


def write_outputs(
    result: JobResult,
    folder: Path,
    *,
    units: UnitSystem = "metric",
    proposed: str = "",
    paper: Paper | None = None,
    rows: bool = False,
) -> None:
    """Write every file of a result into ``folder``, ``site.toml`` in scan coordinates included.

    ``paper`` ("a4", "letter"; by the units when None) and ``rows`` (a row a step in place of a
    card a step) shape the printed cut list.

    With ``site.toml``, ``tree.json`` and ``plan.json`` the folder is a whole job: ``replan``,
    ``haul`` and ``page`` work on it.
    """
    with warnings.catch_warnings():  # names may hold letters that the picture's font lacks
        warnings.filterwarnings("ignore", "Glyph .* missing from font")
        if result.plan is None:
            write_measure_outputs(result, folder, units=units)
        else:
            write_plan_outputs(result, folder, units=units, paper=paper, rows=rows)
    (folder / "site.toml").write_text(site_toml(scan_site(result)), encoding="utf-8")
    if proposed:
        (folder / "proposed_site.toml").write_text(proposed, encoding="utf-8")


def save_results(
    result: JobResult,
    folder: Path | str,
    *,
    units: UnitSystem = "metric",
    overwrite: bool = False,
    paper: Paper | None = None,
    rows: bool = False,
) -> Path:
    """Write every file of a result into a folder of its own, whole or not at all.

    Parameters
    ----------
    result : JobResult
        Of ``plan_removal`` or ``measure_scan``.
    folder : Path or str
        Made by this call; an earlier result in it is replaced only with ``overwrite``.
    units : {"metric", "us"}
        For what people read; files for programs are SI.
    paper : {"a4", "letter"}, optional
        Of the printed cut list; Letter with US units and A4 otherwise when not given.
    rows : bool
        Print a row a step in place of a card a step.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    OutputError
        If the folder is in the way or cannot be written.
    """
    folder = Path(folder)
    with staged_folder(folder, overwrite=overwrite) as place:
        write_outputs(result, place, units=units, paper=paper, rows=rows)
    return folder
