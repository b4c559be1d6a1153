"""What the page's own files may hold: a job folder can come from another hand, or half written."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from typing import Any

Check = Callable[[Any], bool]


def is_number(value: Any) -> bool:
    """Whether a value of a JSON file is a finite number."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _text(value: Any) -> bool:
    return value is None or isinstance(value, str)


def _rows(sort: type) -> Check:
    return lambda value: isinstance(value, list) and all(type(row) is sort for row in value)


def _names(value: Any) -> bool:
    return isinstance(value, dict) and all(isinstance(v, str) for v in value.values())


STATE: dict[str, Check] = {
    "scans": _rows(str),
    "done": _rows(int),
    "edits": _rows(dict),
    "held": _rows(dict),
    "confirmed": _rows(str),
    "proposals": _names,
    "prefer": _text,
    "notice": _text,
    "scan_units": _text,
    "up": _text,
    "tree_from": _text,
    "plan_from": _text,
}
"""Keys of page.json and what each holds; others are left as they are."""


def unusable(state: Mapping[str, Any]) -> str:
    """First key of a page's state that does not hold what it should; "" when all do."""
    return next((key for key, good in STATE.items() if key in state and not good(state[key])), "")


def is_mark(value: Any) -> bool:
    """Whether a value can be the mark of a result folder: it becomes a part of a path."""
    return isinstance(value, str) and re.fullmatch(r"[0-9a-f-]{0,60}", value) is not None


def in_one_line(fault: BaseException) -> str:
    """What a fault says, short and without line breaks: it may repeat what stands in a file."""
    return " ".join(str(fault).split())[:200]
