"""``treescan load``: the contract's keys, worked values and refusals."""

import json
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treescan.errors import InvalidInputError
from treescan.rigging.quick import quick_load
from treescan_cli.main import main

KEYS = [
    "lead_tension_N", "fall_tension_N", "anchor_load_N", "anchor_direction_deg", "run_m",
    "lowest_point_below_anchor_m", "energy_J", "share_of_mbs", "notes",
]  # fmt: skip
A3 = ["--mass-kg", "100", "--drop-m", "2", "--line", "250", "--line-length-m", "15"]


def run(capsys, *options):
    try:
        status = main(["load", *options])
    except SystemExit as error:
        status = error.code
    got = capsys.readouterr()
    return status, got.out, got.err


def answer(capsys, *options):
    status, out, err = run(capsys, *options, "--json", "--quiet")
    assert (status, err) == (0, "")
    return json.loads(out)


def test_the_keys_of_the_contract(capsys):
    got = answer(capsys, *A3)
    assert list(got) == KEYS
    for key in KEYS[:3]:
        assert list(got[key]) == ["low", "likely", "high"]
    assert got["share_of_mbs"] is None


@pytest.mark.published
def test_a3_locked_bound_and_band_d1(capsys):
    got = answer(capsys, *A3, "--locked")
    assert got["lead_tension_N"]["high"] == pytest.approx(9127.3, abs=0.1)
    assert got["lead_tension_N"]["likely"] == pytest.approx(0.4 * 9127.3, abs=0.1)
    assert got["lead_tension_N"]["low"] == pytest.approx(9127.3 / 3, abs=0.1)
    assert got["energy_J"] == pytest.approx(2499, abs=1)
    assert got["anchor_load_N"]["high"] == pytest.approx(2 * 9127.3, abs=0.2)
    assert got["lowest_point_below_anchor_m"] == pytest.approx(15 + 0.5476, abs=1e-3)


@pytest.mark.published
def test_a20_friction_at_the_anchor(capsys):
    got = answer(capsys, *A3, "--lead-m", "1.5", "--anchor-ratio", "1.5")
    assert got["lead_tension_N"]["high"] == pytest.approx(10_697, abs=1)
    assert got["fall_tension_N"]["high"] == pytest.approx(7131, abs=1)
    assert got["anchor_load_N"]["high"] == pytest.approx(17_828, abs=1)
    assert got["anchor_direction_deg"] == 0.0


@pytest.mark.published
def test_g3_direction_of_the_resultant(capsys):
    got = answer(
        capsys, *A3, "--lead-m", "1.5", "--anchor-ratio", "2", "--included-angle-deg", "60"
    )
    assert got["anchor_direction_deg"] == pytest.approx(19.11, abs=0.006)
    lead = got["lead_tension_N"]["high"]
    assert got["anchor_load_N"]["high"] == pytest.approx(1.3229 * lead, rel=1e-4)


X1 = [
    "--mass-kg", "150", "--drop-m", "2.1", "--line", "360", "--line-length-m", "20",
    "--lead-m", "0.7", "--anchor-ratio", "1.15",
]  # fmt: skip


@pytest.mark.published
def test_x1_log_on_a_block_below_locked(capsys):
    got = answer(capsys, *X1, "--mbs-kn", "72", "--locked")
    assert got["lead_tension_N"]["high"] == pytest.approx(12_848, abs=2)
    assert got["fall_tension_N"]["high"] == pytest.approx(11_172, abs=2)
    anchor = got["anchor_load_N"]
    assert anchor["high"] == pytest.approx(24_021, abs=3)
    assert (anchor["low"], anchor["likely"]) == pytest.approx((8010, 9610), abs=5)
    assert 0.5 / got["share_of_mbs"] == pytest.approx(2.80, abs=0.005)


@pytest.mark.published
def test_x1_with_a_metre_of_run(capsys):
    got = answer(capsys, *X1, "--run-m", "1.0")
    assert got["lead_tension_N"]["high"] == pytest.approx(4562, abs=1)
    assert got["anchor_load_N"]["high"] == pytest.approx(8528, abs=2)
    assert got["run_m"] == 1.0
    lead = got["lead_tension_N"]
    assert 150 * 9.81 <= lead["low"] < lead["likely"] < lead["high"]


@pytest.mark.published
def test_c5_slipping_brake(capsys):
    got = answer(capsys, *A3, "--slip-kn", str(3 * 0.981))
    assert got["run_m"] == pytest.approx(0.956, abs=1e-3)
    assert got["lead_tension_N"]["high"] == pytest.approx(2943, abs=1)
    locked = answer(capsys, *A3, "--slip-kn", "20")
    assert locked["run_m"] == 0.0
    assert locked["lead_tension_N"]["high"] == pytest.approx(9127.3, abs=0.1)


@pytest.mark.published
def test_f4_taut_swing(capsys):
    got = answer(
        capsys, "--mass-kg", "100", "--swing-deg", "53.1301", "--line", "250",
        "--line-length-m", "20", "--lead-m", "5",
    )  # fmt: skip
    assert got["lead_tension_N"]["high"] == pytest.approx(1.8 * 981, rel=1e-5)
    assert got["lead_tension_N"]["low"] == pytest.approx(981.0)
    assert got["energy_J"] >= 981 * 5 * (1 - math.cos(math.radians(53.1301)))


@pytest.mark.published
def test_a1_sudden_load_doubles(capsys):
    got = answer(
        capsys, "--mass-kg", "100", "--drop-m", "0", "--line", "250", "--line-length-m", "15"
    )
    assert got["lead_tension_N"]["high"] == pytest.approx(1962.0)
    assert got["lead_tension_N"]["low"] == pytest.approx(981.0)


def test_a_catalogue_line_brings_modulus_and_strength(capsys):
    got = answer(
        capsys, "--mass-kg", "100", "--drop-m", "1", "--line", "16 mm double-braid polyester",
        "--line-length-m", "20",
    )  # fmt: skip
    assert 0 < got["share_of_mbs"] < 1
    assert any("[from memory]" in note for note in got["notes"])


def test_the_name_of_a_line_may_be_written_loosely(capsys):
    strict = answer(capsys, *A3[:4], "--line", "16 mm double-braid polyester", *A3[6:])
    loose = answer(capsys, *A3[:4], "--line", "16mm Double Braid polyester", *A3[6:])
    assert loose == strict


@pytest.mark.published
def test_g5_turns_on_the_device(capsys):
    # ln(9127.3 / 200) / (2 pi mu): 2.43 turns at 0.25, 4.05 at 0.15; shown in half turns, up
    notes = " ".join(answer(capsys, *A3)["notes"])
    assert "2.5 turns at friction 0.25 to 4.5 at 0.15" in notes


def test_what_a_new_knotted_line_takes_is_said(capsys):
    notes = " ".join(answer(capsys, *A3, "--mbs-kn", "70")["notes"])
    assert "at a working share of 0.2 a new knotted line takes a peak of 7.0 kN" in notes
    assert "above 0.2 of the knotted strength" in notes
    broken = " ".join(answer(capsys, *A3, "--mbs-kn", "18")["notes"])
    assert "do not do this lift" in broken


def test_us_units_leave_no_metric_number(capsys):
    status, out, _ = run(capsys, *A3, "--units", "us", "--mbs-kn", "70", "--run-m", "0.5")
    assert status == 0
    for unit in (" kN", " kJ", " m ", " N)"):
        assert unit not in out, out
    assert "ft·lbf" in out


def test_a_mass_band_moves_low_and_high(capsys):
    one = answer(capsys, *A3)
    band = answer(capsys, "--mass-kg", "80,100,130", *A3[2:])
    assert band["lead_tension_N"]["low"] < one["lead_tension_N"]["low"]
    assert band["lead_tension_N"]["likely"] == one["lead_tension_N"]["likely"]
    assert band["lead_tension_N"]["high"] > one["lead_tension_N"]["high"]
    assert any("mass taken as one number" in note for note in one["notes"])


def test_drop_and_swing_put_both_energies_into_the_line(capsys):
    both = answer(capsys, *A3, "--lead-m", "5", "--swing-deg", "40")
    whole = 2 + 5 * (1 - math.cos(math.radians(40)))
    alone = answer(capsys, *A3[:2], "--drop-m", str(whole), *A3[4:], "--lead-m", "5")
    assert both["lead_tension_N"] == alone["lead_tension_N"]


def test_the_table_shows_a_range_and_a_caution(capsys):
    status, out, err = run(capsys, *A3, "--units", "us")
    assert status == 0
    assert "low" in out
    assert "high" in out
    assert "lbf" in out
    assert " ft" in out
    assert "qualified" in err


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--mass-kg", "-5"], "mass is -5"),
        (["--mass-kg", "0"], "mass is 0"),
        (["--mass-kg", "nan"], "mass is nan"),
        (["--mass-kg", "heavy"], "'heavy' is not a number"),
        (["--mass-kg", "200,100,150"], "do not rise"),
        (["--mass-kg", "1e9"], "at most 50000"),
        (["--drop-m", "-1"], "drop is -1"),
        (["--drop-m", "inf"], "drop is inf"),
        (["--drop-m", "500"], "drop is 500"),
        (["--line", "900"], "line modulus EA is 900 kN"),
        (["--line", "0"], "line modulus EA is 0"),
        (["--line", "16 mm dubble braid"], "near matches: 16 mm double-braid"),
        (["--mbs-kn", "900"], "MBS is 900 kN"),
        (["--mbs-kn", "0"], "MBS is 0"),
        (["--line-length-m", "0"], "line length is 0"),
        (["--lead-m", "16"], "longer than the line"),
        (["--lead-m", "0"], "lead is 0"),
        (["--anchor-ratio", "0.8"], "anchor ratio is 0.8"),
        (["--anchor-ratio", "1.2"], "lead is missing"),
        (["--included-angle-deg", "190"], "included angle is 190"),
        (["--swing-deg", "120"], "swing is 120"),
        (["--run-m", "-1"], "run is -1"),
        (["--run-m", "1", "--slip-kn", "3"], "both run and slip"),
        (["--run-m", "1", "--locked"], "locked contradicts"),
        (["--slip-kn", "0.5"], "slip tension 0.5 kN does not exceed the weight, 0.98 kN"),
        (["--drop-m", "2ft"], "'2ft' is not a number; give metres"),
        (["--mbs-kn", "10000 lbf"], "give kilonewtons"),
        (["--mass-kg", "150kg"], "'150kg' is not a number"),
        (["--mass-kg", "100,150"], "give one number, or low, likely and high"),
    ],
)
def test_bad_input_exits_2_with_one_line(capsys, options, message):
    given = dict(zip(A3[::2], A3[1::2], strict=True))
    extra = []
    for name, value in zip(options[::2], [*options[1::2], None], strict=False):
        if name == "--locked" or value is None:
            extra.append(name)
        else:
            given[name] = value
    words = [f"{name}={value}" for name, value in given.items()] + extra
    status, out, err = run(capsys, *words, "--json")
    assert (status, out) == (2, "")
    assert message in err
    assert err.count("\n") == 1


def test_neither_drop_nor_swing(capsys):
    status, _, err = run(capsys, *A3[:2], *A3[4:])
    assert status == 2
    assert "give --drop-m or --swing-deg" in err


def test_missing_options_are_a_usage_error(capsys):
    status, _, err = run(capsys, "--drop-m", "1")
    assert status == 2
    assert "--mass-kg" in err


def test_a_swing_takes_no_run():
    with pytest.raises(InvalidInputError, match="belong to a drop"):
        quick_load(mass_kg=10.0, line=100.0, line_length_m=10.0, swing_deg=20.0, run_m=1.0)


def test_the_library_refuses_what_is_not_a_number():
    with pytest.raises(InvalidInputError, match="drop = '2' is not a number"):
        quick_load(mass_kg=10.0, line=100.0, line_length_m=10.0, drop_m="2")
    with pytest.raises(InvalidInputError, match="give the modulus EA in kN"):
        quick_load(mass_kg=10.0, line="string", line_length_m=10.0, drop_m=1.0)


@settings(deadline=None, max_examples=60)
@given(
    mass=st.floats(1, 5000),
    drop=st.floats(0, 10),
    length=st.floats(2, 100),
    share=st.floats(0.01, 1),
    ratio=st.floats(1, 4),
    angle=st.floats(0, 180),
    run=st.one_of(st.none(), st.floats(0.05, 10)),
)
def test_bands_rise_and_follow_mass_and_drop(mass, drop, length, share, ratio, angle, run):
    rest = {
        "line": 250.0, "line_length_m": length, "lead_m": share * length, "anchor_ratio": ratio,
        "included_angle_deg": angle, "run_m": run,
    }  # fmt: skip
    got = quick_load(mass_kg=mass, drop_m=drop, **rest)
    for key in KEYS[:3]:
        band = got[key]
        assert band["low"] <= band["likely"] <= band["high"]
    lead, fall, anchor = (got[key]["high"] for key in KEYS[:3])
    assert lead >= mass * 9.81 - 0.1
    assert fall == pytest.approx(lead / ratio, abs=0.11)
    assert lead - fall - 0.2 <= anchor <= lead + fall + 0.2
    assert quick_load(mass_kg=1.2 * mass, drop_m=drop, **rest)["lead_tension_N"]["high"] >= lead
    assert quick_load(mass_kg=mass, drop_m=drop + 1, **rest)["lead_tension_N"]["high"] >= lead
    locked = quick_load(mass_kg=mass, drop_m=drop, **{**rest, "run_m": None})
    assert locked["lead_tension_N"]["high"] >= lead
