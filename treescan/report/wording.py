"""How numbers and steps are said to people, in metric and in US units at once.

Everything a person reads goes through :class:`Words`, which holds the same sentence twice.
Ranges are rounded outward and to what is worth reading: loads and weights up at the high end,
clearances down.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

from treescan.units import (
    CUBIC_YARD_M3,
    FOOT_M,
    INCH_M,
    POUND_FORCE_N,
    POUND_KG,
    Band,
    UnitSystem,
)

FOOT_POUND_J = FOOT_M * POUND_FORCE_N
POINTS = (
    "north", "north-northeast", "northeast", "east-northeast",
    "east", "east-southeast", "southeast", "south-southeast",
    "south", "south-southwest", "southwest", "west-southwest",
    "west", "west-northwest", "northwest", "north-northwest",
)  # fmt: skip


@dataclass(frozen=True)
class Words:
    """One sentence in metric and in US units."""

    metric: str
    us: str

    def text(self, units: UnitSystem) -> str:
        """Return the sentence in the units asked for."""
        return self.us if units == "us" else self.metric

    def __add__(self, other: Words | str) -> Words:
        """Join two sentences, or a sentence and plain text."""
        right = other if isinstance(other, Words) else plain(other)
        return Words(self.metric + right.metric, self.us + right.us)

    def __bool__(self) -> bool:
        return bool(self.metric)


def plain(text: str) -> Words:
    """Text that is the same in both systems."""
    return Words(text, text)


def fill(template: str, *parts: Words | str) -> Words:
    """Fill ``{}`` places of a template with words in either system."""
    words = [part if isinstance(part, Words) else plain(part) for part in parts]
    return Words(
        template.format(*(w.metric for w in words)), template.format(*(w.us for w in words))
    )


def _outward(low: float, high: float, step: Callable[[float], float]) -> tuple[float, float]:
    """Round a range outward to steps that fit the size of its high end."""
    size = step(abs(high))
    return math.floor(low / size + 1e-9) * size, math.ceil(high / size - 1e-9) * size


def _mass_step(value: float) -> float:
    return next(
        s for top, s in ((20, 1), (100, 5), (1000, 10), (10_000, 50), (9e99, 100)) if value < top
    )


def _kilonewton_step(value: float) -> float:
    return next(s for top, s in ((1, 0.05), (10, 0.1), (50, 0.5), (9e99, 1.0)) if value < top)


def _number(value: float, step: float) -> str:
    digits = 0 if step >= 1 else (1 if step >= 0.1 else 2)
    return f"{value:,.{digits}f}"


def _range(low: float, high: float, unit: str, step: Callable[[float], float]) -> str:
    if not (math.isfinite(low) and math.isfinite(high)):
        return f"not known ({unit})"
    size = step(abs(high))
    low, high = _outward(low, high, step)
    first, last = _number(max(low, 0.0) if low > -size else low, size), _number(high, size)
    return f"{last} {unit}" if first == last else f"{first}–{last} {unit}"


def mass_range(band: Band) -> Words:
    """Mass as a range, rounded outward."""
    return Words(
        _range(band.low, band.high, "kg", _mass_step),
        _range(band.low / POUND_KG, band.high / POUND_KG, "lb", _mass_step),
    )


def mass_most(value_kg: float) -> Words:
    """Mass to plan on, rounded up."""
    return Words(_up(value_kg, "kg", _mass_step), _up(value_kg / POUND_KG, "lb", _mass_step))


def force_most(value_n: float) -> Words:
    """A load, rounded up."""
    return Words(
        _up(value_n / 1e3, "kN", _kilonewton_step), _up(value_n / POUND_FORCE_N, "lbf", _mass_step)
    )


def _up(value: float, unit: str, step: Callable[[float], float]) -> str:
    size = step(abs(value))
    return f"{_number(math.ceil(value / size - 1e-9) * size, size)} {unit}"


def force_range(band: Band) -> Words:
    """Force as a range, rounded outward: kN, or lb of force."""
    return Words(
        _range(band.low / 1e3, band.high / 1e3, "kN", _kilonewton_step),
        _range(band.low / POUND_FORCE_N, band.high / POUND_FORCE_N, "lbf", _mass_step),
    )


def force_least(value_n: float) -> Words:
    """A strength or limit, rounded down."""
    kilo, pounds = value_n / 1e3, value_n / POUND_FORCE_N
    a, b = _kilonewton_step(kilo), _mass_step(pounds)
    if kilo < a:
        return Words(f"under {_number(a, a)} kN", f"under {_number(a / 4.448e-3, 1)} lbf")
    return Words(
        f"{_number(math.floor(kilo / a) * a, a)} kN",
        f"{_number(math.floor(pounds / b) * b, b)} lbf",
    )


def volume_range(band: Band) -> Words:
    """Volume as a range: cubic metres, or cubic yards."""

    def step(value: float) -> float:
        if value < 0.2:
            return 0.01
        return 0.05 if value < 2 else (0.1 if value < 20 else 1.0)

    return Words(
        _range(band.low, band.high, "m³", step),
        _range(band.low / CUBIC_YARD_M3, band.high / CUBIC_YARD_M3, "yd³", step),
    )


def length(value_m: float, digits: int = 1) -> Words:
    """Length: metres, or feet."""
    return Words(f"{value_m:.{digits}f} m", f"{value_m / FOOT_M:.{max(digits - 1, 0)}f} ft")


def length_least(value_m: float) -> Words:
    """A clearance, rounded down to 0.1 m or half a foot."""
    metres = math.floor(value_m * 10 + 1e-9) / 10
    feet = math.floor(value_m / FOOT_M * 2 + 1e-9) / 2
    return Words(f"{metres:.1f} m", f"{feet:.1f} ft")


def diameter(value_m: float) -> Words:
    """Diameter: whole centimetres, or inches."""
    return Words(f"{value_m * 100:.0f} cm", f"{value_m / INCH_M:.0f} in")


def diameter_range(low_m: float, high_m: float) -> Words:
    """Diameter as a range."""
    return Words(
        _range(low_m * 100, high_m * 100, "cm", lambda _: 1.0),
        _range(low_m / INCH_M, high_m / INCH_M, "in", lambda _: 1.0),
    )


def diameter_near(value_m: float, sd_m: float) -> Words:
    """Diameter as the range that holds 9 of 10 cases of a normal error."""
    return diameter_range(max(value_m - 1.645 * sd_m, 0.0), value_m + 1.645 * sd_m)


def length_most(value_m: float) -> Words:
    """A length to allow for, rounded up to 0.1 m or half a foot."""
    metres = math.ceil(value_m * 10 - 1e-9) / 10
    feet = math.ceil(value_m / FOOT_M * 2 - 1e-9) / 2
    return Words(f"{metres:.1f} m", f"{feet:.1f} ft")


def minutes_range(band: Band) -> str:
    """Minutes as a range."""
    low, high = math.floor(band.low + 0.25), math.ceil(band.high - 0.25)
    return f"{high} min" if low >= high else f"{low}–{high} min"


def hours_range(band: Band) -> str:
    """Hours as a range to a quarter of an hour."""
    low, high = math.floor(band.low * 4) / 4, math.ceil(band.high * 4) / 4
    return f"{high:g} h" if low == high else f"{low:g}–{high:g} h"


def percent(share: float) -> str:
    """Share of a limit, rounded up."""
    return f"{math.ceil(share * 100 - 1e-9)} %"


def compass(azimuth_deg: float) -> str:
    """Compass point of an azimuth clockwise from north (+y)."""
    return POINTS[round(azimuth_deg % 360.0 / 22.5) % 16]


def short_compass(azimuth_deg: float) -> str:
    """Compass point in letters, as "NNE"."""
    word = compass(azimuth_deg).replace("-", " ")
    letters = {"north": "N", "south": "S", "east": "E", "west": "W"}
    for name, letter in letters.items():
        word = word.replace(name, letter)
    return word.replace(" ", "")


_UNIT = re.compile(
    r"(?<![\w.])([+-]?\d+(?:[.,]\d+)*)(?:\s?(?:to|–|-)\s?(\d+(?:\.\d+)?))?\s?"
    r"(kN|kJ|kg|mm|cm|m³|m|N)(?![\w²³/·])"
)
_US_UNIT: dict[str, tuple[float, str, int]] = {
    "kN": (1e3 / POUND_FORCE_N, "lbf", 0),
    "N": (1 / POUND_FORCE_N, "lbf", 0),
    "kJ": (1e3 / FOOT_POUND_J, "ft·lbf", 0),
    "kg": (1 / POUND_KG, "lb", 0),
    "mm": (1e-3 / INCH_M, "in", 1),
    "cm": (1e-2 / INCH_M, "in", 0),
    "m³": (1 / CUBIC_YARD_M3, "yd³", 1),
    "m": (1 / FOOT_M, "ft", 1),
}


def bilingual(text: str) -> Words:
    """Give free text with metric quantities its US twin, number by number.

    >>> bilingual("Keep 2.0 m from the wire; line at 3.5 kN.").us
    'Keep 6.6 ft from the wire; line at 787 lbf.'
    """

    def convert(match: re.Match[str]) -> str:
        factor, unit, digits = _US_UNIT[match[3]]
        value = float(match[1].replace(",", "")) * factor
        if 0 < abs(value) < 10 and unit != "lb":
            digits = max(digits, 1)
        first = f"{value:,.{digits}f}"
        if match[2]:
            return f"{first}–{float(match[2]) * factor:,.{digits}f} {unit}"
        return f"{first} {unit}"

    return Words(text, _UNIT.sub(convert, text))
