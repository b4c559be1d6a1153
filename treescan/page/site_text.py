"""Change values in the text of a site file and leave the rest, comments included, as it stands."""

from __future__ import annotations

from typing import Any

import tomlkit
from tomlkit.container import Container
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, InlineTable, Table

from treescan.errors import TreescanError
from treescan.site.model import Site
from treescan.site.reading import parse_site, site_toml

Json = dict[str, Any]


def changed_text(text: str, site: Site) -> str:
    """Text of a site file that reads as ``site``, made from ``text`` with the fewest changes.

    Entries that stay the same keep their comments and their order of keys.  Where that cannot
    be done the file is written anew.
    """
    try:
        old = parse_site(text)
        if old == site:
            return text
        document = tomlkit.parse(text)
        _change(document, _plain(old), _plain(site), _plain(Site()))
        result = tomlkit.dumps(document)
        if parse_site(result) == site:
            return result
    except (TreescanError, TOMLKitError, ValueError, KeyError, TypeError):
        pass
    return site_toml(site)


def _plain(site: Site) -> Json:
    data: Json = site.model_dump(mode="json")
    return data


def _change(place: Container | Table | InlineTable, old: Json, new: Json, usual: Json) -> None:
    """Bring one table of the text from ``old`` to ``new``; usual values need not be written."""
    for key, value in new.items():
        if value == old.get(key):
            continue
        if isinstance(value, dict) and isinstance(place.get(key), dict):
            _change(place[key], old[key], value, usual.get(key) or {})
        elif value is None or value == usual.get(key):
            place.pop(key, None)
        elif isinstance(value, dict):
            place[key] = _table(value, usual.get(key) or {})
        elif _is_entries(value) and isinstance(place.get(key), AoT | type(None)):
            place[key] = _entries(place.get(key), old.get(key) or [], value)
        else:
            place[key] = _item(value)


def _is_entries(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(v, dict) for v in value)


def _entries(before: AoT | None, old: list[Json], new: list[Json]) -> AoT:
    """Array of tables in which entries that were there before keep their text."""
    result, used = tomlkit.aot(), set[int]()
    for entry in new:
        row = _same_entry(entry, old, used)
        if before is None or row is None:
            result.append(_table(entry, {}))
            continue
        used.add(row)
        kept = before[row]
        _change(kept, old[row], entry, {})
        result.append(kept)
    return result


def _same_entry(entry: Json, old: list[Json], used: set[int]) -> int | None:
    free = [i for i in range(len(old)) if i not in used]
    equal = [i for i in free if old[i] == entry]
    named = [i for i in free if "name" in entry and old[i].get("name") == entry["name"]]
    shaped = [i for i in free if "name" in entry and _but_name(old[i]) == _but_name(entry)]
    return next(iter((*equal, *named, *shaped)), None)


def _but_name(entry: Json) -> Json:
    return {key: value for key, value in entry.items() if key != "name"}


def _table(values: Json, usual: Json) -> Table:
    table = tomlkit.table()
    for key, value in values.items():
        if value is not None and value != usual.get(key, None):
            table.add(key, _item(value))
    return table


def _item(value: Any) -> Any:
    if isinstance(value, dict):
        inline = tomlkit.inline_table()
        for key, part in value.items():
            if part is not None:
                inline.append(key, _item(part))
        return inline
    if isinstance(value, list | tuple):
        array = tomlkit.array()
        for part in value:
            array.append(_item(part))
        return array
    return tomlkit.item(value)
