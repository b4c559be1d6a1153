"""The wood as flat bands for line drawings: one band for each run of a limb in one piece."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.planning.types import JobResult
from treescan.report.limb_surface import limb_chains

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
STAYS = 0


@dataclass(frozen=True)
class Wood:
    """Runs of rings, end to end.

    Attributes
    ----------
    centre_m : ndarray, shape (k, 3)
        Ring centres, local frame. [m]
    radius_m : ndarray, shape (k,)
    first : ndarray, shape (r + 1,)
        Where each run begins; the last entry is k.
    owner : ndarray, shape (r,)
        Step that takes the run away, 0 where it stays.
    """

    centre_m: Floats
    radius_m: Floats
    first: Ints
    owner: Ints

    def bands(
        self,
        view: Floats,
        chosen: npt.NDArray[np.bool_],
        least_m: float,
        window_m: tuple[float, float, float, float] | None = None,
    ) -> tuple[Floats, ...]:
        """Outlines (j, 2) of the chosen runs (r,) in a view (2, 3), a projection. [m]

        Runs thinner than ``least_m`` everywhere, or outside the window, are left out.
        """
        start, end = self.first[:-1], self.first[1:]
        wanted = chosen & (2 * np.maximum.reduceat(self.radius_m, start) >= least_m)
        flat = self.centre_m @ view.T
        if window_m is not None:
            low, high = (f.reduceat(flat, start, axis=0) for f in (np.minimum, np.maximum))
            x0, y0, x1, y1 = window_m
            wanted &= (high >= [x0, y0]).all(1) & (low <= [x1, y1]).all(1)
        side = self._sides(flat) * self.radius_m[:, None]
        left, right = flat - side, flat + side
        outlines = []
        for a, b in zip(start[wanted], end[wanted], strict=True):
            outlines.append(np.concatenate([left[a:b], right[a:b][::-1]]))
            if np.ptp(flat[a:b], axis=0).max() < self.radius_m[a]:
                outlines.append(_disc(flat[a], float(self.radius_m[a])))
        return tuple(outlines)

    def _sides(self, flat: Floats) -> Floats:
        """Unit vectors across each ring's run in the view, shape (k, 2)."""
        before = np.maximum(np.arange(len(flat)) - 1, np.repeat(self.first[:-1], self._counts))
        after = np.minimum(np.arange(len(flat)) + 1, np.repeat(self.first[1:] - 1, self._counts))
        along = flat[after] - flat[before]
        size = np.linalg.norm(along, axis=1, keepdims=True)
        across = np.column_stack([-along[:, 1], along[:, 0]])
        return np.divide(across, size, out=np.zeros_like(across), where=size > 1e-9)

    @property
    def _counts(self) -> Ints:
        return np.diff(self.first)


def _disc(at: Floats, radius: float) -> Floats:
    turn = np.linspace(0, 2 * np.pi, 17)[:-1]
    return at + radius * np.column_stack([np.cos(turn), np.sin(turn)])


def wood_of(result: JobResult) -> Wood:
    """All wood of the job in runs, each within one piece."""
    owner = piece_of_node(result)
    centre, radius, counts, owners = [], [], [], []
    for chain in limb_chains(result.graph, owner):
        cuts = np.flatnonzero(np.diff(chain.owner)) + 1
        edges = [0, *cuts.tolist(), len(chain.owner)]
        for i in range(len(edges) - 1):
            part = slice(edges[i], edges[i + 1] + 1)
            centre.append(chain.centre_m[part])
            radius.append(chain.radius_m[part])
            counts.append(len(centre[-1]))
            owners.append(int(chain.owner[edges[i]]))
    first = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    return Wood(np.concatenate(centre), np.concatenate(radius), first, np.asarray(owners))


def piece_of_node(result: JobResult) -> Ints:
    """Step that takes each node away, shape (n,); 0 where it stays standing."""
    owner = np.full(len(result.graph), STAYS, dtype=np.int64)
    for step in result.plan.steps if result.plan else ():
        owner[step.piece.nodes] = step.number
    return owner
