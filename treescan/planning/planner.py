"""The plan of a job: cut places, ways, order and crew times, chosen together and explained."""

from __future__ import annotations

from collections.abc import Callable

from treescan.planning.dividing import divide
from treescan.planning.explaining import plan_of
from treescan.planning.inputs import PlanInputs
from treescan.planning.job import prepare
from treescan.planning.plan_search import whole_plans
from treescan.planning.repairing import worked_out
from treescan.planning.said_once import with_general_cautions
from treescan.planning.second_look import with_second_look
from treescan.planning.types import Plan

__all__ = ["PlanInputs", "make_plan"]


def _silent(_share: float) -> None:
    """Tell nobody."""


def make_plan(inputs: PlanInputs, *, progress: Callable[[float], None] | None = None) -> Plan:
    """Plan the job.

    Parameters
    ----------
    inputs : PlanInputs
    progress : callable, optional
        Called with the share of the work done, 0..1.

    Returns
    -------
    Plan
        ``feasible`` is False when a limit cannot be kept; the steps then say which one and
        by how much, and ``smallest_change`` what would help.  An infeasible job is a value,
        not an exception.
    """
    tell = progress or _silent
    job = prepare(inputs)
    tell(0.05)
    division = divide(job, lambda share: tell(0.05 + 0.6 * share))
    plans = whole_plans(job, division, lambda share: tell(0.65 + 0.25 * share))
    plan = plan_of(job, worked_out(division, plans))
    tell(0.92)
    plan = with_general_cautions(with_second_look(job, plan))
    tell(1.0)
    return plan
