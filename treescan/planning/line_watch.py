"""The line that a piece hangs from: what it comes too near, rubs on, and is struck by."""

from __future__ import annotations

from collections.abc import Sequence

from treescan.motion.lead import fall_clearances, lead_clearances, swing_past_fall_m
from treescan.motion.types import Clearance
from treescan.planning.falls import Field
from treescan.planning.options import Option

STRUCK_M = 0.1
"""A piece that swings nearer than this to the line's fall is told of: our choice. [m]"""


Pass = tuple[str, Clearance, bool]


def line_too_near(passes: Sequence[Pass]) -> tuple[str, ...]:
    """Say so when a part of the line that a piece hangs from comes too near a conductor."""
    return tuple(
        f"its line would pass the {name} at {max(gap.distance_m, 0.0):.1f} m;"
        f" {gap.margin_m:.1f} m is wanted"
        for name, gap, wire in passes
        if wire and not gap.kept
    )


def line_warnings(option: Option, passes: Sequence[Pass]) -> tuple[str, ...]:
    """What the line rubs on, and a piece that swings into the line's own fall."""
    told = [
        f"its line rubs on the {name}: lead it clear of it over a redirect, or pad the edge"
        for name, gap, wire in passes
        if not wire and not gap.kept
    ]
    if option.method == "lower" and option.load is not None:
        before, least = swing_past_fall_m(option.piece, option.path, option.load.case.fall_m)
        if least < STRUCK_M and least < before - STRUCK_M:
            told.append(
                "swings into the fall of its own line: keep the fall on the far side of the stem, "
                "or hold the swing back with a tag line"
            )
    return tuple(told)


def line_passes(option: Option, field: Field) -> list[Pass]:
    """Name, nearest part of the line, and whether it is a conductor, for all in the site."""
    if option.method != "lower" or option.anchor is None:
        return []
    gaps = lead_clearances(
        option.piece, option.path, option.tie_m, option.anchor.position_m, field.obstacles
    )
    if option.load is not None:
        fall = fall_clearances(option.load.case.fall_m, field.obstacles)
        gaps = tuple(
            min(pair, key=lambda gap: gap.distance_m - gap.spread_m)
            for pair in zip(gaps, fall, strict=True)
        )
    wires = [bool(wire) for wire in field.obstacles.is_conductor]
    return list(zip(field.obstacles.names, gaps, wires, strict=True))
