"""How a piece is tied: its ties, legs and line as the integration takes them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.motion.body import RigidPiece
from treescan.motion.over_blocks import Beyond, checked_beyond
from treescan.motion.rigid_body import Lines, one_line

Floats = npt.NDArray[np.float64]

LEG_STIFFER = 4.0
"""Stiffness of a leg of a two-leg tie over that of the whole line: a leg is far shorter."""

STIFF_PER_KG = 500.0
"""Stiffness over mass beyond which a leg's stretch no longer matters to the way. [N/m/kg]"""

LINE_STIFF_PER_KG = 2000.0
"""The same of the whole line: it gives 5 mm under the piece's weight. [N/m/kg]"""


@dataclass(frozen=True)
class Rig:
    """How a piece is tied; all points before the cut.

    Attributes
    ----------
    tie_m : ndarray, shape (j, 3)
        One row, or two (butt side first) whose legs meet in a ring.
    anchor_m : ndarray, shape (3,)
    stiffness_n_m : float
        Of the whole line, felt at the lead. [N/m]
    slack_m : float
        Slack in the lead, negative for a line stretched before the cut. [m]
    run_m : float
    leg_m : ndarray, shape (2,), or None
        Free lengths of the legs; None lets the piece hang as it lies.
    hold_swing : bool
    second_tie_m, second_anchor_m : ndarray, shape (3,), or None
        A second line of the same stiffness from another anchor, taut before the cut.
    beyond : Beyond, or None
        The line behind the anchor's block, with friction; None leaves the line without loss.
    """

    tie_m: Floats
    anchor_m: Floats
    stiffness_n_m: float
    slack_m: float = 0.0
    run_m: float = 0.0
    leg_m: Floats | None = None
    hold_swing: bool = False
    second_tie_m: Floats | None = None
    second_anchor_m: Floats | None = None
    beyond: Beyond | None = None


def checked_rig(rig: Rig) -> Rig:
    """Rig with its arrays in shape.

    Raises
    ------
    InvalidInputError
        If ties, anchor, legs or stiffness cannot be used.
    """
    ties = np.atleast_2d(np.asarray(rig.tie_m, dtype=np.float64))
    anchor = np.asarray(rig.anchor_m, dtype=np.float64)
    if ties.shape not in {(1, 3), (2, 3)} or anchor.shape != (3,):
        raise InvalidInputError(
            f"tie points of shape {ties.shape} at an anchor of shape {anchor.shape}: one or two "
            "rows of x, y, z and one anchor are needed."
        )
    if not rig.stiffness_n_m > 0.0 or not np.isfinite(rig.stiffness_n_m):
        raise InvalidInputError(
            f"line stiffness {rig.stiffness_n_m:g} N/m: it must be positive and finite."
        )
    if not (np.isfinite(ties).all() and np.isfinite(anchor).all()):
        raise InvalidInputError("tie or anchor: coordinates must be finite.")
    if (rig.second_tie_m is None) != (rig.second_anchor_m is None) or (
        rig.second_tie_m is not None and len(ties) > 1
    ):
        raise InvalidInputError(
            "second line: give both its tie and its anchor, and a single tie on the first line."
        )
    beyond = None if rig.beyond is None else checked_beyond(rig.beyond)
    return replace(rig, tie_m=ties, anchor_m=anchor, beyond=beyond)


def stretches(mass_kg: float, stiffness_n_m: float) -> bool:
    """Whether a line is soft enough for a piece that its stretch matters to the way.

    Parameters
    ----------
    mass_kg : float
    stiffness_n_m : float
        Of the whole line. [N/m]
    """
    return stiffness_n_m < LINE_STIFF_PER_KG * mass_kg


def as_soft_as_matters(rig: Rig, mass_kg: float) -> Rig:
    """The rig with its line no stiffer than matters to the way, its tension before the cut kept.

    The steps of the integration are as short as the stiffest line asks.  Two lines from two
    anchors are left as they are: what each takes hangs on their stretch.
    """
    if stretches(mass_kg, rig.stiffness_n_m) or rig.second_tie_m is not None:
        return rig
    softer = LINE_STIFF_PER_KG * mass_kg
    slack = rig.slack_m * rig.stiffness_n_m / softer if rig.slack_m < 0.0 else rig.slack_m
    return replace(rig, stiffness_n_m=softer, slack_m=slack)


def level_legs_m(centre_m: Floats, tie_m: Floats) -> Floats:
    """Leg lengths (2,) with which a piece hangs as it lies, ring plumb above its centre. [m]

    The ring is 0.6 of the distance between the ties above them: legs of about 50 degrees.

    ``centre_m`` (3,) is its centre of mass, ``tie_m`` (2, 3) the ties; the share 0.6 is our
    choice.
    """
    span = float(np.linalg.norm(tie_m[1] - tie_m[0]))
    top = max(float(tie_m[:, 2].max()), float(centre_m[2])) + max(0.6 * span, 0.3)
    ring = np.array([centre_m[0], centre_m[1], top])
    return np.linalg.norm(tie_m - ring, axis=1)


def ring_toward(tie_m: Floats, leg_m: Floats, anchor_m: Floats) -> Floats:
    """Place (3,) of the ring with the lead pulled tight: as near the anchor as the legs allow. [m]

    A leg may be slack there: the ring is the point within both legs' reach nearest the anchor.

    ``tie_m`` (2, 3) are the ties, ``leg_m`` (2,) the legs and ``anchor_m`` (3,) the anchor. [m]

    Raises
    ------
    InvalidInputError
        If the legs are too short to meet.
    """
    along = tie_m[1] - tie_m[0]
    span = float(np.linalg.norm(along))
    if span < 1e-6 or leg_m.sum() < span or abs(leg_m[0] - leg_m[1]) > span:
        raise InvalidInputError(
            f"legs of {leg_m[0]:.2f} and {leg_m[1]:.2f} m cannot meet from ties {span:.2f} m "
            "apart. Lengthen the shorter leg."
        )
    for row in (0, 1):
        away = anchor_m - tie_m[row]
        far = max(float(np.linalg.norm(away)), 1e-9)
        ring = tie_m[row] + away * min(leg_m[row] / far, 1.0)
        if np.linalg.norm(ring - tie_m[1 - row]) <= leg_m[1 - row]:
            return np.asarray(ring, dtype=np.float64)
    along = along / span
    share = (leg_m[0] ** 2 - leg_m[1] ** 2 + span**2) / (2.0 * span)
    foot = tie_m[0] + share * along
    side = (anchor_m - foot) - ((anchor_m - foot) @ along) * along
    size = float(np.linalg.norm(side))
    side = side / size if size > 1e-9 else np.cross(along, [1.0, 0.0, 0.0])
    height = np.sqrt(max(leg_m[0] ** 2 - share**2, 0.0))
    return np.asarray(foot + height * side, dtype=np.float64)


def lines_of(rigid: RigidPiece, rig: Rig) -> Lines:
    """Line or legs, measured before the cut."""
    body_ties = np.ascontiguousarray((rig.tie_m - rigid.centre_m) @ rigid.axes)
    if len(rig.tie_m) == 1:
        length = float(np.linalg.norm(rig.tie_m[0] - rig.anchor_m)) + rig.slack_m
        line = one_line(rig.anchor_m, body_ties, max(length, 0.05), rig.stiffness_n_m)
        line = line if rig.beyond is None else _over(rig, rig.beyond, line)
        return line if rig.second_tie_m is None else _with_second(rigid, rig, line)
    legs = level_legs_m(rigid.centre_m, rig.tie_m) if rig.leg_m is None else rig.leg_m
    ring = ring_toward(rig.tie_m, np.asarray(legs, dtype=np.float64), rig.anchor_m)
    lead = float(np.linalg.norm(ring - rig.anchor_m)) + rig.slack_m
    line = one_line(rig.anchor_m, body_ties[0], max(lead, 0.05), rig.stiffness_n_m)
    line = line if rig.beyond is None else _over(rig, rig.beyond, line)
    stiff = min(LEG_STIFFER * rig.stiffness_n_m, STIFF_PER_KG * rigid.body.mass)
    return line._replace(
        tie=body_ties,
        leg=np.ascontiguousarray(legs, dtype=np.float64),
        leg_stiffness=np.full(2, max(stiff, rig.stiffness_n_m)),
        ring=ring,
    )


def _over(rig: Rig, beyond: Beyond, line: Lines) -> Lines:
    """The line over its blocks; a tension held before the cut is in all of its parts."""
    lead, parts = float(line.free_length[0]), np.asarray(beyond.length_m, dtype=np.float64)
    modulus = rig.stiffness_n_m * (lead + float(parts.sum()))
    held = max(-rig.slack_m, 0.0) * rig.stiffness_n_m
    moved = np.append(np.cumsum((held / modulus * parts)[::-1])[::-1], 0.0)
    return line._replace(
        free_length=np.array([max(lead - held * beyond.give_m_n, 0.05)]),
        stiffness=np.array([1.0 / (lead / modulus + beyond.give_m_n)]),
        beyond=parts,
        ratio=np.asarray(beyond.ratio, dtype=np.float64),
        moved=moved,
        lead=np.array([modulus, beyond.give_m_n]),
    )


def _with_second(rigid: RigidPiece, rig: Rig, line: Lines) -> Lines:
    """The line with a second one beside it."""
    tie = np.asarray(rig.second_tie_m, dtype=np.float64)
    anchor = np.asarray(rig.second_anchor_m, dtype=np.float64)
    length = max(float(np.linalg.norm(tie - anchor)), 0.05)
    return line._replace(
        anchor=np.vstack([line.anchor, anchor]),
        tie=np.vstack([line.tie, (tie - rigid.centre_m) @ rigid.axes]),
        free_length=np.append(line.free_length, length),
        stiffness=np.append(line.stiffness, rig.stiffness_n_m),
        damping=np.zeros(2),
    )
