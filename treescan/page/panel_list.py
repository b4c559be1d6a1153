"""Every panel of the page, in the order in which it is drawn within its step."""

from __future__ import annotations

from treescan.page import (
    alternatives_panel,
    results_panels,
    scan_panels,
    setup_panels,
    site_panels,
    view_panel,
)
from treescan.page.panels import Panel

PANELS: tuple[Panel, ...] = (
    *scan_panels.PANELS,
    *site_panels.PANELS,
    *setup_panels.PANELS,
    *view_panel.PANELS,
    *results_panels.PANELS,
    *alternatives_panel.PANELS,
)
