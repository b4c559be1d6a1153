"""Options that mean the same in every verb."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from treescan.pipeline.run import RunOptions


def add_shared(parser: argparse.ArgumentParser) -> None:
    """``--units --json --quiet`` : every verb."""
    parser.add_argument(
        "--units", choices=("metric", "us"), default="metric", help="units shown (SI inside)"
    )
    parser.add_argument("--json", action="store_true", help="machine-readable summary on stdout")
    parser.add_argument("--quiet", action="store_true", help="no progress and no messages")


def add_output(parser: argparse.ArgumentParser) -> None:
    """``--out --overwrite`` : verbs that write a folder."""
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="results go here")
    parser.add_argument(
        "--overwrite", action="store_true", help="replace results of an earlier run in DIR"
    )


def add_print(parser: argparse.ArgumentParser) -> None:
    """``--paper --rows`` : verbs that write a cut list to print."""
    parser.add_argument(
        "--paper",
        choices=("a4", "letter"),
        help="paper of cut_list.pdf; Letter with --units us, A4 otherwise, unless given",
    )
    parser.add_argument(
        "--rows", action="store_true", help="cut_list.pdf as one row a step, not a card a step"
    )


def add_scan(parser: argparse.ArgumentParser) -> None:
    """The scan and what may be overruled about it: ``measure``, ``plan``."""
    parser.add_argument(
        "scan",
        nargs="+",
        type=Path,
        metavar="SCAN",
        help="scan file, several files of one scan, or a tree.json of an earlier run",
    )
    parser.add_argument(
        "--scan-units",
        choices=("m", "ft", "us-ft", "mm"),
        help="units of the scan's coordinates, when the file states them wrongly or not at all",
    )
    parser.add_argument("--up", choices=("z", "y"), help="axis of the scan that points up")
    parser.add_argument(
        "--species",
        metavar="NAME",
        help="scientific or common name; takes the place of the site file's",
    )
    add_seed(parser)


def add_seed(parser: argparse.ArgumentParser) -> None:
    """``--seed`` : verbs that choose at random anywhere."""
    parser.add_argument("--seed", type=int, default=0, help="same seed, same result")


def run_options(args: argparse.Namespace) -> RunOptions:
    """Options of the run from the parsed arguments."""
    from treescan.pipeline.run import RunOptions

    return RunOptions(scan_units=args.scan_units, up=args.up, seed=args.seed, species=args.species)
