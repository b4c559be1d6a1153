"""The fuzzer's own parts, and files it broke the program with that are not scans."""

from __future__ import annotations

import json
import random

import pytest

from tests.fuzz.child import Reader
from tests.fuzz.mutation import mutated
from tests.fuzz.parsers import PARSERS, BadAnswer
from tests.fuzz.seeds import plan_seeds
from treescan.errors import InvalidInputError, TreescanError


@pytest.fixture
def reader(tmp_path):
    (tmp_path / "work").mkdir()
    return lambda name: Reader(PARSERS[name], tmp_path, keep=False)


@pytest.mark.parametrize("name", PARSERS)
def test_every_seed_is_read_and_mutants_are_read_or_refused(name, reader):
    if name == "e57":
        pytest.importorskip("pye57", reason="the extra e57 is not installed")
    if name in ("upload", "page", "drafts", "history", "order", "stage", "proposed"):
        pytest.importorskip("nicegui", reason="the extra “page” is not installed")
    read, rng = reader(name), random.Random(1)
    seeds = PARSERS[name].seeds()
    for data in seeds:
        PARSERS[name].read(_kept(read, data))
    for _ in range(5):
        read(mutated(rng.choice(seeds), PARSERS[name].shape, rng))


def _kept(read, data):
    read.current.write_bytes(data)
    return read.current


def test_a_fault_is_kept_with_its_input_once(tmp_path, monkeypatch):
    (tmp_path / "work").mkdir()
    read = Reader(PARSERS["state"], tmp_path)

    def broken(path):
        raise BadAnswer(path.read_text())

    object.__setattr__(read, "parser", PARSERS["state"].__class__(
        **{**vars(PARSERS["state"]), "read": broken}))  # fmt: skip
    read(b"one kind")
    read(b"one kind")
    kept = sorted((tmp_path / "findings").iterdir())
    assert [path.suffix for path in kept] == [".bin", ".txt"]
    assert kept[0].read_bytes() == b"one kind"


@pytest.mark.parametrize(
    "change",
    [
        lambda plan: plan["hours"].update(likely={}),
        lambda plan: plan.update(hours=[1, 2, 3]),
        lambda plan: plan["steps"][0].update(node="twenty"),
        lambda plan: plan["steps"][1].update(step=None),
    ],
)
def test_a_plan_with_other_than_numbers_is_refused(change, reader):
    """Found by the fuzzer: a TypeError and a ValueError out of the haul sheet and replanning."""
    plan = json.loads(plan_seeds()[0])
    change(plan)
    read = reader("plan")
    with pytest.raises(InvalidInputError):
        PARSERS["plan"].read(_kept(read, json.dumps(plan).encode()))


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("txt", b"\r1.0860\t0.015\t1e308\t\t10.8606 .0860"),
        ("txt", b"0 0 0\n1 1 1\n1e300 2 2\n" * 40),
        ("pcd", b"FIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nCOUNT 1 1 1\nPOINTS 1\nDATA\n0 0 0\n"),
        ("pcd", b"FIELDS x y z\nSIZE 4 4 4\nTYPE F F ,(\nPOINTS 1\nDATA ascii\n0 0 0\n"),
    ],
)  # fmt: skip
def test_a_scan_the_fuzzer_broke_the_reader_with_is_refused(name, data, reader):
    with pytest.raises(TreescanError):
        PARSERS[name].read(_kept(reader(name), data))


@pytest.mark.parametrize(
    "rows",
    [
        [7],
        [None],
        [{"do": ["merge"], "node": 3}],
        [{"do": "merge", "node": "three"}],
        [{"do": "split", "node": 1e308}],
        [{"do": "order", "nodes": 3}],
        [{"do": "force", "node": 3, "tie": ["butt"]}],
        {"format": "treescan-plan", "version": 1, "steps": [{"piece": {"nodes": [3]}}]},
    ],
)
def test_hand_edits_of_the_wrong_sort_are_refused(rows, reader):
    """Found by the fuzzer: AttributeError, TypeError and KeyError out of replanning."""
    with pytest.raises(InvalidInputError):
        PARSERS["edits"].read(_kept(reader("edits"), json.dumps(rows).encode()))


@pytest.mark.parametrize(
    ("name", "key", "value"),
    [
        ("page", "confirmed", None),
        ("page", "done", ["one"]),
        ("page", "scans", "scan.laz"),
        ("page", "proposals", [1]),
        ("history", "a\nb", 1),
        ("history", "site", 3),
        ("history", "results", {"plan": "../../../elsewhere"}),
    ],
)
def test_the_pages_own_files_of_the_wrong_sort_are_refused(name, key, value, reader):
    """Found by the fuzzer: TypeErrors out of the page, and messages of several lines."""
    pytest.importorskip("nicegui", reason="the extra “page” is not installed")
    data = {**json.loads(PARSERS[name].seeds()[0]), key: value}
    with pytest.raises(TreescanError) as refusal:
        PARSERS[name].read(_kept(reader(name), json.dumps(data).encode()))
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("proposed", b"# proposed, how sure: 0.7\n[[target]]\nname = 3\npath_m = 7"),
        ("proposed", b"# proposed, how sure: 0.7\n[target]\nname = 'x'"),
        ("proposed", b"\xff\xfe"),
        ("drafts", b'{"a site": {"kind": "area", "corners": [["x", "y"]]}}'),
        ("drafts", b'{"a site": {"kind": [], "corners": []}}'),
        ("order", b'{"order": "plan", "pid": 1e308, "created": 1}'),
        ("stage", b'{"done": true, "share": "half"}'),
    ],
)
def test_the_pages_passing_files_of_the_wrong_sort_are_put_by(name, data, reader):
    """Found by the fuzzer: what only helps to go on is left out, and the job opens."""
    pytest.importorskip("nicegui", reason="the extra “page” is not installed")
    PARSERS[name].read(_kept(reader(name), data))
