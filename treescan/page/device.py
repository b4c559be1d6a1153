"""What belongs to one phone, tablet or laptop and not to the job: its units, its half-done drawing.

Kept in cookies, so that a reload, sleep or a new start of the server does not lose it.
"""

from __future__ import annotations

import ipaddress
import re
import secrets
from collections.abc import Mapping

from nicegui import app, ui

from treescan.units import UnitSystem

UNITS_COOKIE, DEVICE_COOKIE = "treescan_units", "treescan_device"
YEAR_S = 31_536_000


def greet(cookies: Mapping[str, str]) -> None:
    """Take up the device that asks for the page, or give it a number of its own."""
    storage = app.storage.client
    storage["units"] = "us" if cookies.get(UNITS_COOKIE) == "us" else "metric"
    known = cookies.get(DEVICE_COOKIE, "")
    if not re.fullmatch(r"[0-9a-f]{16}", known):
        known = secrets.token_hex(8)
    storage["device"] = known
    ui.add_body_html(f"<script>{_cookie_script(DEVICE_COOKIE, known)}</script>")


def units() -> UnitSystem:
    """Units that the device at hand wants to see."""
    return "us" if app.storage.client.get("units") == "us" else "metric"


def device_id() -> str:
    """Number of the device at hand."""
    return str(app.storage.client.get("device", "none"))


def on_laptop() -> bool:
    """Whether the device at hand is the laptop that serves the page."""
    try:
        return ipaddress.ip_address(ui.context.client.ip or "").is_loopback
    except ValueError:
        return False


def set_units(wanted: UnitSystem) -> None:
    """Change the units of this device and remember them on it."""
    app.storage.client["units"] = wanted
    ui.run_javascript(_cookie_script(UNITS_COOKIE, wanted))


def _cookie_script(name: str, value: str) -> str:
    return f'document.cookie="{name}={value}; path=/; max-age={YEAR_S}; SameSite=Strict";'
