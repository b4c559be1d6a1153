"""How figures of a motion answer to what is uncertain about it, from its simulated cases.

Each case changes one cause.  Along one cause the figures go in straight lines through the
cases, the likely path among them; the changes of several causes add up; events put their own
figures in the place of all that.  Drawing many answers then costs nothing beside simulating the
few cases.  Held against simulating every draw (five aims of a felled top past a shed): a small
chance is right to 0.15, one near a half up to 0.3 too high [own simulation].
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.motion.cases import Cause

Floats = npt.NDArray[np.float64]

FARTHEST_SD = 3.0
"""The outermost straight lines go on as far as this, and hold their value beyond."""


@dataclass(frozen=True)
class Axis:
    """One cause: places (m,) in standard deviations, rising, and the changes there (m, k)."""

    name: str
    at_sd: Floats
    change: Floats


@dataclass(frozen=True)
class Response:
    """Figures of the likely path, how each cause changes them, and what events make of them.

    Attributes
    ----------
    likely : ndarray, shape (k,)
    axes : tuple of Axis
    events : tuple of (float, ndarray of shape (k,))
        How often, and the figures then.
    """

    likely: Floats
    axes: tuple[Axis, ...]
    events: tuple[tuple[float, Floats], ...]


def response(likely: Floats, cases: Sequence[Floats], causes: Sequence[Cause]) -> Response:
    """Put figures of a likely path and of its cases in order.

    Parameters
    ----------
    likely : ndarray, shape (k,)
        Figures of any units, the same in every case.
    cases : sequence of ndarray, shape (k,)
    causes : sequence of Cause, as many

    Raises
    ------
    InvalidInputError
        If figures and causes do not match.
    """
    if len(cases) != len(causes) or any(np.shape(c) != np.shape(likely) for c in cases):
        raise InvalidInputError(
            f"cases: {len(cases)} sets of figures for {len(causes)} causes; one each, all alike."
        )
    rows: dict[str, list[tuple[float, Floats]]] = {}
    events = []
    for cause, figures in zip(causes, cases, strict=True):
        if cause.chance > 0.0:
            events.append((cause.chance, np.asarray(figures, dtype=np.float64)))
            continue
        nothing = (cause.likely_sd, np.zeros(len(likely)))
        rows.setdefault(cause.name, [nothing]).append((cause.at_sd, figures - likely))
    axes = []
    for name, places in rows.items():
        places.sort(key=lambda place: place[0])
        axes.append(Axis(name, np.array([p[0] for p in places]), np.array([p[1] for p in places])))
    return Response(np.asarray(likely, dtype=np.float64), tuple(axes), tuple(events))


def drawn(
    answer: Response,
    rng: np.random.Generator,
    draws: int,
    given: Mapping[str, Floats] | None = None,
) -> Floats:
    """Draw figures, in the units of ``answer``, with every cause at random.

    Parameters
    ----------
    answer : Response
    rng : Generator
    draws : int
    given : mapping, optional
        Standard normal draws (draws,) of causes that are shared with something else.

    Returns
    -------
    ndarray, shape (draws, k)
    """
    figures = np.repeat(answer.likely[None], draws, axis=0)
    for axis in answer.axes:
        normal = (given or {}).get(axis.name)
        figures += changes(axis, rng.standard_normal(draws) if normal is None else normal)
    for chance, value in answer.events:
        figures = np.where((rng.random(draws) < chance)[:, None], value, figures)
    return figures


def changes(axis: Axis, normal: Floats) -> Floats:
    """Changes of the figures (n, k) at places ``normal`` (n,) on one axis. [standard deviations]"""
    at, change = _carried_on(axis)
    row = np.clip(np.searchsorted(at, normal) - 1, 0, len(at) - 2)
    share = np.clip((normal - at[row]) / (at[row + 1] - at[row]), 0.0, 1.0)[:, None]
    result: Floats = (1.0 - share) * change[row] + share * change[row + 1]
    return result


def _carried_on(axis: Axis) -> tuple[Floats, Floats]:
    """The axis with its outermost lines carried on; a side without a case stays level."""
    at, change = axis.at_sd, axis.change
    for end, inner, far in ((0, 1, -FARTHEST_SD), (-1, -2, FARTHEST_SD)):
        if abs(at[end]) >= FARTHEST_SD:
            continue
        open_end = not change[end].any() and at[end] == 0.0
        slope = 0.0 if open_end else (change[end] - change[inner]) / (at[end] - at[inner])
        value = change[end] + slope * (far - at[end])
        at = np.insert(at, 0, far) if end == 0 else np.append(at, far)
        change = np.vstack([value, change] if end == 0 else [change, value])
    return at, change
