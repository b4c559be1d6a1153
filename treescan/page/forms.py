"""Forms over the site file; every change is checked and saved when the input is left.

An input follows changes made on another device, but never while somebody is typing in it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from typing import Any

from nicegui import ui

from treescan.errors import InvalidInputError
from treescan.page.controls import attempt, refuse
from treescan.page.device import units
from treescan.page.quantities import Quantity
from treescan.page.session import Session
from treescan.site.reading import site_from_mapping

SHORT_ROW = 44
"""Letters of a row of buttons that still fits on a phone."""
Place = tuple[str | int, ...]


@dataclass(frozen=True)
class Entry:
    """One input: where its value lies in the site file, what it is called, what it takes.

    ``quantity`` for numbers, ``choices`` (value -> words) for one of several, neither for text.
    ``free`` choices also take what is typed; ``check`` refuses by raising a TreescanError.
    """

    place: Place
    label: str
    quantity: Quantity | None = None
    choices: Mapping[Any, str] = field(default_factory=dict)
    free: bool = False
    hint: str = ""
    check: Callable[[Any], object] | None = None


def form(session: Session, entries: tuple[Entry, ...]) -> None:
    """Inputs for some values of the site file."""
    for entry in entries:
        if entry.choices:
            _choice(session, entry)
        else:
            _typed(session, entry)


def value_at(session: Session, place: Place) -> Any:
    """Value of the site file at a place; None when it is not given."""
    item: Any = session.store.site
    for key in place:
        if isinstance(key, int):
            item = item[key] if key < len(item) else None
        else:
            item = getattr(item, key)
        if item is None:
            return None
    return item


def change(session: Session, place: Place, value: Any, label: str) -> None:
    """Change one value of the site file and save it; None strikes it out.

    Raises
    ------
    SiteFileError
        When it does not pass the checks; nothing is changed then.
    """
    data = deepcopy(site_data(session))
    item: Any = data
    for key in place[:-1]:
        item = item.setdefault(key, {}) if isinstance(item, dict) else item[key]
    if value is None:
        item.pop(place[-1], None)
    else:
        item[place[-1]] = value
    keep_site(session, data, f"{label} changed")


def site_data(session: Session) -> dict[str, Any]:
    """Return the site as plain data."""
    data: dict[str, Any] = session.store.site.model_dump(mode="json", exclude_none=True)
    return data


def keep_site(session: Session, data: Mapping[str, Any], said: str, **state: Any) -> None:
    """Check and save a changed site; raises SiteFileError when it does not pass."""
    session.save(site=site_from_mapping(data, prefix=""), state=state or None, said=said)


def _typed(session: Session, entry: Entry) -> None:
    system, quantity = units(), entry.quantity
    sign = quantity.unit(system).sign if quantity else ""
    box = ui.input(entry.label + (f", {sign}" if sign else "")).classes("w-full")
    box.mark("-".join(str(key) for key in entry.place))
    if entry.hint:
        box.props["hint"] = entry.hint
        box.props["hide-bottom-space"] = False
    if quantity:
        box.props["inputmode"] = "numeric" if quantity.whole else "decimal"
    shown = [""]

    def text_now() -> str:
        value = value_at(session, entry.place)
        return quantity.shown(value, system) if quantity else str(value or "")

    def follow() -> None:
        if box.value == shown[0]:  # nobody is typing
            shown[0] = text_now()
            box.value = shown[0]

    def leave() -> None:
        text = str(box.value or "").strip()
        if text == shown[0]:
            return
        try:
            value = quantity.read(text, system) if quantity else (text or None)
        except ValueError as fault:
            refuse(f"{entry.label}: {fault}.")
            return
        if attempt(lambda: change(session, entry.place, value, entry.label)):
            shown[0] = text_now()
            box.value = shown[0]

    box.value = shown[0] = text_now()
    box.on("blur", leave)
    box.on("keydown.enter", leave)
    session.follow(("site",), follow)


def _choice(session: Session, entry: Entry) -> None:
    """One of several; a short list shows as a row of buttons."""
    current = value_at(session, entry.place)
    choices = dict(entry.choices)
    if current not in choices:
        choices[current] = str(current)
    if sum(4 + len(text) for text in choices.values()) < SHORT_ROW and not entry.free:
        ui.label(entry.label).classes("ts-words")
        pick: Any = ui.toggle(choices, value=current).classes("ts-toggle").props("no-caps spread")
        pick.props["aria-label"] = entry.label
    else:
        pick = ui.select(
            choices, value=current, label=entry.label, with_input=True,
            new_value_mode="add-unique" if entry.free else None,
        ).classes("w-full")  # fmt: skip
        if entry.hint:
            pick.props["hint"] = entry.hint
    pick.mark("-".join(str(key) for key in entry.place))

    def picked() -> None:
        if pick.value == value_at(session, entry.place):
            return
        if pick.value is None and None not in entry.choices:  # emptied while typing
            return
        if not attempt(keep):
            follow()

    def keep() -> None:
        if entry.check is not None:
            entry.check(pick.value)
        change(session, entry.place, pick.value, entry.label)

    def follow() -> None:
        now = value_at(session, entry.place)
        if now not in pick.options:
            pick.options[now] = str(now)
            pick.update()
        pick.value = now

    pick.on_value_change(picked)
    session.follow(("site",), follow)


def free_name(wanted: str, taken: set[str]) -> str:
    """Return a name that is not taken yet: the wanted one, else with a number."""
    if wanted not in taken:
        return wanted
    return next(name for n in range(2, 10_000) if (name := f"{wanted} {n}") not in taken)


def number(text: str, quantity: Quantity, label: str) -> float:
    """SI value of a number that must be given.

    Raises
    ------
    InvalidInputError
        When it is missing or no number.
    """
    try:
        value = quantity.read(text, units())
    except ValueError as fault:
        raise InvalidInputError(f"{label}: {fault}.") from fault
    if value is None:
        raise InvalidInputError(f"{label} is missing. Give a number.")
    return float(value)
