"""From a lossless bound to what rigging drops really measure.

Detter, Cowell, McKeown and Howard 2008 (HSE Research Report 668, ch. 8, as quoted second-hand)
found that putting the whole energy into the line overrates the load of realistic drops by a
factor of 2 to 3; slip, knots tightening, stem flex and the piece's rotation take the rest.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.mechanics.inputs import Floats, positive

LOW_SHARE = 1.0 / 3.0
LIKELY_SHARE = 0.4
"""Central estimate of measured peak over lossless bound [derived from RR668 ch. 8]."""


def credible_peaks_n(
    bound_n: npt.ArrayLike, static_n: npt.ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Low, likely and high peak of a locked drop from its lossless bound E. [N]

    ``E/3``, ``0.4 E`` and ``E``, none below the static (hanging) load.

    Parameters
    ----------
    bound_n : array_like
        Lossless energy bound. [N]
    static_n : array_like
        Load of the piece hanging at rest. [N]
    """
    bound = positive("bound", bound_n, unit="N")
    static = positive("static load", static_n, unit="N")
    return (
        np.maximum(bound * LOW_SHARE, static),
        np.maximum(bound * LIKELY_SHARE, static),
        np.maximum(bound, static),
    )


def credible_run_peaks_n(
    locked_n: npt.ArrayLike, run_n: npt.ArrayLike, elastic_n: npt.ArrayLike, static_n: npt.ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Low, likely and high peak when the line is let run. [N]

    ``high`` is the greater of the stiff-line and the elastic work-energy tension (below twice
    the weight, stretch adds more fall than it stores), at most the locked bound.
    ``likely`` is the tension with line stretch counted, or 0.4 of the locked bound if less.
    ``low`` takes half the excess over the static load away [assumption: knots, stem and
    rotation], or a third of the locked bound if less.  None is below the static load.

    Parameters
    ----------
    locked_n, run_n, elastic_n : array_like
        Locked bound, :func:`~treescan.mechanics.letrun.run_tension_n` and
        :func:`~treescan.mechanics.letrun.elastic_run_tension_n`. [N]
    static_n : array_like
        [N]
    """
    locked = positive("locked bound", locked_n, unit="N")
    static = positive("static load", static_n, unit="N")
    high = np.maximum(np.minimum(locked, np.maximum(run_n, elastic_n)), static)
    likely = np.maximum(np.minimum(np.minimum(LIKELY_SHARE * locked, elastic_n), high), static)
    halved = static + 0.5 * (high - static)
    low = np.maximum(np.minimum(np.minimum(LOW_SHARE * locked, halved), likely), static)
    return low, likely, high
