"""More line let run where a shorter run would overload the wood or the gear."""

from __future__ import annotations

from dataclasses import replace

from treescan.rigging.cases import Rider, solve_many
from treescan.rigging.spar import SparModel
from treescan.rigging.types import LoadResult

LONG_RUN_M = 2.0
"""Line that is let run where a shorter run would overload something.  With a run as long as the
fall the peak is two weights (handbook section 4, T = W (1 + h/s)): our choice. [m]"""

MOST_OVER = 1.6
"""A longer run or a redirect is tried for loads up to this many times their limit: our choice."""


def run_longer(result: LoadResult, spar: SparModel, rider: Rider | None) -> LoadResult | None:
    """The same lift with ``LONG_RUN_M`` of line let run, or None.

    None where nothing is overloaded, where the line is locked or runs as far already, and where
    the longer run does not bring every load within its limit.
    """
    if not 1.0 < result.share <= MOST_OVER or not 0.0 < result.run_m < LONG_RUN_M:
        return None
    longer = solve_many([replace(result.case, run_m=LONG_RUN_M)], spar, rider)[0]
    return None if longer.failed or longer.share > 1.0 else longer
