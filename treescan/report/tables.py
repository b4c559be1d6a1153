"""Tables that both the printed card and the page show, as rows of words."""

from __future__ import annotations

import math

import numpy as np

from treescan.planning.types import JobResult
from treescan.report import wording
from treescan.report.wording import Words, fill, plain
from treescan.units import Band, UnitSystem

WordRow = list[Words]


def summary_rows(result: JobResult) -> list[tuple[str, Words]]:
    """The tree and the job in numbers."""
    m, plan = result.measures, result.plan
    spread = 1.645 * m.dbh_sd_m
    dbh = wording.diameter_range(max(m.dbh_m - spread, 0.0), m.dbh_m + spread)
    everything = result.mass.band(np.arange(len(result.graph)))
    rows = [
        ("Height", wording.length(m.height_m)),
        ("Diameter, breast height", dbh),
        (
            "Crown spread",
            fill(
                "{} by {}", wording.length(m.crown_spread_m), wording.length(m.crown_spread_cross_m)
            ),
        ),
        ("Lean", plain(f"{m.lean_deg:.0f}° to the {wording.compass(m.lean_azimuth_deg)}")),
        ("Green weight", wording.mass_range(everything)),
        ("Wood with bark", wording.volume_range(m.volume_m3)),
        ("Not seen by the scan", plain(wording.percent(m.unseen_share))),
    ]
    if plan is not None:
        heaviest = max((s.piece.mass_kg.high for s in plan.steps), default=0.0)
        peak = max((s.load.anchor_load_n.high for s in plan.steps if s.load), default=0.0)
        rows += [
            ("Cuts", plain(str(len(plan.steps)))),
            ("Time", plain(wording.hours_range(plan.hours))),
            ("Heaviest piece, plan on", wording.mass_most(heaviest)),
            ("Highest anchor load", wording.force_most(peak) if peak else plain("none")),
        ]
    return rows


def anchor_words(result: JobResult) -> list[WordRow]:
    """Anchors, best first, with their head row."""
    head = ["Anchor", "Height", "May carry", "Set by", "Peak asked", "Why here, or why not"]
    rows = [[plain(h) for h in head]]
    for ranked in result.plan.anchors if result.plan else ():
        a = ranked.anchor
        asked = plain("not used")
        if ranked.peak_n > 0:
            asked = fill(
                "{} ({})", wording.force_most(ranked.peak_n), wording.percent(ranked.share)
            )
        why = f"Refused: {a.rejected}" if a.rejected else ranked.reason
        rows.append(
            [
                plain(a.anchor_id),
                wording.length(a.height_m),
                wording.force_least(a.allowable_n),
                wording.bilingual(a.governs),
                asked,
                wording.bilingual(" ".join([why, *a.notes])),
            ]
        )
    return rows


def tie_in_words(result: JobResult) -> list[WordRow]:
    """Tie-in places, best first, with their head row."""
    head = ["Tie-in", "Height", "Wood there", "Why here, or why not"]
    rows = [[plain(h) for h in head]]
    for ranked in result.plan.tie_ins if result.plan else ():
        a = ranked.anchor
        why = f"Refused: {a.rejected}" if a.rejected else ranked.reason
        rows.append(
            [
                plain(a.anchor_id),
                wording.length(a.height_m),
                wording.diameter(a.diameter_m),
                wording.bilingual(why),
            ]
        )
    return rows


def haul_words(result: JobResult) -> list[WordRow]:
    """Logs, brush and chips, with their head row."""
    head = ["Material", "Through", "Length", "Pieces", "Weight", "Solid", "Loose"]
    rows = [[plain(h) for h in head]]
    for r in result.haul.rows:
        through = fill("up to {}", wording.diameter(r.large_end_m))
        if r.small_end_m > 0:
            through = wording.diameter_range(r.small_end_m, r.large_end_m)
        rows.append(
            [
                wording.bilingual(r.material),
                through,
                wording.length(r.length_m) if r.length_m > 0 else plain("–"),
                plain(str(r.count) if r.count else "–"),
                wording.mass_range(r.mass_kg),
                wording.volume_range(r.solid_m3),
                wording.volume_range(r.loose_m3),
            ]
        )
    return rows


def truck_words(result: JobResult) -> list[WordRow]:
    """Truck loads, with their head row."""
    head = ["Truck", "Takes", "Loads", "Set by", "Notes"]
    rows = [[plain(h) for h in head]]
    for t in result.haul.trucks:
        low, high = math.floor(t.loads.low), math.ceil(t.loads.high)
        notes = list(t.notes)
        heaviest = (
            fill("Heaviest piece {}.", wording.mass_most(t.heaviest_piece_kg))
            if t.heaviest_piece_kg > 0
            else plain("")
        )
        rows.append(
            [
                plain(t.truck),
                plain(t.takes),
                plain(str(high) if low == high else f"{low} to {high}"),
                wording.bilingual(t.governs),
                fill("{} {}", heaviest, wording.bilingual(" ".join(notes))),
            ]
        )
    return rows


def quote_words(result: JobResult) -> list[WordRow]:
    """The quote sheet as the planner's rows give it, with their head row."""
    rows = result.haul.quote
    keys = list(dict.fromkeys(key for row in rows for key in row))
    head = [plain(str(key).replace("_", " ").capitalize()) for key in keys]
    return [head] + [[plain(_quoted(row.get(key, ""))) for key in keys] for row in rows]


def _quoted(value: object) -> str:
    if isinstance(value, Band):
        return f"{value.low:,.0f} to {value.high:,.0f}"
    if isinstance(value, float):
        return f"{value:,.2f}".rstrip("0").rstrip(".")
    return str(value)


def alternative_words(result: JobResult) -> list[WordRow]:
    """Whole plans side by side, with their head row."""
    head = [
        "Plan",
        "Peak anchor load",
        "Share of limit",
        "Least room",
        "Time",
        "Anchor moves",
        "In short",
    ]
    rows = [[plain(h) for h in head]]
    for a in result.plan.alternatives if result.plan else ():
        room = (
            wording.length_least(a.min_clearance_m)
            if np.isfinite(a.min_clearance_m)
            else plain("no targets")
        )
        rows.append(
            [
                plain(a.name),
                wording.force_most(a.peak_anchor_n) if a.peak_anchor_n > 0 else plain("none"),
                plain(wording.percent(a.peak_share)),
                room,
                plain(wording.hours_range(a.hours)),
                plain(str(a.anchor_moves)),
                wording.bilingual(a.explanation),
            ]
        )
    return rows


def limits_list(result: JobResult) -> list[Words]:
    """Limits and assumptions in force, in sentences."""
    limits, c, gear = result.site.limits, result.site.conditions, result.gear
    leaf = {True: "in leaf", False: "without leaves", None: "leaves not stated"}[c.in_leaf]
    texts = [
        fill("No piece over {}.", wording.mass_most(limits.max_piece_kg)),
        plain(
            f"Peak line tension at most {wording.percent(limits.line_share_of_mbs)} of the line's "
            f"breaking strength, knot and wear taken off."
        ),
        plain(
            f"Anchor at most {wording.percent(limits.anchor_share)} of what its weakest section "
            f"may carry."
        ),
        fill("Logs cut to {}.", wording.length(limits.log_length_m)),
        plain(f"Crown {leaf}, {'wet' if c.wet else 'dry'}."),
        fill("Wind up to {} m/s ({} mph).", f"{c.wind_m_s:g}", f"{c.wind_m_s * 2.23694:.0f}"),
        plain(
            f"Species taken as {result.species.scientific_name}, confidence of its numbers: "
            f"{result.species.confidence}."
        ),
    ]
    if gear is not None:
        texts.append(
            fill(
                "Line: {}, breaking strength {} [{}]; knot keeps {}, wear keeps {}.",
                gear.line.name,
                wording.force_least(gear.line.mbs_n),
                gear.line.source,
                wording.percent(gear.knot_efficiency),
                wording.percent(gear.wear_factor),
            )
        )
        for item in (gear.sling, gear.block, gear.friction_device):
            texts.append(fill("{}: {} [{}].", item.kind.capitalize(), item.name, item.source))
    return texts + [wording.bilingual(d) for d in result.decisions]


def _texts(rows: list[WordRow], units: UnitSystem) -> list[list[str]]:
    return [[cell.text(units).strip() for cell in row] for row in rows]


def anchor_table(result: JobResult, units: UnitSystem) -> list[list[str]]:
    """Anchors as plain text rows."""
    return _texts(anchor_words(result), units)


def haul_table(result: JobResult, units: UnitSystem) -> list[list[str]]:
    """Haul rows as plain text."""
    return _texts(haul_words(result), units)


def truck_table(result: JobResult, units: UnitSystem) -> list[list[str]]:
    """Truck rows as plain text."""
    return _texts(truck_words(result), units)
