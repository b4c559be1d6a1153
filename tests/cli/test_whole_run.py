"""The main job from scan to every output, on the shipped scenes and on real scans."""

import csv
import json
from importlib import resources
from pathlib import Path

import jsonschema
import pytest

from treescan.planning.check import check_plan
from treescan.site.reading import read_site
from treescan_cli.main import main

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_scans"
REAL = ROOT.parent / "shared" / "data"
SCENES = ("oak_pond", "spruce_garage", "maple_phone")
OUTPUTS = (
    "tree.json", "plan.json", "cut_list.csv", "cut_list.pdf", "tree.glb", "tree.ply",
    "haul.csv", "report.html", "site.toml",
)  # fmt: skip

# Accuracy reached on the shipped scenes, as claimed in the README: DBH within 1.5 cm, height of
# what was scanned within 0.4 m, volume over 7 cm within 15 % (the phone scan sees the lower half
# only, so its height and volume are not compared).
DBH_M, HEIGHT_M, VOLUME_SHARE = 0.015, 0.4, 0.15


@pytest.fixture(scope="module", params=SCENES)
def job(request, tmp_path_factory):
    scene = request.param
    folder = tmp_path_factory.mktemp("runs") / scene
    status = main(
        ["plan", str(SAMPLES / f"{scene}.laz"), "--site", str(SAMPLES / f"{scene}.toml"),
         "--out", str(folder), "--quiet"]
    )  # fmt: skip
    return scene, folder, status


def documents(folder):
    return tuple(json.loads((folder / n).read_text()) for n in ("plan.json", "tree.json"))


def test_every_output_is_written_and_a_plan_is_found(job):
    _, folder, status = job
    assert status == 0
    assert not [name for name in OUTPUTS if not (folder / name).stat().st_size]


def test_the_independent_checker_finds_no_fault(job):
    scene, folder, _ = job
    plan, tree = documents(folder)
    assert check_plan(plan, tree, read_site(SAMPLES / f"{scene}.toml")) == []


def test_every_node_above_the_stump_is_in_exactly_one_step(job):
    _, folder, _ = job
    plan, tree = documents(folder)
    cut = [node for step in plan["steps"] for node in step["piece"]["nodes"]]
    assert len(cut) == len(set(cut))
    left = {node["id"] for node in tree["nodes"]} - set(cut)
    ground = min(node["z"] for node in tree["nodes"])
    assert all(node["z"] < ground + 0.6 for node in tree["nodes"] if node["id"] in left)


def test_every_target_is_named_in_every_step(job):
    scene, folder, _ = job
    site = read_site(SAMPLES / f"{scene}.toml")
    names = {t.name for t in (*site.target, *site.conductor)}
    plan, _ = documents(folder)
    assert all(set(step["clearance_m"]) == names for step in plan["steps"])


def test_a_plan_named_for_a_figure_is_the_best_one_in_it(job):
    _, folder, _ = job
    plans = {plan["name"]: plan for plan in documents(folder)[0]["alternatives"]}
    broken = [plan for plan in plans.values() if "breaks limits" in plan["explanation"]]
    assert not broken
    assert plans["fastest"]["hours"]["likely"] <= min(
        plan["hours"]["likely"] + 0.01 for plan in plans.values()
    )
    for name, figure in (("least load", "peak_share"), ("fewest anchor moves", "anchor_moves")):
        assert plans[name][figure] <= min(plan[figure] for plan in plans.values()) + 1e-3
    widest = max(plan["min_clearance_m"] or 1e6 for plan in plans.values())
    assert (plans["most clearance"]["min_clearance_m"] or 1e6) >= widest - 1e-2


def test_the_documents_meet_the_schemas_in_the_package(job):
    _, folder, _ = job
    for name, document in zip(("plan", "tree"), documents(folder), strict=True):
        text = resources.files("treescan.report").joinpath("schemas", f"{name}.schema.json")
        jsonschema.Draft202012Validator(json.loads(text.read_text())).validate(document)


def test_every_warning_of_the_cut_list_says_what_to_do(job):
    _, folder, _ = job
    with (folder / "cut_list.csv").open(encoding="utf-8-sig", newline="") as file:
        told = [w for row in csv.DictReader(file) for w in row["warnings"].split(" | ") if w]
    assert told
    assert not [w for w in told if ": " not in w]
    assert not [w for w in told if "settle it on site" in w]  # each kind has its own instruction


def test_the_cut_list_has_a_row_a_step(job):
    _, folder, _ = job
    plan, _ = documents(folder)
    with (folder / "cut_list.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [int(row["step"]) for row in rows] == [step["step"] for step in plan["steps"]]


def test_measures_agree_with_the_known_truth(job):
    scene, folder, _ = job
    truth = json.loads((SAMPLES / f"{scene}.truth.json").read_text())
    _, tree = documents(folder)
    summary = tree["summary"]
    assert summary["dbh_m"] == pytest.approx(truth["dbh_m"], abs=DBH_M)
    if truth["setting"] == "phone":
        assert summary["height_m"] < truth["height_m"]
        return
    assert summary["height_m"] == pytest.approx(truth["height_m"], abs=HEIGHT_M)
    volume = summary["volume_over_7cm_m3"]
    volume = volume["likely"] if isinstance(volume, dict) else volume
    assert volume == pytest.approx(truth["volume_over_7cm_m3"], rel=VOLUME_SHARE)


def test_replan_after_six_steps_in_the_rain(job, tmp_path):
    _, folder, _ = job
    status = main(
        ["replan", str(folder), "--done", "1-6", "--set", "conditions.wet=true",
         "--out", str(tmp_path / "rest"), "--quiet"]
    )  # fmt: skip
    assert status in (0, 3)
    before, _ = documents(folder)
    rest, _ = documents(tmp_path / "rest")
    done = {n for s in before["steps"][:6] for n in s["piece"]["nodes"]}
    assert not done & {n for s in rest["steps"] for n in s["piece"]["nodes"]}
    dry = {tuple(s["piece"]["nodes"]): s["piece"]["mass_kg"]["likely"] for s in before["steps"]}
    same = [(s, dry[key]) for s in rest["steps"] if (key := tuple(s["piece"]["nodes"])) in dry]
    assert same
    assert all(s["piece"]["mass_kg"]["likely"] > kilos for s, kilos in same)


PINES = sorted((REAL / "pines").glob("*.laz"))
TAPE_M = 0.015
"""DBH within 1.5 cm of the tape: what 91 to 97 % of plain circle fits reach on these trees."""


@pytest.mark.skipif(not PINES, reason="the real scans are not beside the project")
@pytest.mark.parametrize("scan", PINES[:3], ids=lambda path: path.stem)
def test_a_real_scan_gives_measurements_and_weights(scan, tmp_path):
    tile, tag = scan.stem.split("_")[1].rsplit("-", 1)
    with (REAL / "pines" / "field_survey.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = [r for r in csv.DictReader(file) if (r["TILE"], r["TAG_ID"]) == (tile, tag)]
    status = main(["plan", str(scan), "--out", str(tmp_path / "out"), "--quiet"])
    assert status == 0
    tree = json.loads((tmp_path / "out" / "tree.json").read_text())
    mass = tree["summary"]["green_mass_kg"]
    assert mass["high"] > mass["likely"] > mass["low"] > 0
    assert rows
    assert tree["summary"]["dbh_m"] == pytest.approx(float(rows[0]["DBH_CM"]) / 100, abs=TAPE_M)
