"""Changes of cuts made by hand: kept short, said in words, judged by a process of their own."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys

import pytest

pytest.importorskip("nicegui", reason="the extra “page” is not installed")
from hypothesis import given, settings
from hypothesis import strategies as st

from treescan.page import cut_edits
from treescan.page.cut_worker import Desk
from treescan.planning.edits import read_edits


def test_a_cut_moved_twice_is_one_change():
    rows = cut_edits.moved(cut_edits.moved([], 10, 12), 12, 14)
    assert rows == [{"do": "move cut", "node": 10, "to": 14}]
    assert cut_edits.moved(rows, 14, 10) == []
    assert cut_edits.moved(rows, 10, 11) == [{"do": "move cut", "node": 10, "to": 11}]
    assert cut_edits.place_now(rows, 10) == 14
    assert cut_edits.place_now(rows, 3) == 3


def test_a_cut_added_and_moved_is_a_cut_added_there():
    rows = cut_edits.moved(cut_edits.split([], 5), 5, 8)
    assert rows == [{"do": "split", "node": 8}]
    assert cut_edits.merged(rows, 8) == []


def test_striking_out_a_moved_cut_strikes_out_the_first_one():
    rows = cut_edits.merged(cut_edits.moved([], 10, 12), 12)
    assert rows == [{"do": "merge", "node": 10}]


def test_wishes_add_up_and_follow_their_cut():
    rows = cut_edits.forced(cut_edits.forced([], 7, tie="tip"), 7, anchor="A2")
    assert rows == [{"do": "force", "node": 7, "tie": "tip", "anchor": "A2"}]
    rows = cut_edits.moved(rows, 7, 9)
    assert [r["do"] for r in rows] == ["move cut", "force"]
    assert rows[1]["node"] == 9


def test_what_was_forced_goes_on_after_a_new_plan():
    state = {
        "held": [{"do": "force", "node": 3, "tie": "butt"}],
        "edits": [
            {"do": "split", "node": 8},
            {"do": "merge", "node": 9},
            {"do": "force", "node": 3, "tie": "tip"},
            {"do": "force", "node": 4, "anchor": "A1"},
        ],
    }
    held = cut_edits.held_after(state)
    assert held == [
        {"do": "merge", "node": 9, "again": True},
        {"do": "force", "node": 3, "tie": "tip"},
        {"do": "force", "node": 4, "anchor": "A1"},
    ]
    later = cut_edits.held_after({"held": held, "edits": [{"do": "split", "node": 9}]})
    assert later == held[1:]


change = st.one_of(
    st.tuples(st.just("split"), st.integers(1, 6)),
    st.tuples(st.just("merge"), st.integers(1, 6)),
    st.tuples(st.just("move"), st.integers(1, 6), st.integers(1, 6)),
    st.tuples(st.just("force"), st.integers(1, 6)),
)


@settings(deadline=None, max_examples=80)
@given(st.lists(change, max_size=12))
def test_any_sequence_of_changes_is_one_the_planner_can_read_and_can_be_said(steps):
    rows = []
    for step in steps:
        before = json.dumps(rows)
        if step[0] == "split":
            after = cut_edits.split(rows, step[1])
        elif step[0] == "merge":
            after = cut_edits.merged(rows, step[1])
        elif step[0] == "move":
            after = cut_edits.moved(rows, step[1], step[2])
        else:
            after = cut_edits.forced(rows, step[1], tie="tip")
        assert json.dumps(rows) == before
        rows = after
    assert len(read_edits(rows)) == len(rows)
    assert all(cut_edits.said(row, {1: "limb 1"}) for row in rows)


@pytest.fixture(scope="module")
def desk(made_job, tmp_path_factory):
    folder = tmp_path_factory.mktemp("cuts") / "job"
    shutil.copytree(made_job, folder)
    desk = Desk()

    def ask(edits, mark="1", cuts=(), only=None):
        return desk.take(
            {
                "folder": str(folder / "plan"),
                "site": str(folder / "site.toml"),
                "mark": mark,
                "edits": edits,
                "ask": list(cuts),
                "only": only,
            }
        )

    ask.plan = json.loads((folder / "plan" / "plan.json").read_text())
    return ask


def longest(plan):
    return max(plan["steps"], key=lambda s: len(s["piece"]["nodes"]))


def test_without_a_change_nothing_is_judged(desk):
    told = desk([])
    assert "error" not in told
    assert told["changed"] == []
    assert {s["node"] for s in desk.plan["steps"]} <= set(told["cuts"])


def test_a_cut_added_makes_two_pieces_that_weigh_as_much_as_the_one(desk):
    step = longest(desk.plan)
    nodes = step["piece"]["nodes"]
    whole = desk([], cuts=[step["node"]])["asked"][0]["options"][0]["piece"]["mass_kg"]
    told = desk([{"do": "split", "node": nodes[len(nodes) // 2]}])
    assert len(told["changed"]) == 2
    parts = [c["options"][0]["piece"]["mass_kg"]["likely"] for c in told["changed"]]
    assert sum(parts) == pytest.approx(whole["likely"], rel=0.02)
    for piece in told["changed"]:
        first = piece["options"][0]
        assert first["piece"]["mass_kg"]["low"] < first["piece"]["mass_kg"]["high"]
        assert {c["target"] for c in first["clearance_detail"]} == {
            t["name"] for t in (*desk.plan["site"]["target"], *desk.plan["site"]["conductor"])
        }
        assert piece["kept"] == (not first["broken_limits"])


def test_the_piece_looked_at_is_judged_before_the_others(desk):
    nodes = longest(desk.plan)["piece"]["nodes"]
    rows = [{"do": "split", "node": nodes[len(nodes) // 2]}]
    whole = {c["node"]: c for c in desk(rows)["changed"]}
    assert len(whole) == 2
    for node, piece in whole.items():
        assert desk(rows, only=node)["changed"] == [piece]
    assert {c["node"] for c in desk(rows, only=0)["changed"]} == set(whole)


def test_a_changed_piece_comes_with_its_way_down(desk):
    node = desk.plan["steps"][0]["node"]
    (told,) = desk([], cuts=[node])["asked"]
    for option in told["options"]:
        times = [row[0] for row in option["path"]]
        assert len(times) == len(option["path_detail"]["turn_wxyz"]) <= 120
        assert times == sorted(times)
        assert times[-1] > times[0]
        assert node in option["piece"]["nodes"]


def test_an_anchor_that_was_lost_is_not_used_for_a_changed_piece(made_job, tmp_path):
    from treescan.page.cut_worker import Prepared

    folder = tmp_path / "plan"
    shutil.copytree(made_job / "plan", folder)
    before = Prepared.of(folder, made_job / "site.toml").job
    lost = next(a.node for a in before.anchors if not a.rejected)
    state = {"gone_nodes": [], "lost_nodes": [lost], "edits": []}
    (folder / "state.json").write_text(json.dumps(state))
    after = Prepared.of(folder, made_job / "site.toml").job
    (told,) = (a.rejected for a in after.anchors if a.node == lost)
    assert "lost" in told


def test_a_page_that_has_gone_away_ends_the_judging_without_a_word():
    question = {"folder": "gone", "mark": "1", "edits": [], "ask": []}
    process = subprocess.Popen(
        [sys.executable, "-m", "treescan.page.cut_worker"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    process.stdout.close()
    _, said = process.communicate(json.dumps(question) + "\n")
    assert (process.returncode, said) == (0, "")


def test_a_cut_struck_out_is_gone_and_the_wood_stays_on_what_holds_it(desk):
    outer = next(s for s in desk.plan["steps"] if s["piece"]["limb"] != 0)
    told = desk([{"do": "merge", "node": outer["node"]}])
    assert told["gone"] == [outer["node"]]
    assert outer["node"] not in told["cuts"]
    assert len(told["changed"]) == 1


def test_a_wish_that_cannot_be_had_is_flagged_and_not_dropped(desk):
    step = desk.plan["steps"][0]
    told = desk([{"do": "force", "node": step["node"], "anchor": "no such anchor"}])
    (piece,) = told["changed"]
    assert piece["forced"]
    assert not piece["met"]
    missing = desk([{"do": "force", "node": longest(desk.plan)["piece"]["nodes"][1], "tie": "tip"}])
    assert any("force a way on" in flag for flag in missing["flags"])


def test_what_is_no_change_is_said_and_does_not_stop_the_desk(desk):
    assert "edit 1" in desk([{"do": "burn", "node": 3}])["error"]
    assert "error" not in desk([])
