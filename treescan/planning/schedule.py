"""Who does what when: climber, ground crew, loader and chipper over a fixed order of cuts.

Durations are the site file's ``[minutes]`` and ``[crew]`` (common practice, no source; a user
sets their own).  The ground crew may fall behind by a few pieces only: the next free fall waits
until people are out of the drop zone, the next lowering until the line is off the last piece.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.planning.crew_clock import (
    ALOFT,
    CHIPPED,
    GROUND,
    LOADED,
    START,
    WAITED,
    Handling,
    lay_out,
)
from treescan.planning.options import Option
from treescan.planning.sent_load import SentCase
from treescan.planning.spar_block import BLOCK_PREFIX
from treescan.planning.types import Step
from treescan.site.model import Site
from treescan.units import Band


@dataclass(frozen=True)
class Task:
    """Times of one step, minutes from the start of the job at the likely pace."""

    step: int
    aloft_start_min: float
    aloft_end_min: float
    ground_end_min: float
    loader_end_min: float
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


def handling_minutes(
    mass_kg: float, chip_kg: float, site: Site, pace: float
) -> tuple[float, float, float]:
    """Minutes of ground work, of the loader and of the chipper for one piece. [min]

    Parameters
    ----------
    mass_kg, chip_kg : float
        All of the piece, and its part that is chipped.  Where there is a loader it moves the
        rest, and people drag only what is chipped.
    pace : float
        0 the good day, 1 the bad day.
    """
    crew = site.crew
    by_hand = mass_kg if crew.loader_t_h is None else chip_kg
    ground = by_hand / max(crew.ground, 1) * _mix(_reciprocal(crew.drag_kg_per_min), pace)
    slower = 1.0 + 0.5 * pace
    chip = chip_kg / (crew.chipper_t_h * 1000.0 / 60.0) * slower
    loader = 0.0
    if crew.loader_t_h is not None:
        loader = (mass_kg - chip_kg) / (crew.loader_t_h * 1000.0 / 60.0) * slower
    return ground, loader, chip


def _reciprocal(pair: tuple[float, float]) -> tuple[float, float]:
    return 1.0 / pair[0], 1.0 / pair[1]


def handling(
    masses_kg: Sequence[float], chip_kg: Sequence[float], site: Site, pace: float
) -> Handling:
    """Work below of many pieces, in the order given."""
    rows = [
        handling_minutes(m, c, site, pace) for m, c in zip(masses_kg, chip_kg, strict=True)
    ] or [(0.0, 0.0, 0.0)]
    ground, loader, chip = np.array(rows, dtype=np.float64)[: len(masses_kg)].T
    kg = np.asarray(masses_kg, dtype=np.float64)
    return Handling(*(np.ascontiguousarray(v) for v in (ground, loader, chip, kg)))


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
        max((max(t.chipper_end_min, t.loader_end_min) for t in day), default=0.0) / 60.0
        for day in (fast, likely, slow)
    ]
    return CrewDay(
        tuple(likely),
        Band(*ends),
        anchor_moves(steps),
        sum(task.waited_min for task in likely),
    )


def rig_of(way: Step | Option) -> str | None:
    """What must be set up for a way: its anchor, its stretched line, or the running block.

    The block below each log's cut moves down with the work, which is part of a log's cycle.
    """
    if way.anchor_id is None:
        return None
    case = way.load.case if way.load is not None else None
    if isinstance(case, SentCase):
        return f"{way.anchor_id} to {case.lower_name}"
    return BLOCK_PREFIX if way.anchor_id.startswith(BLOCK_PREFIX) else way.anchor_id


def anchor_moves(steps: Sequence[Step]) -> int:
    """Count how often the rigging anchor changes after it is first set."""
    used = [rig_of(step) for step in steps if step.anchor_id is not None]
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
    aloft = np.array([_mix((s.minutes.low, s.minutes.high), pace) for s in steps])
    below = handling([s.piece.mass_kg.likely for s in steps], chip_kg, site, pace)
    times = lay_out(
        aloft,
        _moves_min(steps, places, site, pace),
        below,
        site.crew.pile_pieces,
        site.crew.pile_kg,
        _mix(site.minutes.set_up, pace),
    )
    late = "loader" if below.loader_min.sum() > below.ground_min.sum() else "ground crew"
    return [
        Task(
            step=step.number,
            aloft_start_min=float(row[START]),
            aloft_end_min=float(row[ALOFT]),
            ground_end_min=float(row[GROUND]),
            loader_end_min=float(row[LOADED]),
            chipper_end_min=float(row[CHIPPED]),
            waited_min=float(row[WAITED]),
            waited_for=f"{late} clears the landing" if row[WAITED] > 1e-9 else "",
        )
        for step, row in zip(steps, times, strict=True)
    ]


def _moves_min(
    steps: Sequence[Step], places: Sequence[int], site: Site, pace: float
) -> npt.NDArray[np.float64]:
    """Moves of the anchor and of the climber before each step, shape (n,). [min]"""
    anchor, place = None, None
    result = np.zeros(len(steps))
    for i, (step, here) in enumerate(zip(steps, places, strict=True)):
        rig = rig_of(step)
        if rig is not None and anchor not in (None, rig):
            result[i] += _mix(site.minutes.anchor_move, pace)
        anchor = rig or anchor
        if place not in (None, here):
            result[i] += _mix(site.minutes.climber_move, pace)
        place = here
    return result


def as_rows(day: CrewDay, steps: Sequence[Step]) -> tuple[dict[str, object], ...]:
    """Return the schedule as plain rows: one a step and resource, minutes from the start."""
    rows: list[dict[str, object]] = []
    loading = any(t.loader_end_min > t.aloft_end_min + 1e-9 for t in day.tasks)
    for task, step in zip(day.tasks, steps, strict=True):
        parts = (
            ("climber", task.aloft_start_min, task.aloft_end_min),
            ("ground crew", task.aloft_end_min, task.ground_end_min),
            ("loader", task.aloft_end_min, task.loader_end_min),
            ("chipper", task.ground_end_min, task.chipper_end_min),
        )
        for resource, start, end in parts:
            if resource == "loader" and not loading:
                continue
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
