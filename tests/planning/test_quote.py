"""The quote sheet: ranges, stated inputs, nothing assumed in silence."""

import numpy as np
import pytest

from treescan.planning.quote import quote_rows, rule_hours
from treescan.planning.types import TruckLoads
from treescan.site.model import Crew, Quote, Site
from treescan.skeleton.graph import TreeGraph
from treescan.units import Band
from treescan.wood.mass import green_mass
from treescan.wood.species import find_species

TRUCKS = (
    TruckLoads("chip truck", "chip", Band(1, 2, 3), "volume", 0.0),
    TruckLoads("log truck", "log", Band(1, 1, 2), "payload", 400.0),
)
WEIGHT = Band(4000.0, 5000.0, 6000.0)
HOURS = Band(5.0, 6.0, 8.0)
RATES = Quote(
    crew_rate_per_hour=100.0,
    truck_rate_per_trip=80.0,
    tip_fee_per_tonne=50.0,
    equipment=120.0,
    margin_share=0.2,
    currency="dollars",
)


def row(rows, item):
    return next(r for r in rows if r["item"] == item)


def test_the_sum_by_hand():
    rows = quote_rows(Site(quote=RATES), TRUCKS, WEIGHT, hours=HOURS)
    cost = row(rows, "cost")
    assert cost["low"] == pytest.approx(5 * 100 + 2 * 80 + 4 * 50 + 120)
    assert cost["likely"] == pytest.approx(6 * 100 + 3 * 80 + 5 * 50 + 120)
    assert cost["high"] == pytest.approx(8 * 100 + 5 * 80 + 6 * 50 + 120)
    price = row(rows, "price with margin")
    for side in ("low", "likely", "high"):
        assert price[side] == pytest.approx(cost[side] / 0.8, abs=0.01)
    assert "stump" in price["how"]


def test_every_price_names_its_input():
    rows = quote_rows(Site(quote=RATES), TRUCKS, WEIGHT, hours=HOURS)
    for item, key in (
        ("crew", "100 dollars a crew hour (crew_rate_per_hour)"),
        ("hauling", "80 dollars a trip (truck_rate_per_trip)"),
        ("disposal", "50 dollars a tonne (tip_fee_per_tonne)"),
        ("equipment", "equipment, under [quote]"),
    ):  # fmt: skip
        assert key in row(rows, item)["how"]
        assert row(rows, item)["unit"] == "dollars"
    assert all(r["how"] for r in rows)


@pytest.mark.parametrize("key", ["crew_rate_per_hour", "truck_rate_per_trip", "tip_fee_per_tonne"])
def test_a_missing_rate_leaves_the_total_open(key):
    rates = RATES.model_copy(update={key: None})
    rows = quote_rows(Site(quote=rates), TRUCKS, WEIGHT, hours=HOURS)
    total = row(rows, "total")
    assert total["low"] is total["likely"] is total["high"] is None
    assert f"write {key} (price of a" in total["how"]
    assert "under [quote] in the site file" in total["how"]
    assert "quote." not in " ".join(r["how"] for r in rows), "no raw key paths"
    assert not any(r["item"] == "price with margin" for r in rows)


def test_amounts_are_ranges():
    rows = quote_rows(Site(quote=RATES), TRUCKS, WEIGHT, hours=HOURS)
    for item in ("crew hours", "truck trips", "disposal weight", "crew", "hauling", "disposal"):
        found = row(rows, item)
        assert found["low"] < found["likely"] < found["high"]
    assert row(rows, "truck trips")["high"] == 5


def stem(length_m):
    n = 41
    radius = np.full(n, 0.2)
    return TreeGraph(
        np.column_stack([np.zeros(n), np.zeros(n), np.linspace(0, length_m, n)]),
        radius, 0.03 * radius, np.arange(-1, n - 1, dtype=np.int32), np.zeros(n, np.int32),
        np.zeros(n, np.int32), np.ones(n), np.zeros(n, np.int32), np.zeros(n, bool), np.zeros(3),
    )  # fmt: skip


def test_rule_hours_by_hand():
    graph = stem(8.0)
    mass = green_mass(graph, find_species("white oak"), in_leaf=False)
    hours, words = rule_hours(graph, mass, Site())
    # set-up 20-40 min; 4 logs: dropped 2 min each (low), lowered 12 min each (high)
    assert hours.low == pytest.approx((20 + 4 * 2) / 60)
    assert hours.high == pytest.approx((40 + 4 * 12) / 60)
    assert hours.low < hours.likely < hours.high
    assert "rule without a plan" in words
    rows = quote_rows(Site(), TRUCKS, WEIGHT, mass=mass, graph=graph)
    assert "rule without a plan" in row(rows, "crew hours")["how"]


def test_a_slower_chipper_costs_hours():
    graph = stem(8.0)
    thin = TreeGraph(
        graph.position_m, graph.radius_m * 0.2, graph.radius_sd_m, graph.parent, graph.limb,
        graph.order, graph.support, graph.source, graph.bridged, graph.origin_m,
    )  # fmt: skip
    mass = green_mass(thin, find_species("white oak"), in_leaf=False)
    slow, _ = rule_hours(thin, mass, Site(crew=Crew(chipper_t_h=0.5)))
    fast, _ = rule_hours(thin, mass, Site(crew=Crew(chipper_t_h=6.0)))
    assert slow.likely > fast.likely


def test_without_hours_plan_or_tree_the_total_is_open():
    rows = quote_rows(Site(quote=RATES), TRUCKS, WEIGHT)
    assert row(rows, "crew hours")["likely"] is None
    assert row(rows, "crew")["how"].startswith("open: no plan")
    assert row(rows, "total")["likely"] is None


def test_a_currency_that_is_not_named_is_not_made_up():
    rates = RATES.model_copy(update={"currency": Quote().currency, "equipment": 0.0})
    rows = quote_rows(Site(quote=rates), TRUCKS, WEIGHT, hours=HOURS)
    assert row(rows, "crew")["how"] == "100 a crew hour (crew_rate_per_hour)"
    assert row(rows, "crew")["unit"] == ""
    assert "none stated" in row(rows, "equipment")["how"]
