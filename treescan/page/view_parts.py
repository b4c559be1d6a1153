"""Small parts of the 3-D view's controls: buttons that show their state, a card's lines."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from nicegui import ui

from treescan.page.view_cards import Card
from treescan.units import UnitSystem


def choice(label: str, action: Callable[[], Any]) -> ui.button:
    """A button of a row."""
    button = ui.button(label, on_click=action, color="white").classes("tsv-choice")
    return button.props("no-caps unelevated text-color=black")


def toggle(label: str, on: bool, action: Callable[[bool], Any]) -> ui.button:
    """A button that stays pressed; a screen reader is told which."""
    state = [on]

    def show() -> None:
        button.props["aria-pressed"] = "true" if state[0] else "false"
        button.props["color"] = "black" if state[0] else "white"
        button.props["text-color"] = "white" if state[0] else "black"

    def press() -> None:
        state[0] = not state[0]
        show()
        action(state[0])

    button = choice(label, press)
    show()
    return button


def card_lines(card: Card, system: UnitSystem) -> None:
    """Title, lines and warnings of a card."""
    ui.label(card.title.text(system)).classes("tsv-title").props("role=heading aria-level=3")
    with ui.element("dl").classes("tsv-lines"):
        for name, value in card.lines:
            with ui.element("dt"):
                ui.label(name)
            with ui.element("dd"):
                ui.label(value.text(system))
    for text in card.warnings:
        ui.label(f"! {text.text(system)}").classes("tsv-warn")
