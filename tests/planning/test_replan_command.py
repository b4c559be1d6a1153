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
from treescan.pipeline import outputs
from treescan.planning.edits import Edit, edits_between
from treescan.report.plan_json import plan_document
from treescan.report.tree_json import tree_document
from treescan.site.reading import site_toml
from treescan_cli.main import main


@cache
def documents():
    inputs = inputs_of(grown_tree(3, 9.0, 0.3, limbs=7, side_branches=0), open_field())
    return documents_of(inputs)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A planned job; later plans write the documents only, not pictures and pages."""
    monkeypatch.setattr(outputs, "write_plan_outputs", documents_only)
    plan, tree, site = documents()
    here = tmp_path / "job"
    here.mkdir()
    (here / "plan.json").write_text(json.dumps(plan))
    (here / "tree.json").write_text(json.dumps(tree))
    (here / "site.toml").write_text(site_toml(site))
    return here


def documents_only(result, folder, **_):
    for name, document in (("plan", plan_document(result)), ("tree", tree_document(result))):
        (folder / f"{name}.json").write_text(json.dumps(document))


def again(folder, *more, name="again"):
    out = folder.parent / name
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


def rows_file(tmp_path, rows):
    path = tmp_path / "rows.json"
    path.write_text(json.dumps(rows))
    return str(path)


def cuts_of(plan):
    return [step["node"] for step in plan["steps"]]


def asked_for():
    """One edit of every kind, named by nodes of the first plan."""
    plan, tree, _ = documents()
    steps = {s["node"]: s for s in plan["steps"]}
    limbs = {n["id"]: n["limb"] for n in tree["nodes"]}
    whole = [n for n, s in steps.items() if s["piece"]["limb"] > 0 and len(s["piece"]["nodes"]) > 6]
    split_from, move_from, forced = whole[:3]
    own = [n for n in steps[split_from]["piece"]["nodes"] if limbs[n] == limbs[split_from]]
    along = [n for n in steps[move_from]["piece"]["nodes"] if limbs[n] == limbs[move_from]]
    logs = [n for n, s in steps.items() if s["piece"]["limb"] == 0]
    struck = logs[-2]
    usable = [a for a in plan["anchors"] if a["rank_reason"] == "usable, not needed"]
    anchor = max(usable, key=lambda a: a["height_m"])
    late = [n for n in steps if n not in (split_from, move_from, forced, *logs)]
    order = [late[-1], late[0]] if len(late) > 1 else [forced, split_from]
    return {
        "split": own[len(own) // 2],
        "move": (move_from, along[1]),
        "merge": struck,
        "force": (forced, anchor),
        "order": order,
        "rows": [
            {"do": "split", "node": own[len(own) // 2]},
            {"do": "move cut", "node": move_from, "to": along[1]},
            {"do": "merge", "node": struck},
            {"do": "force", "node": forced, "method": "lower", "anchor": anchor["id"]},
            {"do": "order", "nodes": order},
        ],
    }


def holds(new, wish):
    """Everything asked for is in a plan, or the plan says why not."""
    cuts, said = cuts_of(new), " ".join(new["cautions"])
    assert wish["split"] in cuts
    assert wish["move"][1] in cuts
    assert wish["move"][0] not in cuts
    assert wish["merge"] not in cuts
    node, anchor = wish["force"]
    step = new["steps"][cuts.index(node)]
    nodes = {a["id"]: a["node"] for a in new["anchors"]}
    met = step["method"] == "lower" and nodes.get(step["anchor"]) == anchor["node"]
    assert met or f"The cut at node {node}: asked for by hand and not possible" in said
    first, then = wish["order"]
    kept = cuts.index(first) < cuts.index(then)
    assert kept or "order asked for by hand cannot be kept" in said


def test_every_kind_of_edit_holds_in_its_plan_and_in_the_next_one(folder, tmp_path):
    wish = asked_for()
    code, new = again(folder, "--edited", rows_file(tmp_path, wish["rows"]))
    assert code in (0, 3)
    holds(new, wish)
    struck = next(s for s in new["steps"] if wish["merge"] in s["piece"]["nodes"])
    said = f"struck out by hand at node {wish['merge']} is kept"
    assert any(said in c for c in new["cautions"]) or not struck["broken_limits"]
    lost = wish["force"][1]
    wet = ("--set", "conditions.wet=true", "--lost", lost["id"])
    again(folder.parent / "again", *wet, name="third")
    code, last = again(folder.parent / "third", name="fourth")
    assert code in (0, 3)
    holds(last, wish)
    nodes = {a["id"]: a["node"] for a in last["anchors"]}
    assert lost["node"] not in {nodes.get(s["anchor"]) for s in last["steps"]}
    assert any("was lost during the job" in c for c in last["cautions"])


def test_an_edit_is_taken_back_by_its_opposite(folder, tmp_path):
    wish = asked_for()
    node = wish["force"][0]
    rows = [
        {"do": "merge", "node": wish["merge"]},
        {"do": "force", "node": node, "method": "lower"},
    ]
    again(folder, "--edited", rows_file(tmp_path, rows))
    back = [{"do": "split", "node": wish["merge"]}, {"do": "force", "node": node}]
    _, new = again(folder.parent / "again", "--edited", rows_file(tmp_path, back), name="back")
    assert wish["merge"] in cuts_of(new)
    step = new["steps"][cuts_of(new).index(node)]
    assert not [w for w in step["warnings"] if "by hand" in w]


def test_a_new_step_and_a_moved_one_in_a_copy_need_their_node_only(folder, tmp_path):
    wish = asked_for()
    plan, _, _ = documents()
    mine = copy.deepcopy(plan)
    old, new = wish["move"]
    next(s for s in mine["steps"] if s["node"] == old)["node"] = new
    mine["steps"].insert(0, {"node": wish["split"]})
    found = edits_between(plan, mine)
    assert Edit("move cut", node=old, to=new) in found
    assert Edit("split", node=wish["split"]) in found
    assert not [e for e in found if e.kind in ("merge", "force")]


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"landing": "the road"}, "landing was changed"),
        ({"minutes": {"low": 1, "likely": 1, "high": 1}}, "minutes was changed"),
        ({"method": "thrown"}, "use one of free fall, hinge fall, lower, speed line"),
        ({"anchor": "A999"}, "the plan has no anchor A999"),
    ],
)
def test_what_would_be_lost_is_refused(folder, tmp_path, capsys, change, named):
    mine = copy.deepcopy(documents()[0])
    mine["steps"][0].update(change)
    code, new = again(folder, "--edited", rows_file(tmp_path, mine))
    assert code == EXIT_BAD_INPUT
    assert new is None
    assert named in capsys.readouterr().err
