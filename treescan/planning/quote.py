"""The sheet an estimator quotes from: every row a range, every input named."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from treescan.planning.types import Step, TruckLoads
from treescan.site.model import Quote, Site
from treescan.skeleton.graph import TreeGraph
from treescan.units import Band
from treescan.wood.types import GreenMass

PIECE_LENGTH_M = 2.0
"""Without a plan: one cut for every 2 m of wood thicker than the chip diameter (judgement)."""

QuoteRow = dict[str, object]

NO_CURRENCY = Quote().currency
"""The site file names no currency: sums are then printed without one."""


def rule_hours(graph: TreeGraph, mass: GreenMass, site: Site) -> tuple[Band, str]:
    """Crew hours without a plan, and the rule in words.

    Set-up, one dropped (low) or lowered (high) log for every 2 m of wood from the chip
    diameter up, one limb for every limb below it, and chipping of the fine wood at the
    site's rate.  Durations are those of the site file (common practice, no source); likely is
    the geometric mean of low and high.

    Parameters
    ----------
    graph : TreeGraph
        n nodes.
    mass : GreenMass
        Of the same n nodes.
    site : Site
        Its ``minutes``, ``crew.chipper_t_h`` and ``haul.chip_below_m``.

    Returns
    -------
    (hours, words) : Band, str
        [h]
    """
    thick = graph.edge_start_radius_m + graph.radius_m >= site.haul.chip_below_m
    logs = float(graph.edge_length_m[thick].sum()) / PIECE_LENGTH_M
    up = np.maximum(graph.parent, 0)
    limbs = float((~thick & thick[up] & (np.arange(len(graph)) > 0)).sum())
    minutes = site.minutes
    fine_t = float(mass.likely_kg[~thick].sum()) / 1000.0
    chip_h = fine_t / site.crew.chipper_t_h
    low = minutes.set_up[0] + logs * minutes.dropped_log[0] + limbs * minutes.dropped_limb[0]
    high = minutes.set_up[1] + logs * minutes.lowered_log[1] + limbs * minutes.lowered_limb[1]
    middle = np.sqrt(max(low, 1e-9) * high)
    words = (
        f"rule without a plan: set-up, {logs:.0f} logs (one per {PIECE_LENGTH_M:g} m) and "
        f"{limbs:.0f} limbs, all dropped (low) to all lowered (high), plus {fine_t:.1f} t "
        f"chipped at {site.crew.chipper_t_h:g} t/h"
    )
    return Band(low / 60 + chip_h, middle / 60 + chip_h, high / 60 + chip_h), words


def plan_hours(steps: Sequence[Step], site: Site) -> tuple[Band, str]:
    """Crew hours as the sum of the plan's minutes and the set-up, and that in words. [h]"""
    low, high = site.minutes.set_up
    total = Band(low, 0.5 * (low + high), high)
    for step in steps:
        total = total + step.minutes
    return total.scaled(1 / 60), f"set-up and the minutes of {len(steps)} steps, one after another"


def _row(item: str, band: Band | None, unit: str, how: str) -> QuoteRow:
    value = {} if band is None else band.as_dict(2)
    return {
        "item": item,
        "low": value.get("low"),
        "likely": value.get("likely"),
        "high": value.get("high"),
        "unit": unit,
        "how": how,
    }


def quote_rows(
    site: Site,
    trucks: Sequence[TruckLoads],
    disposal_kg: Band,
    *,
    steps: Sequence[Step] | None = None,
    hours: Band | None = None,
    mass: GreenMass | None = None,
    graph: TreeGraph | None = None,
) -> tuple[QuoteRow, ...]:
    """Rows ``item, low, likely, high, unit, how``; prices only from the site's rates.

    A rate that the site file does not give leaves its price open (``None``), and the total is
    then marked as incomplete: nothing is assumed that is not printed.

    Parameters
    ----------
    trucks : sequence of TruckLoads
        Trips are summed over them.
    disposal_kg : Band
        Green mass of all that leaves the site. [kg]
    hours : Band, optional
        Crew hours of the plan; else from ``steps``, else by :func:`rule_hours`.
    """
    hours, words = _hours(site, steps, hours, mass, graph)
    trips = Band(
        sum(t.loads.low for t in trucks),
        sum(t.loads.likely for t in trucks),
        sum(t.loads.high for t in trucks),
    )
    tonnes = disposal_kg.scaled(1 / 1000)
    rates: Quote = site.quote
    rows = [
        _row("crew hours", hours, "h", f"{words}; crew of {site.crew.ground + 1}"),
        _row("truck trips", trips, "trips", "from the load sheet"),
        _row("disposal weight", tonnes, "t", "green mass of all pieces"),
    ]
    priced = [
        ("crew", hours, rates.crew_rate_per_hour, "crew_rate_per_hour", "crew hour"),
        ("hauling", trips, rates.truck_rate_per_trip, "truck_rate_per_trip", "trip"),
        ("disposal", tonnes, rates.tip_fee_per_tonne, "tip_fee_per_tonne", "tonne"),
    ]
    money = _currency(rates)
    costs, missing = [Band(rates.equipment, rates.equipment, rates.equipment)], []
    for item, amount, rate, key, unit in priced:
        if rate is None or amount is None:
            missing.append(f"{key} (price of a {unit})")
            how = _how_to_give(missing[-1:]) if rate is None else words
            rows.append(_row(item, None, money, f"open: {how}"))
            continue
        costs.append(amount.scaled(rate))
        rows.append(_row(item, costs[-1], money, f"{_sum(rate, money)} a {unit} ({key})"))
    given = "as stated" if rates.equipment else "none stated; add it as"
    rows.append(_row("equipment", costs[0], money, f"{given} (equipment, under [quote])"))
    rows += _totals(rates, costs, missing)
    return tuple(rows)


def _currency(rates: Quote) -> str:
    return "" if rates.currency == NO_CURRENCY else rates.currency


def _sum(amount: float, money: str) -> str:
    return f"{amount:g} {money}".strip()


def _how_to_give(missing: Sequence[str]) -> str:
    """How the site file gives what is missing."""
    return f"write {' and '.join(missing)} under [quote] in the site file"


def _hours(
    site: Site,
    steps: Sequence[Step] | None,
    hours: Band | None,
    mass: GreenMass | None,
    graph: TreeGraph | None,
) -> tuple[Band | None, str]:
    if hours is not None:
        return hours, "from the plan's schedule"
    if steps:
        return plan_hours(steps, site)
    if mass is not None and graph is not None:
        return rule_hours(graph, mass, site)
    return None, "no plan and no tree to apply the rule to"


def _totals(rates: Quote, costs: Sequence[Band], missing: Sequence[str]) -> list[QuoteRow]:
    """Sum and margin; open where a rate is missing."""
    subtotal = costs[0]
    for cost in costs[1:]:
        subtotal = subtotal + cost
    money = _currency(rates)
    if missing:
        return [_row("total", None, money, f"open while a price is; {_how_to_give(missing)}")]
    price = subtotal.scaled(1.0 / (1.0 - rates.margin_share))
    margin = (
        f"the cost over 1 - {rates.margin_share:g} (margin_share)"
        if rates.margin_share
        else "no margin stated (margin_share, under [quote])"
    )
    return [
        _row("cost", subtotal, money, "crew + hauling + disposal + equipment"),
        _row(
            "price with margin",
            price,
            money,
            f"{margin}; stump, permits, traffic control and taxes are not in it",
        ),
    ]
