"""``treescan load``: one lift without a scan."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from typing import cast

from treescan.errors import EXIT_DONE, InvalidInputError
from treescan.units import UnitSystem, force_text, length_text
from treescan_cli.options import add_shared

NAME = "load"
HELP = "load of one lift: tension, anchor load and reach from mass, drop and line"

EXAMPLE = (
    "example: a 120 to 190 kg log caught on a block below the cut, 1 m of line let run: "
    "treescan load --mass-kg 120,150,190 --drop-m 2.1 --line '16 mm double-braid polyester' "
    "--line-length-m 20 --lead-m 0.7 --anchor-ratio 1.15 --run-m 1"
)
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
        "--drop-m",
        type=_metres,
        help="fall of the centre of mass before the line is taut [m]; a log caught on a block "
        "below its cut falls its length plus twice the distance from cut to block",
    )
    parser.add_argument(
        "--swing-deg", type=_degrees, help="release angle from the plumb line on a taut line [deg]"
    )
    parser.add_argument(
        "--line-length-m",
        type=_metres,
        required=True,
        help="line in service from the piece over the anchor to the friction device [m]",
    )
    parser.add_argument("--lead-m", type=_metres, help="its part between piece and anchor [m]")
    parser.add_argument(
        "--line", required=True, help=f"line modulus EA [kN], or a catalogue name: {lines}"
    )
    parser.add_argument(
        "--mbs-kn", type=_kilonewtons, help="minimum breaking strength (MBS) of the line [kN]"
    )
    parser.add_argument(
        "--anchor-ratio",
        type=_ratio,
        default=1.0,
        help="tension of the lead over that of the fall at the anchor: 1 without friction "
        "(default), about 1.15 over a block, 2 to 5 round bark",
    )
    parser.add_argument(
        "--included-angle-deg",
        type=_degrees,
        default=0.0,
        help="angle between lead and fall, 0 is parallel [deg]",
    )
    brake = parser.add_argument_group("friction device (locked unless one is given)")
    brake.add_argument("--run-m", type=_metres, help="line let run while braking [m]")
    brake.add_argument(
        "--slip-kn", type=_kilonewtons, help="tension of the lead at which the brake slips [kN]"
    )
    brake.add_argument("--locked", action="store_true", help="the line cannot run")
    parser.epilog = EXAMPLE
    add_shared(parser)


def _in(unit: str) -> Callable[[str], float]:
    """Read a number, or say which unit is wanted."""

    def read(text: str) -> float:
        try:
            return float(text)
        except ValueError:
            raise argparse.ArgumentTypeError(
                f"{text!r} is not a number; give {unit} without a unit sign"
            ) from None

    return read


_metres, _degrees, _kilonewtons, _ratio = map(
    _in, ("metres", "degrees", "kilonewtons", "a ratio of 1 or more")
)


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
    for line in _sentences(result, units):
        console.print(f"- {line}", soft_wrap=True, markup=False)


def _sentences(result: dict[str, object], units: UnitSystem) -> list[str]:
    """What stands under the table, in the units asked for; names and sources stay as they are."""
    from treescan.report.wording import bilingual
    from treescan.rigging.gear import catalogue

    turned = cast("float", result["anchor_direction_deg"])
    share = cast("float | None", result["share_of_mbs"])
    lowest = length_text(cast("float", result["lowest_point_below_anchor_m"]), units, 2)
    named = tuple(item.name for item in catalogue())
    return [
        f"the anchor load points {turned:.0f} deg from the lead, toward the fall"
        if turned
        else "lead and fall pull the anchor the same way",
        f"line let run {length_text(cast('float', result['run_m']), units, 2)}",
        f"tie at its lowest {lowest} below the anchor (add the piece below its tie)",
        bilingual(f"energy to take up {cast('float', result['energy_J']) / 1000:.1f} kJ").text(
            units
        ),
        "share of MBS " + ("not known" if share is None else f"{share:.0%} (high, new line)"),
        *(
            note if note.startswith(named) else bilingual(note).text(units)
            for note in cast("list[str]", result["notes"])
        ),
    ]
