"""Time and memory: ``python -m tests.benchmarks``; prints, never passes or fails.

1. Reading a LAZ file, thinning it to 1 cm and estimating normals with k = 20 in open3d, beside
   ``treescan measure`` and ``treescan plan`` on the same file of 1, 4, 10 and 20 million points,
   each in a process of its own.
2. Motions, load vectors and candidate pieces a second.
3. ``--decode``: reading a LAZ file of 100 million points as a scan, beside plainly decoding it
   (some minutes, and 0.6 GB of disk for the file).
4. Seconds until the page of a planned sample is drawn in headless Chromium.
"""

from __future__ import annotations

import argparse
import datetime
import platform

from tests.benchmarks.against_decode import decode
from tests.benchmarks.against_plain import SAMPLES, table
from tests.benchmarks.first_render import first_render
from tests.benchmarks.rates import rates


def main() -> None:
    """Print the parts that are wanted."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    names = sorted(path.stem for path in SAMPLES.glob("*.laz"))
    parser.add_argument("--millions", type=float, nargs="+", default=[1, 4, 10, 20])
    parser.add_argument("--sample", default="oak_pond", choices=names)
    parser.add_argument("--no-plan", action="store_true", help="only measure beside plain work")
    parser.add_argument("--no-table", action="store_true", help="leave part 1 out")
    parser.add_argument("--no-rates", action="store_true", help="leave part 2 out")
    parser.add_argument(
        "--decode",
        type=float,
        nargs="*",
        metavar="MILLIONS",
        help="do part 3 too, for files of so many million points (100)",
    )
    parser.add_argument("--no-page", action="store_true", help="leave part 4 out")
    args = parser.parse_args()
    print(f"{datetime.date.today()}, {platform.machine()}, Python {platform.python_version()}")
    if not args.no_table:
        table(args.sample, args.millions, plan=not args.no_plan)
    if not args.no_rates:
        rates()
    if args.decode is not None:
        decode(args.sample, args.decode or [100])
    if not args.no_page:
        first_render(args.sample)


if __name__ == "__main__":
    main()
