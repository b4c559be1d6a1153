"""What every output warns of: the cautions of the run and the plan, and those of any tree work."""

from __future__ import annotations

from treescan.planning.types import JobResult

SHORT = (
    "Advice only. A competent person on site accepts, changes or refuses every step. "
    "Local codes, utility rules and licensed practice come first."
)
STANDING = (
    "Treat every wire as live. Keep the approach distance the network operator sets; where it "
    "cannot be kept, stop and have the line made dead or call line-clearance qualified people.",
    "Sound the stem, look at every union and at the root plate, and climb only on what has passed.",
    "Choose gear, anchors and drop zones for the high end of every range.",
    "Stop and plan again when a piece is heavier than its range, when the wind rises, when the "
    "crown is wet and the plan is for dry, or when the tree differs from the pictures.",
    "Keep everyone out of the drop zone and from under a hanging piece; agree on the signals and "
    "the way of retreat before each cut.",
)


def all_cautions(result: JobResult) -> tuple[str, ...]:
    """The short caution, those of the run and of the plan, then the standing ones, each once."""
    own = result.plan.cautions if result.plan else ()
    return tuple(dict.fromkeys((SHORT, *result.cautions, *own, *STANDING)))
