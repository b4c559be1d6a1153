"""Steps “conditions”, “crew”, “gear”, “trucks” and “limits”: forms over the site file."""

from __future__ import annotations

from treescan.page.forms import part_form
from treescan.page.panels import Panel
from treescan.page.session import Session


def conditions(session: Session) -> None:
    """Name, species and weather."""
    part_form(session, "job", ("name", "species"))
    part_form(session, "conditions", ("in_leaf", "wet", "wind_m_s"))


def crew(session: Session) -> None:
    """Who works."""
    part_form(session, "climber", ("mass_kg",))
    part_form(session, "crew", ("ground",))


def gear(session: Session) -> None:
    """What is rigged with."""
    part_form(session, "gear", ("line", "line_length_m", "sling", "block", "friction_device"))


def limits(session: Session) -> None:
    """What must not be passed."""
    part_form(
        session, "limits", ("max_piece_kg", "log_length_m", "line_share_of_mbs", "anchor_share")
    )


PANELS = tuple(
    Panel(step, build, ("site", "units"))
    for step, build in (
        ("conditions", conditions), ("crew", crew), ("gear", gear), ("limits", limits)
    )
)  # fmt: skip
