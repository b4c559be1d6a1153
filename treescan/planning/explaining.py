"""The chosen plan with its alternatives, in words of the trade."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from treescan.planning.anchor_ranks import with_anchor_ranks
from treescan.planning.inputs import PlanInputs
from treescan.planning.job import Job
from treescan.planning.mending import smallest_change
from treescan.planning.options import NEARER_M, Option
from treescan.planning.schedule import as_rows
from treescan.planning.steps import WorkedPlan
from treescan.planning.types import Alternative, Plan, RankedAnchor
from treescan.rigging.anchors import why_not
from treescan.rigging.tie_ins import away_from_rigging, second_tie_in, tie_in_pull
from treescan.rigging.types import Anchor

MOST_WIND_M_S = 10.0

FIGURE_OF = {"least load": 0, "most clearance": 1, "fastest": 2, "fewest anchor moves": 3}
"""Which of :attr:`WorkedPlan.figures` a plan is named for."""

DONE = {
    "free fall": "cut free to fall",
    "hinge fall": "felled on a hinge",
    "lower": "lowered on the line",
    "speed line": "sent down a stretched line",
}
"""What is done with the pieces of each way, in words."""

DURATIONS = (
    "Durations are common practice with no published source; set your own under [minutes] in "
    "the site file."
)


SECOND_BY_LANYARD = (
    "No other place holds a climber: the second attachment while the saw runs is a lanyard round "
    "sound wood of at least 10 cm. "
)


def plan_of(job: Job, all_worked: Sequence[WorkedPlan]) -> Plan:
    """Choose the balanced plan and set the others beside it."""
    worked = truly_named(all_worked)
    chosen = _chosen(worked)
    chosen = next((w for w in worked if w.name == job.inputs.prefer), chosen)
    feasible = chosen.broken == 0
    return Plan(
        name=chosen.name,
        steps=with_anchor_ranks(job, chosen.steps),
        anchors=ranked_anchors(job, chosen),
        tie_ins=ranked_tie_ins(job, chosen),
        alternatives=tuple(as_alternative(w, chosen, worked) for w in worked),
        schedule=as_rows(chosen.day, chosen.steps),
        cautions=_cautions(job, chosen),
        feasible=feasible,
        hours=chosen.day.hours,
        explanation=describe(job, chosen),
        order_proved=chosen.proved,
        order_gap_min=chosen.gap_min,
        smallest_change="" if feasible else smallest_change(job, chosen.steps),
    )


def _one_a_name(worked: Sequence[WorkedPlan]) -> list[WorkedPlan]:
    """Of plans made for the same wish the one that breaks fewer limits, then the cheaper one."""
    best: dict[str, WorkedPlan] = {}
    for plan in worked:
        held = best.setdefault(plan.name, plan)
        if (plan.broken, plan.cost_min) < (held.broken, held.cost_min):
            best[plan.name] = plan
    return list(best.values())


def truly_named(worked: Sequence[WorkedPlan]) -> list[WorkedPlan]:
    """One plan a name; each is the best found in what it is named for.

    Plans are ordered by a cost of several wishes before their schedule is worked out and what
    stands by then is looked at, so the one ordered for speed may not be the fastest, nor the
    balanced one the cheapest; then the better one takes the name as well.  Plans that break fewer
    limits come first, then the figure of the name, then the plan so ordered.
    """
    named = []
    for plan in _one_a_name(worked):
        places = [_place(other, plan.name) for other in worked]
        best = min(places)
        if best < _place(plan, plan.name):
            plan = replace(worked[places.index(best)], name=plan.name)
        named.append(plan)
    return named


def _place(plan: WorkedPlan, name: str) -> tuple[int, float]:
    """What plans of a name are compared by, less is better."""
    figure = FIGURE_OF.get(name)
    value = plan.cost_min if figure is None else plan.figures[figure]
    return plan.broken, round(value, 3)


def as_alternative(
    plan: WorkedPlan, chosen: WorkedPlan, all_plans: Sequence[WorkedPlan]
) -> Alternative:
    """A whole plan in its figures and a paragraph."""
    return Alternative(
        name=plan.name,
        peak_anchor_n=plan.peak_anchor_n,
        peak_share=plan.peak_share,
        min_clearance_m=plan.min_clearance_m,
        hours=plan.day.hours,
        anchor_moves=plan.day.anchor_moves,
        explanation=_compare(plan, chosen) + _front(plan, all_plans),
        steps=plan.steps,
    )


def _chosen(worked: Sequence[WorkedPlan]) -> WorkedPlan:
    """The balanced plan, or one that breaks fewer limits or is better in every figure."""
    fewest = min(w.broken for w in worked)
    chosen = next(w for w in worked if w.broken == fewest)
    for _ in worked:
        better = [w for w in worked if w.broken == fewest and _dominates(w, chosen)]
        if not better:
            break
        chosen = min(better, key=lambda w: w.day.hours.likely)
    return chosen


def _dominates(one: WorkedPlan, other: WorkedPlan) -> bool:
    """At least as good in every figure, and better in one."""
    pairs = list(zip(one.figures, other.figures, strict=True))
    return all(a <= b + 1e-6 for a, b in pairs) and any(a < b - 1e-3 for a, b in pairs)


def _front(plan: WorkedPlan, all_plans: Sequence[WorkedPlan]) -> str:
    """Say whether another plan is as good in every figure and better in one, or the same."""
    better = [other.name for other in all_plans if _dominates(other, plan)]
    if better:
        return f" The {better[0]} plan is at least as good in every figure."
    twin = [
        other.name
        for other in all_plans
        if other is not plan and np.allclose(other.figures, plan.figures, atol=1e-3)
    ]
    if twin:
        return f" In these figures it equals the {' and the '.join(twin)} plan."
    return " No other plan here is better in every figure."


def _nearest_pass(room_m: float) -> str:
    """Least room of the pieces that stood clear of every margin, as a part of a sentence."""
    if room_m == float("inf"):
        return "nothing to hit, "
    if room_m < 0.0:
        return f"nearest pass up to {-room_m:.1f} m into a target in the unlucky case, "
    return f"nearest pass {room_m:.1f} m, "


def _compare(plan: WorkedPlan, chosen: WorkedPlan) -> str:
    gap = _nearest_pass(plan.min_clearance_m)
    figures = (
        f"peak {plan.peak_share * 100:.0f} % of a limit, {gap}"
        f"{plan.day.hours.low:.1f} to {plan.day.hours.high:.1f} h, "
        f"{_count(plan.day.anchor_moves, 'anchor move')}"
    )
    broken = f" It breaks limits in {_count(plan.broken, 'step')}." if plan.broken else ""
    if plan is chosen:
        return f"Chosen: {figures}.{broken}"
    parts = []
    share = 100 * (plan.peak_share - chosen.peak_share)
    if abs(share) >= 1.0:
        parts.append(
            f"{_count(round(abs(share)), 'point')} {'more' if share > 0 else 'less'} peak load"
        )
    hours = plan.day.hours.likely - chosen.day.hours.likely
    if abs(hours) >= 0.05:
        parts.append(f"{abs(hours):.1f} h {'longer' if hours > 0 else 'shorter'}")
    moves = plan.day.anchor_moves - chosen.day.anchor_moves
    if moves:
        parts.append(f"{_count(abs(moves), 'anchor move')} {'more' if moves > 0 else 'fewer'}")
    room = plan.min_clearance_m - chosen.min_clearance_m
    if abs(room) >= 0.05 and room == room:
        parts.append(f"{abs(room):.1f} m {'more' if room > 0 else 'less'} room")
    against = "; against the chosen plan " + ", ".join(parts) if parts else "; no better elsewhere"
    return f"The {plan.name} plan: {figures}{against}.{broken}"


def _count(number: int, word: str) -> str:
    """A number with its noun."""
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def describe(job: Job, plan: WorkedPlan) -> str:
    """The job in a paragraph, as one crew member tells it to another."""
    ways = Counter(o.method for o in plan.options)
    tie = job.tie_in
    first = f"{_count(len(plan.steps), 'cut')}. "
    if tie is not None:
        first += f"The climber ties in at {tie.height_m:.1f} m ({tie.anchor_id}). "
        if second_tie_in(job.tie_ins, tie) is None:
            first += SECOND_BY_LANYARD
    else:
        first += "No tie-in on this tree holds a climber by the rule used: use a lift. "
    names = [o.anchor.anchor_id for o in plan.options if o.anchor is not None]
    used = Counter(name for name in names if name.startswith("A"))
    if used:
        main, count = used.most_common(1)[0]
        verb = "hangs" if count == 1 else "hang"
        first += f"{_count(count, 'piece')} {verb} from {main}. "
    told = ", ".join(f"{n} {DONE[way]}" for way, n in ways.most_common())
    first += f"{told[:1].upper()}{told[1:]}. "
    if plan.standing_near:
        first += _standing_near(plan.standing_near)
    wait = plan.day.climber_wait_min
    crew = f" Work aloft waits about {wait:.0f} min for the ground crew." if wait >= 5 else ""
    crew += _order_told(plan)
    return (
        f"{first}Outer wood comes off before the wood it grows on; whatever carries the "
        f"tie-in or an anchor stands until its last use; the stem comes down last.{crew}"
    )


def _standing_near(numbers: Sequence[int]) -> str:
    """Say which steps take wood that stands inside a margin, and what is done about it."""
    named = ", ".join(str(n) for n in numbers[:12])
    more = f" and {len(numbers) - 12} more" if len(numbers) > 12 else ""
    takes = f"Step {named} takes" if len(numbers) == 1 else f"Steps {named}{more} take"
    return (
        f"{takes} wood that stands inside a target's margin before it is cut: it may come at most"
        f" {NEARER_M:.1f} m nearer than it stands, is held off while it is cut, and is left out of"
        " the nearest pass. "
    )


def _order_told(plan: WorkedPlan) -> str:
    """How good the order is known to be."""
    if plan.proved:
        return " The order is proved the best for these ways."
    if plan.gap_min == plan.gap_min and plan.gap_min < float("inf"):
        return (
            f" No order of these ways can be better by more than {max(plan.gap_min, 1.0):.0f} min"
            " (moves, waiting, load and room counted as minutes)."
        )
    return ""


def why_not_here(inputs: PlanInputs, plan: Plan, node: int) -> str:
    """Say in a sentence or two why a node is no anchor, or what it does in the plan.

    Raises
    ------
    InvalidInputError
        No such node.
    """
    known = (inputs.graph, inputs.measures, inputs.species, inputs.mass, inputs.site)
    told = why_not(*known, inputs.ground, node, wood_state=inputs.wood_state)
    for ranked in plan.anchors:
        if ranked.anchor.node == node and ranked.peak_n > 0.0:
            return f"{told} In this plan {ranked.reason}."
    first = next((s.number for s in plan.steps if node in s.piece.nodes), None)
    if first is not None:
        return f"{told} It comes down in step {first} and can carry nothing after that."
    return told


def ranked_anchors(job: Job, plan: WorkedPlan) -> tuple[RankedAnchor, ...]:
    """Anchors in use first, by their peak; then what else was looked at, with its reason."""
    uses: dict[str, list[Option]] = {}
    for option in plan.options:
        if option.anchor is not None and option.load is not None:
            uses.setdefault(option.anchor.anchor_id, []).append(option)
    used = [_in_use(options, job.inputs.site.limits.anchor_share) for options in uses.values()]
    used.sort(key=lambda r: (-r.share, r.anchor.anchor_id))
    rest = [
        RankedAnchor(a, 0.0, 0.0, a.rejected or "usable, not needed")
        for a in job.anchors
        if a.anchor_id not in uses
    ]
    return tuple(used + rest)


def _in_use(options: Sequence[Option], anchor_share: float) -> RankedAnchor:
    """An anchor with its hardest use; its allowable is that of the wood standing by then."""
    hardest = max(options, key=_anchor_share)
    assert hardest.anchor is not None
    assert hardest.load is not None
    share = _anchor_share(hardest)
    load = hardest.load.anchor_load_n.high
    allowable = load / max(share * anchor_share, 1e-9)
    peak = max(o.load.anchor_load_n.high for o in options if o.load is not None)
    count = len(options)
    told = f"{count} piece{'s' if count > 1 else ''} hang{'' if count > 1 else 's'} from it"
    anchor = replace(hardest.anchor, allowable_n=allowable)
    return RankedAnchor(anchor, peak, share, f"{told}; hardest at {share * 100:.0f} % of its limit")


def _anchor_share(option: Option) -> float:
    """Share of the section limit that the anchor's own wood reaches."""
    assert option.load is not None
    parts = [v for k, v in option.load.utilisation.items() if "section" in k]
    return max(parts, default=0.0)


def ranked_tie_ins(job: Job, plan: WorkedPlan) -> tuple[RankedAnchor, ...]:
    """Tie-ins, best first, with the pull of an abrupt stop and the share of their rule.

    The first is the climber's, the second the other attachment while the saw runs; places that
    the plan rigs on are refused.  A block that moves down the spar with the work is no such
    place.
    """
    first = job.tie_in
    named = {o.anchor.anchor_id: o.anchor for o in plan.options if o.anchor is not None}
    rigging = [anchor for name, anchor in named.items() if name.startswith("A")]
    others = away_from_rigging([t for t in job.tie_ins if t is not first], rigging)
    if first is None:
        return tuple(_tie_in(job, t, "usable") for t in others)
    shares = away_from_rigging([first], rigging)[0].rejected
    second = second_tie_in(others, first)
    return (
        _tie_in(job, first, f"the climber ties in here{f'; {shares}' if shares else ''}"),
        *(_tie_in(job, t, "second attachment while the saw runs") for t in others if t is second),
        *(_tie_in(job, t, "usable") for t in others if t is not second),
    )


def _tie_in(job: Job, place: Anchor, reason: str) -> RankedAnchor:
    pull_n, share = tie_in_pull(place, job.inputs.site.climber.mass_kg)
    return RankedAnchor(place, pull_n, share, place.rejected or reason)


def _cautions(job: Job, plan: WorkedPlan) -> tuple[str, ...]:
    found = [*plan.flags, DURATIONS, *job.field.obstacles.notes]
    if job.tie_in is None:
        found.append("No tie-in on this tree holds a climber by the rule used: use a lift.")
    wind = job.inputs.site.conditions.wind_m_s
    if wind > MOST_WIND_M_S:
        found.append(
            f"Wind of {wind:.0f} m/s: work aloft stops at about {MOST_WIND_M_S:.0f} m/s [common"
            " practice, no source]; wait for a calmer day."
        )
    if job.spar.state.dead.any() or job.spar.state.cracked.any():
        found.append(
            "Dead or cracked wood: nobody climbs or rigs on it; where it hangs over the work it"
            " comes off first."
        )
    found.append(
        f"The stump is left {job.rules.stump_height_m * 100:.0f} cm high; side twigs up to "
        f"{job.rules.trim_diameter_m * 100:.0f} cm are trimmed before the section they grow on."
    )
    return tuple(dict.fromkeys(found))
