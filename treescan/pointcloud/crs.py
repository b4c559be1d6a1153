"""The unit of length from a coordinate-system record: WKT text or GeoTIFF keys.

Sources: OGC 01-009 and OGC 18-010r7 (WKT), OGC 19-008r4 (GeoTIFF keys 1024, 3072, 3076, 4099),
EPSG unit codes 9001 metre, 9002 foot, 9003 US survey foot [from memory].
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from treescan.units import FOOT_M, US_SURVEY_FOOT_M

EPSG_UNIT = {9001: "m", 9002: "ft", 9003: "us-ft", 9102: "degree"}
_UNIT_TEXT = re.compile(
    r'\b(?:LENGTHUNIT|UNIT)\s*\[\s*"(?P<name>[^"]*)"\s*,\s*(?P<size>[0-9.eE+-]+)', re.IGNORECASE
)


def unit_of_size(size_m: float) -> str | None:
    """Name of a unit of so many metres.

    >>> unit_of_size(0.3048006096012192)
    'us-ft'
    """
    for name, metres in (("m", 1.0), ("us-ft", US_SURVEY_FOOT_M), ("ft", FOOT_M), ("mm", 0.001)):
        if abs(size_m - metres) < 2e-7 * metres:
            return name
    return None


def unit_from_wkt(wkt: str) -> tuple[str | None, str]:
    """Horizontal unit of a WKT text and the words that say so.

    The last length unit of the projected part counts; a text with only an angular unit is in
    degrees.

    >>> unit_from_wkt('PROJCS["x",GEOGCS["g",UNIT["degree",0.01745]],UNIT["metre",1]]')[0]
    'm'
    """
    text = re.split(r"\b(?:VERT_CS|VERTCRS|VERTICALCRS)\b", wkt, flags=re.IGNORECASE)[0]
    found = [
        (match["name"], float(match["size"]))
        for match in _UNIT_TEXT.finditer(text)
        if _is_number(match["size"])
    ]
    projected = re.search(r"\b(?:PROJCS|PROJCRS|PROJECTEDCRS|LOCAL_CS|ENGCRS)\b", text, re.I)
    lengths = [
        (name, unit_of_size(size))
        for name, size in found
        if unit_of_size(size) and not _angular(name)
    ]
    if projected and lengths:
        name, unit = lengths[-1]
        return unit, f'coordinate-system record: unit "{name}"'
    if not projected and re.search(r"\b(?:GEOGCS|GEOGCRS|GEODCRS|GEOGRAPHICCRS)\b", text, re.I):
        return "degree", "coordinate-system record: geographic"
    return None, ""


def unit_from_geokeys(keys: Iterable[Any], doubles: Any = ()) -> tuple[str | None, str, str]:
    """Unit, words and "EPSG:n" (or "") from GeoTIFF keys.

    Parameters
    ----------
    keys
        Objects with ``id``, ``tiff_tag_location``, ``value_offset``.
    doubles
        Values of the GeoDoubleParams record.
    """
    values = {int(key.id): int(key.value_offset) for key in keys}
    code = values.get(3072, 0)
    crs = f"EPSG:{code}" if 1024 <= code < 32767 else ""
    unit = EPSG_UNIT.get(values.get(3076, 0))
    if unit:
        return unit, f"coordinate-system record: unit EPSG:{values[3076]}", crs
    size_at = values.get(3077)
    sizes = list(doubles)
    if size_at is not None and 0 <= size_at < len(sizes):
        named = unit_of_size(float(sizes[size_at]))
        if named:
            return named, "coordinate-system record: unit size given", crs
    if values.get(1024) == 2:
        return "degree", "coordinate-system record: geographic", crs
    if _utm(code):
        return "m", f"coordinate-system record: EPSG:{code} is a UTM zone in metres", crs
    vertical = EPSG_UNIT.get(values.get(4099, 0))
    if vertical and vertical != "degree":
        return vertical, f"coordinate-system record: vertical unit EPSG:{values[4099]}", crs
    return None, "", crs


def _utm(code: int) -> bool:
    return (
        32601 <= code <= 32660
        or 32701 <= code <= 32760
        or 26901 <= code <= 26923
        or 25828 <= code <= 25838
    )


def _angular(name: str) -> bool:
    return any(word in name.lower() for word in ("deg", "rad", "gon", "grad"))


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
