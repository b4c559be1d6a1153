"""What the cases of a way (hinge early or late, another stretch or run) make of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from treescan.motion.types import Clearance, Path

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Trial:
    """What the cases of a way make of it.

    Attributes
    ----------
    breach : ndarray, shape (DRAWS,), bool
        Draws in which the way itself passes a margin, ends where it must not, or strikes the
        ground too hard.
    spread_m : ndarray, shape (n,)
        How much nearer to each target the unlucky twentieth of the draws comes than the likely
        path. [m]
    worst : str
        What the worst case does that the likely path does not, as a sentence; "" for none.
    centre_m : ndarray, shape (k, 3), or None
        Places of the path that it was made of: the same array, not its like.
    """

    breach: Bools
    spread_m: Floats
    worst: str = ""
    centre_m: Floats | None = None

    def is_of(self, path: Path) -> bool:
        """Whether it was made of this path (or of the same with its times tidied)."""
        return self.centre_m is path.centre_m

    def spread_over(self, gaps: tuple[Clearance, ...]) -> tuple[Clearance, ...]:
        """Clearances with the spread of the cases instead of an allowance."""
        return tuple(
            replace(gap, spread_m=float(spread))
            for gap, spread in zip(gaps, self.spread_m, strict=True)
        )
