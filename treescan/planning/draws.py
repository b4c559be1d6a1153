"""Random draws that all ways of a job share, so that two ways are compared under the same luck."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

DRAWS = 2000


@dataclass(frozen=True)
class Draws:
    """Draws of one seed.

    ``heavy`` (DRAWS,) is the standard normal draw of the weight; ``seed`` makes the others.
    """

    seed: int
    heavy: Floats

    @staticmethod
    def of(seed: int) -> Draws:
        """Draws of a seed."""
        return Draws(seed, np.random.default_rng(seed).standard_normal(DRAWS))
