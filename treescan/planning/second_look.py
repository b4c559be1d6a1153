"""A second look at the chosen steps: what else may happen, and where the climber stands.

The ways were judged by their likely path.  Here each step of the chosen plan is tried with its
cases (hinge early or late, fibres that hold, another stretch or run), which gives the chance that
it passes a limit or margin, and a side of the stem is found for the climber.  It adds to what is
told of the steps and of the plan, and changes no decision.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from treescan.motion.climber import safe_side
from treescan.motion.flat_landing import flat_chance, flat_lengths
from treescan.motion.impact import blow
from treescan.planning.job import Job
from treescan.planning.options import CREDIBLE
from treescan.planning.robust import BY_HAND_KG, chance_of_breach, tried
from treescan.planning.types import Plan, Step
from treescan.processes import shared_out

HARD_SHARE = 0.5
"""A blow of more than this share of the ground's limit is told with its force: our choice."""

LIGHT_KG = 5.0
"""Twigs lighter than this brush past a climber: our choice. [kg]"""

LOG_TOP_M, LEAST_LOG_M, MOST_LOG_M = 0.10, 0.4, 8.0
"""Stem wood that counts as a log, and the lengths looked at: our choice. [m]"""

SHOWN = 4

SIDES = ("north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest")


def with_second_look(job: Job, plan: Plan) -> Plan:
    """Return the plan with its chances, and what the second look found in warnings and reasons."""
    found = shared_out(plan.steps, lambda step: _look(job, step))
    steps = tuple(look.told_of(step) for step, look in zip(plan.steps, found, strict=True))
    told = (plan.explanation, least_sure(steps))
    return replace(plan, steps=steps, explanation=" ".join(t for t in told if t))


def least_sure(steps: Sequence[Step]) -> str:
    """Name the steps that keep every limit likely, but not in one of twenty trials; "" for none."""
    doubt = [
        (step.chance_of_breach or 0.0, step.number)
        for step in steps
        if not step.broken_limits and (step.chance_of_breach or 0.0) > CREDIBLE
    ]
    if not doubt:
        return ""
    doubt.sort(key=lambda row: (-row[0], row[1]))
    shown = [f"step {number} ({chance * 100:.0f} % of trials)" for chance, number in doubt[:SHOWN]]
    more = f" and {len(doubt) - SHOWN} more" if len(doubt) > SHOWN else ""
    return (
        f"Least sure, a limit or margin broken in more than {CREDIBLE * 100:.0f} % of trials: "
        f"{', '.join(shown)}{more}. Before these cuts cover or clear what they may reach, or take "
        "them shorter, on the line or from a lift."
    )


@dataclass(frozen=True)
class _Look:
    """What is added to a step."""

    warnings: tuple[str, ...]
    reasons: tuple[str, ...]
    flat_chance: float
    chance: float

    def told_of(self, step: Step) -> Step:
        return replace(
            step,
            path=replace(step.path, flat_chance=self.flat_chance),
            warnings=tuple(dict.fromkeys((*step.warnings, *self.warnings))),
            reasons=(*step.reasons, *self.reasons),
            chance_of_breach=self.chance,
        )


def _look(job: Job, step: Step) -> _Look:
    known = step.trial is not None and step.trial.is_of(step.path)
    trial = step.trial if known else tried(step, job.field, job.draws)
    chance = chance_of_breach(step, trial, job.field, job.draws)
    otherwise = (
        [trial.worst] if trial is not None and trial.worst and not step.broken_limits else []
    )
    side, refused = _where_to_stand(step)
    landing, flat = _how_it_lands(job, step)
    landing += _on_the_ground(job, step)
    return _Look((*otherwise, *refused), (*side, *landing), flat, chance)


def _where_to_stand(step: Step) -> tuple[list[str], list[str]]:
    """Side of the stem for the climber, and a warning when none is clear."""
    found = safe_side(step.piece, step.path)
    if found.refused:
        if step.piece.mass_kg.high < LIGHT_KG:
            return [], []
        if step.piece.mass_kg.high < BY_HAND_KG:
            return [], ["comes past the climber on every side: hold it and guide it by hand"]
        if found.crowded:
            return [], [found.warnings[0]]
        return [], ["no side of the limb is clear of the piece: cut from a lift or otherwise"]
    told = f"stand to the {_side(found.azimuth_deg)} of the cut"
    if step.method == "hinge fall" and step.piece.mass_kg.high >= BY_HAND_KG:
        left, right = (_side(azimuth) for azimuth in found.retreat_deg)
        told += f"; once it goes, back away to the {left} or {right}"
    return [told], []


def _side(azimuth_deg: float) -> str:
    """Name of the nearest of eight sides."""
    return SIDES[int(np.round(azimuth_deg / 45.0)) % 8]


def _on_the_ground(job: Job, step: Step) -> list[str]:
    """What a hard blow means for the ground, and what would take it."""
    zone = next((z for z in job.field.obstacles.drop_zones if z.name == step.landing), None)
    energy = step.path.impact_energy_j
    if zone is None or step.load is not None or energy < HARD_SHARE * zone.max_energy_j:
        return []
    found = blow(step.path, zone.surface, zone.max_energy_j)
    low, high = (force / 1e3 for force in found.mean_force_n)
    told = f"strikes the {zone.surface} with {energy / 1e3:.1f} kJ: {low:.0f} to {high:.0f} kN"
    return [f"{told} while it stops, about twice that at the peak", *found.options]


def _how_it_lands(job: Job, step: Step) -> tuple[list[str], float]:
    """For a log felled on its hinge: how sure its landing is, and what length would lie flat."""
    piece = step.piece
    log = piece.axis[2] > 0.9 and piece.top_diameter_m > LOG_TOP_M
    if step.method != "hinge fall" or not log:
        return [], step.path.flat_chance
    ground = job.inputs.ground.height(piece.cut_m[0], piece.cut_m[1])
    height = float(piece.cut_m[2]) - float(ground)
    if height < 1.0 or not LEAST_LOG_M <= piece.length_m <= MOST_LOG_M:
        return [], step.path.flat_chance
    chance = float(flat_chance([piece.length_m], height)[0])
    told = [f"lands within 30° of flat in {chance * 100:.0f} % of the likely hinge breaks"]
    if chance < 0.5:
        bands = flat_lengths(height, longest_m=MOST_LOG_M, shortest_m=LEAST_LOG_M)
        told += [
            f"from here {band.low_m:.1f} to {band.high_m:.1f} m would land flat"
            f" ({band.turn} turn, at least {band.chance * 100:.0f} %)"
            for band in bands[:1]
        ]
    return told, chance
