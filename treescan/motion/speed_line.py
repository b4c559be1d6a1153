"""A piece on a carriage that runs down a stretched line to where it is wanted."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.mechanics.inputs import within
from treescan.motion.body import ground_grid, lowest_gaps, rigid_piece
from treescan.motion.on_line import (
    LOWER_SAMPLE_S,
    SAMPLE_S,
    STRETCH_SPREAD,
    assembled,
    at_rest,
    descend,
    swing,
)
from treescan.motion.rig import Rig, checked_rig, lines_of
from treescan.motion.types import Path
from treescan.pointcloud.cloud import Ground
from treescan.units import G_M_S2
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

TRAVEL_M_S = 1.5
"""Speed at which a control line lets the carriage run: common practice, no source. [m/s]"""


@dataclass(frozen=True)
class StretchedLine:
    """An elastic, weightless line between two anchors, tightened before it is loaded.

    ``upper_m``, ``lower_m`` (3,); ``modulus_n`` is EA; ``pretension_n`` as tightened. [N]
    """

    upper_m: Floats
    lower_m: Floats
    modulus_n: float
    pretension_n: float

    @property
    def chord_m(self) -> float:
        """Distance between the anchors. [m]"""
        return float(np.linalg.norm(self.lower_m - self.upper_m))

    @property
    def free_length_m(self) -> float:
        """Length of the line without tension. [m]"""
        return self.chord_m / (1.0 + self.pretension_n / self.modulus_n)


@dataclass(frozen=True)
class SpeedLine:
    """Path of a piece on the line.

    ``line_n`` is the greatest tension while it travels held by its control line, ``peak_n``
    that of the sudden load at the cut (twice the weight on the line; handbook A1 and 8),
    ``sag_m`` the greatest sag below the chord.
    """

    path: Path
    line_n: float
    peak_n: float
    sag_m: float
    warnings: tuple[str, ...]


def carriage_place(
    line: StretchedLine, share: npt.ArrayLike, weight_n: float
) -> tuple[Floats, Floats]:
    """Where a carriage hangs at horizontal shares of the span, and the line's tension there.

    The control line holds it along the span; the running line has one tension on both sides:
    ``T = EA (l / l0 - 1)`` and ``T (dz1 / l1 + dz2 / l2) = W``.

    Parameters
    ----------
    line : StretchedLine
    share : array_like, shape (k,)
        0 at the upper anchor, 1 at the lower.
    weight_n : float

    Returns
    -------
    place : ndarray, shape (k, 3)
    tension : ndarray, shape (k,)
        [N]
    """
    part = np.atleast_1d(within("share of the span", share, 0.0, 1.0))
    chord = line.upper_m + part[:, None] * (line.lower_m - line.upper_m)
    low, high = np.zeros(len(part)), np.full(len(part), line.chord_m)
    free = line.free_length_m
    tension = np.full(len(part), line.pretension_n)
    for _ in range(60):
        sag = 0.5 * (low + high)
        place = chord - np.outer(sag, [0.0, 0.0, 1.0])
        first = np.linalg.norm(place - line.upper_m, axis=1)
        second = np.linalg.norm(place - line.lower_m, axis=1)
        tension = line.modulus_n * np.maximum((first + second) / free - 1.0, 0.0)
        lift = (line.upper_m[2] - place[:, 2]) / np.maximum(first, 1e-9)
        lift = lift + (line.lower_m[2] - place[:, 2]) / np.maximum(second, 1e-9)
        heavy = tension * lift < weight_n
        low, high = np.where(heavy, sag, low), np.where(heavy, high, sag)
    return chord - np.outer(0.5 * (low + high), [0.0, 0.0, 1.0]), tension


def speed_line(
    piece: Piece,
    tie_m: Floats,
    line: StretchedLine,
    ground: Ground,
    *,
    strop_m: float = 0.5,
    stop_share: float = 0.9,
    mass_kg: float | None = None,
) -> SpeedLine:
    """Piece cut free under a stretched line, run down it and set down.

    Parameters
    ----------
    piece : Piece
    tie_m : ndarray, shape (3,)
        Tie on the piece. [m]
    line : StretchedLine
    ground : Ground
    strop_m : float
        Strop from the carriage to the tie, at least the distance they are apart. [m]
    stop_share : float
        Where the carriage is stopped, as a share of the span. [-]
    mass_kg : float, optional
        The high mass unless given.

    Raises
    ------
    InvalidInputError
        If the line does not fall from upper to lower, or passes too far from the tie.
    """
    _check(line)
    rigid = rigid_piece(piece, mass_kg)
    weight = rigid.body.mass * G_M_S2
    tie = np.asarray(tie_m, dtype=np.float64).reshape(3)
    begin = _begin(line, tie, stop_share)
    rig, sudden = _strop(line, begin, weight, tie, strop_m)
    record, pull = swing(rigid, lines_of(rigid, rig), at_rest(rigid), rig)
    share = _stations(line, begin, stop_share)
    place, tension = carriage_place(line, share, weight)
    steps = len(share) - 1
    time = np.concatenate(
        [
            np.arange(len(record)) * SAMPLE_S,
            (len(record) - 1) * SAMPLE_S + np.arange(1, steps + 1) * LOWER_SAMPLE_S,
        ]
    )
    centre = np.concatenate([record[:, :3], record[-1, :3] + (place[1:] - place[0])])
    rotation = rigid.rotations(record[:, 6:10])
    rotation = np.concatenate([rotation, np.repeat(rotation[-1:], steps, axis=0)])
    line_pull = np.concatenate([_line_tension(line, begin, pull, weight), tension[1:]])
    grid = ground_grid(ground)
    gaps = lowest_gaps(np.ascontiguousarray(centre), rotation, rigid.offset_m, rigid.radius_m, grid)
    down = descend(rigid, (centre[-1], rotation[-1]), None, line.lower_m - line.upper_m, grid)
    path = assembled(piece, rigid, rig, (time, centre, rotation, line_pull), down, gaps)
    warnings = _warnings(gaps, float(tension.max()), sudden)
    chord = line.upper_m[2] + share * (line.lower_m[2] - line.upper_m[2])
    options = {
        "tie_m": tie,
        "line": line,
        "strop_m": strop_m,
        "stop_share": stop_share,
        "mass_kg": mass_kg,
    }
    return SpeedLine(
        path=replace(
            path,
            kind="speed line",
            notes=(*path.notes, *warnings),
            recipe=("speed_line", options),
            sway_m=_stretch_sway_m(line, share, weight),
        ),
        line_n=float(tension.max()),
        peak_n=sudden,
        sag_m=float((chord - place[:, 2]).max()),
        warnings=warnings,
    )


def _stretch_sway_m(line: StretchedLine, share: Floats, weight: float) -> float:
    """How much lower it passes on a line that stretches as much more as is unsure. [m]"""
    firm, _ = carriage_place(line, share, weight)
    soft, _ = carriage_place(
        replace(line, modulus_n=(1.0 - STRETCH_SPREAD) * line.modulus_n), share, weight
    )
    return float((firm[:, 2] - soft[:, 2]).max())


def _begin(line: StretchedLine, tie: Floats, stop_share: float) -> float:
    """Share of the span at which the piece hangs."""
    along = (line.lower_m - line.upper_m)[:2]
    begin = float(np.clip((tie - line.upper_m)[:2] @ along / (along @ along), 0.02, 0.98))
    if begin >= stop_share:
        raise InvalidInputError(
            f"speed line: the piece hangs at {begin:.0%} of the span, past the stop at "
            f"{stop_share:.0%}. Stop farther down or stretch the line another way."
        )
    return begin


def _strop(
    line: StretchedLine, begin: float, weight: float, tie: Floats, strop_m: float
) -> tuple[Rig, float]:
    """The carriage as an anchor that gives as the line does; tension of the sudden load."""
    bare, _ = carriage_place(line, begin, 1e-3 * weight)
    loaded, _ = carriage_place(line, begin, weight)
    _, sudden = carriage_place(line, begin, 2.0 * weight)
    give = max(float(bare[0, 2] - loaded[0, 2]), 0.01)
    slack = max(strop_m - float(np.linalg.norm(tie - bare[0])), 0.0)
    rig = checked_rig(Rig(tie, bare[0], weight / give, slack, 0.0, None, True))
    return rig, float(sudden[0])


def _stations(line: StretchedLine, begin: float, stop_share: float) -> Floats:
    """Shares of the span at each sample of the travel, from ``begin``."""
    travel = abs(stop_share - begin) * line.chord_m
    steps = max(int(np.ceil(travel / (TRAVEL_M_S * LOWER_SAMPLE_S))), 2)
    return np.linspace(begin, stop_share, steps + 1)


def _check(line: StretchedLine) -> None:
    if not line.lower_m[2] < line.upper_m[2] - 0.02 * line.chord_m:
        raise InvalidInputError(
            f"speed line: the lower anchor is at {line.lower_m[2]:.1f} m, the upper at "
            f"{line.upper_m[2]:.1f} m; it must fall by at least 2 % of its length to run."
        )
    if not (line.modulus_n > 0.0 and line.pretension_n >= 0.0):
        raise InvalidInputError(
            f"speed line: modulus {line.modulus_n:g} N and pretension {line.pretension_n:g} N; "
            "the first must be positive, the second not negative."
        )


def _line_tension(line: StretchedLine, share: float, lead_n: Floats, weight: float) -> Floats:
    """Tension of the line while the strop pulls on it with ``lead_n`` (k,). [N]"""
    steps = np.linspace(0.0, max(float(lead_n.max()), weight) + 1.0, 40)
    pull = np.array([carriage_place(line, share, max(s, 1.0))[1][0] for s in steps])
    return np.interp(lead_n, steps, pull)


def _warnings(gaps: Floats, line_n: float, peak_n: float) -> tuple[str, ...]:
    notes = [f"line {line_n / 1e3:.1f} kN while it travels, up to {peak_n / 1e3:.1f} kN at the cut"]
    if gaps.min() < 0.3 and gaps[0] > 0.3:
        notes.append("drags on the ground on its way: tighten the line or take a smaller piece")
    return tuple(notes)
