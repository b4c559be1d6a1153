"""Forms made from the parts of the site file; every change is checked and saved at once."""

from __future__ import annotations

from typing import Any, get_args

from nicegui import ui
from pydantic.fields import FieldInfo

from treescan.errors import TreescanError
from treescan.page.session import Session
from treescan.site.reading import site_from_mapping

LABELS = {
    "species": "Species (scientific or common name)",
    "dbh_tape_m": "Taped diameter at breast height, m",
    "in_leaf": "In leaf",
    "wet": "Wet from rain",
    "wind_m_s": "Wind, m/s",
    "mass_kg": "Climber's mass with gear, kg",
    "ground": "People on the ground",
    "line": "Rigging line",
    "line_length_m": "Line length, m",
    "max_piece_kg": "Heaviest piece, kg",
    "log_length_m": "Log length, m",
    "line_share_of_mbs": "Line: share of breaking strength",
    "anchor_share": "Anchor: share of what it may carry",
}


def part_form(session: Session, part: str, keys: tuple[str, ...]) -> None:
    """Inputs for some keys of one part of the site file."""
    model = getattr(session.store.site, part)
    for key in keys:
        _input(session, part, key, type(model).model_fields[key], getattr(model, key))


def _input(
    session: Session,
    part: str,
    key: str,
    field: FieldInfo,
    value: object,
) -> None:
    label = LABELS.get(key, key.replace("_", " "))
    kinds = get_args(field.annotation) or (field.annotation,)

    def keep(new: object) -> None:
        if new == value:
            return
        change_site(session, part, key, new)

    if bool in kinds:
        choices = {None: "not known", True: "yes", False: "no"} if type(None) in kinds else None
        if choices:
            ui.select(choices, value=value, label=label, on_change=lambda e: keep(e.value)).classes(
                "w-full text-lg"
            )
        else:
            ui.switch(label, value=bool(value), on_change=lambda e: keep(e.value)).classes(
                "text-lg"
            )
        return
    box = ui.input(label, value="" if value is None else f"{value}").classes("w-full text-lg")
    if not isinstance(value, str):
        box.props("inputmode=decimal")
    number = not isinstance(value, str) and str not in kinds

    def leave() -> None:
        text = str(box.value or "").strip().replace(",", ".")
        try:
            keep((float(text) if text else None) if number else text)
        except ValueError:
            ui.notify(f"{label}: “{text}” is not a number.", type="negative")

    box.on("blur", leave)
    box.on("keydown.enter", leave)


def change_site(session: Session, part: str, key: str, value: object) -> bool:
    """Change one value; says what is wrong and keeps the old one when it does not pass."""
    data: dict[str, Any] = session.store.site.model_dump(mode="json", exclude_none=True)
    place = data.setdefault(part, {})
    if value is None:
        place.pop(key, None)
    else:
        current = getattr(getattr(session.store.site, part), key)
        whole = isinstance(current, int) and not isinstance(current, bool)
        place[key] = int(value) if whole and isinstance(value, float) else value
    return keep_site(session, data)


def keep_site(session: Session, data: dict[str, Any]) -> bool:
    """Check and save a changed site; a refusal is shown and nothing is written."""
    try:
        session.save(site=site_from_mapping(data, prefix=""), said="Site changed")
    except TreescanError as error:
        ui.notify(str(error), type="negative", multi_line=True, timeout=8000)
        return False
    return True
