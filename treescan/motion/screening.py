"""Many ways on the line at once: peak tension, lowest point and nearest approach, for screening.

One batch follows every piece for the same few seconds on a line that loses nothing but where it
runs, and looks at its outline every 25 ms.  What survives is then followed in full by
:func:`treescan.motion.swing.lowered`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit, prange

from treescan.errors import InvalidInputError
from treescan.motion.body import Grid, ground_grid, lowest_ball, rigid_piece
from treescan.motion.on_line import SLIP_IN_WEIGHTS
from treescan.motion.rig import STIFF_PER_KG
from treescan.motion.rigid_body import Batch, rotation_of, simulate_lowered_batch
from treescan.motion.swing import ROPE_STIFFNESS_N_M
from treescan.pointcloud.cloud import Ground
from treescan.site.distances import Solids, box_distance, part_distance
from treescan.site.obstacles import Obstacles
from treescan.units import G_M_S2
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

STEP_S = 0.005
EVERY = 5


@dataclass(frozen=True)
class Screened:
    """What each of n options does in its first seconds on the line.

    Attributes
    ----------
    peak_n : ndarray, shape (n,)
        Greatest lead tension. [N]
    lowest_m : ndarray, shape (n,)
        Lowest height of the outline above the ground. [m]
    gap_m : ndarray, shape (n, owners)
        Closest approach to every target and conductor in poses 25 ms apart: the true one is
        less by no more than the way of a ball in half of that. [m]
    """

    peak_n: Floats
    lowest_m: Floats
    gap_m: Floats


class _Outlines(NamedTuple):
    """Balls of all options, rows ``first:last`` of each: in body axes."""

    offset: Floats
    radius: Floats
    first: Ints
    last: Ints


def screen_lowered(
    pieces: Sequence[Piece],
    tie_m: npt.ArrayLike,
    anchor_m: npt.ArrayLike,
    ground: Ground,
    obstacles: Obstacles,
    *,
    stiffness_n_m: npt.ArrayLike = ROPE_STIFFNESS_N_M,
    run_m: npt.ArrayLike = 0.0,
    seconds: float = 4.0,
) -> Screened:
    """Follow many single-tied pieces for a few seconds each.

    Parameters
    ----------
    pieces : sequence of n Piece
        A piece may come more than once, with other ties and anchors.
    tie_m, anchor_m : array_like, shape (n, 3)
    ground : Ground
    obstacles : Obstacles
    stiffness_n_m : array_like, shape (n,) or scalar
        Held at 500 N/m per kilogram, beyond which the stretch no longer matters to the way;
        the tension of stiffer lines is then too low, so size gear by the load models.
    run_m : array_like, shape (n,) or scalar
        Line that runs, at ``SLIP_IN_WEIGHTS`` of the piece, before it holds. [m]
    seconds : float

    Raises
    ------
    InvalidInputError
        If the arrays do not match the pieces.
    """
    count = len(pieces)
    tie = np.asarray(tie_m, dtype=np.float64).reshape(-1, 3)
    anchor = np.asarray(anchor_m, dtype=np.float64).reshape(-1, 3)
    if len(tie) != count or len(anchor) != count or not count:
        raise InvalidInputError(
            f"screening: {count} pieces, {len(tie)} ties and {len(anchor)} anchors; one each."
        )
    run = np.maximum(np.broadcast_to(np.asarray(run_m, dtype=np.float64), (count,)), 0.0)
    batch, outlines = _batch(pieces, tie, anchor, stiffness_n_m)
    slip = np.where(run > 0.0, SLIP_IN_WEIGHTS * G_M_S2 * batch.mass, np.inf)
    batch = batch._replace(slip_n=slip, run_max=np.ascontiguousarray(run))
    steps = round(seconds / STEP_S / EVERY) * EVERY
    record, tension = simulate_lowered_batch(batch, STEP_S, steps, EVERY)
    lowest, gap = _sweep(record, outlines, obstacles.solids, ground_grid(ground))
    return Screened(tension.max(axis=1), lowest, gap)


def _batch(
    pieces: Sequence[Piece],
    tie: Floats,
    anchor: Floats,
    stiffness_n_m: npt.ArrayLike,
) -> tuple[Batch, _Outlines]:
    rigid = [rigid_piece(piece) for piece in pieces]
    state = np.zeros((len(rigid), 13))
    state[:, :3] = [r.centre_m for r in rigid]
    state[:, 6:10] = [r.attitude(np.eye(3)) for r in rigid]
    mass = np.array([r.body.mass for r in rigid])
    body_tie = np.array([(t - r.centre_m) @ r.axes for t, r in zip(tie, rigid, strict=True)])
    length = np.linalg.norm(tie - anchor, axis=1)
    stiffness = np.minimum(np.asarray(stiffness_n_m, dtype=np.float64), STIFF_PER_KG * mass)
    batch = Batch(
        state=state,
        mass=mass,
        moments=np.array([r.body.moments for r in rigid]),
        anchor=np.ascontiguousarray(anchor[:, None]),
        tie=np.ascontiguousarray(body_tie[:, None]),
        free_length=np.maximum(length, 0.05)[:, None],
        stiffness=np.ascontiguousarray(stiffness[:, None]),
        slip_n=np.full(len(rigid), np.inf),
        run_max=np.zeros(len(rigid)),
    )
    sizes = np.array([len(r.radius_m) for r in rigid])
    last = np.cumsum(sizes)
    outlines = _Outlines(
        offset=np.ascontiguousarray(np.concatenate([r.offset_m @ r.axes for r in rigid])),
        radius=np.ascontiguousarray(np.concatenate([r.radius_m for r in rigid])),
        first=(last - sizes).astype(np.int64),
        last=last.astype(np.int64),
    )
    return batch, outlines


@njit(cache=True, parallel=True)
def _sweep(
    record: Floats, outlines: _Outlines, solids: Solids, grid: Grid
) -> tuple[Floats, Floats]:
    """Lowest height above ground (n,) and closest approach (n, owners) over recorded poses."""
    count = len(record)
    lowest = np.full(count, np.inf)
    gap = np.full((count, solids.owners), np.inf)
    for row in prange(count):
        first, last = outlines.first[row], outlines.last[row]
        offset, radius = outlines.offset[first:last], outlines.radius[first:last]
        reach = 0.0
        for ball in range(len(radius)):
            a, b, c = offset[ball, 0], offset[ball, 1], offset[ball, 2]
            reach = max(reach, np.sqrt(a * a + b * b + c * c) + radius[ball])
        for pose in range(record.shape[1]):
            state = record[row, pose]
            r = rotation_of(state[6:10])
            height, _ = lowest_ball(state[:3], r, offset, radius, grid)
            lowest[row] = min(lowest[row], height)
            for part in range(len(solids.kind)):
                who = solids.owner[part]
                away = box_distance(state[0], state[1], state[2], part, solids.box)
                if away - reach >= gap[row, who]:
                    continue
                for ball in range(len(radius)):
                    a, b, c = offset[ball, 0], offset[ball, 1], offset[ball, 2]
                    x = state[0] + r[0, 0] * a + r[0, 1] * b + r[0, 2] * c
                    y = state[1] + r[1, 0] * a + r[1, 1] * b + r[1, 2] * c
                    z = state[2] + r[2, 0] * a + r[2, 1] * b + r[2, 2] * c
                    if box_distance(x, y, z, part, solids.box) - radius[ball] >= gap[row, who]:
                        continue
                    near = part_distance(x, y, z, part, solids) - radius[ball]
                    gap[row, who] = min(gap[row, who], near)
    return lowest, gap
