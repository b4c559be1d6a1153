"""The line of a lift as the motion takes it: its stretch, its friction, how its anchor gives."""

from __future__ import annotations

from typing import TypedDict

from treescan.motion.over_blocks import Beyond
from treescan.rigging.lift import lift_of
from treescan.rigging.types import LoadResult

LEAST_LINE_M = 5.0
"""Shorter lines are taken as this long: slings, knots and the device stretch too. [m]"""

LEAST_SWAY_M = 1e-4


class InService(TypedDict):
    """Options of the ways on the line."""

    rope_stiffness_n_m: float
    run_m: float
    beyond: Beyond


def line_in_service(result: LoadResult) -> InService:
    """Line from the device over redirects and the anchor to the tie, before the cut.

    It may run as far as its load counts on.
    The anchor's stiffness is its high load over the elastic movement that the structure's model
    gives for it.

    Raises
    ------
    InvalidInputError
        If the case is no lift.
    """
    lift = lift_of(result.case)
    length = lift.lead_m + float(lift.legs_m.sum())
    sway = result.anchor_sway_m
    return InService(
        rope_stiffness_n_m=result.case.gear.line.modulus_n / max(length, LEAST_LINE_M),
        run_m=result.run_m,
        beyond=Beyond(
            length_m=tuple(max(float(leg), 0.05) for leg in lift.legs_m),
            ratio=tuple(max(float(q), 1.0) for q in lift.ratio),
            anchor_n_m=result.anchor_load_n.high / sway if sway > LEAST_SWAY_M else float("inf"),
        ),
    )
