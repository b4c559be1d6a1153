"""The finished plan held against the independent check before anybody sees it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from treescan.planning.check import check_plan
from treescan.planning.types import JobResult
from treescan.report.plan_json import plan_document
from treescan.report.tree_json import tree_document

MOST_TOLD = 5
"""Faults told one by one; the others are counted."""


def with_check(result: JobResult, gone: Iterable[int] = ()) -> JobResult:
    """The result, with a warning for what the check of its own documents could not confirm.

    The check shares nothing with the planner (:mod:`treescan.planning.check`): wide bounds from
    plain statics and distances.  Nothing is said when the plan holds, or without a plan; ``gone``
    are nodes that were down before its first step.
    """
    if result.plan is None:
        return result
    faults = check_plan(plan_document(result), tree_document(result), result.site, gone=gone)
    warnings = [f"WARNING: the plan's own check does not agree: {f}." for f in faults[:MOST_TOLD]]
    if len(faults) > MOST_TOLD:
        warnings.append(f"WARNING: and {len(faults) - MOST_TOLD} more points of the plan's check.")
    return replace(
        result,
        decisions=(*result.decisions, *warnings),
        cautions=(*warnings, *result.cautions),
    )
