"""How sure a plan is: chance that a limit or margin is passed, step by step.

Each draw changes the weight of the piece, the diameters that carry it, the friction at the
block, the run let out and the way of the piece together; the limits stay what they are.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from treescan.planning.job import Job
from treescan.planning.types import Plan, Step
from treescan.units import Band

Floats = npt.NDArray[np.float64]

DRAWS = 2000
Z_95 = 1.645
DIAMETER_SD = 0.05
RUN_CV = 0.3
WAY_SD_SHARE = 0.5
"""Spread of the way: the stated spread is taken as two standard deviations."""


def with_chances(job: Job, plan: Plan) -> Plan:
    """Return the plan with ``chance_of_breach`` set on every step."""
    rng = np.random.default_rng(job.inputs.seed)
    steps = tuple(replace(s, chance_of_breach=chance_of_breach(s, job, rng)) for s in plan.steps)
    return replace(plan, steps=steps)


def chance_of_breach(step: Step, job: Job, rng: np.random.Generator) -> float:
    """Share of draws in which the step passes a load limit or a margin.

    Weights are log-normal through the band's 5, 50 and 95 % values.  Loads follow the stated
    tension band with the same draw of weight and a part of their own for run and friction;
    section strength goes with the cube of the diameter.
    """
    heavy = rng.standard_normal(DRAWS)
    breach = np.zeros(DRAWS, dtype=bool)
    mass = draw(step.piece.mass_kg, heavy)
    breach |= mass > job.inputs.site.limits.max_piece_kg
    if step.load is not None:
        own = 0.6 * heavy + 0.8 * rng.standard_normal(DRAWS)
        tension = draw(step.load.lead_tension_n, own)
        high = max(step.load.lead_tension_n.high, 1e-9)
        thinner = np.clip(1.0 + DIAMETER_SD * rng.standard_normal(DRAWS), 0.6, 1.4) ** 3
        for item, share in step.load.utilisation.items():
            strength = thinner if ("section" in item or item == "root plate") else 1.0
            used = share if item == "line length" else share * tension / high / strength
            breach |= np.broadcast_to(used > 1.0, (DRAWS,))
    aside = np.abs(rng.standard_normal(DRAWS))
    for gap in step.clearances:
        if gap.distance_m - gap.spread_m < gap.margin_m and not step.broken_limits:
            continue
        breach |= gap.distance_m - WAY_SD_SHARE * gap.spread_m * aside < gap.margin_m
    if step.method in ("free fall", "hinge fall"):
        energy = step.path.impact_energy_j * mass / max(step.piece.mass_kg.high, 1e-9)
        zones = {z.name: z.max_energy_j for z in job.field.obstacles.drop_zones}
        breach |= energy > zones.get(step.landing, 0.0)
    return float(breach.mean())


def draw(band: Band, normal: Floats) -> Floats:
    """Values of a band for standard normal draws, log-normal on each side of the middle."""
    low, likely, high = (max(v, 1e-9) for v in (band.low, band.likely, band.high))
    up, down = np.log(high / likely) / Z_95, np.log(likely / low) / Z_95
    result: Floats = likely * np.exp(np.where(normal > 0, up, down) * normal)
    return result
