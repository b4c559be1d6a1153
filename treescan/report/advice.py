"""What to do about a warning, for warnings that only state what may happen."""

from __future__ import annotations

import re

WHAT_TO_DO = (
    (
        r"may flop to any side",
        "everyone twice its length away, all round, until it lies still",
    ),
    (r"may roll [\d.]+ m", "nobody downhill of it; chock it before it is cut up"),
    (r"where it may lie is outside", "close that ground too, and clear what may not be hit"),
    (r"off plumb", "man the tag line before the cut, clear of the piece"),
    (r"redirect at .* brings the weakest section", "rig it there if that load must come down"),
    (
        r"^if .*\bmay\b",
        "cover it or keep it clear, nobody on that side; else lower this piece",
    ),
    (r"union factor", "look closely at that union before the line is loaded"),
    (r"must be pulled or wedged", "set the pull line or the wedges before the back cut"),
    (r"thrown by hand", "only with a sure grip and a clear throw; else lower it"),
)
"""Pattern of a warning, and the instruction that goes with it."""


def with_advice(warning: str) -> str:
    """Return the warning with what to do about it, said once.

    >>> with_advice("must be pulled or wedged over 3 degrees")
    'must be pulled or wedged over 3 degrees: set the pull line or the wedges before the back cut'
    """
    text = warning.rstrip(".")
    for pattern, action in WHAT_TO_DO:
        if re.search(pattern, text):
            return warning if action in text else f"{text}{'; ' if ':' in text else ': '}{action}"
    return warning if ":" in text else f"{text}: settle it on site before this cut"
