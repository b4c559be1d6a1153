"""Which way a standing piece wants to go, and what pull sends it the way the face aims.

A piece here may be a single leader, a top, or all that stands above a cut below a union: the
leaning leader then takes the other along, and only their common centre of mass counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.mechanics.hinge import tip_pull_n
from treescan.motion.fall import HINGE_FORWARD_SHARE
from treescan.motion.hinge import face_direction
from treescan.units import G_M_S2
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

ASIDE_LIMIT_DEG = 30.0
"""A centre of mass farther off the aim than this, seen from the hinge, may twist the hinge off:
our choice, of the order crews work with."""

CLEARLY_AHEAD_SHARE = 0.05
"""Ahead of the hinge by this share of the height of the centre of mass it goes by itself."""


@dataclass(frozen=True)
class Tendency:
    """How a piece stands over its hinge.

    Attributes
    ----------
    lean_deg : float
        Of the line from the cut to the centre of mass, from plumb. [degrees]
    ahead_m, aside_m : float
        Centre of mass ahead of the hinge line, and to the right of the aim. [m]
    goes_over : bool
        Clearly ahead of the hinge: needs no pull.
    pull_n : float
        Pull that starts it (0 when it goes over by itself). [N]
    warnings : tuple of str
    """

    lean_deg: float
    ahead_m: float
    aside_m: float
    goes_over: bool
    pull_n: float
    warnings: tuple[str, ...]


def common_centre_m(pieces: Sequence[Piece]) -> Floats:
    """Centre of mass of several pieces at their likely masses, shape (3,). [m]

    Raises
    ------
    InvalidInputError
        If there is no piece.
    """
    if not pieces:
        raise InvalidInputError("no piece given: name what the cut would take.")
    mass = np.array([piece.mass_kg.likely for piece in pieces])
    centre = np.array([piece.centre_m for piece in pieces])
    result: Floats = mass @ centre / mass.sum()
    return result


def tendency(
    pieces: Piece | Sequence[Piece],
    *,
    aim_azimuth_deg: float,
    cut_m: npt.ArrayLike | None = None,
    diameter_m: float | None = None,
    line_height_m: float | None = None,
    line_below_level_deg: float = 30.0,
) -> Tendency:
    """How one piece, or all that one cut takes, stands over a hinge that aims so.

    Parameters
    ----------
    pieces : Piece or sequence of Piece
        With several, ``cut_m`` and ``diameter_m`` of the common cut are needed.
    aim_azimuth_deg : float
        Where the face aims, clockwise from +y. [degrees]
    cut_m : array_like, shape (3,), optional
    diameter_m : float, optional
    line_height_m : float, optional
        Height of the pulling line above the cut; the centre of mass's own by default. [m]
    line_below_level_deg : float
        Slope of that line. [degrees]

    Returns
    -------
    Tendency

    Raises
    ------
    InvalidInputError
        If several pieces are given without their common cut.

    References
    ----------
    Pull: moments about the hinge, F h cos(line) = W x_back (handbook 9.2, J12).
    """
    group = [pieces] if isinstance(pieces, Piece) else list(pieces)
    if len(group) > 1 and (cut_m is None or diameter_m is None):
        raise InvalidInputError("several pieces: give the place and diameter of the common cut.")
    centre = common_centre_m(group)
    cut = np.asarray(group[0].cut_m if cut_m is None else cut_m, dtype=np.float64)
    diameter = group[0].butt_diameter_m if diameter_m is None else diameter_m
    arm = centre - cut
    aim = face_direction(aim_azimuth_deg, 0.0)
    right = np.array([aim[1], -aim[0], 0.0])
    ahead = float(arm @ aim) - HINGE_FORWARD_SHARE * diameter
    aside = float(arm @ right)
    height = max(float(arm[2]), 0.1)
    weight = sum(piece.mass_kg.high for piece in group) * G_M_S2
    goes = ahead > CLEARLY_AHEAD_SHARE * height
    back = max(CLEARLY_AHEAD_SHARE * height - ahead, 0.0)
    at = height if line_height_m is None else line_height_m
    pull = 0.0 if goes else float(tip_pull_n(weight, back, at, np.radians(line_below_level_deg)))
    level = float(np.hypot(arm[0], arm[1]))
    return Tendency(
        lean_deg=float(np.degrees(np.arctan2(level, height))),
        ahead_m=ahead,
        aside_m=aside,
        goes_over=goes,
        pull_n=pull,
        warnings=_warnings(ahead, aside, goes, pull),
    )


def _warnings(ahead: float, aside: float, goes: bool, pull: float) -> tuple[str, ...]:
    notes = []
    if not goes:
        where = f"{-ahead:.2f} m behind" if ahead < 0.0 else "hardly ahead of"
        notes.append(f"its weight is {where} the hinge: pull about {pull:.0f} N before it is cut")
    angle = float(np.degrees(np.arctan2(abs(aside), max(ahead, 1e-6))))
    if abs(aside) > 0.1 and angle > ASIDE_LIMIT_DEG:
        side = "right" if aside > 0.0 else "left"
        notes.append(
            f"its weight hangs {abs(aside):.2f} m to the {side} of the aim: the hinge may twist "
            "off; aim nearer to its lean or hold it with a side line"
        )
    return tuple(notes)
