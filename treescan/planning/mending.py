"""What would help a job that has no plan: the smallest change, from the limits it breaks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from treescan.planning.falls import HELD_KG
from treescan.planning.job import Job
from treescan.planning.types import Step
from treescan.units import force_text


def smallest_change(job: Job, steps: Sequence[Step]) -> str:
    """Say what the broken steps have in common and the least that would mend each kind."""
    broken = [s for s in steps if s.broken_limits]
    parts = [
        text
        for text in (
            _energy(broken),
            _line(job, broken),
            _section(broken),
            _mass(broken),
            _room(job, broken),
            _landing(broken),
            _strikes(broken),
            _leans(broken),
            _sent(job, broken),
        )
        if text
    ]
    names = ", ".join(str(s.number) for s in broken[:12])
    more = f" and {len(broken) - 12} more" if len(broken) > 12 else ""
    told = f"Step {names} breaks" if len(broken) == 1 else f"Steps {names}{more} break"
    return f"{told} a limit. " + " ".join(parts)


def _pieces(number: int) -> str:
    return "1 piece" if number == 1 else f"{number} pieces"


def _with(broken: Sequence[Step], words: str) -> list[Step]:
    return [s for s in broken if any(words in b for b in s.broken_limits)]


def _energy(broken: Sequence[Step]) -> str:
    found = _with(broken, " kJ")
    if not found:
        return ""
    worst = max(s.path.impact_energy_j for s in found) / 1e3
    return (
        f"A brush mat or other bed that takes {_rounded_up(worst)} kJ in the drop zone would let"
        f" {_pieces(len(found))} fall."
    )


def _rounded_up(value: float) -> str:
    """A need rounded up: to a tenth below ten, to a whole above."""
    return f"{np.ceil(10.0 * value) / 10.0:.1f}" if value < 10.0 else f"{np.ceil(value):.0f}"


def _strikes(broken: Sequence[Step]) -> str:
    found = _with(broken, "would strike the wood that carries")
    if not found:
        return ""
    return (
        f"For {_pieces(len(found))} another anchor or tie-in, off the wood it would strike, or"
        " smaller pieces would do."
    )


def _leans(broken: Sequence[Step]) -> str:
    found = _with(broken, "leans back from its aim") + _with(broken, "twist its hinge off")
    if not found:
        return ""
    return (
        "A winch, or a side line and a drop zone on the side it leans to, would take"
        f" {_pieces(len(found))}."
    )


def _sent(job: Job, broken: Sequence[Step]) -> str:
    """A stretched line where pieces have nowhere to go and the site has none."""
    site = job.inputs.site
    if site.gear.second_line and site.ground_anchor:
        return ""
    over = [
        s
        for s in broken
        if s.piece.mass_kg.high > HELD_KG
        and any("outside" in b or "sweep" in b or "roll against" in b for b in s.broken_limits)
    ]
    if not over or not job.usable or not (site.landing or site.drop_zone):
        return ""
    return (
        f"A second line, stretched from the tree over a landing to something that holds it"
        f" ([[ground_anchor]], gear.second_line = true), may carry {_pieces(len(over))} there."
    )


def _line(job: Job, broken: Sequence[Step]) -> str:
    found = [
        s.load for s in broken if s.load is not None and s.load.utilisation.get("line", 0.0) > 1.0
    ]
    if not found:
        return ""
    worst = max(load.utilisation["line"] for load in found)
    need = worst * job.inputs.gear.line.mbs_n
    return (
        f"A line of {force_text(need)} breaking strength would hold, or two lines that share the"
        " piece, which must be worked out by hand: one lowering line a piece is planned here."
    )


def _section(broken: Sequence[Step]) -> str:
    found = _with(broken, "section at")
    if not found:
        return ""
    return (
        f"For {_pieces(len(found))} no anchor on this tree is strong enough: another tree, a crane"
        " or a lift as anchor would do."
    )


def _mass(broken: Sequence[Step]) -> str:
    found = _with(broken, "may weigh")
    if not found:
        return ""
    worst = max(s.piece.mass_kg.high for s in found)
    return f"Lifting gear for {worst:.0f} kg (limits.max_piece_kg) would take the heaviest piece."


def _room(job: Job, broken: Sequence[Step]) -> str:
    short: dict[str, float] = {}
    for step in broken:
        for gap in step.clearances:
            lack = gap.margin_m - (gap.distance_m - gap.spread_m)
            if lack > 0.0:
                short[gap.target] = max(short.get(gap.target, 0.0), lack)
    if not short:
        return ""
    wires = {c.name for c in job.inputs.site.conductor}
    parts = []
    near = [f"{name} ({lack:.1f} m short)" for name, lack in short.items() if name not in wires]
    if near:
        parts.append(
            f"Too near: {', '.join(near)}; take these pieces with a crane or lift, or clear or"
            " cover the place."
        )
    live = [f"{name} ({lack:.1f} m short)" for name, lack in short.items() if name in wires]
    if live:
        parts.append(
            f"Too near a conductor: {', '.join(live)}; have its operator switch it off, cover it or"
            " take it down first."
        )
    return " ".join(parts)


def _landing(broken: Sequence[Step]) -> str:
    found = [
        s for s in broken if any("outside" in b or "roll against" in b for b in s.broken_limits)
    ]
    if not found:
        return ""
    return f"A larger drop zone or landing would take {_pieces(len(found))}."
