"""Bucking, material classes and loads on trees of known mass."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.scenes.grow import truth_graph
from treescan.errors import SiteFileError
from treescan.mensuration.volume import edge_volume_m3
from treescan.motion.types import Path
from treescan.planning.haul import haul_plan
from treescan.planning.haul_bucking import SHORTEST_LOG_M, buck
from treescan.planning.haul_limits import bridge_formula_kg, bridge_formula_lb
from treescan.planning.types import Step
from treescan.site.model import Haul, Limits, Site, Truck
from treescan.skeleton.graph import TreeGraph
from treescan.units import Band
from treescan.wood.mass import green_mass
from treescan.wood.pieces import PieceTable
from treescan.wood.species import find_species

OAK = find_species("white oak")
SIDES = ("low", "likely", "high")


@pytest.fixture(scope="module")
def oak_tree():
    graph = truth_graph("broadleaf", 0)
    return graph, green_mass(graph, OAK, in_leaf=True)


def pole(radius_m, length_m, n=41):
    radius = np.linspace(*radius_m, n)
    graph = TreeGraph(
        np.column_stack([np.zeros(n), np.zeros(n), np.linspace(0, length_m, n)]),
        radius, 0.03 * radius, np.arange(-1, n - 1, dtype=np.int32), np.zeros(n, np.int32),
        np.zeros(n, np.int32), np.ones(n), np.zeros(n, np.int32), np.zeros(n, bool), np.zeros(3),
    )  # fmt: skip
    return graph, green_mass(graph, OAK, in_leaf=False)


def bucked(graph, mass, **options):
    settings_ = {"log_length_m": 2.4, "chip_below_m": 0.15, "lift_limit_kg": None} | options
    return buck(graph, mass, [np.arange(len(graph))], **settings_)


@given(st.floats(0.4, 6.0), st.floats(0.05, 0.5), st.sampled_from([None, 60.0, 200.0, 900.0]))
@settings(deadline=None, max_examples=30)
def test_logs_and_fine_wood_sum_to_the_tree(length, chip, lift):
    graph, mass = STEADY
    result = bucked(graph, mass, log_length_m=length, chip_below_m=chip, lift_limit_kg=lift)
    for side, whole in zip(SIDES, (mass.low_kg, mass.likely_kg, mass.high_kg), strict=True):
        total = sum(getattr(log.mass_kg, side) for log in result.logs)
        total += getattr(result.fine.mass_kg, side)
        assert total == pytest.approx(whole.sum(), rel=1e-9)
    for log in result.logs:
        assert log.length_m <= length + 1e-9
        assert log.large_end_m >= log.small_end_m > 0
        if lift is not None:
            assert log.mass_kg.high / log.split_into <= lift * (1 + 1e-9)


STEADY = (lambda g: (g, green_mass(g, OAK, in_leaf=True)))(truth_graph("broadleaf", 2))


def test_solid_volume_of_logs_is_that_of_their_edges():
    graph, mass = pole((0.30, 0.20), 7.2)
    result = bucked(graph, mass)
    assert len(result.logs) == 3
    assert [log.length_m for log in result.logs] == pytest.approx([2.4, 2.4, 2.4])
    solid = sum(log.solid_m3.likely for log in result.logs)
    assert solid == pytest.approx(edge_volume_m3(graph).sum(), rel=1e-9)
    assert result.logs[0].large_end_m == pytest.approx(0.60)
    assert result.logs[-1].small_end_m == pytest.approx(0.40)


@pytest.mark.parametrize(
    ("length", "expected"),
    [(7.2, [2.4] * 3), (8.4, [2.4, 2.4, 2.4, 1.2]), (5.1, [1.7] * 3), (2.0, [2.0])],
)
def test_log_lengths_of_a_pole(length, expected):
    graph, mass = pole((0.30, 0.25), length)
    assert [log.length_m for log in bucked(graph, mass).logs] == pytest.approx(expected)


def test_wood_below_the_chip_diameter_is_not_a_log():
    graph, mass = pole((0.30, 0.02), 10.0)
    result = bucked(graph, mass, chip_below_m=0.30)
    assert min(log.small_end_m for log in result.logs) > 0.27
    assert result.fine.mass_kg.likely > 0


def test_heavy_logs_are_cut_shorter_for_the_loader():
    graph, mass = pole((0.40, 0.35), 7.2)
    free, limited = bucked(graph, mass), bucked(graph, mass, lift_limit_kg=500.0)
    assert len(limited.logs) > len(free.logs)
    assert max(log.mass_kg.high for log in limited.logs) <= 500.0
    assert all(log.split_into == 1 for log in limited.logs)


def test_what_cannot_be_shortened_is_split_and_said():
    graph, mass = pole((0.60, 0.60), 3.0)
    result = bucked(graph, mass, lift_limit_kg=150.0)
    assert all(log.length_m >= SHORTEST_LOG_M - 1e-9 for log in result.logs)
    assert all(log.split_into > 1 for log in result.logs)
    assert "split them lengthways" in result.notes[0]
    wide = bucked(graph, mass, max_diameter_m=0.9)
    assert all(log.split_into == 2 for log in wide.logs)


def test_pieces_are_bucked_one_by_one():
    graph, mass = pole((0.30, 0.25), 8.0)
    pieces = [PieceTable(graph, mass).piece(1, [16]).nodes, PieceTable(graph, mass).piece(16).nodes]
    result = buck(graph, mass, pieces, log_length_m=2.4, chip_below_m=0.15, lift_limit_kg=None)
    # 3.0 m: one of 2.4 and one of 0.6 spread to two of 1.5; 5.0 m: three of 1.67
    assert [log.length_m for log in result.logs] == pytest.approx([1.5, 1.5] + [5 / 3] * 3)


def test_haul_plan_without_steps(oak_tree):
    graph, mass = oak_tree
    plan = haul_plan(graph, mass, OAK, Site())
    for side, whole in zip(SIDES, (mass.low_kg, mass.likely_kg, mass.high_kg), strict=True):
        total = sum(getattr(row.mass_kg, side) for row in plan.rows)
        assert total == pytest.approx(whole.sum(), rel=1e-9)
    assert {row.material for row in plan.rows} == {"log", "chips"}
    assert [t.truck for t in plan.trucks] == ["chip truck", "log truck"]
    for truck in plan.trucks:
        assert 1 <= truck.loads.low <= truck.loads.likely <= truck.loads.high
        assert truck.governs in ("volume", "payload")
    chips = next(row for row in plan.rows if row.material == "chips")
    assert chips.loose_m3.likely == pytest.approx(3.0 * chips.solid_m3.likely)
    assert all(row.loose_m3.likely > row.solid_m3.likely for row in plan.rows)


def with_trucks(*trucks, **limits):
    return Site(haul=Haul(trucks=trucks), limits=Limits(**limits))


def test_loads_are_at_least_mass_over_payload_and_space_over_body(oak_tree):
    graph, mass = oak_tree
    small = Truck(name="small", volume_m3=3.0, payload_kg=900.0, takes="any")
    plan = haul_plan(graph, mass, OAK, with_trucks(small))
    loads = plan.trucks[0].loads
    space = sum(row.loose_m3.likely for row in plan.rows)
    assert loads.likely >= np.ceil(mass.likely_kg.sum() / 900.0)
    assert loads.likely >= np.ceil(space / (0.9 * 3.0))
    assert loads.high >= loads.likely >= loads.low


def test_a_bigger_truck_never_needs_more_trips(oak_tree):
    graph, mass = oak_tree
    trips = []
    for size in (1.0, 1.5, 2.0, 4.0):
        truck = Truck(name="t", volume_m3=4.0 * size, payload_kg=1500.0 * size, takes="any")
        trips.append(haul_plan(graph, mass, OAK, with_trucks(truck)).trucks[0].loads.high)
    assert trips == sorted(trips, reverse=True)
    assert trips[0] > trips[-1]


def test_brush_where_only_brush_and_logs_are_taken(oak_tree):
    graph, mass = oak_tree
    plan = haul_plan(
        graph, mass, OAK,
        with_trucks(
            Truck(name="brush truck", volume_m3=12.0, payload_kg=3000.0, takes="brush"),
            Truck(name="log truck", volume_m3=8.0, payload_kg=5000.0, takes="log"),
        ),
    )  # fmt: skip
    brush = next(row for row in plan.rows if row.material == "brush")
    density = brush.mass_kg.likely / brush.loose_m3.likely
    assert density == pytest.approx(100.0)
    assert plan.trucks[0].governs == "volume"


def test_material_without_a_truck_is_said(oak_tree):
    graph, mass = oak_tree
    only = Truck(name="log truck", volume_m3=8.0, payload_kg=5000.0, takes="log")
    plan = haul_plan(graph, mass, OAK, with_trucks(only))
    assert any("have no truck" in note for note in plan.notes)
    only = Truck(name="chip truck", volume_m3=9.0, payload_kg=3500.0, takes="chip")
    plan = haul_plan(graph, mass, OAK, with_trucks(only))
    assert any("fit no truck" in note for note in plan.notes)


def test_heaviest_log_keeps_to_the_lift_limit(oak_tree):
    graph, mass = oak_tree
    truck = Truck(name="t", volume_m3=9.0, payload_kg=4000.0, takes="any", lift_limit_kg=250.0)
    plan = haul_plan(graph, mass, OAK, with_trucks(truck))
    assert 0 < plan.trucks[0].heaviest_piece_kg <= 250.0
    assert any("250 kg" in note for note in plan.trucks[0].notes)


def test_no_truck_at_all_is_refused(oak_tree):
    graph, mass = oak_tree
    with pytest.raises(SiteFileError, match="trucks is empty"):
        haul_plan(graph, mass, OAK, Site(haul=Haul(trucks=())))


@pytest.mark.published
@pytest.mark.parametrize(
    ("axles", "feet", "pounds"),
    [
        (5, 51, 80_000),
        (3, 20, 51_000),
        (3, 22, 52_500),
        (2, 8.01, 38_000),
        (2, 8.0, 34_000),
        (2, 20, 40_000),
    ],
)
def test_b1_bridge_formula(axles, feet, pounds):
    # 23 USC 127 [from memory]: N5 L51 -> 79,875 -> 80,000; at most 8 ft: 34,000, just above
    # 38,000; single axles carry 20,000 each at most
    assert bridge_formula_lb(axles, feet) == pounds


def test_bridge_formula_in_metres():
    assert bridge_formula_kg(3, 20 * 0.3048) == pytest.approx(51_000 * 0.45359237)


def test_nothing_left_makes_an_empty_sheet(oak_tree):
    graph, mass = oak_tree
    plan = haul_plan(graph, mass, OAK, Site(), pieces=[])
    assert plan.rows == ()
    assert all(truck.loads.high == 0 for truck in plan.trucks)


def test_wood_for_sale_is_told_in_cords_and_board_feet():
    graph, mass = pole((0.30, 0.25), 7.2)
    plan = haul_plan(graph, mass, OAK, Site())
    assert any("cords of 128" in note for note in plan.notes)
    sawn = next(note for note in plan.notes if "board feet" in note)
    assert sawn.startswith("3 log(s)")
    thin, light = pole((0.12, 0.10), 7.2)
    assert not any("board feet" in n for n in haul_plan(thin, light, OAK, Site()).notes)


def test_log_rows_hold_what_they_class(oak_tree):
    graph, mass = oak_tree
    logs = bucked(graph, mass, lift_limit_kg=900.0).logs
    rows = [row for row in haul_plan(graph, mass, OAK, Site()).rows if row.material == "log"]
    assert sum(row.count for row in rows) == len(logs)
    assert min(row.small_end_m for row in rows) == min(log.small_end_m for log in logs)
    assert max(row.large_end_m for row in rows) == max(log.large_end_m for log in logs)
    total = sum(row.count * row.length_m for row in rows)
    assert total == pytest.approx(sum(log.length_m for log in logs))
    assert all(row.length_m <= 2.4 + 1e-9 for row in rows)


def step_of(number, piece, minutes):
    still = Path(
        np.zeros(1), piece.centre_m[None], np.eye(3)[None], np.zeros(1), "free fall",
        piece.centre_m, 1.0, 0.0, 0.0,
    )  # fmt: skip
    return Step(
        number, piece, "free fall", None, np.zeros((0, 3)), None, (), None, None, None, "lawn",
        (), still, minutes, 2,
    )  # fmt: skip


def test_the_plans_pieces_and_minutes_make_the_sheet(oak_tree):
    graph, mass = oak_tree
    limbs = [int(n) for n in np.flatnonzero(graph.starts_limb & (graph.radius_m > 0.05))[:4]]
    first = [PieceTable(graph, mass).piece(n, [o for o in limbs if o > n]) for n in reversed(limbs)]
    last = PieceTable(graph, mass).piece(3, limbs)
    steps = [step_of(k, p, Band(5, 6, 9)) for k, p in enumerate([*first, last], start=1)]
    plan = haul_plan(graph, mass, OAK, Site(), steps)
    taken = np.concatenate([s.piece.nodes for s in steps])
    assert len(np.unique(taken)) == len(taken) < len(graph)  # a stump stays
    assert sum(row.mass_kg.likely for row in plan.rows) == pytest.approx(
        mass.likely_kg[taken].sum(), rel=1e-9
    )
    hours = next(row for row in plan.quote if row["item"] == "crew hours")
    assert hours["low"] == pytest.approx((20 + 5 * 5) / 60, abs=0.01)
    assert hours["high"] == pytest.approx((40 + 5 * 9) / 60, abs=0.01)
    assert "minutes of 5 steps" in hours["how"]
    same = haul_plan(graph, mass, OAK, Site(), pieces=[s.piece.nodes for s in steps])
    assert same.rows == plan.rows
    given = haul_plan(graph, mass, OAK, Site(), steps, hours=Band(3, 4, 5)).quote
    assert next(row for row in given if row["item"] == "crew hours")["likely"] == 4


def test_whole_logs_that_do_not_share_a_trip_are_told():
    graph, mass = pole((0.30, 0.30), 7.2)  # three logs of about 700 kg
    truck = Truck(name="t", volume_m3=20.0, payload_kg=1100.0, takes="log")
    found = haul_plan(graph, mass, OAK, with_trucks(truck)).trucks[0]
    assert found.loads.likely == 3
    assert found.governs == "piece size"
    assert "by weight alone" in found.notes[0]
    large = Truck(name="t", volume_m3=20.0, payload_kg=9000.0, takes="log")
    assert haul_plan(graph, mass, OAK, with_trucks(large)).trucks[0].governs in (
        "volume", "payload"
    )  # fmt: skip


def test_logs_are_scaled_by_end_and_middle_diameters():
    """A frustum of 0.60 to 0.42 m and 5 m: Smalian 1.053, Newton the frustum's own 1.032 m³."""
    graph, mass = pole((0.30, 0.21), 5.0)
    truck = Truck(name="t", volume_m3=20.0, payload_kg=9000.0)
    site = Site(limits=Limits(log_length_m=5.0), haul=Haul(trucks=(truck,), chip_below_m=0.1))
    notes = haul_plan(graph, mass, OAK, site).notes
    told = next(note for note in notes if note.startswith("Scaled"))
    # Huber: pi/4 x 0.51² x 5 = 1.021; frustum pi x 5/12 (0.36 + 0.252 + 0.1764) = 1.032
    assert "1.05 m³ by Smalian, 1.02 m³ by Huber, 1.03 m³ by Newton" in told
    assert "summed along the scan 1.03 m³" in told
