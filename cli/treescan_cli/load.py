"""``treescan load``: one lift without a scan."""

from __future__ import annotations

import argparse
import json
import sys
from typing import cast

from treescan.errors import EXIT_DONE, InvalidInputError
from treescan.units import UnitSystem, force_text, length_text
from treescan_cli.options import add_shared

NAME = "load"
HELP = "load of one lift: tension, anchor load and reach from mass, drop and line"

CAUTION = (
    "An estimate from the numbers given; it does not replace the judgement of a qualified "
    "person on site, nor local rules. Use the high value for gear and anchor."
)
ROWS = (
    ("lead_tension_N", "lead tension"),
    ("fall_tension_N", "fall tension"),
    ("anchor_load_N", "anchor load"),
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this verb."""
    from treescan.rigging.gear import catalogue

    lines = "; ".join(item.name for item in catalogue() if item.kind == "line")
    parser.add_argument(
        "--mass-kg", required=True, help="mass of the piece, or LOW,LIKELY,HIGH [kg]"
    )
    parser.add_argument(
        "--drop-m", type=float, help="fall of the centre of mass before the line is taut [m]"
    )
    parser.add_argument(
        "--swing-deg", type=float, help="release angle from the plumb line on a taut line [deg]"
    )
    parser.add_argument(
        "--line-length-m", type=float, required=True, help="line in service, lead included [m]"
    )
    parser.add_argument("--lead-m", type=float, help="its part between piece and anchor [m]")
    parser.add_argument(
        "--line", required=True, help=f"line modulus EA [kN], or a catalogue name: {lines}"
    )
    parser.add_argument("--mbs-kn", type=float, help="minimum breaking strength of the line [kN]")
    parser.add_argument(
        "--anchor-ratio", type=float, default=1.0, help="T1/T2 at the anchor (default 1)"
    )
    parser.add_argument(
        "--included-angle-deg",
        type=float,
        default=0.0,
        help="angle between lead and fall, 0 is parallel [deg]",
    )
    brake = parser.add_argument_group("friction device (locked unless one is given)")
    brake.add_argument("--run-m", type=float, help="line let run while braking [m]")
    brake.add_argument("--slip-kn", type=float, help="tension at which the brake slips [kN]")
    brake.add_argument("--locked", action="store_true", help="the line cannot run")
    add_shared(parser)


def run(args: argparse.Namespace) -> int:
    """Answer the lift; bad input is raised as :class:`treescan.errors.TreescanError`."""
    from treescan.rigging.quick import quick_load

    result = quick_load(
        mass_kg=_mass(args.mass_kg),
        drop_m=args.drop_m,
        swing_deg=args.swing_deg,
        line=_line(args.line),
        line_length_m=args.line_length_m,
        lead_m=args.lead_m,
        mbs_kn=args.mbs_kn,
        anchor_ratio=args.anchor_ratio,
        included_angle_deg=args.included_angle_deg,
        run_m=args.run_m,
        slip_kn=args.slip_kn,
        locked=args.locked,
    )
    if args.json:
        sys.stdout.write(json.dumps(result, allow_nan=False) + "\n")
    else:
        _print_table(result, "us" if args.units == "us" else "metric")
    if not args.quiet:
        sys.stderr.write(CAUTION + "\n")
    return EXIT_DONE


def _mass(text: str) -> float | tuple[float, float, float]:
    parts = str(text).split(",")
    try:
        values = tuple(float(part) for part in parts)
    except ValueError:
        raise InvalidInputError(
            f"mass {text!r} is not a number; give 150, or 120,150,190 (kg)."
        ) from None
    return values[0] if len(values) == 1 else cast("tuple[float, float, float]", values)


def _line(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def _print_table(result: dict[str, object], units: UnitSystem) -> None:
    from rich.console import Console
    from rich.table import Table

    console = Console(width=100, highlight=False)
    table = Table(title="one lift")
    table.add_column("")
    for name in ("low", "likely", "high"):
        table.add_column(name, justify="right")
    for key, label in ROWS:
        band = cast("dict[str, float]", result[key])
        table.add_row(label, *(force_text(band[name], units) for name in ("low", "likely", "high")))
    console.print(table)
    share = cast("float | None", result["share_of_mbs"])
    lines = [
        f"resultant {cast('float', result['anchor_direction_deg']):.0f} deg from the lead",
        f"line run {length_text(cast('float', result['run_m']), units, 2)}",
        "tie at its lowest "
        + length_text(cast("float", result["lowest_point_below_anchor_m"]), units, 2)
        + " below the anchor (add the piece below its tie)",
        f"energy to take up {cast('float', result['energy_J']) / 1000:.1f} kJ",
        "share of MBS " + ("not known" if share is None else f"{share:.0%} (high, new line)"),
    ]
    for line in [*lines, *cast("list[str]", result["notes"])]:
        console.print(f"- {line}", soft_wrap=True, markup=False)
