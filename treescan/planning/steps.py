"""From an ordered choice to steps: loads held against what still stands at each cut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from treescan.planning.alternatives import Ordered
from treescan.planning.dividing import Divided
from treescan.planning.hangs import hang_options, reloaded
from treescan.planning.job import Job
from treescan.planning.near_pass import BY_HAND_KG, StandingWood, borne_by, strike_broken
from treescan.planning.options import Option, front, tidied
from treescan.planning.schedule import CrewDay, crew_day
from treescan.planning.types import Step
from treescan.planning.workload import chip_masses, crown_part
from treescan.rigging.types import Anchor


@dataclass(frozen=True)
class WorkedPlan:
    """A whole plan with its steps, its schedule and its four figures."""

    name: str
    rows: tuple[int, ...]
    options: tuple[Option, ...]
    steps: tuple[Step, ...]
    day: CrewDay
    proved: bool = False
    gap_min: float = float("nan")

    @property
    def peak_share(self) -> float:
        """Greatest share of a load limit over all steps."""
        return max((o.share for o in self.options), default=0.0)

    @property
    def peak_anchor_n(self) -> float:
        """Greatest anchor load, high side. [N]"""
        return max((o.load.anchor_load_n.high for o in self.options if o.load), default=0.0)

    @property
    def min_clearance_m(self) -> float:
        """Least distance of any step to any target or conductor, spread taken off. [m]"""
        gaps = [c.distance_m - c.spread_m for o in self.options for c in o.clearances]
        return min(gaps, default=float("inf"))

    @property
    def figures(self) -> tuple[float, float, float, float]:
        """What plans are compared by, less is better: load, lack of room, hours, moves."""
        room = -min(self.min_clearance_m, 1e6)
        return (self.peak_share, room, self.day.hours.likely, float(self.day.anchor_moves))

    @property
    def broken(self) -> int:
        """Steps that break a limit."""
        return sum(bool(s.broken_limits) for s in self.steps)


def work_out(job: Job, divided: Divided, sequence: Ordered, wood: StandingWood) -> WorkedPlan:
    """Hold every load and way against the wood that still stands, and set out the crew's day."""
    options = _on_what_stands(job, divided, sequence, wood)
    steps = tuple(
        step_of(number, _saw_checked(job, option), divided.ways[row].reasons)
        for number, (row, option) in enumerate(zip(sequence.rows, options, strict=True), start=1)
    )
    places = [crown_part(job, int(o.piece.butt_node)) for o in options]
    day = crew_day(steps, chip_masses(job, [o.piece for o in options]), places, job.inputs.site)
    return WorkedPlan(
        sequence.preference.name,
        sequence.rows,
        tuple(options),
        steps,
        day,
        sequence.result.proved,
        sequence.result.gap_min,
    )


def _saw_checked(job: Job, option: Option) -> Option:
    """Say where the bar is too short for the cut, even from both sides."""
    across, reach = option.piece.butt_diameter_m, job.rules.max_cut_diameter_m
    if across <= reach:
        return option
    told = (
        f"the cut is {across * 100:.0f} cm across; a {reach * 50:.0f} cm bar reaches"
        f" {reach * 100:.0f} cm from both sides: bring a longer one"
    )
    return replace(option, warnings=(*option.warnings, told))


def _on_what_stands(
    job: Job, divided: Divided, sequence: Ordered, wood: StandingWood
) -> list[Option]:
    """The ways as they are by then; another way of a piece where the chosen one fails."""
    standing = job.inputs.standing.copy()
    result = []
    for number, (row, option) in enumerate(zip(sequence.rows, sequence.options, strict=True)):
        standing[option.piece.nodes] = False
        later = [o.anchor for o in sequence.options[number:] if o.anchor is not None]
        then = _Then(job, wood, standing, tuple({a.anchor_id: a for a in later}.values()))
        checked = then.checked(option)
        if checked.broken and option.kept:
            checked = then.another(option, divided.ways[row].options) or checked
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

        First those known from the choice, then on the line with what still stands.
        """
        for other in known:
            if other is option or not self.bears(other):
                continue
            checked = self.checked(other)
            if checked.kept:
                return checked
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
    )
