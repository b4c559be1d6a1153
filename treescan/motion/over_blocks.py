"""A line over blocks with friction: which part of it takes up the stretch, moment by moment.

The line runs from the piece over the anchor's block, perhaps over redirects, to the friction
device.  Each block lets it slip as soon as the tension on one side is more than ``ratio`` times
that on the other (Euler-Eytelwein), and holds it otherwise.  That is independent of speed, so the
tension follows from the stretch now and from how much line had passed each block before: as in
the return mapping of dry friction or of plasticity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.errors import InvalidInputError

Floats = npt.NDArray[np.float64]

SWEEPS = 120


@dataclass(frozen=True)
class Beyond:
    """The line beyond the anchor's block, and how the anchor gives.

    Attributes
    ----------
    length_m : tuple of float
        From the block to the first redirect, ..., to the friction device. [m]
    ratio : tuple of float
        Tension ratio, at least 1, at the anchor and at each redirect.
    anchor_n_m : float
        Stiffness of the anchor along the resultant; inf for a stiff one.  It gives like a spring
        in series, without mass: the lead feels a compliance of ``(1 + 1 / q)² / k`` [exact for
        parallel legs: handbook 2.3].
    """

    length_m: tuple[float, ...]
    ratio: tuple[float, ...]
    anchor_n_m: float = float("inf")

    @property
    def give_m_n(self) -> float:
        """Compliance of the anchor as the lead feels it. [m/N]"""
        return (1.0 + 1.0 / self.ratio[0]) ** 2 / self.anchor_n_m


def checked_beyond(beyond: Beyond) -> Beyond:
    """The same, when lengths, ratios and stiffness can be used.

    Raises
    ------
    InvalidInputError
        If they cannot.
    """
    lengths, ratios = np.asarray(beyond.length_m), np.asarray(beyond.ratio)
    good = len(lengths) == len(ratios) and 1 <= len(lengths) <= 8
    good = good and bool((lengths > 0.0).all() and (ratios >= 1.0).all())
    if not good or not np.isfinite(lengths).all() or not beyond.anchor_n_m > 0.0:
        raise InvalidInputError(
            f"line beyond the anchor: lengths {beyond.length_m} m, ratios {beyond.ratio}, anchor "
            f"{beyond.anchor_n_m:g} N/m; give one ratio of at least 1 and one length above 0 for "
            "each block, and a stiffness above 0."
        )
    return beyond


@njit(cache=True)
def settled(
    stretch: float, lead_n_m: float, beyond: Floats, ratio: Floats, moved: Floats, now: Floats
) -> tuple[float, float, float]:
    """Slip of the line over its blocks until every block holds.

    Parameters
    ----------
    stretch : float
        Distance from anchor to tie less the lead's free length. [m]
    lead_n_m : float
        Stiffness of the lead. [N/m]
    beyond, ratio : ndarray, shape (s,)
        Stiffness of the parts behind each block [N/m], tension ratio at each.
    moved : ndarray, shape (s + 1,)
        Line that had passed each block toward the lead, and run out of the device. [m]
    now : ndarray, shape (s + 1,)
        The same after the slip: filled.

    Returns
    -------
    tension, slope : float
        Of the lead, and its change with the stretch. [N], [N/m]
    slipped : float
        1 when line passed the first block toward the piece, -1 back, else 0.
    """
    count = len(beyond)
    for j in range(count + 1):
        now[j] = moved[j]
    for _ in range(SWEEPS):
        most = 0.0
        for j in range(count):
            near = stretch - now[0] if j == 0 else now[j - 1] - now[j]
            stiff = lead_n_m if j == 0 else beyond[j - 1]
            far, other = now[j] - now[j + 1], beyond[j]
            pull, back = max(stiff * near, 0.0), max(other * far, 0.0)
            slip = 0.0
            if pull > ratio[j] * back:
                slip = (stiff * near - ratio[j] * other * far) / (stiff + ratio[j] * other)
                slip = min(slip, near)
            elif back > ratio[j] * pull:
                slip = (other * far - ratio[j] * stiff * near) / (other + ratio[j] * stiff)
                slip = -min(slip, far)
            now[j] += slip
            most = max(most, abs(slip))
        if most < 1e-9 or count == 1:
            break
    tension = max(lead_n_m * (stretch - now[0]), 0.0)
    gone = now[0] - moved[0]
    slipped = 1.0 if gone > 1e-12 else (-1.0 if gone < -1e-12 else 0.0)
    return tension, _slope(lead_n_m, beyond, ratio, slipped), slipped


@njit(cache=True)
def _slope(lead_n_m: float, beyond: Floats, ratio: Floats, slipped: float) -> float:
    """Stiffness that the piece feels: of the lead alone, or of the whole line slipping. [N/m]"""
    if slipped == 0.0:
        return lead_n_m
    give, share = 1.0 / lead_n_m, 1.0
    for j in range(len(beyond)):
        share *= ratio[j] if slipped > 0.0 else 1.0 / ratio[j]
        give += 1.0 / (share * beyond[j])
    return 1.0 / give


@njit(cache=True)
def paid_out(
    tension: float, slip_n: float, room_m: float, lead_n_m: float, beyond: Floats, ratio: Floats
) -> float:
    """Line that the device lets run so that the lead falls back to its slip tension. [m]

    ``tension`` and ``slip_n`` [N] at the lead; ``room_m`` is what may still run and ``lead_n_m``
    the stiffness of the lead [N/m]; ``beyond`` and ``ratio`` (s,) are those of
    :class:`treescan.motion.rigid_body.Lines`.
    """
    if tension <= slip_n or room_m <= 0.0:
        return 0.0
    return min((tension - slip_n) / _slope(lead_n_m, beyond, ratio, 1.0), room_m)
