"""``treescan haul``: the haul and quote sheet again, with other trucks or lengths."""

from __future__ import annotations

import argparse
from pathlib import Path

from treescan.errors import EXIT_DONE
from treescan_cli.console import print_json, print_table, say
from treescan_cli.options import add_shared

NAME = "haul"
HELP = "logs, brush, truck loads and quote again for a result folder, with other trucks or lengths"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of ``haul``."""
    parser.add_argument("folder", type=Path, metavar="DIR", help="result folder of plan or measure")
    parser.add_argument("--site", type=Path, metavar="FILE", help="site file with other trucks")
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="change the site, e.g. limits.log_length_m=3.0 or haul.trucks.0.payload_kg=5000",
    )
    parser.add_argument(
        "--out", type=Path, metavar="DIR2", help="write haul.csv and site.toml here"
    )
    parser.add_argument("--overwrite", action="store_true", help="replace earlier results in DIR2")
    add_shared(parser)


def run(args: argparse.Namespace) -> int:
    """Print (and write) the sheet; returns the exit status."""
    from treescan.pipeline.changes import changed_site
    from treescan.pipeline.folder import haul_again, read_folder
    from treescan.pipeline.staging import check_free, staged_folder
    from treescan.report.cut_list import haul_csv
    from treescan.report.frames import scan_site
    from treescan.report.tables import haul_words, quote_words, truck_words
    from treescan.site.reading import read_site, site_toml

    if args.out:
        check_free(args.out, overwrite=args.overwrite)
    site = None
    if args.set:
        site = changed_site(read_site(args.site or args.folder / "site.toml"), args.set)
    result = haul_again(read_folder(args.folder, site_path=args.site, site=site))
    if args.out:
        with staged_folder(args.out, overwrite=args.overwrite) as folder:
            (folder / "haul.csv").write_text(haul_csv(result, args.units), encoding="utf-8")
            (folder / "site.toml").write_text(site_toml(scan_site(result)), encoding="utf-8")
    if args.json:
        print_json(_document(result))
    elif not args.quiet:
        for title, rows in (
            ("Material", haul_words(result)),
            ("Truck loads", truck_words(result)),
            ("Quote sheet", quote_words(result)),
        ):
            print_table(title, [[cell.text(args.units).strip() for cell in row] for row in rows])
        for note in result.haul.notes:
            say(f"note: {note}")
    return EXIT_DONE


def _document(result: object) -> dict[str, object]:
    from treescan.planning.types import JobResult

    assert isinstance(result, JobResult)
    return {
        "format": "treescan-haul",
        "version": 1,
        "rows": [
            {
                "material": row.material,
                "small_end_m": row.small_end_m,
                "large_end_m": row.large_end_m,
                "length_m": row.length_m,
                "count": row.count,
                "solid_m3": row.solid_m3.as_dict(),
                "loose_m3": row.loose_m3.as_dict(),
                "mass_kg": row.mass_kg.as_dict(1),
            }
            for row in result.haul.rows
        ],
        "trucks": [
            {
                "truck": truck.truck,
                "takes": truck.takes,
                "loads": truck.loads.as_dict(1),
                "governs": truck.governs,
                "heaviest_piece_kg": round(truck.heaviest_piece_kg, 1),
                "notes": list(truck.notes),
            }
            for truck in result.haul.trucks
        ],
        "quote": list(result.haul.quote),
        "notes": list(result.haul.notes),
    }
