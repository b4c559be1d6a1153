"""The run in a few lines for people, and in one document for programs."""

from __future__ import annotations

from pathlib import Path

from treescan.planning.types import JobResult
from treescan.units import (
    Band,
    UnitSystem,
    diameter_text,
    force_text,
    length_text,
    mass_text,
    volume_text,
)


def measure_lines(result: JobResult, units: UnitSystem) -> list[str]:
    """Size and weight of the tree, as ranges where the truth is one."""
    m = result.measures
    mass = result.mass.total()
    lines = [
        f"{result.species.common_name}: height {length_text(m.height_m, units)}, DBH "
        f"{diameter_text(m.dbh_m, units)} (± {200 * m.dbh_sd_m:.0f} cm), crown spread "
        f"{length_text(m.crown_spread_m, units)}, lean {m.lean_deg:.0f}°",
        f"green weight {_masses(mass, units)}; wood with bark "
        f"{volume_text(m.volume_m3.low, units)} to {volume_text(m.volume_m3.high, units)}",
        f"not seen by the scan: about {100 * m.unseen_share:.0f} % of the stem's and crown's "
        "surroundings",
    ]
    lines += [f"note: {text}" for text in (*result.decisions, *result.unseen)]
    return lines


def plan_lines(result: JobResult, units: UnitSystem) -> list[str]:
    """Size, weight and the plan in a few lines."""
    lines = measure_lines(result, units)
    if result.plan is None:
        return [*lines, "No site file, so no plan: give --site FILE to plan the removal."]
    plan = result.plan
    lines.append(
        f"plan “{plan.name}”: {len(plan.steps)} steps, {plan.hours.low:.1f} to "
        f"{plan.hours.high:.1f} h for the crew"
    )
    used = [ranked for ranked in plan.anchors if ranked.peak_n > 0]
    for ranked in used:
        lines.append(
            f"rig from {ranked.anchor.anchor_id} at {length_text(ranked.anchor.height_m, units)}: "
            f"peak {force_text(ranked.peak_n, units)}, {ranked.share:.0%} of its limit (heavy end)"
        )
    if not used:
        lines.append("no piece hangs from an anchor in this plan: all are dropped or felled")
    for step in plan.steps:
        lines += [f"step {step.number}: {limit}" for limit in step.broken_limits]
    for truck in result.haul.trucks:
        low, high = f"{truck.loads.low:.0f}", f"{truck.loads.high:.0f}"
        lines.append(f"haul: {low if low == high else f'{low} to {high}'} × {truck.truck}")
    return lines


def summary_document(result: JobResult, folder: Path) -> dict[str, object]:
    """Machine-readable summary for ``--json``."""
    m = result.measures
    document: dict[str, object] = {
        "format": "treescan-summary",
        "version": 1,
        "out": str(folder),
        "scan": result.scan_name,
        "species": result.species.scientific_name,
        "height_m": round(m.height_m, 3),
        "dbh_m": round(m.dbh_m, 4),
        "dbh_sd_m": round(m.dbh_sd_m, 4),
        "dbh_height_m": round(m.dbh_height_m, 3),
        "crown_spread_m": round(m.crown_spread_m, 2),
        "lean_deg": round(m.lean_deg, 2),
        "volume_m3": m.volume_m3.as_dict(4),
        "volume_over_7cm_m3": m.volume_over_7cm_m3.as_dict(4),
        "green_mass_kg": result.mass.total().as_dict(1),
        "unseen_share": round(m.unseen_share, 3),
        "loads": [{"truck": t.truck, "loads": t.loads.as_dict(1)} for t in result.haul.trucks],
        "notes": [*result.decisions, *result.unseen],
        "cautions": list(result.cautions),
        "plan": None,
    }
    plan = result.plan
    if plan is not None:
        document["plan"] = {
            "name": plan.name,
            "feasible": plan.feasible,
            "steps": len(plan.steps),
            "hours": plan.hours.as_dict(2),
            "peak_anchor_N": round(max((a.peak_n for a in plan.anchors), default=0.0), 0),
            "smallest_change": plan.smallest_change,
            "alternatives": [a.name for a in plan.alternatives],
        }
    return document


def _masses(mass: Band, units: UnitSystem) -> str:
    return (
        f"{mass_text(mass.low, units)} to {mass_text(mass.high, units)} "
        f"(likely {mass_text(mass.likely, units)})"
    )
