"""Files made to break the program: bombs, lies, tricks in names.  One line each, or escaped."""

import copy
import csv
import json
import re
import typing
from typing import Literal

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from tests.pipeline.small_tree import tree_document, tree_rows, write_tree
from treescan.errors import InvalidInputError, SiteFileError, TreescanError
from treescan.pipeline.folder import read_folder
from treescan.pipeline.run import RunOptions, survey_scan
from treescan.report import tree_json
from treescan.report.tree_json import read_tree
from treescan.rigging.gear import resolve_gear
from treescan.site.model import Gear, Site
from treescan.site.reading import parse_site, site_from_mapping, site_toml
from treescan_cli.main import main


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 20_000,
        "a = " + "[" * 300 + "]" * 300,
        "a = " + "{a = " * 5000,
        "a." * 400 + "b = 1",
        "a." * 400_000 + "b = 1",
        '"a" . ' * 100_000 + "b = 1",
        "x = 1\n[" + "a." * 100_000 + "b]",
        "x = {" + "a." * 100_000 + "b = 1}",
        "[[target]]\n" * 80_000,
        "a" * 900_000,
        '"' * 900_000,
        "x = " + "9" * 900_000,
    ],
    ids=lambda text: text[:8].strip() + f"… {len(text)}",
)
def test_toml_bombs_are_refused_in_one_line(text):
    with pytest.raises(SiteFileError) as refusal:
        parse_site(text)
    assert "\n" not in str(refusal.value)
    assert len(str(refusal.value)) < 1000


def test_a_site_file_of_many_megabytes_is_not_read(tmp_path):
    from treescan.site.reading import read_site

    (tmp_path / "site.toml").write_bytes(b"#" * 1_000_001)
    with pytest.raises(SiteFileError, match=r"1\.0 MB"):
        read_site(tmp_path / "site.toml")


def test_an_oversized_tree_file_is_not_read(tmp_path, monkeypatch):
    path = write_tree(tmp_path / "tree.json")
    monkeypatch.setattr(tree_json, "MOST_BYTES", 1000)
    with pytest.raises(InvalidInputError, match="MB"):
        read_tree(path)


def lie(change):
    document = copy.deepcopy(tree_document())
    change(document, document["nodes"])
    return document


LIES = {
    "NaN": lambda d, n: n[5].update(x=float("nan")),
    "infinite": lambda d, n: n[5].update(radius_m=float("inf")),
    "negative radius": lambda d, n: n[5].update(radius_m=-0.1),
    "text for a number": lambda d, n: n[5].update(z="high"),
    "a cycle": lambda d, n: n[3].update(parent=7),
    "its own parent": lambda d, n: n[3].update(parent=3),
    "two roots": lambda d, n: n[3].update(parent=None),
    "unknown parent": lambda d, n: n[3].update(parent=9_999_999),
    "parent in a list": lambda d, n: n[3].update(parent=[1]),
    "id in a list": lambda d, n: n[3].update(id=[1]),
    "id twice": lambda d, n: n[3].update(id=2),
    "a limb of 1e12": lambda d, n: n[3].update(limb=1e12),
    "limb NaN": lambda d, n: n[3].update(limb=float("nan")),
    "half a limb": lambda d, n: n[3].update(limb=0.5),
    "a node that is none": lambda d, n: n.__setitem__(4, 17),
    "nodes that are none": lambda d, n: d.update(nodes={"a": 1}),
    "no nodes": lambda d, n: d.update(nodes=[]),
    "kilometres": lambda d, n: n[30].update(z=9000.0),
    "a stem of 50 m": lambda d, n: n[0].update(radius_m=25.0),
    "summary of text": lambda d, n: d.update(summary="tall"),
    "origin of two": lambda d, n: d.update(origin_m=[1.0, 2.0]),
    "origin NaN": lambda d, n: d.update(origin_m=[1.0, 2.0, float("nan")]),
    "another version": lambda d, n: d.update(version=7),
    "ground of text": lambda d, n: d.update(ground="level"),
    "ground NaN": lambda d, n: d.update(
        ground={"x0_m": 0, "y0_m": 0, "cell_m": 1, "z_m": [[0, 0], [0, float("nan")]],
                "seen": [[1, 1], [1, 1]]}),
    "ground of one line": lambda d, n: d.update(
        ground={"x0_m": 0, "y0_m": 0, "cell_m": 1, "z_m": [0, 0], "seen": [1, 1]}),
    "ground cell 0": lambda d, n: d.update(
        ground={"x0_m": 0, "y0_m": 0, "cell_m": 0, "z_m": [[0, 0], [0, 0]],
                "seen": [[1, 1], [1, 1]]}),
}  # fmt: skip


@pytest.mark.parametrize("name", LIES)
def test_a_tree_file_that_lies_is_refused_in_one_line(name, tmp_path):
    path = tmp_path / "tree.json"
    path.write_text(json.dumps(lie(LIES[name])))
    with pytest.raises(TreescanError) as refusal:
        survey_scan([path], Site(), RunOptions())
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize(
    "text",
    ["[" * 100_000, '{"a":' * 100_000, '{"format": ' + "9" * 10_000 + "}", "null", "", "\0", "[]"],
    ids=["lists", "tables", "number", "null", "empty", "zero byte", "list"],
)
def test_json_bombs_are_refused(text, tmp_path):
    (tmp_path / "tree.json").write_text(text)
    with pytest.raises(InvalidInputError):
        read_tree(tmp_path / "tree.json")


VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(-(10**20), 10**20), st.floats(), st.text(max_size=5),
    st.lists(st.integers(-3, 3), max_size=3), st.dictionaries(st.text(max_size=2), st.none()),
)  # fmt: skip


@given(
    row=st.integers(0, len(tree_rows()) - 1),
    key=st.sampled_from(sorted(tree_rows()[0])),
    value=VALUES,
)
@example(row=1, key="radius_m", value=2.4415563800779057e-224)
@settings(deadline=None, max_examples=150)
def test_any_value_in_a_node_is_refused_or_measured(row, key, value, tmp_path_factory):
    document = lie(lambda d, n: n[row].update({key: value}))
    path = tmp_path_factory.mktemp("fuzz", numbered=True) / "tree.json"
    path.write_text(json.dumps(document))
    try:
        survey = survey_scan([path], Site(), RunOptions())
    except TreescanError as refusal:
        assert "\n" not in str(refusal)  # noqa: PT017
        return
    m = survey.measures
    numbers = [m.height_m, m.dbh_m, m.crown_spread_m, m.volume_m3.low, m.volume_m3.high]
    assert np.isfinite(numbers).all()


EVIL = "$x^{$ <script>alert(1)</script><img src=x onerror=alert(2)>"
PATHS = "../../../etc/passwd"
FORMULA = "=HYPERLINK(1)"


CATALOGUE = {
    "job.species", "gear.line", "gear.sling", "gear.block", "gear.friction_device", "gear.knot",
}  # fmt: skip
"""Text of the site file that is looked up, and refused where it is not known."""
EVIL_SITE = {
    "job": {"name": EVIL, "species": EVIL},
    "own_species": [
        {"scientific_name": EVIL, "common_name": f"{EVIL} oak", "kind": "broadleaf",
         "basic_specific_gravity": 0.6, "mc_average_pct": 70, "bark_pct_of_wood_volume": 10,
         "bark_density_kg_m3": 900, "MOR_green_MPa": 50, "MOE_green_GPa": 8,
         "compression_parallel_green_MPa": 22, "source": EVIL},
    ],
    "target": [
        {"name": f"{EVIL} & ' shed", "footprint_m": [[104, 198], [107, 198], [107, 202]]},
        {"name": FORMULA, "footprint_m": [[108, 198], [109, 198], [109, 202]]},
    ],
    "conductor": [{"name": f"</script>{EVIL}", "path_m": [[112, 190, 17], [112, 210, 17]]}],
    "drop_zone": [
        {"name": PATHS, "footprint_m": [[88, 188], [102, 188], [102, 212], [88, 212]]},
    ],
    "landing": [{"name": EVIL, "footprint_m": [[96, 196], [99, 196], [99, 199]]}],
    "ground_anchor": [{"name": EVIL, "at_m": [90, 190, 10.5]}],
    "gear": {
        "line": EVIL,
        "own": [{"name": EVIL, "kind": "line", "mbs_kn": 60, "modulus_kn": 500, "source": EVIL}],
    },
    "haul": {"trucks": [{"name": EVIL, "volume_m3": 6, "payload_kg": 1400}]},
    "quote": {"currency": EVIL, "crew_rate_per_hour": 100},
}  # fmt: skip


def texts(model, place=""):
    """Places of all free text of a model."""
    for name, field in model.model_fields.items():
        parts = [field.annotation]
        while parts:
            part = parts.pop()
            if isinstance(part, type) and issubclass(part, BaseModel):
                yield from texts(part, f"{place}{name}.")
            elif part is str:
                yield f"{place}{name}"
            else:
                parts += typing.get_args(part) if typing.get_origin(part) is not Literal else ()


def attacked(data, place=""):
    if isinstance(data, dict):
        return {p for k, v in data.items() for p in attacked(v, f"{place}.{k}".lstrip("."))}
    if isinstance(data, list):
        return {p for part in data for p in attacked(part, place)}
    return {place} if isinstance(data, str) and data != "line" else set()


def test_every_free_text_of_the_site_file_is_attacked():
    wanted = set(texts(Site)) - (CATALOGUE - {"job.species", "gear.line"})
    own = {"own_species", "gear.own"}  # tables with keys of their own
    assert wanted - own <= attacked(EVIL_SITE)
    assert all(any(a.startswith(f"{table}.") for a in attacked(EVIL_SITE)) for table in own)


@pytest.mark.parametrize(
    "name", ["two\nlines", "a\x00b", "a\x1b[31mb", "\x7f", "\u2028", "x" * 121]
)
def test_names_hold_no_control_letters(name):
    target = {"name": name, "footprint_m": [[0, 0], [1, 0], [0, 1]]}
    for data in ({"job": {"name": name}}, {"quote": {"currency": name}}, {"target": [target]}):
        with pytest.raises(SiteFileError) as refusal:
            site_from_mapping(data)
        assert "\n" not in str(refusal.value)
    with pytest.raises(SiteFileError):
        resolve_gear(Gear(own=({"name": name, "kind": "sling", "mbs_kn": 90.0},)))


@pytest.fixture(scope="module")
def evil_job(tmp_path_factory):
    """A whole plan whose every name is an attack."""
    folder = tmp_path_factory.mktemp("evil")
    site = site_toml(Site.model_validate(EVIL_SITE))
    (folder / "site.toml").write_text(site)
    scan = write_tree(folder / "t<b>&é木.json", notes=[EVIL], crs=EVIL, scan_name=EVIL)
    out = folder / ("ü 木 <i> " + "long" * 40)
    status = main(
        ["plan", str(scan), "--site", str(folder / "site.toml"), "--out", str(out), "--quiet"]
    )
    assert status in (0, 3)
    return folder, out


def test_html_in_names_arrives_escaped(evil_job):
    _, out = evil_job
    for page in (out / "report.html", *out.rglob("*.svg")):
        text = page.read_text(encoding="utf-8")
        assert "<script>alert" not in text, page.name
        assert "<img src=x" not in text, page.name
        assert "</script>&lt" not in text
        assert text.count("<script") == text.count("</script"), page.name
    assert "&lt;script&gt;alert" in (out / "report.html").read_text(encoding="utf-8")


def test_paths_in_names_lead_nowhere(evil_job):
    folder, out = evil_job
    assert {p.name for p in folder.iterdir()} == {"site.toml", "t<b>&é木.json", out.name}
    assert not [p.name for p in out.rglob("*") if "passwd" in p.name or p.is_symlink()]


def test_names_never_become_formulas_of_a_spreadsheet(evil_job):
    _, out = evil_job
    for table in out.glob("*.csv"):
        with table.open(encoding="utf-8-sig", newline="") as file:
            cells = [cell for row in csv.reader(file) for cell in row]
        assert not [c for c in cells if re.match(r"[=@]|[+-](?![\d.∞])", c)], table.name


def test_names_come_back_unchanged_from_the_documents(evil_job):
    _, out = evil_job
    plan = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    assert FORMULA in plan["steps"][0]["clearance_m"]
    assert read_folder(out).site.job.name == EVIL


def replaced(out, tmp_path, name, change):
    for file in ("tree.json", "plan.json", "site.toml"):
        (tmp_path / file).write_bytes((out / file).read_bytes())
    document = json.loads((tmp_path / "plan.json").read_text())
    document = change(document) or document
    (tmp_path / name).write_text(json.dumps(document))


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("plan.json", lambda d: d["steps"].__setitem__(0, 7)),
        ("plan.json", lambda d: d["steps"][0].pop("piece")),
        ("plan.json", lambda d: d["steps"][0]["piece"].update(nodes=[10**9])),
        ("plan.json", lambda d: d["steps"][0]["piece"].update(nodes=[-1])),
        ("plan.json", lambda d: d.update(hours={"low": "x"})),
        ("plan.json", lambda d: d.update(version=2)),
        ("state.json", lambda d: {"gone_nodes": [-1]}),
        ("state.json", lambda d: {"gone_nodes": [10**9]}),
        ("state.json", lambda d: {"gone": []}),
    ],
)
def test_a_changed_result_folder_is_refused_in_one_line(evil_job, tmp_path, capsys, name, change):
    replaced(evil_job[1], tmp_path, name, change)
    for file in ("tree.json", "site.toml"):
        assert (tmp_path / file).exists()
    status = main(["haul", str(tmp_path), "--out", str(tmp_path / "new"), "--quiet"])
    message = capsys.readouterr().err
    assert status == 2, message
    assert message.count("\n") == 1
