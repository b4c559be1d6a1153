"""Packing whole logs and loose material into trucks."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treescan.planning.haul_packing import Carrier, pack
from treescan.wood.logs import chip_bulk_density_kg_m3

BIG = Carrier("big", "any", 20.0, 10_000.0, 1500.0, 1.5)
SMALL = Carrier("small", "any", 5.0, 1500.0, 200.0, 0.7)
LOGS = Carrier("log truck", "log", 8.0, 5000.0, 900.0, 1.0)
CHIPS = Carrier("chip truck", "chip", 8.1, 3500.0, None, 1.0)


@pytest.mark.published
def test_b2_one_truck_full_two_at_90_percent():
    # 3.2 t of white oak chips at 353 kg/m3 = 9.07 m3; body 12 yd3 = 9.17 m3
    density = chip_bulk_density_kg_m3(0.60, 0.35, 0.68 / 1.68)[1]
    loose = 3200.0 / density
    assert loose == pytest.approx(9.07, abs=0.01)
    for fill, trips in ((1.0, 1), (0.9, 2)):
        carrier = Carrier("chip truck", "chip", 9.17 * fill, 5000.0, None, 1.0)
        assert pack([carrier], [], loose, 3200.0, "chip").trips == (trips,)


def test_payload_governs_heavy_logs():
    loads = pack([LOGS], [(0.5, 850.0)] * 10, 0.0, 0.0, "chip")
    assert loads.trips == (2,)  # 5 of 850 kg a trip by payload
    assert loads.payload_share[0] > loads.space_share[0]
    assert loads.proven


def test_whole_logs_need_more_trips_than_their_sum():
    # 3 logs of 600 kg: 1800 kg fit one 2 t trip, 4 of them need two, never 1.2
    truck = Carrier("t", "log", 10.0, 1000.0, None, 1.0)
    assert pack([truck], [(0.5, 600.0)] * 3, 0.0, 0.0, "chip").trips == (3,)


def test_the_solver_finds_what_first_fit_misses():
    # sizes for which first fit decreasing needs 3 trips where 2 do
    truck = Carrier("t", "log", 100.0, 100.0, None, 1.0)
    logs = [(1.0, kg) for kg in (50, 40, 40, 30, 20, 20)]
    assert sum(kg for _, kg in logs) == 200
    rule = pack([truck], logs, 0.0, 0.0, "chip", use_solver=False)
    best = pack([truck], logs, 0.0, 0.0, "chip")
    assert best.trips == (2,)
    assert rule.trips == (3,)
    assert best.proven


def test_a_log_over_the_small_trucks_lift_rides_in_the_big_one():
    loads = pack([SMALL, BIG], [(0.4, 300.0), (0.2, 150.0)], 0.0, 0.0, "chip")
    assert loads.trips[1] >= 1
    assert loads.heaviest_kg[1] == 300.0


def test_a_small_job_takes_the_cheaper_truck():
    assert pack([BIG, SMALL], [(0.2, 150.0)], 1.0, 250.0, "chip").trips == (0, 1)


def test_loose_material_fills_the_room_beside_logs():
    loads = pack([BIG], [(4.0, 1000.0)] * 4, 3.0, 900.0, "chip")
    assert loads.trips == (1,)


def test_what_nothing_takes_is_counted():
    loads = pack([CHIPS], [(0.5, 100.0)], 1.0, 300.0, "chip")
    assert loads.left_logs == 1
    loads = pack([LOGS], [(0.5, 100.0)], 1.0, 300.0, "chip")
    assert loads.left_loose_kg == pytest.approx(300.0)
    assert loads.trips == (1,)


def test_a_log_longer_than_any_space_is_left():
    assert pack([SMALL], [(6.0, 100.0)], 0.0, 0.0, "chip").left_logs == 1


def test_nothing_needs_no_truck():
    loads = pack([LOGS, CHIPS], [], 0.0, 0.0, "chip")
    assert loads.trips == (0, 0)
    assert loads.proven


def fewest_by_trial(weights, payload):
    """Fewest trips by trying every way to share the logs out."""
    for trips in range(1, len(weights) + 1):
        for share in itertools.product(range(trips), repeat=len(weights)):
            sums = [0.0] * trips
            for kg, trip in zip(weights, share, strict=True):
                sums[trip] += kg
            if max(sums) <= payload:
                return trips
    return len(weights)


@given(st.lists(st.integers(100, 900), min_size=1, max_size=6))
@settings(deadline=None, max_examples=25)
def test_trips_are_the_fewest_possible(weights):
    truck = Carrier("t", "log", 100.0, 1000.0, None, 1.0)
    loads = pack([truck], [(0.1, float(kg)) for kg in weights], 0.0, 0.0, "chip")
    assert loads.proven
    assert loads.trips[0] == fewest_by_trial(weights, 1000.0)


@given(
    st.lists(st.tuples(st.floats(0.05, 1.5), st.floats(30, 800)), max_size=40),
    st.floats(0.0, 30.0),
    st.floats(150, 400),
)
@settings(deadline=None, max_examples=25)
def test_no_trip_is_overfull_and_everything_is_carried(logs, loose_m3, density):
    loads = pack([LOGS, CHIPS, BIG], logs, loose_m3, loose_m3 * density, "chip")
    assert loads.left_logs == 0
    assert loads.left_loose_kg == 0
    assert max(loads.space_share) <= 1 + 1e-6
    assert max(loads.payload_share) <= 1 + 1e-6
    capacity = sum(n * c.payload_kg for n, c in zip(loads.trips, (LOGS, CHIPS, BIG), strict=True))
    assert capacity >= sum(kg for _, kg in logs) + loose_m3 * density - 1e-6


def test_the_same_question_gets_the_same_answer():
    logs = [(0.3 + 0.01 * k, 100.0 + 37 * (k % 11)) for k in range(45)]
    first = pack([LOGS, CHIPS, BIG], logs, 12.0, 3600.0, "chip")
    assert all(pack([LOGS, CHIPS, BIG], logs, 12.0, 3600.0, "chip") == first for _ in range(2))
