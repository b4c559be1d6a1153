"""``treescan measure``: the tree in numbers, without a plan."""

from __future__ import annotations

import argparse
from pathlib import Path

from treescan.errors import EXIT_DONE
from treescan_cli.console import dated, list_outputs, print_json, progress, say
from treescan_cli.options import add_output, add_scan, add_shared, run_options

NAME = "measure"
HELP = "scan to tree.json, measurements, weights, and a proposed site file"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of ``measure``."""
    add_scan(parser)
    parser.add_argument("--site", type=Path, metavar="FILE", help="site file (species, near_m, …)")
    add_output(parser)
    add_shared(parser)


def run(args: argparse.Namespace) -> int:
    """Measure the tree; returns the exit status."""
    from treescan.pipeline.outputs import write_outputs
    from treescan.pipeline.run import measure_scan, require_files
    from treescan.pipeline.staging import check_free, staged_folder
    from treescan.pipeline.summary import measure_lines, summary_document

    require_files([*args.scan, *([args.site] if args.site else [])])
    check_free(args.out, overwrite=args.overwrite)
    with progress(quiet=args.quiet) as report:
        result, proposed = measure_scan(args.scan, args.site, run_options(args), report)
        report("Writing the results", 0.0)
        with staged_folder(args.out, overwrite=args.overwrite) as folder:
            write_outputs(dated(result), folder, units=args.units, proposed=proposed)
    for line in measure_lines(result, args.units):
        say(line, quiet=args.quiet)
    list_outputs(args.out, quiet=args.quiet)
    if args.json:
        print_json(summary_document(result, args.out))
    return EXIT_DONE
