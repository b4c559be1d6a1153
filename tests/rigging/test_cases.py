"""Load cases end to end: worked examples, directions, gear, refusals."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.rigging.trees import (
    LINE,
    MODEL,
    anchor_at,
    gear,
    graph_of,
    grown,
    log_case,
    log_piece,
    model_of,
    solve,
    spar_graph,
)
from treescan.rigging.cases import Rider, solve_many
from treescan.rigging.gear import find_gear
from treescan.rigging.lift import lift_of, line_forces_n
from treescan.rigging.spar import one_case, peak_shares
from treescan.wood.pieces import PieceTable


@pytest.mark.published
def test_x1_log_caught_by_a_block_below_its_cut():
    case = log_case()
    lift = lift_of(case)
    assert lift.lead_m == pytest.approx(0.7)
    assert lift.legs_m.sum() == pytest.approx(19.3)
    assert lift.stiffness_n_m == pytest.approx(20_590, rel=1e-3)
    got = solve(case, MODEL)
    assert got.failed == ""
    assert got.lead_tension_n.high == pytest.approx(12_848, rel=1e-3)
    assert got.fall_tension_n.high == pytest.approx(11_172, rel=1e-3)
    assert got.anchor_load_n.high == pytest.approx(24_021, rel=1e-3)
    assert got.anchor_load_n.low == pytest.approx(8010, rel=1e-3)
    assert got.anchor_load_n.likely == pytest.approx(9610, rel=1e-3)
    limit = MODEL.limits.line_share_of_mbs
    assert 1 / (got.utilisation["line"] * limit) == pytest.approx(2.80, abs=0.005)
    assert got.anchor_direction == pytest.approx([0, 0, -1], abs=1e-9)


@pytest.mark.published
def test_x1_with_a_metre_of_run():
    got = solve(log_case(run_m=1.0), MODEL)
    assert got.lead_tension_n.high == pytest.approx(4562, rel=1e-3)
    assert got.anchor_load_n.high == pytest.approx(8528, rel=1e-3)
    assert any("1.0 m of line run" in row for row in got.warnings)


@pytest.mark.published
def test_d2_anchor_load_rises_with_mass_and_with_the_length_of_the_log():
    mass = np.array([75.0, 150.0, 300.0])
    got = [solve(log_case(mass=m), MODEL).anchor_load_n.high for m in mass]
    slope = np.polyfit(np.log(mass), np.log(got), 1)[0]
    assert 0.5 < slope < 1.0
    run = [solve(log_case(1.0, mass=m), MODEL).anchor_load_n.high for m in mass]
    assert np.polyfit(np.log(mass), np.log(run), 1)[0] == pytest.approx(1.0, abs=0.02)
    tie = np.array([[0.0, 0.0, 10.2]])
    for run, low, high in ((0.0, 0.5, 1.0), (1.0, 1.0, 2.0)):  # power of the log's length
        whole = solve(log_case(run), MODEL).anchor_load_n.high
        half = solve(log_case(run, 75.0, 0.75, tie_m=tie), MODEL).anchor_load_n.high
        assert low < np.log2(whole / half) < high


@pytest.mark.published
def test_d4_more_line_in_service_lowers_the_peak():
    longer = [
        solve(log_case(device_m=np.array([0.0, 0.0, -z])), MODEL).lead_tension_n.high
        for z in (0.0, 5.0, 15.0, 30.0)
    ]
    assert (np.diff(longer) < 0).all()


def test_a_balanced_tie_pulls_less_than_a_butt_tie():
    piece = log_piece(100.0, 4.0, (1.0, 0.0, 8.0), axis=(1, 0, 0))
    device = np.array([0.3, 0.0, 1.0])

    def peak(tie, points):
        case = log_case(
            piece=piece, anchor=anchor_at((2.9, 0.0, 9.9), node=38), tie=tie,
            tie_m=np.array(points), device_m=device, drop_m=0.0,
        )  # fmt: skip
        got = solve(case, MODEL)
        assert got.failed == ""
        return got.lead_tension_n.high

    butt = peak("butt", [[1.2, 0.0, 8.0]])
    legs = peak("two-leg", [[1.5, 0.0, 8.0], [4.5, 0.0, 8.0]])
    assert legs < 0.75 * butt
    assert legs >= 100 * 9.81


def test_the_resultant_turns_with_the_fall_leg():
    down = solve(log_case(), MODEL)
    aside = solve(log_case(device_m=np.array([19.3, 0.0, 9.7])), MODEL)
    assert aside.anchor_direction[0] > 0.6
    assert aside.anchor_load_n.high < down.anchor_load_n.high


def test_a_redirect_along_the_stem_lightens_a_leaning_limb_anchor():
    case = log_case(device_m=np.array([8.0, 0.0, 0.5]))
    near = replace(case, redirects_m=np.array([[0.0, 0.0, 1.5]]))
    plain, turned = solve(case, MODEL), solve(near, MODEL)
    assert len(turned.redirect_loads_n) == 1
    assert turned.redirect_loads_n[0] > 0.0
    section = next(k for k in plain.utilisation if "section" in k)
    after = next(k for k in turned.utilisation if "section" in k)
    assert turned.utilisation[after] < plain.utilisation[section]


@settings(deadline=None, max_examples=25)
@given(lead=st.floats(100, 2e4), q=st.floats(1, 3), x=st.floats(-5, 5), r=st.floats(0.5, 8))
def test_forces_of_the_line_are_in_balance(lead, q, x, r):
    case = log_case(
        gear=gear(q), redirects_m=np.array([[0.2, 0.0, r]]), device_m=np.array([x, 0.3, 0.0])
    )
    lift = lift_of(case)
    force = line_forces_n(lift, lead, lift.directions[0])
    end = lift.points_m[-1] - lift.points_m[-2]
    tail = lead / np.prod(lift.ratio) * end / np.linalg.norm(end)
    # what the piece pulls, less what the hand below the device holds, is what the tree carries
    assert force[:-1].sum(axis=0) == pytest.approx(
        lead * lift.directions[0] + tail, abs=1e-6 * lead
    )
    assert (lift.ratio >= 1.0 - 1e-12).all()


def test_a_heavier_band_moves_only_high():
    even, spread = solve(log_case(), MODEL), solve(log_case(spread=0.2), MODEL)
    assert spread.lead_tension_n.high > even.lead_tension_n.high
    assert spread.lead_tension_n.likely == pytest.approx(even.lead_tension_n.likely)
    assert spread.lead_tension_n.low < even.lead_tension_n.low


def test_the_governing_item_is_the_largest_share():
    got = solve(log_case(), MODEL)
    loads = {k: v for k, v in got.utilisation.items() if k != "line length"}
    assert got.share == max(loads.values())
    assert got.utilisation[got.governs] == got.share
    assert {"line", "sling", "block", "friction device", "line length", "root plate"} <= set(
        got.utilisation
    )
    short = replace(log_case(mass=5.0), gear=replace(gear(), line_length_m=20.0))
    assert solve(short, MODEL).governs == "line length"
    weak = solve(log_case(gear=gear(line=replace(LINE, mbs_n=8e3))), MODEL)
    assert weak.governs == "line"


def test_device_wraps_hold_the_peak_with_the_hand():
    case = log_case()
    got = solve(case, MODEL)
    ratio = case.gear.friction_device.friction_ratio
    hold = case.gear.hand_force_n * ratio**got.device_wraps
    assert hold >= got.fall_tension_n.high
    assert case.gear.hand_force_n * ratio ** (got.device_wraps - 0.5) < got.fall_tension_n.high


def test_line_needed_reaches_the_ground():
    got = solve(log_case(), MODEL)
    assert got.line_needed_m == pytest.approx(19.3 + 19.3 + 3.0)
    assert got.utilisation["line length"] == pytest.approx(41.6 / 60.0)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"drop_m": 0.2}, "tie is 0.7 m above its anchor: the centre of mass falls 2.1 m"),
        ({"drop_m": float("nan")}, "not finite"),
        ({"drop_m": -1.0}, "must not be negative"),
        ({"swing_rad": 2.0}, "beyond 90 deg the line is slack"),
        ({"tie_m": np.zeros((2, 3))}, "a butt tie needs one tie point"),
        ({"tie": "two-leg"}, "two tie points"),
        ({"tie": "middle"}, "use butt, tip or two-leg"),
        ({"tie": "two-leg", "tie_m": np.array([[0, 0, 10.1], [0, 0, 10.5]])}, "piece tips"),
        ({"tie": "two-leg", "tie_m": np.array([[0, 0, 10.1], [0, 0, 10.2]])}, "less than 0.2 m"),
        ({"piece": log_piece(0.0)}, "no mass"),
    ],
)
def test_a_case_without_an_answer_says_why(changes, message):
    good, bad = solve_many([log_case(), log_case(**changes)], MODEL)
    assert good.failed == ""
    assert message in bad.failed
    assert bad.share == float("inf")
    assert bad.lead_tension_n.high == 0.0


def test_an_anchor_on_taken_wood_has_no_answer():
    standing = np.ones(41, bool)
    standing[30:] = False
    model = model_of(spar_graph(10.0, 0.15), standing=standing)
    assert "no longer stands" in solve(log_case(), model).failed


def test_many_cases_equal_single_cases():
    graph, mass, model = grown()
    starts = np.flatnonzero(graph.starts_limb & (graph.order == 1) & (graph.radius_m > 0.03))
    high = int(np.argmax(graph.position_m[:, 2] * (graph.radius_m > 0.08)))
    anchor = anchor_at(graph.position_m[high], node=high)
    cases = []
    for cut in starts[:12]:
        piece = PieceTable(graph, mass).piece(int(cut))
        tie = piece.cut_m + 0.4 * piece.axis
        flat = tie - anchor.position_m
        swing = float(np.arctan2(np.hypot(*flat[:2]), -flat[2])) if flat[2] < 0 else 0.0
        cases.append(
            log_case(
                piece=piece,
                anchor=anchor,
                tie_m=tie[None],
                drop_m=0.0,
                swing_rad=swing,
                device_m=np.array([0.4, 0.0, 1.0]),
                run_m=1.0,
            )
        )
    many = solve_many(cases, model)
    assert sum(not r.failed for r in many) >= 4
    for case, got in zip(cases, many, strict=True):
        one = solve(case, model)
        assert one.failed == got.failed
        assert one.utilisation == got.utilisation
        if not got.failed:
            weight = case.piece.mass_kg.high * 9.81
            assert got.lead_tension_n.high >= weight
            assert got.lead_tension_n.low <= got.lead_tension_n.likely <= got.lead_tension_n.high


def test_a_natural_crotch_pulls_harder_on_the_lead_and_needs_no_sling():
    crotch = replace(gear(), block=find_gear("natural crotch, rough bark", "block"))
    block, natural = solve(log_case(), MODEL), solve(log_case(gear=crotch), MODEL)
    assert natural.lead_tension_n.high > 1.2 * block.lead_tension_n.high
    assert natural.fall_tension_n.high < block.fall_tension_n.high
    assert natural.anchor_load_n.high == pytest.approx(block.anchor_load_n.high, rel=0.2)
    assert "sling" not in natural.utilisation
    assert "block" not in natural.utilisation
    assert natural.device_wraps < block.device_wraps


def test_the_climber_loads_the_same_spar():
    case = log_case(run_m=1.0)
    alone, shared = solve(case, MODEL), solve(case, MODEL, Rider(36, 2000.0))
    section = next(k for k in alone.utilisation if "section" in k)
    other = next(k for k in shared.utilisation if "section" in k)
    assert shared.utilisation[other] > alone.utilisation[section]
    assert shared.lead_tension_n == alone.lead_tension_n


def test_a_device_on_another_tree_does_not_load_this_one():
    # the fall leg leaves level: this tree carries the resultant, the other the device
    away = solve(log_case(device_m=np.array([19.3, 0.0, 9.7])), MODEL)
    model, lift = MODEL, lift_of(away.case)
    force = line_forces_n(lift, away.lead_tension_n.high, lift.directions[0])[0]
    place = np.array([0.35, 0.0, 9.7])
    alone = peak_shares(model, one_case([38], place, force))
    section = next(k for k in away.utilisation if "section" in k)
    assert away.utilisation[section] == pytest.approx(alone.share[0], rel=0.02)


def test_the_anchor_sways_with_the_load():
    light, heavy = solve(log_case(mass=50.0), MODEL), solve(log_case(mass=200.0), MODEL)
    aside = solve(log_case(device_m=np.array([9.0, 0.0, 0.5])), MODEL)
    assert 0.0 <= light.anchor_sway_m < heavy.anchor_sway_m + 1e-9
    assert aside.anchor_sway_m > 0.01


def test_a_bridged_gap_under_the_anchor_is_told():
    graph = spar_graph(10.0, 0.15)
    graph.bridged[5] = True
    got = solve(log_case(), model_of(graph))
    assert any("did not see part of the wood" in row for row in got.warnings)


def test_a_limb_anchor_is_weaker_than_the_stem():
    position = [[0, 0, 0], [0, 0, 4], [0, 0, 8], [1.5, 0, 8.5], [3.0, 0, 9.0]]
    graph = graph_of(position, [-1, 0, 1, 2, 3], [0.2, 0.2, 0.2, 0.1, 0.1], limb=[0, 0, 0, 1, 1])
    model = model_of(graph)
    on_stem = log_case(anchor=anchor_at((0, 0, 8.0), node=2), run_m=1.0, drop_m=9.0)
    on_limb = log_case(anchor=anchor_at((3.0, 0, 9.0), node=4), run_m=1.0, drop_m=9.0)
    stem, limb = solve(on_stem, model), solve(on_limb, model)
    assert limb.governs.startswith("limb section")
    assert limb.share > 3 * stem.share
