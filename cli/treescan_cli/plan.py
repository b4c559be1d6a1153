"""``treescan plan``: the main job."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from treescan.errors import EXIT_DONE, EXIT_NO_PLAN
from treescan_cli.console import dated, list_outputs, print_json, progress, say
from treescan_cli.options import add_output, add_print, add_scan, add_shared, run_options

NAME = "plan"
HELP = "scan (and site file) to weights, anchors, cut order, loads to haul, report and card"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of ``plan``."""
    add_scan(parser)
    parser.add_argument(
        "--site",
        type=Path,
        metavar="FILE",
        help="site file (TOML): species, targets, drop zones, gear, limits; without it "
        "weights and haul are worked out, but no plan",
    )
    parser.add_argument(
        "--thorough",
        action="store_true",
        help="look at ten times as many other cuts: often a shorter day on a big tree, for up to"
        " a minute more",
    )
    add_output(parser)
    add_print(parser)
    add_shared(parser)


def run(args: argparse.Namespace) -> int:
    """Run the main job; returns the exit status."""
    from treescan.pipeline.outputs import write_outputs
    from treescan.pipeline.run import plan_removal, require_files
    from treescan.pipeline.staging import check_free, staged_folder
    from treescan.pipeline.summary import plan_lines, summary_document

    require_files([*args.scan, *([args.site] if args.site else [])])
    check_free(args.out, overwrite=args.overwrite)
    options = replace(run_options(args), thorough=args.thorough)
    with progress(quiet=args.quiet) as report:
        result = plan_removal(args.scan, args.site, options, report)
        report("Writing the results", 0.0)
        with staged_folder(args.out, overwrite=args.overwrite) as folder:
            write_outputs(dated(result), folder, units=args.units, paper=args.paper, rows=args.rows)
    for line in plan_lines(result, args.units):
        say(line, quiet=args.quiet)
    list_outputs(args.out, quiet=args.quiet)
    if args.json:
        print_json(summary_document(result, args.out))
    if result.plan is not None and not result.plan.feasible:
        say(f"treescan: no plan keeps every limit. {result.plan.smallest_change}")
        return EXIT_NO_PLAN
    return EXIT_DONE
