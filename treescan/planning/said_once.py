"""What holds for most steps is said once for the plan: a warning on every card is read on none."""

from __future__ import annotations

from dataclasses import replace

from treescan.motion.fall import FLOPS
from treescan.planning.types import Plan

MOST_SHARE = 1 / 3
LEAST_STEPS = 6
"""A warning on more steps than these is said once: our choice."""


def with_general_cautions(plan: Plan) -> Plan:
    """Plan whose caution, not each step, says that limbs flop where most of them do.

    The room to keep clear round each landing stays with its step.
    """
    flops = [step.number for step in plan.steps if FLOPS in step.warnings]
    if len(flops) < LEAST_STEPS or len(flops) <= MOST_SHARE * len(plan.steps):
        return plan
    steps = tuple(
        replace(step, warnings=tuple(w for w in step.warnings if w != FLOPS)) for step in plan.steps
    )
    caution = (
        f"On {len(flops)} of {len(plan.steps)} steps the piece lands on an end and may flop to any"
        " side: everyone twice its length away, all round, until it lies still; each step says how"
        " much ground to keep clear."
    )
    return replace(plan, steps=steps, cautions=(*plan.cautions, caution))
