"""Changes to a site file given on the command line: ``--set conditions.wet=true``."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from typing import Any

from treescan.errors import InvalidInputError
from treescan.site.model import Site
from treescan.site.reading import site_from_mapping


def changed_site(site: Site, changes: Sequence[str]) -> Site:
    """Return the site with ``part.key=value`` changes made and everything checked again.

    Values are written as in the site file; a bare word is text.  List items are numbered
    from 0: ``haul.trucks.0.payload_kg=5000``.

    Raises
    ------
    InvalidInputError
        If a change is not of that form or names something that is not there.
    SiteFileError
        If the changed site does not pass its checks.
    """
    data: dict[str, Any] = site.model_dump(mode="json", exclude_none=True)
    for change in changes:
        key, equals, text = change.partition("=")
        if not equals or not key.strip():
            raise InvalidInputError(
                f"--set {change}: write it as part.key=value, e.g. conditions.wet=true."
            )
        _put(data, key.strip().split("."), _value(text.strip()), change)
    return site_from_mapping(data, prefix="--set: ")


def _value(text: str) -> object:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def _put(data: dict[str, Any], keys: list[str], value: object, change: str) -> None:
    place: Any = data
    for key in keys[:-1]:
        if isinstance(place, list):
            if not key.isdigit() or int(key) >= len(place):
                raise InvalidInputError(f"--set {change}: there is no item {key} in the list.")
            place = place[int(key)]
        else:
            place = place.setdefault(key, {})
        if not isinstance(place, dict | list):
            raise InvalidInputError(f"--set {change}: {key} is a value, not a part with keys.")
    if isinstance(place, list):
        raise InvalidInputError(f"--set {change}: name a key of the list item as well.")
    place[keys[-1]] = value
