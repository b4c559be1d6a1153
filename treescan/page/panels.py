"""What the page is made of: steps of a job, and panels that draw one part of a step.

A panel is a plain function ``build(session)`` that adds elements to where it is called.  It is
drawn when its step is first looked at on a device, and drawn again only when one of the topics
it watches has changed.  A panel that keeps something half done (tapped corners, a 3-D view)
watches nothing and calls :meth:`treescan.page.session.Session.follow` for the parts it renews.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from treescan.page.session import Session

Topic = Literal["site", "done", "edits", "scan", "tree", "plan", "confirmed", "work", "units"]
"""``site``: the site file; ``done``: ticked steps; ``edits``: changed cuts; ``scan``: which scan;
``tree``, ``plan``: the result folders; ``confirmed``: steps looked at by a person; ``work``:
stage and share of long work; ``units``: of the device at hand."""


@dataclass(frozen=True)
class Panel:
    """One part of a step.

    Attributes
    ----------
    step : str
        Key of the step it belongs to (see :mod:`treescan.page.steps`).
    build : callable
    watches : tuple of str
        Topics after whose change it is drawn again.
    """

    step: str
    build: Callable[[Session], None]
    watches: tuple[Topic, ...] = ()
