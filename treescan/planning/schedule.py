"""Who does what when: climber, ground crew and chipper over a fixed order of cuts.

Durations are the site file's ``[minutes]`` (common practice, no source).  The ground crew may
fall behind by a few pieces only: the next free fall waits until people are out of the drop
zone, the next lowering until the line is off the last piece.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from treescan.planning.types import Step
from treescan.site.model import Site
from treescan.units import Band

CLIMBER_MOVE_MIN = (1.0, 3.0)
"""Moving to another part of the crown: common practice, no source. [min]"""

GROUND_KG_PER_MIN = (60.0, 30.0)
"""Limb wood one person unties, drags and cuts up, best and worst day: common practice, no
source. [kg/min]"""

PILE_LIMIT_PIECES = 3
PILE_LIMIT_KG = 600.0
"""Wood that may lie in the landing before work aloft waits: common practice, no source."""


@dataclass(frozen=True)
class Task:
    """Times of one step, minutes from the start of the job at the likely pace."""

    step: int
    aloft_start_min: float
    aloft_end_min: float
    ground_end_min: float
    chipper_end_min: float
    waited_min: float
    waited_for: str


@dataclass(frozen=True)
class CrewDay:
    """A schedule with its total as a band (fast, likely, slow pace). [h]"""

    tasks: tuple[Task, ...]
    hours: Band
    anchor_moves: int
    climber_wait_min: float


def handling_minutes(mass_kg: float, chip_kg: float, site: Site, pace: int) -> tuple[float, float]:
    """Minutes of ground work and of chipper time for one piece. [min]

    Parameters
    ----------
    mass_kg, chip_kg : float
        All of the piece, and its part that is chipped.
    pace : int
        0 the good day, 1 the bad day.
    """
    people = max(site.crew.ground, 1)
    ground = mass_kg / (GROUND_KG_PER_MIN[pace] * people)
    chip = chip_kg / (site.crew.chipper_t_h * 1000.0 / 60.0) * (1.0, 1.5)[pace]
    return ground, chip


def crew_day(
    steps: Sequence[Step], chip_kg: Sequence[float], places: Sequence[int], site: Site
) -> CrewDay:
    """Lay the steps out in time.

    Parameters
    ----------
    chip_kg : sequence of float
        Mass of each step that goes through the chipper. [kg]
    places : sequence of int
        Part of the crown each step is cut in; changing it costs climber time.
    """
    fast = _lay_out(steps, chip_kg, places, (site, 0.0))
    likely = _lay_out(steps, chip_kg, places, (site, 0.5))
    slow = _lay_out(steps, chip_kg, places, (site, 1.0))
    ends = [
        max((t.chipper_end_min for t in day), default=0.0) / 60.0 for day in (fast, likely, slow)
    ]
    return CrewDay(
        tuple(likely),
        Band(*ends),
        anchor_moves(steps),
        sum(task.waited_min for task in likely),
    )


def anchor_moves(steps: Sequence[Step]) -> int:
    """Count how often the rigging anchor changes after it is first set."""
    used = [step.anchor_id for step in steps if step.anchor_id is not None]
    return sum(a != b for a, b in itertools.pairwise(used))


def _mix(pair: tuple[float, float], pace: float) -> float:
    return pair[0] + (pair[1] - pair[0]) * pace


def _lay_out(
    steps: Sequence[Step],
    chip_kg: Sequence[float],
    places: Sequence[int],
    pace_at: tuple[Site, float],
) -> list[Task]:
    site, pace = pace_at
    climber = _mix(site.minutes.set_up, pace)
    ground = chipper = climber
    anchor, place = None, None
    tasks: list[Task] = []
    for step, chip, here in zip(steps, chip_kg, places, strict=True):
        if step.anchor_id is not None and anchor not in (None, step.anchor_id):
            climber += _mix(site.minutes.anchor_move, pace)
        anchor = step.anchor_id or anchor
        if place not in (None, here):
            climber += _mix(CLIMBER_MOVE_MIN, pace)
        place = here
        ready = _pile_cleared_min(tasks, steps, climber)
        start = max(climber, ready)
        end = start + _mix((step.minutes.low, step.minutes.high), pace)
        good = handling_minutes(step.piece.mass_kg.likely, chip, site, 0)
        bad = handling_minutes(step.piece.mass_kg.likely, chip, site, 1)
        ground = max(ground, end) + _mix((good[0], bad[0]), pace)
        chipper = max(chipper, ground) + _mix((good[1], bad[1]), pace)
        waited = start - climber
        tasks.append(
            Task(step.number, start, end, ground, chipper, waited,
                 "ground crew clears the landing" if waited > 1e-9 else "")
        )  # fmt: skip
        climber = end
    return tasks


def _pile_cleared_min(tasks: Sequence[Task], steps: Sequence[Step], now_min: float) -> float:
    """Earliest time at which the landing holds little enough for one more piece. [min]"""
    lying = [
        (task.ground_end_min, steps[i].piece.mass_kg.likely)
        for i, task in enumerate(tasks)
        if task.ground_end_min > now_min
    ]
    ready = now_min
    while lying and (len(lying) >= PILE_LIMIT_PIECES or sum(kg for _, kg in lying) > PILE_LIMIT_KG):
        ready, _ = lying.pop(0)
    return ready


def as_rows(day: CrewDay, steps: Sequence[Step]) -> tuple[dict[str, object], ...]:
    """Return the schedule as plain rows: one a step and resource, minutes from the start."""
    rows: list[dict[str, object]] = []
    for task, step in zip(day.tasks, steps, strict=True):
        parts = (
            ("climber", task.aloft_start_min, task.aloft_end_min),
            ("ground crew", task.aloft_end_min, task.ground_end_min),
            ("chipper", task.ground_end_min, task.chipper_end_min),
        )
        for resource, start, end in parts:
            rows.append(
                {
                    "step": step.number,
                    "resource": resource,
                    "start_min": round(start, 1),
                    "end_min": round(end, 1),
                    "wait_min": round(task.waited_min, 1) if resource == "climber" else 0.0,
                    "why": task.waited_for if resource == "climber" else "",
                }
            )
    return tuple(rows)
