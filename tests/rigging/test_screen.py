"""Screening agrees with the full answer, and keeps to its order."""

import numpy as np
import pytest

from tests.rigging.trees import MODEL, log_case
from treescan.errors import InvalidInputError
from treescan.rigging.cases import solve
from treescan.rigging.lift import lift_of
from treescan.rigging.screen import ITEMS, Options, screen


def options_of(cases):
    lifts = [lift_of(case) for case in cases]
    band = [case.piece.mass_kg for case in cases]
    return Options(
        mass_kg=np.array([(b.low, b.likely, b.high) for b in band]),
        drop_m=np.array([lift.fall_m for lift in lifts]),
        lead_m=np.array([lift.lead_m for lift in lifts]),
        line_m=np.array([lift.lead_m + lift.legs_m.sum() for lift in lifts]),
        swing_rad=np.array([np.abs(lift.angles_rad).max() for lift in lifts]),
        arm_m=np.array([lift.arm_m for lift in lifts]),
        gyration_m=np.array([lift.gyration_m for lift in lifts]),
        start_rad=np.array([lift.start_rad for lift in lifts]),
        run_m=np.array([0.0 if case.locked else case.run_m for case in cases]),
        anchor=np.zeros(len(cases), dtype=np.int64),
        lead_direction=np.array([lift.directions[0] for lift in lifts]),
    )


def test_screened_drops_equal_the_full_answer():
    cases = [log_case(), log_case(run_m=1.0), log_case(mass=300.0), log_case(length=3.0)]
    got = screen(options_of(cases), MODEL, [cases[0].anchor], cases[0].gear, cases[0].device_m, 1)
    for row, case in enumerate(cases):
        full = solve(case, MODEL)
        assert got.lead_n.high_n[row] == pytest.approx(full.lead_tension_n.high, rel=1e-9)
        assert got.lead_n.low_n[row] == pytest.approx(full.lead_tension_n.low, rel=1e-9)
        load = np.linalg.norm(got.resultant_n[row])
        assert load == pytest.approx(full.anchor_load_n.high, rel=1e-9)
        assert got.shares[row, 0] == pytest.approx(full.utilisation["line"], rel=1e-9)
        assert ITEMS[got.governs[row]] in (*ITEMS[:4], "spar section")
        assert got.share[row] == got.shares[row].max()


def test_the_energy_bound_is_never_below_the_integrated_swing():
    tie = np.array([[2.0, 0.0, 6.0]])
    cases = [log_case(drop_m=0.0, tie_m=tie, run_m=run) for run in (0.0, 1.0)]
    args = (options_of(cases), MODEL, [cases[0].anchor], cases[0].gear, cases[0].device_m, 1)
    fast, slow = screen(*args), screen(*args, integrate=True)
    assert (fast.lead_n.high_n >= slow.lead_n.high_n).all()
    for row, case in enumerate(cases):
        full = solve(case, MODEL).lead_tension_n.high
        assert slow.lead_n.high_n[row] >= full * (1 - 1e-9)


def test_tens_of_thousands_of_options_at_once():
    count = 20_000
    base = options_of([log_case()] * 1)
    rng = np.random.default_rng(0)
    many = Options(
        **{
            name: np.repeat(getattr(base, name), count, axis=0)
            for name in base.__dataclass_fields__
        }
    )
    many.mass_kg[:] = rng.uniform(20, 400, count)[:, None]
    got = screen(many, MODEL, [log_case().anchor], log_case().gear, log_case().device_m, 1)
    order = np.argsort(many.mass_kg[:, 0])
    assert (np.diff(got.lead_n.high_n[order]) >= 0).all()
    assert (np.diff(got.share[order]) >= -1e-12).all()


def test_wrong_shapes_and_anchors_are_refused():
    good = options_of([log_case()])
    bad = Options(**{**good.__dict__, "lead_m": np.zeros(3)})
    args = (MODEL, [log_case().anchor], log_case().gear, log_case().device_m, 1)
    with pytest.raises(InvalidInputError, match=r"lead_m has shape \(3,\)"):
        screen(bad, *args)
    other = Options(**{**good.__dict__, "anchor": np.array([4])})
    with pytest.raises(InvalidInputError, match="outside the 1 given"):
        screen(other, *args)
