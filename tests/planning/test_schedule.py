from dataclasses import replace

import pytest

from tests.planning.jobs import grown_inputs
from tests.planning.sites import open_field
from treescan.planning.planner import make_plan
from treescan.planning.schedule import anchor_moves, as_rows, crew_day, handling_minutes
from treescan.site.model import Site
from treescan.units import Band


def steps():
    return make_plan(grown_inputs("leaning", 3, open_field(), height_m=9.0)).steps


def test_the_total_is_a_range_and_nobody_is_in_two_places():
    found = steps()
    day = crew_day(found, [10.0] * len(found), [0] * len(found), Site())
    assert 0 < day.hours.low < day.hours.likely < day.hours.high
    for first, second in zip(day.tasks, day.tasks[1:], strict=False):
        assert second.aloft_start_min >= first.aloft_end_min - 1e-9
        assert second.ground_end_min >= first.ground_end_min
        assert second.chipper_end_min >= second.ground_end_min


def test_work_aloft_waits_for_a_slow_ground_crew():
    found = [
        replace(
            s,
            minutes=Band(0.5, 0.5, 0.5),
            piece=replace(s.piece, mass_kg=Band(200.0, 240.0, 280.0)),
        )
        for s in steps()
    ]
    slow = Site.model_validate({"crew": {"ground": 1, "chipper_t_h": 0.2}})
    fast = Site.model_validate({"crew": {"ground": 20, "chipper_t_h": 20.0}})
    chips = [s.piece.mass_kg.likely for s in found]
    waiting = crew_day(found, chips, [0] * len(found), slow)
    assert waiting.climber_wait_min > 5.0
    assert "ground crew" in next(t for t in waiting.tasks if t.waited_min > 0).waited_for
    assert crew_day(found, chips, [0] * len(found), fast).climber_wait_min < 1.0


def test_moving_the_anchor_takes_its_time():
    found = steps()[:4]
    same = [replace(s, anchor_id="A1") for s in found]
    moved = [replace(s, anchor_id=f"A{i}") for i, s in enumerate(found)]
    assert anchor_moves(same) == 0
    assert anchor_moves(moved) == 3
    base = crew_day(same, [0.0] * 4, [0] * 4, Site()).hours.likely
    more = crew_day(moved, [0.0] * 4, [0] * 4, Site()).hours.likely
    assert more - base == pytest.approx(3 * 11.5 / 60.0, rel=1e-6)


def test_handling_grows_with_mass_and_shrinks_with_hands():
    two = Site.model_validate({"crew": {"ground": 2}})
    four = Site.model_validate({"crew": {"ground": 4}})
    assert handling_minutes(240.0, 0.0, two, 0)[0] == pytest.approx(2.0)
    assert handling_minutes(240.0, 0.0, four, 0)[0] == pytest.approx(1.0)
    assert handling_minutes(240.0, 100.0, two, 1)[2] > handling_minutes(240.0, 100.0, two, 0)[2]


def test_rows_name_step_resource_and_times():
    found = steps()[:3]
    rows = as_rows(crew_day(found, [0.0] * 3, [0] * 3, Site()), found)
    assert len(rows) == 9
    assert {r["resource"] for r in rows} == {"climber", "ground crew", "chipper"}


def test_a_loader_takes_the_logs_off_the_peoples_hands():
    hands = Site.model_validate({"crew": {"ground": 2}})
    loader = Site.model_validate({"crew": {"ground": 2, "loader_t_h": 6.0}})
    by_hand = handling_minutes(240.0, 40.0, hands, 0)
    with_it = handling_minutes(240.0, 40.0, loader, 0)
    assert by_hand[1] == 0.0
    assert with_it[0] == pytest.approx(by_hand[0] * 40.0 / 240.0)
    assert with_it[1] == pytest.approx(2.0)
    found = steps()[:3]
    rows = as_rows(crew_day(found, [0.0] * 3, [0] * 3, loader), found)
    assert {r["resource"] for r in rows} == {"climber", "ground crew", "loader", "chipper"}


def test_the_rates_of_the_site_file_are_used():
    found = steps()[:6]
    chips, places = [0.0] * 6, [0, 1, 0, 1, 0, 1]
    quick = crew_day(found, chips, places, Site())
    slow = Site.model_validate({"minutes": {"climber_move": (10.0, 10.0)}})
    assert crew_day(found, chips, places, slow).hours.likely > quick.hours.likely + 0.5
    cramped = Site.model_validate(
        {"crew": {"pile_pieces": 1, "drag_kg_per_min": (2.0, 1.0), "ground": 1}}
    )
    assert crew_day(found, chips, places, cramped).climber_wait_min > quick.climber_wait_min


def test_the_block_that_runs_down_the_spar_is_no_anchor_move():
    found = [replace(s, anchor_id=f"B{i}") for i, s in enumerate(steps()[:4])]
    assert anchor_moves(found) == 0
    assert anchor_moves([replace(found[0], anchor_id="A1"), *found[1:]]) == 1
