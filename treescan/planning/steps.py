"""From an ordered choice to steps: loads held against what still stands at each cut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from treescan.planning.alternatives import Ordered
from treescan.planning.dividing import Divided
from treescan.planning.hangs import reloaded
from treescan.planning.job import Job
from treescan.planning.options import Option, tidied
from treescan.planning.schedule import CrewDay, crew_day
from treescan.planning.types import Step
from treescan.planning.workload import chip_masses, crown_part


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


def work_out(job: Job, divided: Divided, sequence: Ordered) -> WorkedPlan:
    """Hold every load against the wood that still stands, and set out the crew's day."""
    options = _on_what_stands(job, divided, sequence)
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


def _on_what_stands(job: Job, divided: Divided, sequence: Ordered) -> list[Option]:
    standing = job.inputs.standing.copy()
    result = []
    for row, option in zip(sequence.rows, sequence.options, strict=True):
        standing[option.piece.nodes] = False
        checked = option
        if option.load is not None:
            spar, rider = job.spar_without(standing), job.rider(standing)
            checked = reloaded(option, spar, rider)
            if checked.broken and option.kept:
                others = [
                    reloaded(o, spar, rider)
                    for o in divided.ways[row].options
                    if o is not option and (o.anchor is None or standing[o.anchor.node])
                ]
                checked = next((o for o in others if o.kept), checked)
        result.append(checked)
    return result


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


def renumbered(steps: Sequence[Step], first: int) -> tuple[Step, ...]:
    """The same steps numbered from ``first``."""
    return tuple(replace(step, number=first + i) for i, step in enumerate(steps))
