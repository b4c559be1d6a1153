"""Whether a piece goes over its hinge the way the face aims, and what it does to the spar.

A leader that leans takes along whatever grows on the same cut: only the centre of mass of all
that the cut takes counts (see :mod:`treescan.motion.tendency`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from treescan.errors import InvalidInputError
from treescan.motion.tendency import ASIDE_LIMIT_DEG, Tendency, tendency
from treescan.rigging.model import SparModel
from treescan.rigging.sway import topping_effect
from treescan.site.model import Site
from treescan.wood.types import Piece

PURCHASE = 3.0
"""A pulley system at the foot multiplies the hands by about this: common practice."""

TWIST_KG = 40.0
TWIST_DEG = 60.0
LEAST_ASIDE_M = 0.15
"""A heavier piece whose weight hangs farther off the aim than this twists its hinge off before
it goes: our choice, no source."""

LINE_SHARE = 0.7
"""The pull line is tied this share of the piece's length above the cut: common practice."""

SPAR_KG = 20.0
SPAR_LEAST_M = 3.0
"""Lighter tops, and cuts lower than this, are not held against the spar: our choice."""


@dataclass(frozen=True)
class Lean:
    """What a hinge that aims so needs.

    ``broken`` and ``warnings`` are sentences; ``pull_n`` is what starts the piece. [N]
    """

    broken: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    pull_n: float = 0.0


def hands_n(site: Site) -> float:
    """Pull that the ground crew gives on a pulley system. [N]"""
    return float(site.gear.hand_force_n) * site.crew.ground * PURCHASE


def lean_of(piece: Piece, aim_azimuth_deg: float, site: Site) -> Lean:
    """Judge one aim of a hinge by where the weight of the piece stands over it."""
    stands = _stands(piece, aim_azimuth_deg)
    broken, warnings = [], []
    if piece.mass_kg.high > TWIST_KG and _off_aim_deg(stands) > TWIST_DEG:
        side = "right" if stands.aside_m > 0.0 else "left"
        broken.append(
            f"its weight hangs {abs(stands.aside_m):.1f} m to the {side} of the aim: it would"
            " twist its hinge off"
        )
    elif piece.mass_kg.high > TWIST_KG and _off_aim_deg(stands) > ASIDE_LIMIT_DEG:
        warnings.append(
            f"its weight hangs {abs(stands.aside_m):.1f} m beside the aim: hold it with a side line"
        )
    if stands.goes_over:
        return Lean(tuple(broken), tuple(warnings))
    pull, most = stands.pull_n, hands_n(site)
    if pull > most:
        broken.append(
            f"leans back from its aim: {pull:.0f} N of pull would start it, the crew gives"
            f" {most:.0f} N"
        )
    elif pull > site.gear.hand_force_n:
        warnings.append(f"does not go by itself: pull it over its hinge with about {pull:.0f} N")
    return Lean(tuple(broken), tuple(warnings), pull)


def own_way_deg(piece: Piece) -> float | None:
    """Azimuth the piece leans to, None when it stands plumb within half its own width. [degrees]"""
    arm = piece.centre_m - piece.cut_m
    if float(np.hypot(arm[0], arm[1])) < max(0.5 * piece.butt_diameter_m, 0.05):
        return None
    return float(np.degrees(np.arctan2(arm[0], arm[1]))) % 360.0


def _stands(piece: Piece, azimuth_deg: float) -> Tendency:
    height = max(LINE_SHARE * piece.length_m, 0.2)
    return tendency(piece, aim_azimuth_deg=azimuth_deg, line_height_m=height)


def _off_aim_deg(stands: Tendency) -> float:
    """How far off the aim the weight hangs, seen from the hinge; 0 for a plumb piece."""
    if abs(stands.aside_m) < LEAST_ASIDE_M:
        return 0.0
    return float(np.degrees(np.arctan2(abs(stands.aside_m), max(stands.ahead_m, 1e-6))))


def spar_under(
    spar: SparModel, piece: Piece, azimuth_deg: float, height_m: float
) -> tuple[float, str, str]:
    """Push of a piece felled on its hinge on the spar that carries the climber.

    Returns
    -------
    (share, broken or "", note or "")
        ``share`` is that of the spar's limit (1 at the limit).
    """
    if piece.mass_kg.high < SPAR_KG or height_m < SPAR_LEAST_M:
        return 0.0, "", ""
    try:
        found = topping_effect(spar, piece, azimuth_deg)
    except InvalidInputError:
        return 0.0, "", ""
    broken = ""
    if found.share > 1.0:
        broken = (
            f"its push on the hinge brings the spar to {found.share * 100:.0f} % of its limit at"
            f" {found.worst_height_m:.1f} m"
        )
    note = f"the spar moves up to {found.sway_m:.1f} m as it goes: hold on until it has gone"
    return found.share, broken, note if found.sway_m >= 0.1 else ""
