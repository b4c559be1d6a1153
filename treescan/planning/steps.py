"""From an ordered choice to steps: loads held against what still stands at each cut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from treescan.planning.alternatives import BALANCED, way_cost_min
from treescan.planning.dividing import cut_notes
from treescan.planning.edits import forced
from treescan.planning.hangs import hang_options, reloaded
from treescan.planning.job import Job
from treescan.planning.near_pass import BY_HAND_KG, StandingWood, borne_by, strike_broken
from treescan.planning.options import Option, front, standing_distance_m, tidied
from treescan.planning.plan_search import Ordered
from treescan.planning.schedule import CrewDay, crew_day
from treescan.planning.types import Step
from treescan.planning.workload import chip_masses, crown_part
from treescan.rigging.types import Anchor


@dataclass(frozen=True)
class WorkedPlan:
    """A whole plan with its steps, its schedule and its four figures.

    ``min_clearance_m`` is the least distance, spread taken off, of any piece to a target or
    conductor whose margin it stood clear of before its cut (of any piece at all when none did);
    ``standing_near`` are the numbers of the steps whose wood stood inside a target's margin before
    it was cut, which no way of cutting can mend.
    """

    name: str
    rows: tuple[int, ...]
    options: tuple[Option, ...]
    steps: tuple[Step, ...]
    day: CrewDay
    proved: bool = False
    gap_min: float = float("nan")
    standing_near: tuple[int, ...] = ()
    min_clearance_m: float = float("inf")
    flags: tuple[str, ...] = ()

    @property
    def peak_share(self) -> float:
        """Greatest share of a load limit over all steps."""
        return max((o.share for o in self.options), default=0.0)

    @property
    def peak_anchor_n(self) -> float:
        """Greatest anchor load, high side. [N]"""
        return max((o.load.anchor_load_n.high for o in self.options if o.load), default=0.0)

    @property
    def figures(self) -> tuple[float, float, float, float]:
        """What plans are compared by, less is better: load, lack of room, hours, moves."""
        room = -min(self.min_clearance_m, 1e6)
        return (self.peak_share, room, self.day.hours.likely, float(self.day.anchor_moves))

    @property
    def cost_min(self) -> float:
        """The crew's day, with loads, chances of a breach and lack of room as minutes. [min]"""
        beside = sum(way_cost_min(o, BALANCED) - o.minutes.likely for o in self.options)
        return 60.0 * self.day.hours.likely + beside

    @property
    def broken(self) -> int:
        """Steps that break a limit."""
        return sum(bool(s.broken_limits) for s in self.steps)


def work_out(job: Job, sequence: Ordered, wood: StandingWood) -> WorkedPlan:
    """Hold every load and way against the wood that still stands, and set out the crew's day."""
    divided = sequence.divided
    options = _on_what_stands(job, sequence, wood)
    steps = tuple(
        step_of(number, _saw_checked(job, option), divided.ways[row].reasons)
        for number, (row, option) in enumerate(zip(sequence.rows, options, strict=True), start=1)
    )
    places = [crown_part(job, int(o.piece.butt_node)) for o in options]
    day = crew_day(steps, chip_masses(job, [o.piece for o in options]), places, job.inputs.site)
    near, room = _room(job, options)
    return WorkedPlan(
        sequence.preference.name,
        sequence.rows,
        tuple(options),
        steps,
        day,
        sequence.result.proved,
        sequence.result.gap_min,
        near,
        room,
        sequence.flags,
    )


def _room(job: Job, options: Sequence[Option]) -> tuple[tuple[int, ...], float]:
    """Steps whose wood stood inside a target's margin, and the least room of what did not."""
    near: list[int] = []
    clear: list[float] = []
    left: list[float] = []
    for number, option in enumerate(options, start=1):
        things = job.field.obstacles
        before = standing_distance_m(option.piece, things)
        inside = (before < things.margin_m) & ~things.is_conductor
        near += [number] if np.any(inside) else []
        for gap, stood in zip(option.clearances, inside, strict=True):
            (left if stood else clear).append(gap.distance_m - gap.spread_m)
    return tuple(near), min(clear or left, default=float("inf"))


def _saw_checked(job: Job, option: Option) -> Option:
    """Say where the bar is too short for the cut, or a climber does not reach it."""
    told = cut_notes(job, option.piece)
    return replace(option, warnings=(*option.warnings, *told)) if told else option


def _on_what_stands(job: Job, sequence: Ordered, wood: StandingWood) -> list[Option]:
    """The ways as they are by then; another way of a piece where the chosen one fails."""
    standing = job.inputs.standing.copy()
    result = []
    for number, (row, option) in enumerate(zip(sequence.rows, sequence.options, strict=True)):
        standing[option.piece.nodes] = False
        later = [o.anchor for o in sequence.options[number:] if o.anchor is not None]
        then = _Then(job, wood, standing, tuple({a.anchor_id: a for a in later}.values()))
        checked = then.checked(option)
        if checked.broken and option.kept:
            checked = then.another(option, sequence.divided.ways[row].options) or checked
        result.append(checked)
    return result


@dataclass(frozen=True)
class _Then:
    """What stands when a piece is cut, and the anchors that are still to be used."""

    job: Job
    wood: StandingWood
    standing: npt.NDArray[np.bool_]
    later: tuple[Anchor, ...]

    def checked(self, option: Option) -> Option:
        """Answer the load again on what stands, and look for what the piece strikes."""
        if option.load is not None:
            spar = self.job.spar_without(self.standing)
            option = reloaded(option, spar, self.job.rider(self.standing))
        strike = self.wood.struck_by(option, self.standing)
        if strike is None:
            return option
        option = replace(option, warnings=(*option.warnings, strike.told))
        if option.piece.mass_kg.high <= BY_HAND_KG or strike.at_cut(option):
            return option
        borne = borne_by(self.job, strike, (*self.later, *self._tie_in_above(option)))
        if borne is None:
            return option
        return replace(option, broken=(*option.broken, strike_broken(option, borne)))

    def another(self, option: Option, known: Sequence[Option]) -> Option | None:
        """Another way of the same piece that keeps every limit by then, or None.

        First those known from the choice, then on the line with what still stands.  A way that
        a person forced gives way only to one that meets the same wish.
        """
        wish = forced(self.job.inputs.edits or (), option.piece.butt_node)
        bound = wish is not None and wish.met_by(option.method, option.tie, option.anchor)
        if wish is not None and bound:
            known = [o for o in known if wish.met_by(o.method, o.tie, o.anchor)]
        for other in known:
            if other is option or not self.bears(other):
                continue
            checked = self.checked(other)
            if checked.kept:
                return checked
        if bound:
            return None
        order = int(self.job.inputs.graph.order[option.piece.butt_node])
        hung = hang_options(self.job.after(self.standing), option.piece, order)
        found = (self.checked(o) for o in front(hung))
        return next((o for o in found if o.kept), None)

    def bears(self, option: Option) -> bool:
        """Whether the wood of its anchor still stands."""
        return option.anchor is None or bool(self.standing[option.anchor.node])

    def _tie_in_above(self, option: Option) -> tuple[Anchor, ...]:
        """The climber's tie-in, while it is above the cut: above it the climber ties in anew."""
        tie = self.job.tie_in_on(self.standing)
        if tie is None or tie.position_m[2] < option.piece.cut_m[2]:
            return ()
        return (tie,)


def step_of(number: int, option: Option, reasons: tuple[str, ...] = ()) -> Step:
    """One step of the plan."""
    return Step(
        number=number,
        piece=option.piece,
        method=option.method,
        tie=option.tie,
        tie_m=option.tie_m,
        anchor_id=option.anchor_id,
        redirects=option.redirects,
        load=option.load,
        hinge_azimuth_deg=option.hinge_azimuth_deg,
        hinge_below_level_deg=option.hinge_below_level_deg,
        landing=option.landing,
        clearances=option.clearances,
        path=tidied(option.path),
        minutes=option.minutes,
        people=option.people,
        warnings=tuple(dict.fromkeys(option.warnings)),
        broken_limits=option.broken,
        reasons=reasons,
        trial=option.trial,
    )
