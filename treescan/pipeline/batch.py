"""Many scans: one job each, none stops the others, a second run takes up where the first ended.

Every job writes its own folder ``jobs/<id>`` (whole or not at all) and one row of the table.
The row is kept beside the folder as ``jobs/<id>.row.json`` with a fingerprint of the inputs, so
that a finished job is not done again unless its scan or site file has changed.
"""

from __future__ import annotations

import csv
import hashlib
import json
import os
import re
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from treescan._version import __version__
from treescan.errors import InvalidInputError, OutputError, TreescanError
from treescan.pipeline.outputs import write_outputs
from treescan.pipeline.run import RunOptions, plan_removal
from treescan.pipeline.staging import staged_folder
from treescan.planning.types import JobResult
from treescan.units import UnitSystem

Row = dict[str, object]

DONE, BAD_INPUT, NO_PLAN, FAULT = "done", "bad input", "no plan", "fault"
COLUMNS = (
    "job", "scan", "site", "status", "message", "species", "height_m", "dbh_m",
    "green_mass_low_kg", "green_mass_likely_kg", "green_mass_high_kg", "volume_m3",
    "steps", "hours_low", "hours_high", "peak_anchor_n", "truck_loads", "unseen_share",
    "flags", "x_m", "y_m", "crs",
)  # fmt: skip


@dataclass(frozen=True)
class BatchJob:
    """One line of the list."""

    job: str
    scan: str
    site: str
    out: str
    units: UnitSystem = "metric"
    seed: int = 0


def read_list(
    path: Path, out: Path, *, units: UnitSystem = "metric", seed: int = 0
) -> list[BatchJob]:
    """Read the list of scans: CSV with columns ``scan`` and ``site`` (may be empty).

    Paths count from the list's own folder.

    Raises
    ------
    InvalidInputError
        Naming the line and what is wrong with it.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as fault:
        raise InvalidInputError(f"{path}: the list cannot be read: {fault}.") from fault
    rows = list(csv.DictReader(text.splitlines()))
    if not rows or "scan" not in rows[0]:
        raise InvalidInputError(
            f"{path}: the list needs a first line “scan,site” and at least one scan under it."
        )
    jobs = []
    for number, row in enumerate(rows, start=2):
        scan = (row.get("scan") or "").strip()
        if not scan:
            raise InvalidInputError(f"{path} line {number}: no scan is named. Fill or strike it.")
        site = (row.get("site") or "").strip()
        place = path.parent
        name = re.sub(r"[^A-Za-z0-9_-]+", "_", Path(scan).stem)[:40] or "scan"
        jobs.append(
            BatchJob(
                job=f"{number - 1:06d}-{name}",
                scan=str((place / scan).absolute()),
                site=str((place / site).absolute()) if site else "",
                out=str(out.absolute()),
                units=units,
                seed=seed,
            )
        )
    return jobs


def run_job(job: BatchJob) -> Row:
    """Run one job and return its row; a fault is a row too.  A finished job is not done again."""
    jobs = Path(job.out) / "jobs"
    jobs.mkdir(parents=True, exist_ok=True)
    kept = jobs / f"{job.job}.row.json"
    mark = fingerprint(job)
    if kept.is_file():
        row: Row = json.loads(kept.read_text(encoding="utf-8"))
        if row.get("fingerprint") == mark:
            return row
    row = {**dict.fromkeys(COLUMNS, ""), "job": job.job, "scan": job.scan, "site": job.site}
    try:
        row.update(_planned(job))
    except TreescanError as error:
        row.update(status=BAD_INPUT, message=" ".join(str(error).split()))
    except Exception as fault:  # noqa: BLE001  (one bad scan never stops the rest)
        row.update(status=FAULT, message=f"{type(fault).__name__}: {' '.join(str(fault).split())}")
    row["fingerprint"] = mark
    _write_whole(kept, json.dumps(row, indent=1))
    return row


def fingerprint(job: BatchJob) -> str:
    """Short digest of the inputs of a job; changes when the scan or the site file does."""
    digest = hashlib.sha256(f"{__version__}|{job.units}|{job.seed}".encode())
    for name in (job.scan, job.site):
        digest.update(name.encode())
        path = Path(name)
        if name and path.is_file():
            facts = path.stat()
            digest.update(f"{facts.st_size}|{facts.st_mtime_ns}".encode())
    return digest.hexdigest()[:16]


def _planned(job: BatchJob) -> Row:
    site = Path(job.site) if job.site else None
    result = plan_removal([Path(job.scan)], site, RunOptions(seed=job.seed))
    with staged_folder(Path(job.out) / "jobs" / job.job, overwrite=True) as folder:
        write_outputs(result, folder, units=job.units)
    return result_row(result)


def result_row(result: JobResult) -> Row:
    """One row of the table from a finished job."""
    mass, measures, plan = result.mass.total(), result.measures, result.plan
    base = result.graph.position_m[0] + result.origin_m
    flags = [text for text in result.decisions if text.startswith("WARNING")]
    return {
        "status": DONE if plan is None or plan.feasible else NO_PLAN,
        "message": "" if plan is None else plan.smallest_change,
        "species": result.species.scientific_name,
        "height_m": round(measures.height_m, 2),
        "dbh_m": round(measures.dbh_m, 3),
        "green_mass_low_kg": round(mass.low, 0),
        "green_mass_likely_kg": round(mass.likely, 0),
        "green_mass_high_kg": round(mass.high, 0),
        "volume_m3": round(measures.volume_m3.likely, 3),
        "steps": len(plan.steps) if plan else "",
        "hours_low": round(plan.hours.low, 2) if plan else "",
        "hours_high": round(plan.hours.high, 2) if plan else "",
        "peak_anchor_n": round(max((a.peak_n for a in plan.anchors), default=0.0)) if plan else "",
        "truck_loads": "; ".join(f"{t.loads.high:.0f} × {t.truck}" for t in result.haul.trucks),
        "unseen_share": round(measures.unseen_share, 3),
        "flags": " | ".join(flags),
        "x_m": round(float(base[0]), 2),
        "y_m": round(float(base[1]), 2),
        "crs": result.crs,
    }


def run_all(
    jobs: Sequence[BatchJob],
    *,
    scheduler: str | None = None,
    workers: int = 2,
    told: Callable[[int, int], None] = lambda done, of: None,
) -> list[Row]:
    """Run every job on a local cluster, or on the one whose ``scheduler`` address is given.

    ``told`` is called with the number done and the number in all.  A worker that is killed
    loses nothing: its job is given to another; one that kills three workers gets a fault row.
    """
    rows: list[Row] = []
    for row in _mapped(jobs, scheduler, workers):
        rows.append(row)
        told(len(rows), len(jobs))
    return sorted(rows, key=lambda row: str(row["job"]))


def _mapped(jobs: Sequence[BatchJob], scheduler: str | None, workers: int) -> Iterator[Row]:
    try:
        from distributed import Client, LocalCluster, as_completed
    except ImportError as fault:
        raise InvalidInputError(
            "many scans need the extra “cluster”: pip install 'treescan[cluster]'."
        ) from fault
    if scheduler:
        with Client(scheduler, timeout=30) as client:
            yield from _gathered(jobs, client, as_completed)
        return
    with (
        tempfile.TemporaryDirectory() as scratch,
        LocalCluster(
            n_workers=min(workers, max(len(jobs), 1)),
            threads_per_worker=1,
            dashboard_address=None,
            local_directory=scratch,
        ) as cluster,
        Client(cluster) as client,
    ):
        yield from _gathered(jobs, client, as_completed)


def _gathered(
    jobs: Sequence[BatchJob], client: object, as_completed: Callable[..., Iterable]
) -> Iterator[Row]:
    futures = client.map(run_job, jobs, pure=False, retries=0)  # type: ignore[attr-defined]
    by_key = {future.key: job for future, job in zip(futures, jobs, strict=True)}
    for future in as_completed(futures):
        fault = future.exception()
        if fault is None:
            yield future.result()
        else:
            job = by_key[future.key]
            row: Row = dict.fromkeys(COLUMNS, "")
            row.update(job=job.job, scan=job.scan, site=job.site, status=FAULT, message=str(fault))
            yield row
        future.release()


def write_tables(rows: Sequence[Row], out: Path) -> list[Path]:
    """Write ``batch.csv``, ``batch.parquet`` and ``batch.geojson`` whole; returns their paths."""
    table = [{name: row.get(name, "") for name in COLUMNS} for row in rows]
    written = [_write_whole(out / "batch.csv", _csv_text(table))]
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError:
        pass
    else:
        columns = {name: _column([row[name] for row in table]) for name in COLUMNS}
        partial = out / f".batch-{os.getpid()}.parquet"
        parquet.write_table(pa.table(columns), partial)
        partial.replace(out / "batch.parquet")
        written.append(out / "batch.parquet")
    written.append(_write_whole(out / "batch.geojson", json.dumps(_map(table), indent=1)))
    return written


def _csv_text(table: Sequence[Row]) -> str:
    import io

    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(table)
    return text.getvalue()


def _column(values: list[object]) -> list[object]:
    if any(isinstance(value, float | int) for value in values):
        return [float(v) if isinstance(v, float | int) else None for v in values]
    return [str(value) for value in values]


def _map(table: Sequence[Row]) -> dict[str, object]:
    """Points in WGS 84 where the scan states its coordinate system; elsewhere no geometry."""
    from treescan.report.geojson import to_wgs84

    features = []
    for row in table:
        place = None
        if isinstance(row["x_m"], float) and row["crs"]:
            place = to_wgs84(str(row["crs"]), float(row["x_m"]), float(str(row["y_m"])))
        features.append(
            {
                "type": "Feature",
                "geometry": {"type": "Point", "coordinates": list(place)} if place else None,
                "properties": row,
            }
        )
    return {"type": "FeatureCollection", "features": features}


def _write_whole(path: Path, text: str) -> Path:
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        partial.write_text(text, encoding="utf-8")
        partial.replace(path)
    except OSError as fault:
        partial.unlink(missing_ok=True)
        raise OutputError(
            f"{path} could not be written: {fault}. Free space, or another --out."
        ) from fault
    return path
