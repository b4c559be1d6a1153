"""Reading and writing of the site file (TOML 1.0).

Every fault is one line: what is wrong, where in the file, and how to mend it.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any, get_args

import numpy as np
import shapely
from pydantic import BaseModel, ValidationError

from treescan.errors import SiteFileError
from treescan.site.model import Site

MAX_BYTES = 1_000_000
_DEEP_KEY = re.compile(r"""(?<![\w"'-])(?:(?:[\w-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){33}""")
_NAMED_LISTS = ("target", "conductor", "drop_zone", "landing", "ground_anchor")


def read_site(path: Path) -> Site:
    """Read and check a site file.

    Parameters
    ----------
    path : Path
        A TOML file of at most 1 MB; lengths in metres.

    Returns
    -------
    Site

    Raises
    ------
    SiteFileError
        One line naming the key, its place and the remedy.
    """
    path = Path(path)
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise SiteFileError(f"site file {path.name}: is a folder. Give the TOML file in it.")
        if size > MAX_BYTES:
            raise SiteFileError(
                f"site file {path.name}: {size / 1e6:.1f} MB; the limit is {MAX_BYTES / 1e6:.0f} "
                "MB. Simplify long outlines, or check that this is the site file and not a scan."
            )
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError as error:
        raise SiteFileError(
            f"site file {path.name}: not found in {path.parent}. Check the name and the folder."
        ) from error
    except UnicodeDecodeError as error:
        raise SiteFileError(
            f"site file {path.name}: byte {error.start} is no UTF-8 text. Save it as UTF-8 TOML."
        ) from error
    except OSError as error:
        raise SiteFileError(
            f"site file {path.name}: cannot be read ({error.strerror}). Check its permissions."
        ) from error
    return parse_site(text, path.name)


def parse_site(text: str, source_name: str = "text") -> Site:
    """Check the text of a site file; see :func:`read_site`.

    Raises
    ------
    SiteFileError
        In one line: where, what is wrong, what is near, how to mend it.
    """
    prefix = f"site file {source_name}: "
    deep = _DEEP_KEY.search(text)
    if deep is not None:  # the parser's memory grows with the square of a key's depth
        line = text.count("\n", 0, deep.start()) + 1
        raise SiteFileError(f"{prefix}line {line}: nested too deeply. A site file needs 4 levels.")
    try:
        data = tomllib.loads(text)
    except ValueError as error:  # also a number of thousands of digits
        reason = " ".join(str(error).split())
        raise SiteFileError(
            f"{prefix}not valid TOML: {reason}. Mend that line (text needs quotes, points are "
            "[x, y], tables start with [name] or [[name]])."
        ) from error
    except RecursionError as error:
        raise SiteFileError(f"{prefix}nested too deeply. A site file needs 4 levels.") from error
    return site_from_mapping(data, prefix)


def site_from_mapping(data: Mapping[str, Any], prefix: str = "site: ") -> Site:
    """Check a mapping with the keys of a site file (of the page, or of changes at replanning).

    Raises
    ------
    SiteFileError
        As :func:`parse_site`.
    """
    try:
        site = Site.model_validate(_as_tuples(data), strict=True)
    except RecursionError as error:
        raise SiteFileError(f"{prefix}nested too deeply. A site file needs 4 levels.") from error
    except ValidationError as error:
        raise SiteFileError(prefix + _explain(error, data)) from error
    _check_names(site, prefix)
    _check_shapes(site, prefix)
    _check_conductors(site, prefix)
    return site


def _as_tuples(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _as_tuples(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return tuple(_as_tuples(part) for part in value)
    return value


def _explain(error: ValidationError, data: Mapping[str, Any]) -> str:
    """First fault of a validation, unknown keys before all others, as one line."""
    faults = sorted(error.errors(), key=lambda fault: fault["type"] != "extra_forbidden")
    fault = faults[0]
    place, kind = fault["loc"], fault["type"]
    where = _place_text(place, data)
    context = fault.get("ctx", {})
    given = fault.get("input")
    if kind == "extra_forbidden":
        text = _unknown_key(place, data)
    elif kind == "missing":
        text = f"{where} is missing. Add it."
    elif kind == "too_short":
        text = _too_few(place, where, context)
    elif kind == "finite_number":
        text = f"{where} is {given}. Give a finite number."
    elif kind == "literal_error":
        text = f"{where} is {given!r}; it must be {context.get('expected')}. Use one of these."
    elif kind == "string_pattern_mismatch":
        text = f"{where} is {_short(given)}; it must be one line without control letters. Mend it."
    elif kind == "value_error":
        text = f"{where}: {context.get('error')}."
    else:
        text = f"{where} is {_short(given)}: {_plain(fault['msg'])}. Mend that value."
    more = len(faults) - 1
    return " ".join(text.split()) + (f" ({more} more after it.)" if more else "")


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _plain(message: str) -> str:
    """Words of a checker's message, in TOML's terms."""
    text = message.removeprefix("Input ").replace("tuple", "list").replace("dictionary", "table")
    return "it " + text if text.startswith("should") else text[:1].lower() + text[1:]


def _too_few(place: tuple[int | str, ...], where: str, context: Mapping[str, Any]) -> str:
    have, need = context.get("actual_length"), context.get("min_length")
    noun = "corners" if place[-1] == "footprint_m" else "points"
    shape = "a polygon" if place[-1] == "footprint_m" else "a path"
    return f"{where} has {have} {noun}; {shape} needs at least {need}. Add the missing ones."


def _unknown_key(place: tuple[int | str, ...], data: Mapping[str, Any]) -> str:
    key = str(place[-1])
    parent = _place_text(place[:-1], data) if len(place) > 1 else "the file"
    known = sorted(_model_at(place[:-1]).model_fields)
    near = get_close_matches(key, known, n=1, cutoff=0.5)
    hint = f"Did you mean '{near[0]}'?" if near else f"Known keys: {', '.join(known)}."
    return f"unknown key '{key}' in {parent}. {hint}"


def _model_at(place: tuple[int | str, ...]) -> type[BaseModel]:
    model: type[BaseModel] = Site
    for part in place:
        if isinstance(part, str) and part in model.model_fields:
            inner = _model_in(model.model_fields[part].annotation)
            model = inner or model
    return model


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for part in get_args(annotation):
        found = _model_in(part)
        if found is not None:
            return found
    return None


def _place_text(place: tuple[int | str, ...], data: Mapping[str, Any]) -> str:
    """Words for a place such as ``("target", 0, "footprint_m", 1)``, counting from 1."""
    words: list[str] = []
    item: Any = data
    for part in place:
        item = _step_into(item, part)
        if isinstance(part, int):
            name = item.get("name") if isinstance(item, Mapping) else None
            words[-1:] = [f"{words[-1] if words else 'entry'} [{part + 1}]"]
            if isinstance(name, str):
                words[-1] += f" ('{name}')"
        else:
            words.append(str(part))
    return ", ".join(words) if words else "the file"


def _step_into(item: Any, part: int | str) -> Any:
    try:
        return item[part]
    except (KeyError, IndexError, TypeError):
        return None


def _check_names(site: Site, prefix: str) -> None:
    obstacles = [part.name for part in site.target] + [part.name for part in site.conductor]
    zones = [part.name for part in site.drop_zone]
    landings = [part.name for part in site.landing]
    trucks = [part.name for part in site.haul.trucks]
    for kind, names in (
        ("target or conductor", obstacles),
        ("drop_zone", zones),
        ("landing", landings),
        ("truck", trucks),
    ):
        for name in names:
            if names.count(name) > 1:
                raise SiteFileError(
                    f"{prefix}the name '{name}' is given to {names.count(name)} entries of kind "
                    f"{kind}. Give each its own name, so that the plan can say which it means."
                )


def _check_shapes(site: Site, prefix: str) -> None:
    for kind in _NAMED_LISTS:
        parts: tuple[Any, ...] = getattr(site, kind)
        for number, part in enumerate(parts, start=1):
            where = f"{prefix}{kind} {number} ('{part.name}')"
            if getattr(part, "footprint_m", None) is not None:
                _check_polygon(part.footprint_m, where)
            if getattr(part, "path_m", None) is not None:
                _check_path(part.path_m, where)


def _check_polygon(corners: tuple[tuple[float, float], ...], where: str) -> None:
    points = np.asarray(corners)
    distinct = len(np.unique(points, axis=0))
    if distinct < 3:
        raise SiteFileError(
            f"{where}: footprint_m has {distinct} different corners; a polygon needs at least 3. "
            "Add the missing ones."
        )
    polygon = shapely.Polygon(points)
    if not polygon.is_valid:
        reason = shapely.is_valid_reason(polygon)
        raise SiteFileError(
            f"{where}: the edges of footprint_m cross or touch each other ({reason}). List the "
            "corners in order around the outline."
        )
    if polygon.area < 1e-4:
        raise SiteFileError(
            f"{where}: footprint_m has no area ({polygon.area:.1g} m²). Check the corners; for a "
            "fence or wall use path_m with width_m."
        )


def _check_path(path: tuple[tuple[float, ...], ...], where: str) -> None:
    if float(np.linalg.norm(np.diff(np.asarray(path), axis=0), axis=1).sum()) < 1e-3:
        raise SiteFileError(f"{where}: all points of path_m are the same. Give both ends.")


def _check_conductors(site: Site, prefix: str) -> None:
    """A margin below the distance rule is taken for insulated low-voltage drops only."""
    for number, part in enumerate(site.conductor, start=1):
        if part.margin_m is None or part.kilovolts <= LOW_VOLTAGE_KV:
            continue
        rule = conductor_distance_m(part.kilovolts)
        if part.margin_m < rule:
            raise SiteFileError(
                f"{prefix}conductor {number} ('{part.name}'), margin_m is {part.margin_m:g} m; at "
                f"{part.kilovolts:g} kV unqualified persons keep {rule:.2f} m (29 CFR "
                "1910.333(c)(3)). Raise it or leave it out; a smaller one is taken only up to "
                f"{LOW_VOLTAGE_KV:g} kV, for an insulated service drop."
            )


LOW_VOLTAGE_KV = 1.0
"""Up to here a conductor may carry the site's own ``margin_m`` (insulated service drop). [kV]"""


def conductor_distance_m(kilovolts: float) -> float:
    """Distance that unqualified persons and what they handle keep from a conductor. [m]

    10 ft (3.05 m) up to 50 kV and 4 in (0.10 m) for every 10 kV or part of it above.

    References
    ----------
    29 CFR 1910.333(c)(3)(i)(A).  Local rules may ask for more.

    Examples
    --------
    >>> [conductor_distance_m(kv) for kv in (50.0, 60.0, 80.0, 133.0)]
    [3.05, 3.15, 3.35, 3.95]
    """
    steps = float(np.ceil(max(kilovolts - 50.0, 0.0) / 10.0 - 1e-9))
    return round(3.05 + 0.10 * steps, 6)


def site_toml(site: Site) -> str:
    """Return the text of a site file that reads back as the same site.

    Only values that differ from the defaults are written.
    """
    data = site.model_dump(exclude_defaults=True)
    lines: list[str] = []
    for key, value in data.items():
        if not isinstance(value, dict) and key not in (*_NAMED_LISTS, "defect"):
            lines.append(f"{key} = {_toml_value(value)}")
    for key, value in data.items():
        if isinstance(value, dict):
            lines += ["", f"[{key}]", *_toml_rows(value)]
        elif key in (*_NAMED_LISTS, "defect"):
            for entry in value:
                lines += ["", f"[[{key}]]", *_toml_rows(entry)]
    return "\n".join(lines).strip() + "\n"


def _toml_rows(table: Mapping[str, Any]) -> list[str]:
    return [f"{key} = {_toml_value(value)}" for key, value in table.items() if value is not None]


def _toml_value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _toml_string(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(float(value))
    if isinstance(value, Mapping):
        rows = (
            f"{_toml_string(str(key))} = {_toml_value(part)}"
            for key, part in value.items()
            if part is not None
        )
        return "{ " + ", ".join(rows) + " }"
    return "[" + ", ".join(_toml_value(part) for part in value) + "]"


def _toml_string(text: str) -> str:
    escaped = "".join(
        f"\\{char}" if char in '"\\' else char if ord(char) >= 32 and ord(char) != 127
        else f"\\u{ord(char):04X}"
        for char in text
    )  # fmt: skip
    return f'"{escaped}"'
