"""How long work tells where it is."""

from __future__ import annotations

from collections.abc import Callable

Report = Callable[[str, float], None]
"""Called with the stage in words and its share done, 0..1."""


def silent(stage: str, share: float) -> None:
    """Report to nobody."""


def within(report: Report, stage: str) -> Callable[[float], None]:
    """Return a callback for one stage that only needs the share."""

    def tell(share: float) -> None:
        report(stage, min(max(share, 0.0), 1.0))

    tell(0.0)
    return tell
