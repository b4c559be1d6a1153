"""Numbers as people type them: in the units of their device, SI in the job."""

from __future__ import annotations

from dataclasses import dataclass

from treescan.units import (
    CUBIC_YARD_M3,
    FOOT_M,
    INCH_M,
    POUND_FORCE_N,
    POUND_KG,
    UnitSystem,
)

MILE_PER_HOUR_M_S = 0.44704
SHORT_TON_T = 0.90718474


@dataclass(frozen=True)
class Unit:
    """A unit: its sign, SI units in one of it, digits shown after the point."""

    sign: str
    si: float
    digits: int = 1


@dataclass(frozen=True)
class Quantity:
    """A kind of number with its metric and its US unit; ``whole`` numbers have no fraction."""

    metric: Unit
    us: Unit
    whole: bool = False

    def unit(self, system: UnitSystem) -> Unit:
        """Unit in a system."""
        return self.us if system == "us" else self.metric

    def shown(self, value: float | None, system: UnitSystem) -> str:
        """Value (SI) as it stands in an input; "" for none."""
        if value is None:
            return ""
        unit = self.unit(system)
        text = f"{value / unit.si:.{unit.digits}f}"
        return text.rstrip("0").rstrip(".") if "." in text else text

    def text(self, value: float, system: UnitSystem) -> str:
        """Value with its unit."""
        return f"{self.shown(value, system)} {self.unit(system).sign}".strip()

    def read(self, text: str, system: UnitSystem) -> float | int | None:
        """SI value of what was typed; None for nothing.

        Raises
        ------
        ValueError
            In words, when it is no number, or no whole one where that is needed.
        """
        bare = text.strip().replace(",", ".")
        if not bare:
            return None
        try:
            number = float(bare)
        except ValueError:
            raise ValueError(f"“{text}” is not a number") from None
        if self.whole:
            if number != int(number):
                raise ValueError(f"“{text}” is not a whole number")
            return int(number)
        return number * self.unit(system).si


LENGTH = Quantity(Unit("m", 1.0, 2), Unit("ft", FOOT_M, 1))
DIAMETER = Quantity(Unit("cm", 0.01, 1), Unit("in", INCH_M, 1))
MASS = Quantity(Unit("kg", 1.0, 0), Unit("lb", POUND_KG, 0))
HOLDS = Quantity(Unit("kN", 1.0, 1), Unit("lbf", POUND_FORCE_N / 1000.0, 0))
FORCE = Quantity(Unit("N", 1.0, 0), Unit("lbf", POUND_FORCE_N, 0))
SPEED = Quantity(Unit("m/s", 1.0, 1), Unit("mph", MILE_PER_HOUR_M_S, 0))
VOLUME = Quantity(Unit("m³", 1.0, 1), Unit("yd³", CUBIC_YARD_M3, 1))
SHARE = Quantity(Unit("%", 0.01, 0), Unit("%", 0.01, 0))
PER_HOUR = Quantity(Unit("t/h", 1.0, 1), Unit("short ton/h", SHORT_TON_T, 1))
KILOVOLTS = Quantity(Unit("kV", 1.0, 3), Unit("kV", 1.0, 3))
ENERGY = Quantity(Unit("kJ", 1.0, 1), Unit("ft·lbf", FOOT_M * POUND_FORCE_N / 1000.0, 0))
HOURS = Quantity(Unit("h", 1.0, 2), Unit("h", 1.0, 2))
MONEY = Quantity(Unit("", 1.0, 2), Unit("", 1.0, 2))
COUNT = Quantity(Unit("", 1.0, 0), Unit("", 1.0, 0), whole=True)
FACTOR = Quantity(Unit("", 1.0, 2), Unit("", 1.0, 2))
