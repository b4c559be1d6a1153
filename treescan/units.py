"""Units at the edges and quantities with their spread.  Inside the library all is SI.

A :class:`Band` is a low / likely / high triple: loads use ``high``, strengths use ``low``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

G_M_S2 = 9.81
"""Gravity used in every worked value of the check tables. [m/s²]"""

FOOT_M = 0.3048
US_SURVEY_FOOT_M = 1200.0 / 3937.0
INCH_M = 0.0254
POUND_KG = 0.45359237
POUND_FORCE_N = 4.4482216152605
CUBIC_YARD_M3 = 0.764554857984
CUBIC_FOOT_M3 = 0.028316846592
POUND_PER_CUBIC_FOOT_KG_M3 = POUND_KG / CUBIC_FOOT_M3

UnitSystem = Literal["metric", "us"]


@dataclass(frozen=True)
class Band:
    """A quantity with its spread; the unit is that of the field that holds it.

    ``low`` and ``high`` bound the 5 % to 95 % range unless the owner says otherwise.
    """

    low: float
    likely: float
    high: float

    def __add__(self, other: Band) -> Band:
        """Sum of fully correlated quantities (the cautious assumption along one tree)."""
        return Band(self.low + other.low, self.likely + other.likely, self.high + other.high)

    def scaled(self, factor: float) -> Band:
        """All three values times a non-negative factor."""
        return Band(self.low * factor, self.likely * factor, self.high * factor)

    def as_dict(self, digits: int = 3) -> dict[str, float]:
        """Plain dictionary for JSON."""
        return {
            "low": round(float(self.low), digits),
            "likely": round(float(self.likely), digits),
            "high": round(float(self.high), digits),
        }


ZERO_BAND = Band(0.0, 0.0, 0.0)


def length_text(value_m: float, system: UnitSystem = "metric", digits: int = 1) -> str:
    """Length for people: metres, or feet."""
    if system == "us":
        return f"{value_m / FOOT_M:.{digits}f} ft"
    return f"{value_m:.{digits}f} m"


def diameter_text(value_m: float, system: UnitSystem = "metric") -> str:
    """Diameter for people: whole centimetres, or inches."""
    if system == "us":
        return f"{value_m / INCH_M:.0f} in"
    return f"{value_m * 100:.0f} cm"


def mass_text(value_kg: float, system: UnitSystem = "metric") -> str:
    """Mass for people: kilograms or tonnes, or pounds."""
    if system == "us":
        return f"{value_kg / POUND_KG:,.0f} lb"
    if abs(value_kg) >= 10_000:
        return f"{value_kg / 1000:.1f} t"
    return f"{value_kg:,.0f} kg"


def force_text(value_n: float, system: UnitSystem = "metric") -> str:
    """Force for people: kilonewtons, or pounds-force."""
    if system == "us":
        return f"{value_n / POUND_FORCE_N:,.0f} lbf"
    return f"{value_n / 1000:.1f} kN"


def volume_text(value_m3: float, system: UnitSystem = "metric") -> str:
    """Volume for people: cubic metres, or cubic yards."""
    if system == "us":
        return f"{value_m3 / CUBIC_YARD_M3:.1f} yd³"
    return f"{value_m3:.1f} m³"
