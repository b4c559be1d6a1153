"""Write every output of a run into a folder that stands ready (the pipeline moves it in place)."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from treescan.errors import OutputError
from treescan.planning.types import JobResult
from treescan.processes import shared_out
from treescan.report.cut_card import Paper, cut_card_pdf
from treescan.report.cut_list import cut_list_csv, haul_csv, measurements_csv, measurements_text
from treescan.report.geojson import site_geojson
from treescan.report.meshes import job_surfaces, tree_glb, tree_ply
from treescan.report.pictures import Picture, pictures_of, write_picture
from treescan.report.plan_json import plan_document
from treescan.report.report_html import report_html
from treescan.report.tree_json import tree_document
from treescan.units import UnitSystem


def write_plan_outputs(
    result: JobResult,
    folder: Path,
    *,
    units: UnitSystem = "metric",
    paper: Paper | None = None,
    rows: bool = False,
) -> list[Path]:
    """Write all outputs of a plan into an existing folder; returns the paths.

    ``paper`` and ``rows`` are those of :func:`treescan.report.cut_card.cut_card_pdf`.

    Raises
    ------
    OutputError
        If the run made no plan, or a file cannot be written; names the file.
    """
    if result.plan is None:
        raise OutputError("plan outputs: this run made no plan. Write the measurements instead.")
    folder = _ready(folder)
    plan = plan_document(result)
    return _written(
        [
            lambda: _meshes_and_report(result, folder, units, plan["plan_id"]),
            lambda: [
                _bytes(
                    folder / "cut_list.pdf", lambda: cut_card_pdf(result, units, paper, rows=rows)
                )
            ],
            *_picture_jobs(result, folder, units),
            lambda: _measurements(result, folder, units),
            lambda: [
                _text(folder / "plan.json", lambda: _json(plan)),
                _text(folder / "cut_list.csv", lambda: cut_list_csv(result, units)),
                _text(folder / "haul.csv", lambda: haul_csv(result, units)),
            ],
        ]
    )


def _written(jobs: Sequence[Callable[[], list[Path]]]) -> list[Path]:
    """All files that some jobs write, the longest jobs first, on both cores."""
    return [path for paths in shared_out(jobs, lambda job: job()) for path in paths]


def _meshes_and_report(
    result: JobResult, folder: Path, units: UnitSystem, plan_id: str
) -> list[Path]:
    surfaces = job_surfaces(result)
    glb = tree_glb(result, surfaces)
    return [
        _bytes(folder / "tree.glb", lambda: glb),
        _bytes(folder / "tree.ply", lambda: tree_ply(result, surfaces)),
        _text(folder / "report.html", lambda: report_html(result, units, glb=glb, plan_id=plan_id)),
    ]


def _measurements(result: JobResult, folder: Path, units: UnitSystem) -> list[Path]:
    written = [
        _text(folder / "tree.json", lambda: _json(tree_document(result))),
        _text(folder / "measurements.csv", lambda: measurements_csv(result, units)),
        _text(folder / "measurements.txt", lambda: measurements_text(result, units)),
    ]
    document = site_geojson(result)
    if document is not None:
        written.append(_text(folder / "site.geojson", lambda: _json(document)))
    return written


def write_measure_outputs(
    result: JobResult, folder: Path, *, units: UnitSystem = "metric"
) -> list[Path]:
    """Write tree.json, the measurements, meshes, pictures, a report and, if possible, haul.csv."""
    folder = _ready(folder)
    written = _written(
        [
            lambda: _meshes_and_report(result, folder, units, ""),
            *_picture_jobs(result, folder, units),
            lambda: _measurements(result, folder, units),
        ]
    )
    if result.haul.rows:
        written.append(_text(folder / "haul.csv", lambda: haul_csv(result, units)))
    return written


def _picture_jobs(
    result: JobResult, folder: Path, units: UnitSystem
) -> list[Callable[[], list[Path]]]:
    place = folder / "pictures"

    def draw(name: str, picture: Picture) -> list[Path]:
        try:
            place.mkdir(exist_ok=True)
            return write_picture(picture, result, place / name, units)
        except OSError as error:
            raise _unwritten(place, error) from error

    return [partial(draw, *named) for named in pictures_of(result).items()]


def _ready(folder: Path) -> Path:
    if not Path(folder).is_dir():
        raise OutputError(f"{folder}: no such folder to write to. Make it first.")
    return Path(folder)


def _json(document: dict[str, Any]) -> str:
    """JSON text with one line per node, step or feature, so that people can read and compare it."""
    parts = []
    for key, value in document.items():
        if isinstance(value, list) and value and isinstance(value[0], dict):
            rows = ",\n  ".join(json.dumps(v, ensure_ascii=False, allow_nan=False) for v in value)
            parts.append(f"{json.dumps(key)}: [\n  {rows}\n ]")
        else:
            text = json.dumps(value, ensure_ascii=False, allow_nan=False)
            parts.append(f"{json.dumps(key)}: {text}")
    return "{\n " + ",\n ".join(parts) + "\n}\n"


def _text(path: Path, make: Callable[[], str]) -> Path:
    return _bytes(path, lambda: make().encode("utf-8"))


def _bytes(path: Path, make: Callable[[], bytes]) -> Path:
    data = make()
    try:
        path.write_bytes(data)
    except OSError as error:
        raise _unwritten(path, error) from error
    return path


def _unwritten(path: Path, error: OSError) -> OutputError:
    return OutputError(
        f"{path}: not written ({error.strerror}). Free space or choose another folder."
    )
