"""Tables that both the printed card and the page show, as rows of words."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np

from treescan.motion.types import Clearance
from treescan.planning.types import HaulRow, JobResult, RankedAnchor
from treescan.report import wording
from treescan.report.facts import StepFacts
from treescan.report.wording import Words, fill, plain
from treescan.rigging.gear import gear_limits
from treescan.units import POUND_KG, UnitSystem

WordRow = list[Words]


def summary_rows(result: JobResult) -> list[tuple[str, Words]]:
    """The tree and the job in numbers."""
    m, plan = result.measures, result.plan
    spread = 1.645 * m.dbh_sd_m
    dbh = wording.diameter_range(max(m.dbh_m - spread, 0.0), m.dbh_m + spread)
    everything = result.mass.band(np.arange(len(result.graph)))
    rows = [
        ("Height, as scanned", wording.length(m.height_m)),
        ("Diameter, breast height", dbh),
        (
            "Crown spread",
            fill(
                "about {} by {}",
                wording.length(m.crown_spread_m),
                wording.length(m.crown_spread_cross_m),
            ),
        ),
        ("Lean", plain(_lean(m.lean_deg, m.lean_azimuth_deg))),
        ("Green weight", wording.mass_range(everything)),
        ("Wood with bark", wording.volume_range(m.volume_m3)),
        ("Not seen by the scan", plain(f"about {wording.percent(m.unseen_share)}")),
    ]
    if plan is not None:
        heaviest = max((s.piece.mass_kg.high for s in plan.steps), default=0.0)
        peak = max((s.load.anchor_load_n.high for s in plan.steps if s.load), default=0.0)
        rows += [
            ("Cuts", plain(str(len(plan.steps)))),
            ("Time", plain(wording.hours_range(plan.hours))),
            ("Heaviest piece, plan on", wording.mass_most(heaviest)),
            (
                "Highest anchor load",
                _up_to(peak),
            ),
        ]
    return rows


def card_words(fact: StepFacts) -> list[tuple[str, Words]]:
    """Lines of a card as (what, words); lines that do not apply are left out."""
    lines = [
        ("Cut", fill("{}; {} of wood", fact.cut, fact.saw)),
        ("Piece", fact.size),
        ("Weight", fill("{}; plan on {}", fact.weight, fact.plan_on)),
        ("Tie", fact.tie),
        ("Anchor", fact.anchor),
        ("On the line", fact.line),
        ("On anchor", fact.anchor_load),
        ("Device", fact.gear),
        ("Set by", wording.bilingual(governs_text(fact))),
        ("Hinge", fact.hinge),
        ("Goes to", fact.landing),
        ("Closest", fact.closest),
        ("Crew", wording.plain(f"{fact.people} people, {fact.minutes}")),
        ("Trials", wording.plain(fact.chance)),
    ]
    return [(name, words) for name, words in lines if words]


def governs_text(fact: StepFacts) -> str:
    """What governs and how near its limit it is; empty without a line."""
    if fact.share is None:
        return ""
    return f"{fact.governs}: up to {wording.percent(fact.share)} of its limit"


def _lean(lean_deg: float, azimuth_deg: float) -> str:
    if lean_deg < 1.0:
        return "under 1°"
    return f"about {lean_deg:.0f}° to the {wording.compass(azimuth_deg)}"


def shown_places(ranked: Sequence[RankedAnchor], best: int = 6) -> tuple[RankedAnchor, ...]:
    """Anchors or tie-ins worth showing: those the plan uses, and the best of the others."""
    used = [r for r in ranked if r.peak_n > 0 and not r.anchor.rejected][: 2 * best]
    others = [r for r in ranked if r.peak_n <= 0 or r.anchor.rejected]
    sound = [r for r in others if not r.anchor.rejected][: max(best - len(used), 2)]
    refused = [r for r in others if r.anchor.rejected][: max(best - len(used) - len(sound), 2)]
    return (*used, *sound, *refused)


def left_out(ranked: Sequence[RankedAnchor], shown: int) -> str:
    """Sentence on the places that a shortened table does not show."""
    more = len(ranked) - shown
    return f"{more} more places were looked at; all are in plan.json." if more > 0 else ""


def sentences(*texts: str) -> str:
    """Join notes into sentences."""
    kept = [t.strip() for t in texts if t.strip()]
    return " ".join(t[:1].upper() + t[1:] + ("" if t[-1] in ".!?" else ".") for t in kept)


def anchor_words(result: JobResult) -> list[WordRow]:
    """Anchors the plan uses and the best of the others, with their head row."""
    head = ["Anchor", "Height", "May carry at most", "Set by", "Peak asked", "Why here, or why not"]
    rows = [[plain(h) for h in head]]
    for ranked in shown_places(result.plan.anchors) if result.plan else ():
        a = ranked.anchor
        asked = plain("not used")
        if ranked.peak_n > 0:
            asked = fill(
                "up to {} ({})", wording.force_most(ranked.peak_n), wording.percent(ranked.share)
            )
        why = f"Refused: {a.rejected}" if a.rejected else ranked.reason
        rows.append(
            [
                plain(a.anchor_id),
                wording.length(a.height_m),
                wording.force_least(a.allowable_n),
                wording.bilingual(a.governs),
                asked,
                wording.bilingual(sentences(why, *a.notes)),
            ]
        )
    return rows


def tie_in_words(result: JobResult) -> list[WordRow]:
    """Tie-in places, best first, with their head row."""
    head = ["Tie-in", "Height", "Wood there", "Why here, or why not"]
    rows = [[plain(h) for h in head]]
    sd_m = result.graph.radius_sd_m
    for ranked in shown_places(result.plan.tie_ins, 3) if result.plan else ():
        a = ranked.anchor
        why = f"Refused: {a.rejected}" if a.rejected else ranked.reason
        rows.append(
            [
                plain(a.anchor_id),
                wording.length(a.height_m),
                wording.diameter_near(a.diameter_m, 2 * float(sd_m[a.node])),
                wording.bilingual(sentences(why, *a.notes)),
            ]
        )
    return rows


def target_words(result: JobResult) -> list[WordRow]:
    """Targets and wires with the nearest pass of the whole plan, with their head row."""
    head = ["Keep clear of", "What it is", "Room wanted", "Nearest pass", "At step"]
    rows = [[plain(h) for h in head]]
    things: list[tuple[str, Words, float | None]] = [
        (t.name, fill("{} high", wording.length(t.height_m)), t.margin_m)
        for t in result.site.target
    ]
    things += [
        (c.name, plain(f"wire, {c.kilovolts:g} kV"), c.margin_m) for c in result.site.conductor
    ]
    for name, what, margin_m in things:
        step, near = _nearest(result, name)
        wanted = near.margin_m if near else margin_m
        room = plain("not worked out")
        if near is not None:
            gap = near.distance_m - near.spread_m
            room = (
                fill("at least {}", wording.length_least(gap))
                if gap >= 0
                else plain("touches it: see the card")
            )
        rows.append(
            [
                plain(name),
                what,
                wording.length(wanted) if wanted is not None else plain("by its voltage"),
                room,
                plain(str(step) if step else "–"),
            ]
        )
    return rows


def _nearest(result: JobResult, name: str) -> tuple[int, Clearance | None]:
    """Step that passes a target nearest, its spread included, and its clearance."""
    passes = [
        (s.number, c)
        for s in (result.plan.steps if result.plan else ())
        for c in s.clearances
        if c.target == name
    ]
    if not passes:
        return 0, None
    return min(passes, key=lambda p: p[1].distance_m - p[1].spread_m)


def haul_words(result: JobResult) -> list[WordRow]:
    """Logs, brush and chips, with their head row."""
    head = ["Material", "Pieces", "Weight", "Volume"]
    rows = [[plain(h) for h in head]]
    for r in result.haul.rows:
        rows.append(
            [
                fill("{}{}{}", wording.bilingual(r.material), _through(r), _long(r)),
                plain(str(r.count) if r.count and r.length_m > 0 else "–"),
                wording.mass_range(r.mass_kg),
                fill(
                    "{} solid, {} loose",
                    wording.volume_range(r.solid_m3),
                    wording.volume_range(r.loose_m3),
                ),
            ]
        )
    return rows


def _through(row: HaulRow) -> Words:
    if row.large_end_m <= 0:
        return plain("")
    if row.small_end_m > 0:
        return fill(", {}", wording.diameter_range(row.small_end_m, row.large_end_m))
    return fill(", up to {}", wording.diameter(row.large_end_m))


def _long(row: HaulRow) -> Words:
    return fill(", {} long", wording.length(row.length_m)) if row.length_m > 0 else plain("")


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
    """The quote sheet, with its head row; what has no price yet is "open"."""
    head = ["Item", "Low", "Likely", "High", "How"]
    rows = [[plain(h) for h in head]]
    for row in result.haul.quote:
        unit = str(row["unit"])
        sides = [_quoted(row[side], unit) for side in ("low", "likely", "high")]
        rows.append([plain(str(row["item"])), *sides, plain(str(row["how"]))])
    return rows


def _quoted(value: object, unit: str) -> Words:
    """One figure of the quote sheet: hours and tonnes to a tenth, money to whole units."""
    if not isinstance(value, int | float):
        return plain("open")
    if unit == "t":
        return Words(f"{value:,.1f} t", f"{value / POUND_KG / 2:,.1f} short tons")
    if unit == "h":
        return plain(f"{value:,.1f} h")
    shown = f"{value:,.0f}"
    return plain(f"{shown} {unit.removesuffix('s') if shown == '1' else unit}".strip())


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
        room = _room(a.min_clearance_m)
        rows.append(
            [
                plain(a.name),
                _up_to(a.peak_anchor_n),
                plain(f"up to {wording.percent(a.peak_share)}"),
                room,
                plain(wording.hours_range(a.hours)),
                plain(str(a.anchor_moves)),
                wording.bilingual(a.explanation),
            ]
        )
    return rows


def _room(clearance_m: float) -> Words:
    if not np.isfinite(clearance_m):
        return plain("nothing to hit")
    if clearance_m < 0:
        into = wording.length(-clearance_m)
        return fill("none: up to {} into a target in the unlucky case", into)
    return fill("at least {}", wording.length_least(clearance_m))


def _up_to(peak_n: float) -> Words:
    return fill("up to {}", wording.force_most(peak_n)) if peak_n > 0 else plain("none")


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
        texts += [
            fill(
                "{}: {}, {}. Source: {}.",
                row.item.capitalize(),
                row.name,
                wording.bilingual(row.limit),
                row.source.removesuffix("."),
            )
            for row in gear_limits(gear, limits)
        ]
        texts.append(plain("Catalogue strengths are typical: the tag on the gear in hand leads."))
    return texts


_NOT_SEEN = re.compile(r"\bnot seen\b|did not reach|were taken for it")


def unseen_list(result: JobResult) -> list[Words]:
    """What the scan did not see, or could not tell from other things, in sentences."""
    found = [d for d in result.decisions if _NOT_SEEN.search(d)]
    texts = dict.fromkeys((*result.unseen, *result.graph.notes, *found))
    return [wording.bilingual(sentences(t)) for t in texts]


def reading_list(result: JobResult) -> list[Words]:
    """How the scan was read and the tree told from the rest, in sentences."""
    found = [d for d in result.decisions if not _NOT_SEEN.search(d)]
    return [wording.bilingual(sentences(d)) for d in found]


def as_text(rows: list[WordRow], units: UnitSystem) -> list[list[str]]:
    """Rows of words as plain text in one unit system."""
    return [[cell.text(units).strip() for cell in row] for row in rows]
