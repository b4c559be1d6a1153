"""What a crew needs to know about each step, in words; one source for card, list and report."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from treescan.motion.types import Clearance
from treescan.planning.types import JobResult, Plan, Step
from treescan.report import wording
from treescan.report.advice import with_advice
from treescan.report.frames import azimuth_deg, uphill_ground_m
from treescan.report.wording import Words, fill, plain
from treescan.rigging.types import LoadResult

METHODS = {
    "free fall": "Drop free",
    "hinge fall": "Fell on the hinge",
    "lower": "Lower on the line",
    "speed line": "Send down the speed line",
}
TIES = {"butt": "Tie at the butt", "tip": "Tie toward the tip", "two-leg": "Tie with two legs"}
SWAY_SHOWN_M = 0.02
"""An anchor that moves less than this says nothing: our choice. [m]"""
NOTHING = plain("")


@dataclass(frozen=True)
class StepFacts:
    """One step in words.  Empty words mean that the line does not apply to this step."""

    number: int
    name: str
    method: str
    cut: Words
    saw: Words
    size: Words
    girth: Words
    tie: Words
    anchor: Words
    line: Words
    anchor_load: Words
    gear: Words
    governs: str
    share: float | None
    hinge: Words
    hinge_azimuth_deg: float | None
    weight: Words
    plan_on: Words
    landing: Words
    closest: Words
    people: int
    minutes: str
    chance: str
    warnings: tuple[Words, ...]
    broken: tuple[Words, ...]
    reasons: tuple[Words, ...]


def step_facts(result: JobResult) -> tuple[StepFacts, ...]:
    """Facts of every step of the plan, in order."""
    if result.plan is None:
        return ()
    names = piece_names(result.plan)
    ground = uphill_ground_m(result)
    return tuple(_facts(result, result.plan, s, names[s.number], ground) for s in result.plan.steps)


def piece_names(plan: Plan) -> dict[int, str]:
    """Name of each step's piece: the stem or its limb, and which part when cut in several."""
    of_limb: dict[int, list[int]] = defaultdict(list)
    for step in plan.steps:
        of_limb[step.piece.limb].append(step.number)
    names = {}
    for limb, numbers in of_limb.items():
        word = "Stem" if limb == 0 else f"Limb {limb}"
        for place, number in enumerate(numbers, start=1):
            part = f", part {place} of {len(numbers)}" if len(numbers) > 1 else ""
            names[number] = word + part
    return names


def closest_clearance(step: Step) -> Clearance | None:
    """The clearance with the least room beyond its margin, or None without targets."""
    if not step.clearances:
        return None
    return min(step.clearances, key=lambda c: c.distance_m - c.spread_m - c.margin_m)


def _facts(result: JobResult, plan: Plan, step: Step, name: str, ground: float) -> StepFacts:
    p, load = step.piece, step.load
    butt = wording.diameter_near(
        p.butt_diameter_m, 2 * float(result.graph.radius_sd_m[p.butt_node])
    )
    long = fill("about {}", wording.length(p.length_m))
    failed = plain(load.failed) if load and load.failed else NOTHING
    warnings = [*step.warnings, *(load.warnings if load else ())]
    return StepFacts(
        number=step.number,
        name=name,
        method=METHODS.get(step.method, step.method),
        cut=_where(result, p.cut_m, ground),
        saw=butt,
        size=fill("{} long, {} at the butt", long, butt),
        girth=fill("{}, {}", long, butt),
        tie=_tie(step),
        anchor=_anchor(plan, step, ground),
        line=wording.force_range(load.lead_tension_n) if load else NOTHING,
        anchor_load=wording.force_range(load.anchor_load_n) if load else NOTHING,
        gear=_gear(load),
        governs=load.governs if load else "",
        share=load.share if load else None,
        hinge=_hinge(step),
        hinge_azimuth_deg=step.hinge_azimuth_deg,
        weight=wording.mass_range(p.mass_kg),
        plan_on=wording.mass_most(p.mass_kg.high),
        landing=_landing(result, step),
        closest=_closest(step),
        people=step.people,
        minutes=wording.minutes_range(step.minutes),
        chance=_chance(step.chance_of_breach),
        warnings=tuple(wording.bilingual(with_advice(w)) for w in dict.fromkeys(warnings)),
        broken=tuple(wording.bilingual(w) for w in step.broken_limits)
        + ((failed,) if failed else ()),
        reasons=tuple(wording.bilingual(w) for w in step.reasons),
    )


def _where(result: JobResult, cut_m: np.ndarray, ground: float) -> Words:
    up = wording.length(float(cut_m[2]) - ground)
    stem = _stem_at(result, float(cut_m[2]))
    dx, dy = float(cut_m[0] - stem[0]), float(cut_m[1] - stem[1])
    out = float(np.hypot(dx, dy))
    if out < 0.5:
        return fill("{} up, at the stem", up)
    side = wording.compass(azimuth_deg(dx, dy))
    return fill("{} up, {} out from the stem to the {}", up, wording.length(out), side)


def _stem_at(result: JobResult, z: float) -> np.ndarray:
    """Plan position of the main stem at a height, or of its top."""
    stem = np.flatnonzero(result.graph.limb == 0)
    nearest = stem[np.argmin(np.abs(result.graph.position_m[stem, 2] - z))]
    return np.asarray(result.graph.position_m[nearest, :2])


def _tie(step: Step) -> Words:
    if step.tie is None:
        return NOTHING
    points = np.reshape(step.tie_m, (-1, 3))
    gaps = [wording.length(float(np.linalg.norm(t - step.piece.cut_m))) for t in points]
    words = plain(TIES.get(step.tie, step.tie))
    if len(gaps) == 1:
        return fill("{}, {} from the cut", words, gaps[0])
    if len(gaps) > 1:
        return fill("{}, {} and {} from the cut", words, gaps[0], gaps[-1])
    return words


def _anchor(plan: Plan, step: Step, ground_m: float) -> Words:
    if step.anchor_id is None:
        return NOTHING
    height = next(
        (a.anchor.height_m for a in plan.anchors if a.anchor.anchor_id == step.anchor_id), None
    )
    words = plain(step.anchor_id)
    if height is not None:
        words = fill("{}, {} up", words, wording.length(height))
    places = np.reshape(step.load.case.redirects_m, (-1, 3)) if step.load else ()
    for name, place in zip(step.redirects, places, strict=False):
        up = wording.length(float(place[2]) - ground_m)
        words = fill("{}; redirect at {}, {} up", words, name, up)
    return words


def _gear(load: LoadResult | None) -> Words:
    """Turns on the friction device, line needed of that at hand, and how far the anchor gives."""
    if load is None or load.failed:
        return NOTHING
    gear = load.case.gear
    have = wording.length(gear.line_length_m, 0)
    words = fill("{} of line of {} at hand", wording.length(load.line_needed_m, 0), have)
    if load.device_wraps > 0:
        hand = wording.bilingual(f"{gear.hand_force_n:.0f} N")
        one = load.device_wraps == 1
        turns = f"{load.device_wraps:g} turn{'' if one else 's'} on the device"
        words = fill("{} {} it by hand ({}); {}", turns, "holds" if one else "hold", hand, words)
    if load.anchor_sway_m >= SWAY_SHOWN_M:
        moves = wording.diameter_range(load.anchor_sway_m, 2.0 * load.anchor_sway_m)
        words = fill("{}; the anchor moves {}", words, moves)
    return words


def _hinge(step: Step) -> Words:
    if step.hinge_azimuth_deg is None:
        return NOTHING
    side = wording.compass(step.hinge_azimuth_deg)
    degrees = f"{step.hinge_azimuth_deg:.0f}°"
    below = step.hinge_below_level_deg or 0.0
    if abs(below) < 3:
        slope = "level"
    else:
        slope = f"{abs(below):.0f}° {'below' if below > 0 else 'above'} level"
    return plain(f"Face to the {side} ({degrees}), {slope}")


def _landing(result: JobResult, step: Step) -> Words:
    base, end = result.graph.position_m[0], step.path.landing_m
    dx, dy = float(end[0] - base[0]), float(end[1] - base[1])
    side = wording.compass(azimuth_deg(dx, dy))
    where = fill(
        "{}, about {} {} of the stem",
        step.landing or "the ground",
        wording.length(float(np.hypot(dx, dy))),
        side,
    )
    if step.path.landing_radius_m <= 0:
        return where
    return fill(
        "{}; keep {} round it clear", where, wording.length_most(step.path.landing_radius_m)
    )


def _closest(step: Step) -> Words:
    c = closest_clearance(step)
    if c is None:
        return NOTHING
    gap = c.distance_m - c.spread_m
    if gap < 0 and step.broken_limits:
        return fill("{}: would be hit; keep {} away", c.target, wording.length(c.margin_m))
    if c.distance_m < 0:
        return fill("{}: this wood reaches it before the cut; take it off there first", c.target)
    if gap < 0:
        near = wording.length_least(c.distance_m)
        keep = wording.length(c.margin_m)
        return fill("{}: likely {} away, but it may touch; keep {}", c.target, near, keep)
    words = fill("{}: at least {} away", c.target, wording.length_least(gap))
    return fill("{}, keep {}", words, wording.length(c.margin_m))


def _chance(chance: float | None) -> str:
    if chance is None:
        return ""
    if chance <= 0:
        return "no limit broken in any trial"
    digits = 0 if chance >= 0.1 else 1
    return f"a limit broken in {max(chance * 100, 0.1):.{digits}f} % of trials"
