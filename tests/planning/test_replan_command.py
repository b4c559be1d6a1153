"""Planning again by the command: a hand-edited plan is kept, checked and flagged."""

from __future__ import annotations

import copy
import json
from functools import cache

import pytest

from tests.planning.jobs import documents_of, inputs_of
from tests.planning.sites import open_field
from tests.planning.trees import grown_tree
from treescan.errors import EXIT_BAD_INPUT
from treescan.site.reading import site_toml
from treescan_cli.main import main


@cache
def documents():
    inputs = inputs_of(grown_tree(3, 6.5, 0.2, limbs=4, side_branches=1), open_field())
    return documents_of(inputs)


@pytest.fixture
def folder(tmp_path):
    plan, tree, site = documents()
    here = tmp_path / "job"
    here.mkdir()
    (here / "plan.json").write_text(json.dumps(plan))
    (here / "tree.json").write_text(json.dumps(tree))
    (here / "site.toml").write_text(site_toml(site))
    return here


def again(folder, *more):
    out = folder.parent / "again"
    code = main(["replan", str(folder), "--out", str(out), "--quiet", *more])
    path = out / "plan.json"
    return code, json.loads(path.read_text()) if path.is_file() else None


def test_a_hand_edited_copy_is_kept_and_said(folder, tmp_path):
    plan, _, _ = documents()
    mine = copy.deepcopy(plan)
    forced, gone = mine["steps"][0], mine["steps"][1]
    forced["method"], forced["tie"] = "lower", "butt"
    mine["steps"].remove(gone)
    edited = tmp_path / "mine.json"
    edited.write_text(json.dumps(mine))
    code, new = again(folder, "--edited", str(edited))
    assert code in (0, 3)
    nodes = [s["node"] for s in new["steps"]]
    assert gone["node"] not in nodes
    step = new["steps"][nodes.index(forced["node"])]
    said = " ".join((*step["warnings"], *new["cautions"]))
    assert "asked for by hand" in said
    assert step["method"] == "lower" or "not possible" in said


def test_why_not_here_and_another_whole_plan(folder):
    plan, tree, _ = documents()
    tip = max(tree["nodes"], key=lambda n: n["z"])["id"]
    code, new = again(folder, "--done", "1", "--why", str(tip), "--prefer", "fastest")
    assert code == 0
    assert "fastest" in new["name"]
    assert any(c.startswith(f"Node {tip}:") and "too thin" in c for c in new["cautions"])
    assert plan["steps"][0]["node"] not in [s["node"] for s in new["steps"]]


def test_a_node_that_is_not_there_is_named(folder, capsys):
    code, new = again(folder, "--why", "999999")
    assert code == EXIT_BAD_INPUT
    assert new is None
    assert "--why: the tree has nodes 0 to" in capsys.readouterr().err
