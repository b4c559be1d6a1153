"""CSV files: the cut list, the haul sheet, the measurements; and the measurements as text.

CSV numbers are plain (SI, or US units when asked for; the unit is in the column's name), one
row a step, so that a phone, a spreadsheet or a program can read them.  Positions are in scan
coordinates.  The caution is a column, so that no row travels without it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

import numpy as np

from treescan.planning.types import JobResult, Step
from treescan.report.cautions import SHORT, all_cautions
from treescan.report.facts import StepFacts, closest_clearance, step_facts
from treescan.report.frames import scan_point
from treescan.report.tables import reading_list, unseen_list
from treescan.report.wording import bilingual
from treescan.units import (
    CUBIC_YARD_M3,
    FOOT_M,
    INCH_M,
    POUND_FORCE_N,
    POUND_KG,
    Band,
    UnitSystem,
)

Row = dict[str, object]


def cut_list_csv(result: JobResult, units: UnitSystem = "metric") -> str:
    """Return the cut list as CSV text, one row a step."""
    facts = step_facts(result)
    steps = result.plan.steps if result.plan else ()
    return _csv([_step_row(result, s, f, units) for s, f in zip(steps, facts, strict=True)])


def _step_row(result: JobResult, step: Step, facts: StepFacts, units: UnitSystem) -> Row:
    piece, load = step.piece, step.load
    x, y, z = scan_point(result, piece.cut_m)
    clearance = closest_clearance(step)
    butt = piece.butt_diameter_m
    spread = min(2 * 1.645 * float(result.graph.radius_sd_m[piece.butt_node]), butt)
    return {
        "step": step.number,
        "piece": facts.name,
        "method": facts.method,
        "cut": facts.cut.text(units),
        **_length("butt_diameter", piece.butt_diameter_m, units, small=True),
        **_length("butt_diameter_low", butt - spread, units, small=True),
        **_length("butt_diameter_high", butt + spread, units, small=True),
        **_length("length", piece.length_m, units),
        **_band("weight", piece.mass_kg, *_mass(units)),
        "tie": facts.tie.text(units),
        "anchor": step.anchor_id or "",
        "redirects": "; ".join(step.redirects),
        **_band("line_tension", load.lead_tension_n if load else None, *_force(units)),
        **_band("anchor_load", load.anchor_load_n if load else None, *_force(units)),
        "device_wraps": load.device_wraps if load else "",
        **_length("line_needed", load.line_needed_m if load else None, units),
        "governs": facts.governs,
        "share_of_limit_high": round(load.share, 3) if load else "",
        "hinge": facts.hinge.text(units),
        "goes_to": facts.landing.text(units),
        "closest_target": clearance.target if clearance else "",
        **_length("clearance", clearance.distance_m if clearance else None, units),
        **_length(
            "clearance_least",
            clearance.distance_m - clearance.spread_m if clearance else None,
            units,
        ),
        **_length("clearance_wanted", clearance.margin_m if clearance else None, units),
        "people": step.people,
        **_band("minutes", step.minutes, 1.0, "", 1),
        "warnings": " | ".join(w.text(units) for w in facts.warnings),
        "limits_broken": " | ".join(w.text(units) for w in facts.broken),
        "cut_x_m": x,
        "cut_y_m": y,
        "cut_z_m": z,
        "caution": SHORT,
    }


def haul_csv(result: JobResult, units: UnitSystem = "metric") -> str:
    """Return logs, brush and chips, the truck loads, the quote and the notes as CSV text."""
    rows: list[Row] = []
    for item in result.haul.rows:
        rows.append(
            {
                "kind": "material",
                "name": item.material,
                **_length("small_end", item.small_end_m, units, small=True),
                **_length("large_end", item.large_end_m, units, small=True),
                **_length("length", item.length_m, units),
                "pieces": item.count,
                **_band("mass", item.mass_kg, *_mass(units)),
                **_band("solid", item.solid_m3, *_volume(units)),
                **_band("loose", item.loose_m3, *_volume(units)),
            }
        )
    for truck in result.haul.trucks:
        rows.append(
            {
                "kind": "truck loads",
                "name": truck.truck,
                "takes": truck.takes,
                "loads_low": int(np.floor(truck.loads.low)),
                "loads_high": int(np.ceil(truck.loads.high)),
                "governs": truck.governs,
                **_scaled("heaviest_piece", truck.heaviest_piece_kg, *_mass(units)),
                "notes": " | ".join(truck.notes),
            }
        )
    for line in result.haul.quote:
        sides = {f"quote_{side}": line[side] for side in ("low", "likely", "high")}
        sides = {name: "open" if value is None else value for name, value in sides.items()}
        unit, how = line["unit"], line["how"]
        rows.append(
            {"kind": "quote", "name": line["item"], **sides, "quote_unit": unit, "notes": how}
        )
    rows += [{"kind": "note", "notes": bilingual(note).text(units)} for note in result.haul.notes]
    return _csv([{**row, "caution": SHORT} for row in rows])


def measurements_csv(result: JobResult, units: UnitSystem = "metric") -> str:
    """Return the measurements as CSV text: quantity, value, low, high, unit."""
    rows = [
        {"quantity": name, "value": value, "low": low, "high": high, "unit": unit}
        for name, value, low, high, unit in measurement_rows(result, units)
    ]
    return _csv(rows)


Measurement = tuple[str, object, object, object, str]


def measurement_rows(result: JobResult, units: UnitSystem) -> list[Measurement]:
    """Whole-tree measurements as (quantity, likely, low, high, unit)."""
    m, us = result.measures, units == "us"
    metre, foot = (1 / FOOT_M, "ft") if us else (1.0, "m")
    small, inch = (1 / INCH_M, "in") if us else (100.0, "cm")
    cubic, yard = (1 / CUBIC_YARD_M3, "yd³") if us else (1.0, "m³")
    mass, pound = (1 / POUND_KG, "lb") if us else (1.0, "kg")

    def one(name: str, value: float, factor: float, unit: str, digits: int) -> Measurement:
        return (name, _rounded(value * factor, digits), "", "", unit)

    def band(name: str, value: Band, factor: float, unit: str, digits: int) -> Measurement:
        low, likely, high = (
            _rounded(v * factor, digits) for v in (value.low, value.likely, value.high)
        )
        return (name, likely, low, high, unit)

    spread = 1.645 * m.dbh_sd_m  # 5 % to 95 % of a normal error
    dbh = Band(m.dbh_m - spread, m.dbh_m, m.dbh_m + spread)
    everything = result.mass.band(np.arange(len(result.graph)))
    return [
        one("height, as scanned", m.height_m, metre, foot, 2),
        band("diameter at breast height", dbh, small, inch, 1),
        one("height of that diameter", m.dbh_height_m, metre, foot, 2),
        one("crown spread", m.crown_spread_m, metre, foot, 1),
        one("crown spread across", m.crown_spread_cross_m, metre, foot, 1),
        one("crown base", m.crown_base_m, metre, foot, 1),
        one("lean", m.lean_deg, 1.0, "degrees", 1),
        one("lean direction from north", m.lean_azimuth_deg, 1.0, "degrees", 0),
        band("woody volume with bark", m.volume_m3, cubic, yard, 2),
        band("of it over 7 cm", m.volume_over_7cm_m3, cubic, yard, 2),
        band("green mass", everything, mass, pound, 0),
        one("share the scan did not see", m.unseen_share * 100, 1.0, "%", 0),
    ]


def measurements_text(result: JobResult, units: UnitSystem = "metric") -> str:
    """Return the measurements as a page of plain text, with what was not seen."""
    lines = [f"Measurements of the tree in {result.scan_name}", ""]
    lines.append(f"Species: {result.species.scientific_name} ({result.species.common_name})")
    for name, value, low, high, unit in measurement_rows(result, units):
        amount = f"{low} to {high} {unit}, likely {value}" if low != "" else f"{value} {unit}"
        lines.append(f"{name[:1].upper() + name[1:]}: {amount}")
    for title, texts in (
        ("What the scan did not see", unseen_list(result)),
        ("How the scan was read", reading_list(result)),
        ("Notes", [bilingual(note) for note in result.mass.notes]),
        ("Cautions", [bilingual(caution) for caution in all_cautions(result)]),
    ):
        if texts:
            lines += ["", title, *(f"- {text.text(units)}" for text in texts)]
    return "\n".join(lines) + "\n"


def _mass(units: UnitSystem) -> tuple[float, str, int]:
    return (1 / POUND_KG, "_lb", 0) if units == "us" else (1.0, "_kg", 0)


def _force(units: UnitSystem) -> tuple[float, str, int]:
    return (1 / POUND_FORCE_N, "_lbf", 0) if units == "us" else (1e-3, "_kN", 2)


def _volume(units: UnitSystem) -> tuple[float, str, int]:
    return (1 / CUBIC_YARD_M3, "_yd3", 2) if units == "us" else (1.0, "_m3", 2)


def _length(name: str, value_m: float | None, units: UnitSystem, *, small: bool = False) -> Row:
    if small:
        factor, unit = (1 / INCH_M, "_in") if units == "us" else (100.0, "_cm")
    else:
        factor, unit = (1 / FOOT_M, "_ft") if units == "us" else (1.0, "_m")
    return {name + unit: "" if value_m is None else round(value_m * factor, 1 if small else 2)}


def _scaled(name: str, value: float, factor: float, unit: str, digits: int) -> Row:
    return {name + unit: _rounded(value * factor, digits)}


def _band(name: str, band: Band | None, factor: float, unit: str, digits: int) -> Row:
    parts = ("low", "likely", "high")
    if band is None:
        return {f"{name}_{part}{unit}": "" for part in parts}
    return {
        f"{name}_{part}{unit}": _rounded(getattr(band, part) * factor, digits) for part in parts
    }


def _rounded(value: float, digits: int) -> float | int:
    """Round; a whole number without its point."""
    return round(value, digits) if digits else round(value)


def _csv(rows: Sequence[Row]) -> str:
    """CSV text; a cell that a spreadsheet could take for a formula gets a leading apostrophe."""
    columns = list(dict.fromkeys(key for row in rows for key in row))
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, restval="", lineterminator="\r\n")
    writer.writeheader()
    writer.writerows({k: _safe(v) for k, v in row.items()} for row in rows)
    return out.getvalue()


def _safe(value: object) -> object:
    if isinstance(value, str) and value[:1] in {"=", "+", "-", "@", "\t", "\r"}:
        return "'" + value
    return value
