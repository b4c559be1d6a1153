"""``treescan haul``: the sheet again, at once, and in words that tell what to do."""

import csv
import json
import subprocess
import sys

import pytest

from tests.pipeline.small_tree import SITE, write_tree
from treescan_cli.main import main

SLOW_TO_LOAD = {"numba", "laspy", "scipy", "open3d", "trimesh", "matplotlib", "ortools"}


@pytest.fixture
def folder(tmp_path):
    write_tree(tmp_path / "tree.json")
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    return tmp_path


def run(capsys, *words):
    status = main(["haul", *map(str, words)])
    got = capsys.readouterr()
    assert status == 0, got.err
    return got.out, got.err


def test_nothing_that_is_slow_to_load_is_loaded(folder):
    """It is to answer in under a second: no scan reader, compiler or solver is loaded."""
    code = (
        f"import sys\nfrom treescan_cli.main import main\nmain(['haul', {str(folder)!r}, '--json'])"
        f"\nprint(sorted({{m.split('.')[0] for m in sys.modules}} & {SLOW_TO_LOAD!r}), "
        "file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert json.loads(done.stdout)["trucks"]
    assert done.stderr.splitlines()[-1] == "[]"


RATES = ("crew_rate_per_hour=90", "truck_rate_per_trip=60", "tip_fee_per_tonne=40",
         "equipment=100", "margin_share=0.2", 'currency="euro"')  # fmt: skip


def quote_of(capsys, folder, *more):
    out, _ = run(capsys, folder, *more, "--json")
    return {row["item"]: row for row in json.loads(out)["quote"]}


def test_the_quote_by_hand(folder, capsys):
    words = [word for rate in RATES for word in ("--set", f"quote.{rate}")]
    rows = quote_of(capsys, folder, *words)
    for side in ("low", "likely", "high"):
        cost = (
            90 * rows["crew hours"][side]
            + 60 * rows["truck trips"][side]
            + 40 * rows["disposal weight"][side]
            + 100
        )
        assert rows["cost"][side] == pytest.approx(cost, abs=1.2)  # hours are printed to 0.01 h
        assert rows["price with margin"][side] == pytest.approx(rows["cost"][side] / 0.8, abs=0.01)
    assert rows["price with margin"]["unit"] == "euro"


def test_an_open_price_says_how_to_give_it(folder, capsys):
    out, _ = run(capsys, folder)
    words = " ".join(out.replace("│", " ").split())
    assert "open" in words
    assert "under [quote]" in words
    for raw in ("None", "not given", "quote."):
        assert raw not in words
    for key in ("crew_rate_per_hour", "truck_rate_per_trip", "tip_fee_per_tonne"):
        assert key in out, "a key is never cut off by a narrow column"


def test_the_csv_holds_quote_and_notes(folder, capsys, tmp_path):
    target = tmp_path / "new"
    run(capsys, folder, "--set", "quote.crew_rate_per_hour=90", "--out", target)
    with (target / "haul.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    quote = {row["name"]: row for row in rows if row["kind"] == "quote"}
    crew = 90 * float(quote["crew hours"]["quote_high"])
    assert float(quote["crew"]["quote_high"]) == pytest.approx(crew, abs=0.5)  # hours to 0.01 h
    assert quote["total"]["quote_likely"] == "open"
    notes = [row["notes"] for row in rows if row["kind"] == "note"]
    assert any("cords of 128" in note for note in notes)
    assert all(row["caution"] for row in rows)


@pytest.mark.parametrize(
    ("payload_kg", "words"),
    [(9000.0, "keeps to it"), (12000.0, "is too much by 2856 kg")],
)
def test_axles_and_bridge_formula_as_a_caution(folder, capsys, payload_kg, words):
    """Two single axles: 2 x 20,000 lb = 18,144 kg, less 9,000 kg empty leaves 9,144 kg."""
    truck = f'name = "rear loader", volume_m3 = 20.0, payload_kg = {payload_kg}'
    more = "axles = 2, outer_axles_m = 5.5, empty_kg = 9000.0"
    text = SITE + f"[haul]\ntrucks = [{{ {truck}, {more} }}]\n"
    (folder / "site.toml").write_text(text.replace("[job]", '[job]\ncountry = "us"'), "utf-8")
    _, err = run(capsys, folder)
    for told in ("leaves 9144 kg for the load", words, "[from memory]", "commercial driver's"):
        assert told in err


def test_rain_and_values_from_memory_are_said_on_the_sheet(folder, capsys):
    """A wet crown is heavier: by how much stands on the sheet, and what is quoted from memory."""
    _, dry = run(capsys, folder)
    assert "[from memory]" in dry
    assert "weigh the first load" in dry
    assert "a film of rain" not in dry
    _, wet = run(capsys, folder, "--set", "conditions.wet=true", "--set", "conditions.in_leaf=true")
    assert "a film of rain on leaves and bark adds about" in wet
