"""Many scans: one job each, none stops the others, a second run takes up where the first ended.

Every job writes its own folder ``jobs/<two digits>/<id>`` (whole or not at all) and one row of the
table.  The row is kept beside the folder as ``<id>.row.json`` with a fingerprint of the inputs, so
that a finished job is not done again unless its scan or site file has changed.  The two digits
spread a hundred thousand jobs over 256 folders.
"""

from __future__ import annotations

import contextlib
import csv
import hashlib
import json
import logging
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
MOST_LIST_BYTES = 100_000_000
WORKERS_WITHIN_S = 60.0
"""So long a scheduler of one's own may be without workers at the start. [s]"""
LOST_AFTER = "10 minutes"
"""So long a local worker that was killed may take to come back.  By dask's own 15 seconds, too
few on a busy machine, the cluster would do without it to the end."""
COLUMNS = (
    "job", "scan", "site", "status", "message", "species", "height_m", "dbh_m",
    "green_mass_low_kg", "green_mass_likely_kg", "green_mass_high_kg", "volume_m3",
    "steps", "hours_low", "hours_high", "peak_anchor_n", "truck_loads", "unseen_share",
    "flags", "x_m", "y_m", "crs",
)  # fmt: skip


@dataclass(frozen=True)
class BatchJob:
    """One line of the list; ``again`` does it anew even when it is done."""

    job: str
    scan: str
    site: str
    out: str
    units: UnitSystem = "metric"
    seed: int = 0
    again: bool = False

    @property
    def folder(self) -> Path:
        """Where its results go."""
        return Path(self.out) / "jobs" / self.job[-8:-6] / self.job


def read_list(
    path: Path, out: Path, *, units: UnitSystem = "metric", seed: int = 0, again: bool = False
) -> list[BatchJob]:
    """Read the list of scans: CSV with columns ``scan`` and ``site`` (may be empty).

    Paths count from the list's own folder.  A job is named by its scan and a digest of both
    entries, so that lines may be added or moved without doing the others again.

    Raises
    ------
    InvalidInputError
        Naming the line and what is wrong with it.
    """
    jobs: dict[str, BatchJob] = {}
    lines: dict[str, int] = {}
    for number, scan, site in _entries(path):
        name = re.sub(r"[^A-Za-z0-9_-]+", "_", Path(scan).stem)[:40] or "scan"
        job = f"{name}-{hashlib.sha256(f'{scan}|{site}'.encode()).hexdigest()[:8]}"
        if job in jobs:
            raise InvalidInputError(
                f"{path} line {number}: the same scan and site as line {lines[job]}. Strike one."
            )
        lines[job] = number
        jobs[job] = BatchJob(
            job=job,
            scan=str((path.parent / scan).absolute()),
            site=str((path.parent / site).absolute()) if site else "",
            out=str(out.absolute()),
            units=units,
            seed=seed,
            again=again,
        )
    return list(jobs.values())


def _entries(path: Path) -> list[tuple[int, str, str]]:
    """Line number, scan and site of every line of the list."""
    try:
        if path.stat().st_size > MOST_LIST_BYTES:
            raise InvalidInputError(
                f"{path}: {path.stat().st_size / 1e6:.0f} MB; a list has at most "
                f"{MOST_LIST_BYTES / 1e6:.0f} MB. Split it, or check that it is the list."
            )
        reader = csv.DictReader(path.read_text(encoding="utf-8-sig").splitlines())
        rows = [(reader.line_num, row) for row in reader]
    except (OSError, UnicodeDecodeError, csv.Error) as fault:
        raise InvalidInputError(f"{path}: the list cannot be read: {fault}.") from fault
    if not rows or "scan" not in rows[0][1]:
        raise InvalidInputError(
            f"{path}: the list needs a first line “scan,site” and at least one scan under it."
        )
    entries = []
    for number, row in rows:
        scan, site = (row.get("scan") or "").strip(), (row.get("site") or "").strip()
        if not scan or "\0" in scan + site:
            raise InvalidInputError(f"{path} line {number}: no scan is named. Fill or strike it.")
        entries.append((number, scan, site))
    return entries


def run_job(job: BatchJob) -> Row:
    """Run one job and return its row; a fault is a row too.  A finished job is not done again.

    What failed for want of space, rights or by a fault of the program is tried again next time;
    what failed by its input only when the input has changed.
    """
    job.folder.parent.mkdir(parents=True, exist_ok=True)
    kept = job.folder.with_name(f"{job.job}.row.json")
    mark = fingerprint(job)
    row = None if job.again else _kept_row(kept, mark, job.folder)
    if row is not None:
        return row
    row = _empty_row(job)
    try:
        row.update(_planned(job))
    except OutputError as error:
        row.update(status=FAULT, message=_one_line(error))
    except TreescanError as error:
        row.update(status=BAD_INPUT, message=_one_line(error))
    except Exception as fault:  # noqa: BLE001  (one bad scan never stops the rest)
        row.update(status=FAULT, message=f"{type(fault).__name__}: {_one_line(fault)}")
    row["fingerprint"] = mark
    try:
        _write_whole(kept, json.dumps(row, indent=1))
    except OutputError as error:
        row.update(status=FAULT, message=_one_line(error))
    return row


def _kept_row(kept: Path, mark: str, results: Path) -> Row | None:
    """Row of an earlier run, or None when the job has to be done (again)."""
    try:
        row: Row = json.loads(kept.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    if not isinstance(row, dict) or row.get("fingerprint") != mark:
        return None
    status = row.get("status")
    there = status == BAD_INPUT or (status in (DONE, NO_PLAN) and (results / "tree.json").is_file())
    return row if there else None


def _empty_row(job: BatchJob) -> Row:
    return {**dict.fromkeys(COLUMNS, ""), "job": job.job, "scan": job.scan, "site": job.site}


def _one_line(error: BaseException) -> str:
    return " ".join(str(error).split())


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
    with staged_folder(job.folder, overwrite=True) as folder:
        write_outputs(result, folder, units=job.units)
    return result_row(result)


def result_row(result: JobResult) -> Row:
    """One row of the table from a finished job."""
    mass, measures, plan = result.mass.total(), result.measures, result.plan
    base = result.graph.position_m[0] + result.origin_m
    said = (*result.decisions, *result.cautions)
    flags = [text for text in dict.fromkeys(said) if text.startswith("WARNING")]
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


@contextlib.contextmanager
def batch_folder(out: Path) -> Iterator[None]:
    """Make the folder of a batch and keep other batches out of it for the time of the block.

    The lock goes with the process, however it ends; where the system has none (Windows), the
    block is not guarded.

    Raises
    ------
    OutputError
        If the folder holds other things, cannot be written, or another batch works in it.
    """
    jobs = out / "jobs"
    try:
        if out.exists() and not jobs.is_dir() and any(out.iterdir()):
            raise OutputError(f"{out} holds files of no batch. Give --out a new folder.")
        jobs.mkdir(parents=True, exist_ok=True)
        lock = (out / ".lock").open("a", encoding="utf-8")
    except OSError as fault:
        raise _unwritten(out, fault) from fault
    with lock:
        try:
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except ImportError:
            pass
        except BlockingIOError as fault:
            raise OutputError(
                f"{out}: another batch is working here. Wait for it, or give another --out."
            ) from fault
        yield


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
    place = {job.job: number for number, job in enumerate(jobs)}
    return sorted(rows, key=lambda row: place[str(row["job"])])


def _mapped(jobs: Sequence[BatchJob], scheduler: str | None, workers: int) -> Iterator[Row]:
    try:
        import dask
        from distributed import Client, LocalCluster, as_completed
    except ImportError as fault:
        raise InvalidInputError(
            "many scans need the extra “cluster”: pip install 'treescan[cluster]'."
        ) from fault
    if scheduler:
        try:
            client = Client(scheduler, timeout=30)
        except (OSError, ValueError) as fault:
            raise InvalidInputError(
                f"--scheduler {scheduler}: no scheduler answers there ({_one_line(fault)}). Start "
                "one with `dask scheduler`, or leave the option out."
            ) from fault
        with client:
            try:
                client.wait_for_workers(1, timeout=WORKERS_WITHIN_S)
            except TimeoutError as fault:
                raise InvalidInputError(
                    f"--scheduler {scheduler}: the scheduler answers but has no workers. Start "
                    f"some with `dask worker {scheduler} --nthreads 1`."
                ) from fault
            yield from _gathered(jobs, client, as_completed)
        return
    with (
        tempfile.TemporaryDirectory() as scratch,
        dask.config.set({"distributed.deploy.lost-worker-timeout": LOST_AFTER}),
        LocalCluster(
            n_workers=min(workers, max(len(jobs), 1)),
            threads_per_worker=1,
            dashboard_address="127.0.0.1:0",
            silence_logs=logging.ERROR,
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
            row = _empty_row(by_key[future.key])
            row.update(status=FAULT, message=f"{type(fault).__name__}: {_one_line(fault)}")
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
        try:
            parquet.write_table(pa.table(columns), partial)
            partial.replace(out / "batch.parquet")
        except OSError as fault:
            partial.unlink(missing_ok=True)
            raise _unwritten(out / "batch.parquet", fault) from fault
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
        raise _unwritten(path, fault) from fault
    return path


def _unwritten(path: Path, fault: OSError) -> OutputError:
    return OutputError(
        f"{path} could not be written: {fault.strerror or fault}. Free space, or another --out."
    )
