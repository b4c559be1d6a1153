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
from treescan.planning.job import Job
from treescan.planning.types import Plan, Step

BY_HAND_KG = 20.0
"""Lighter pieces are held and guided by hand; no warning of the climber's space: our choice."""

SIDES = ("north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest")


def with_second_look(job: Job, plan: Plan) -> Plan:
    """Return the plan with what the second look found in its steps' warnings and reasons."""
    steps = []
    for step in plan.steps:
        warnings = _otherwise(job, step)
        side, refused = _where_to_stand(step)
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
        cases = cases_of(step.piece, step.path, job.inputs.ground)
    except InvalidInputError:
        return []
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
