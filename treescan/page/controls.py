"""Buttons, headings and words that look and act the same on every step."""

from __future__ import annotations

from collections.abc import Callable

from nicegui import ui

from treescan.errors import TreescanError


def attempt(action: Callable[[], object]) -> bool:
    """Do something; a refusal is shown in words and False returned."""
    try:
        action()
    except TreescanError as error:
        refuse(str(error))
        return False
    return True


def refuse(text: str) -> None:
    """Say why something was not done."""
    ui.notify(
        text, type="negative", multi_line=True, timeout=10_000, close_button="OK", position="top"
    )


def tell(text: str) -> None:
    """Say that something was done."""
    ui.notify(text, timeout=4000, position="top")


def heading(text: str) -> None:
    """Heading of a part of a step."""
    ui.label(text).classes("ts-head").props("role=heading aria-level=2")


def wide(label: str, action: Callable[[], object], *, plain: bool = False) -> ui.button:
    """Button over the whole width; a refusal is shown in words."""
    button = ui.button(label, on_click=lambda: attempt(action)).classes("ts-wide")
    button.props("no-caps unelevated" + (" outline" if plain else ""))
    return button


def small(label: str, action: Callable[[], object], *, said: str = "") -> ui.button:
    """Button as wide as its words; ``said`` is what a screen reader says of it."""
    button = ui.button(label, on_click=lambda: attempt(action)).classes("ts-small")
    button.props("no-caps outline")
    if said:
        button.props["aria-label"] = said
    return button


def warning(text: str) -> None:
    """Words that must be read before acting."""
    ui.label(text).classes("ts-warning").props("role=note")


def words(text: str) -> None:
    """Plain line of text."""
    ui.label(text).classes("ts-words")
