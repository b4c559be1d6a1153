"""Steps “tree” and “site”: what stands where, marked on the plan picture."""

from __future__ import annotations

from treescan.page.panels import Panel
from treescan.page.session import Session
from treescan.page.site_drawing import site_map


def pick_tree(session: Session) -> None:
    """Tap the stem."""
    site_map(session, lambda: None, ("near",))


def mark_site(session: Session) -> None:
    """Mark what stands around the tree."""
    site_map(session, lambda: None, ("target", "path", "drop_zone", "landing"))


PANELS = (
    Panel("tree", pick_tree, ("tree",)),
    Panel("site", mark_site, ("tree",)),
)
