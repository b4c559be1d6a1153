"""A second look at the chosen steps: what else may happen, and where the climber stands.

The ways were judged by their likely path.  Here each step of the chosen plan is tried with its
cases (hinge early or late, fibres that hold, another stretch or run), and a side of the stem is
found for the climber.  It adds words to the steps and changes no decision.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from treescan.errors import InvalidInputError
from treescan.motion.cases import cases_of, worst_case
from treescan.motion.climber import safe_side
from treescan.motion.flat_landing import flat_chance, flat_lengths
from treescan.planning.job import Job
from treescan.planning.types import Plan, Step

SAME_LANDING_M = 0.05

BY_HAND_KG = 20.0
"""Lighter pieces are held and guided by hand; no warning of the climber's space: our choice."""

LOG_TOP_M, LEAST_LOG_M, MOST_LOG_M = 0.10, 0.4, 8.0
"""Stem wood that counts as a log, and the lengths looked at: our choice. [m]"""

SIDES = ("north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest")


def with_second_look(job: Job, plan: Plan) -> Plan:
    """Return the plan with what the second look found in its steps' warnings and reasons."""
    steps = []
    for step in plan.steps:
        warnings = _otherwise(job, step)
        side, refused = _where_to_stand(step)
        side += _how_it_lands(job, step)
        steps.append(
            replace(
                step,
                warnings=tuple(dict.fromkeys((*step.warnings, *warnings, *refused))),
                reasons=(*step.reasons, *side),
            )
        )
    return replace(plan, steps=tuple(steps))


def _otherwise(job: Job, step: Step) -> list[str]:
    """The worst of what else may happen, when the likely path keeps its margins."""
    if step.path.recipe is None or step.broken_limits:
        return []
    try:
        cases = cases_of(step.piece, step.path, job.inputs.ground, rebuilt=True)
    except InvalidInputError:
        return []
    if np.linalg.norm(cases.likely.landing_m - step.path.landing_m) > SAME_LANDING_M:
        return []  # the piece was turned before: its recipe does not start where it hangs
    if step.method != "lower":
        cases = replace(cases, likely=step.path)
    found = worst_case(cases, step.piece, job.field.obstacles)
    if found is None:
        return []
    label, gap = found
    if gap.distance_m < 0.0:
        return [f"if the {_subject(label)}, it may strike the {gap.target}"]
    return [f"if the {_subject(label)}, it may pass the {gap.target} at {gap.distance_m:.1f} m"]


def _subject(label: str) -> str:
    """Case label as the rest of a sentence that starts with "if the"."""
    first, _, rest = label.partition(" ")
    return label if first in {"hinge", "line", "piece", "fibres"} else f"piece {first} {rest}"


def _where_to_stand(step: Step) -> tuple[list[str], list[str]]:
    """Side of the stem for the climber, and a warning when none is clear."""
    found = safe_side(step.piece, step.path)
    if found.refused:
        if step.piece.mass_kg.high < BY_HAND_KG:
            return [], []
        return [], ["no side of the limb is clear of the piece: cut from a lift or otherwise"]
    side = SIDES[int(np.round(found.azimuth_deg / 45.0)) % 8]
    return [f"stand to the {side} of the cut"], []


def _how_it_lands(job: Job, step: Step) -> list[str]:
    """For a log felled on its hinge: how sure its landing is, and what length would lie flat."""
    piece = step.piece
    log = piece.axis[2] > 0.9 and piece.top_diameter_m > LOG_TOP_M
    if step.method != "hinge fall" or not log:
        return []
    ground = job.inputs.ground.height(piece.cut_m[0], piece.cut_m[1])
    height = float(piece.cut_m[2]) - float(ground)
    if height < 1.0 or not LEAST_LOG_M <= piece.length_m <= MOST_LOG_M:
        return []
    chance = float(flat_chance([piece.length_m], height)[0])
    told = [f"lands within 30° of flat in {chance * 100:.0f} % of the likely hinge breaks"]
    if chance < 0.5:
        bands = flat_lengths(height, longest_m=MOST_LOG_M, shortest_m=LEAST_LOG_M)
        told += [
            f"from here {band.low_m:.1f} to {band.high_m:.1f} m would land flat"
            f" ({band.turn} turn, at least {band.chance * 100:.0f} %)"
            for band in bands[:1]
        ]
    return told
