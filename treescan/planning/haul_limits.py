"""Road weight limits, as a caution beside the loads."""

from __future__ import annotations

import numpy as np

from treescan.errors import InvalidInputError
from treescan.site.model import Site, Truck
from treescan.units import FOOT_M, POUND_KG

INTERSTATE_GROSS_LB = 80_000.0
SINGLE_AXLE_LB = 20_000.0
TANDEM_AXLE_LB = 34_000.0
TANDEM_SPACING_FT = 8.0
LICENCE_KG = 26_001 * POUND_KG
"""US: a vehicle rated at 26,001 lb or more asks for a commercial licence (49 CFR 383.5 [from
memory])."""
HEAVY_PAYLOAD_KG = 5000.0
"""From this payload on road limits bind before the body is full (judgement)."""


def bridge_formula_lb(axles: int, outer_distance_ft: float) -> float:
    """Gross weight on a group of axles under the US bridge formula. [lb]

    W = 500 (L N/(N-1) + 12 N + 36), to the nearest 500, two axles at most 8 ft apart 34,000,
    never above 80,000 or 20,000 an axle.  23 USC 127, 23 CFR 658.17 [from memory; existence
    confirmed].

    Raises
    ------
    InvalidInputError
        Fewer than 2 axles, or no distance between them.

    Examples
    --------
    >>> bridge_formula_lb(5, 51.0)
    80000.0
    """
    if axles < 2 or outer_distance_ft <= 0:
        raise InvalidInputError("bridge formula: at least 2 axles and a distance above 0 ft.")
    if axles == 2 and outer_distance_ft <= TANDEM_SPACING_FT:
        return TANDEM_AXLE_LB
    raw = 500.0 * (outer_distance_ft * axles / (axles - 1) + 12.0 * axles + 36.0)
    rounded = np.floor(raw / 500.0 + 0.5) * 500.0
    return float(min(rounded, axles * SINGLE_AXLE_LB, INTERSTATE_GROSS_LB))


def bridge_formula_kg(axles: int, outer_distance_m: float) -> float:
    """As :func:`bridge_formula_lb` in metres and kilograms."""
    return bridge_formula_lb(axles, outer_distance_m / FOOT_M) * POUND_KG


def road_notes(site: Site) -> tuple[str, ...]:
    """What the payloads of the site file cannot say about axles, bridges and licences."""
    heavy = [t.name for t in site.haul.trucks if t.payload_kg > HEAVY_PAYLOAD_KG]
    notes = [
        "Payloads are as the site file gives them: check them against the truck's plate, and "
        "weigh the first load. Wet wood and logs over the rear axle pass axle limits before the "
        "gross limit."
    ]
    if heavy:
        limits = (
            "single axle 20,000 lb, tandem 34,000 lb, gross 80,000 lb and the bridge formula "
            "(23 CFR 658.17 [from memory])"
            if site.job.country == "us"
            else "national axle and gross limits (in the EU Directive 96/53/EC [from memory])"
        )
        notes.append(
            f"{', '.join(heavy)}: {limits} apply on the road; local law decides. With axles, "
            "outer_axles_m and empty_kg of a truck the bridge formula is worked out here."
        )
    for truck in site.haul.trucks:
        notes += _axle_notes(truck, us=site.job.country == "us")
    return tuple(notes)


def _axle_notes(truck: Truck, *, us: bool) -> list[str]:
    """What the axles of a truck leave for its load, where the site file gives them."""
    if truck.empty_kg is None:
        return []
    notes = []
    full_kg = truck.empty_kg + truck.payload_kg
    if us and full_kg >= LICENCE_KG:
        notes.append(
            f"{truck.name}: {full_kg:.0f} kg loaded asks for a commercial driver's licence where "
            "that is its rating (49 CFR 383.5 [from memory])."
        )
    if truck.axles is None or truck.outer_axles_m is None:
        return notes
    allowed = bridge_formula_kg(truck.axles, truck.outer_axles_m)
    left = allowed - truck.empty_kg
    verdict = (
        f"the payload of {truck.payload_kg:.0f} kg is too much by {truck.payload_kg - left:.0f} kg"
        if truck.payload_kg > left
        else f"the payload of {truck.payload_kg:.0f} kg keeps to it"
    )
    notes.append(
        f"{truck.name}: on {truck.axles} axles {truck.outer_axles_m:g} m apart the US bridge "
        f"formula allows {allowed:.0f} kg, which leaves {max(left, 0.0):.0f} kg for the load: "
        f"{verdict} (23 CFR 658.17 [from memory]; each axle has its own limit; local law decides)."
    )
    return notes
