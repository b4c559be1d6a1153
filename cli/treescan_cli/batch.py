"""``treescan batch``: many scans."""

from __future__ import annotations

import argparse
from pathlib import Path

from treescan.errors import EXIT_DONE, InvalidInputError
from treescan_cli.console import STOPPED, print_json, progress, say
from treescan_cli.options import add_output, add_seed, add_shared

NAME = "batch"
HELP = (
    "many scans: a folder of results each, one table and one map; run again to go on "
    "(--overwrite does every job anew)"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of ``batch``."""
    parser.add_argument("list", type=Path, metavar="LIST", help="CSV file with columns scan,site")
    parser.add_argument(
        "--scheduler", metavar="ADDR", help="dask scheduler to use, e.g. tcp://10.0.0.5:8786"
    )
    parser.add_argument("--workers", type=int, default=2, help="workers of the local cluster")
    add_seed(parser)
    add_output(parser)
    add_shared(parser)


def run(args: argparse.Namespace) -> int:
    """Run all jobs; returns the exit status (0 even when single scans are bad: see the table)."""
    from treescan.pipeline.batch import DONE, batch_folder, read_list, run_all, write_tables

    if not 1 <= args.workers <= 256:
        raise InvalidInputError(f"--workers is {args.workers}; give 1 to 256.")
    jobs = read_list(args.list, args.out, units=args.units, seed=args.seed, again=args.overwrite)
    with batch_folder(args.out), progress(quiet=args.quiet) as report:

        def told(done: int, of: int) -> None:
            report(f"Jobs ({of})", done / of)

        try:
            rows = run_all(jobs, scheduler=args.scheduler, workers=args.workers, told=told)
        except KeyboardInterrupt:
            say("treescan: stopped; finished jobs are kept, run again to go on.")
            return STOPPED
        written = write_tables(rows, args.out)
    good = sum(row["status"] == DONE for row in rows)
    say(f"{good} of {len(rows)} done; table and map: {written[0]}", quiet=args.quiet)
    for row in rows:
        if row["status"] != DONE:
            say(f"  {row['job']}: {row['status']}: {row['message']}", quiet=args.quiet)
    if args.json:
        print_json({"format": "treescan-batch", "version": 1, "jobs": rows})
    return EXIT_DONE
