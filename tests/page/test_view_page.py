"""The 3-D view in the page without a browser: taps show cards, changes are kept and judged."""

from __future__ import annotations

import asyncio
import json

import numpy as np
import pytest

pytest.importorskip("nicegui", reason="the extra “page” is not installed")

from tests.browsing import PATIENCE_S, PREPARING_S
from tests.page.conftest import opened

PREPARING = int(10 * PREPARING_S)
"""How often is looked for the first answer on a changed cut, ten times a second."""

pytestmark = pytest.mark.asyncio


async def until(check, seconds=PATIENCE_S):
    for _ in range(int(seconds / 0.05)):
        if check():
            return
        await asyncio.sleep(0.05)
    raise AssertionError("it did not happen")


async def view_of(user, session):
    """Open the cut list; returns the view's element and the scene."""
    from treescan.page.view import TreeView, scenes_of

    await user.open("/?step=cuts")
    await user.should_see("Tap wood, a union or a scan point")
    (element,) = user.find(TreeView).elements
    return element, scenes_of(session).now()[1]


def shown(element, method):
    return element._kept[method]


def tap(user, at, eye, spread=0.02):
    from treescan.page.view import TreeView

    way = (np.asarray(at) - eye).tolist()
    told = {"from": list(map(float, eye)), "way": way, "spread": spread}
    user.find(TreeView).trigger("tap", told)


def clear_view(scene, node):
    """A place outside the crown from which a tap on a node meets its limb first."""
    from treescan.page.view_pick import Ray, pick_wood

    graph = scene.graph
    at = 0.5 * (graph.edge_start_m[node] + graph.position_m[node])
    for turn in np.linspace(0, 2 * np.pi, 24, endpoint=False):
        eye = at + 30.0 * np.array([np.cos(turn), np.sin(turn), 0.1])
        ray = Ray.of({"from": eye.tolist(), "way": (at - eye).tolist(), "spread": 0.002})
        found = pick_wood(graph, ray, np.ones(len(graph), bool))
        if found and graph.limb[found[0].node] == graph.limb[node]:
            return at, eye
    raise AssertionError("no free view")


async def test_a_tap_on_a_limb_shows_its_card(job_folder):
    async with opened(job_folder) as (user, session):
        _, scene = await view_of(user, session)
        limb = int(scene.graph.limb[scene.plan["steps"][0]["node"]])
        node = int(np.flatnonzero(scene.graph.limb == limb)[1])
        tap(user, *clear_view(scene, node), spread=0.002)
        await user.should_see(f"Limb {limb}")
        await user.should_see("Weight of all of it")
        await user.should_see("Diameter here, over bark")
        await user.should_see("Piece of step 1")


async def test_a_tap_on_a_union_shows_its_verdict(job_folder):
    async with opened(job_folder) as (user, session):
        _, scene = await view_of(user, session)
        union = scene.unions[0]
        tap(user, union.at_m, union.at_m + np.array([25.0, 8.0, 2.0]))
        await user.should_see("As an anchor")
        await user.should_see("sound it and look at it")


async def test_a_ray_that_is_none_is_left_alone(job_folder):
    from treescan.page.view import TreeView

    async with opened(job_folder) as (user, session):
        await view_of(user, session)
        user.find(TreeView).trigger("tap", {"from": "x"})
        await asyncio.sleep(0.1)
        await user.should_see("Tap wood, a union or a scan point")


async def test_the_steps_draw_path_and_closest_target(job_folder):
    async with opened(job_folder) as (user, session):
        element, scene = await view_of(user, session)
        user.find(marker="step-next").click()
        await user.should_see(f"Step 1 of {len(scene.plan['steps'])}")
        (drawing,) = shown(element, "setWay")
        assert len(drawing["path"]) > 1
        assert drawing["near"]["name"] in scene.plan["steps"][0]["clearance_m"]
        await user.should_see("plan on")
        user.find(marker="step-back").click()
        assert shown(element, "setWay") == (None,)


async def test_a_changed_cut_is_kept_judged_and_undone(job_folder):
    async with opened(job_folder) as (user, session):
        _, scene = await view_of(user, session)
        user.find(marker="step-next").click()
        await user.should_see("Cut toward tip")
        user.find(marker="outward").click()
        await until(lambda: bool(session.store.state.get("edits")))
        (row,) = session.store.state["edits"]
        assert row["do"] == "move cut"
        assert row["node"] == scene.plan["steps"][0]["node"]
        assert json.loads((job_folder / "page.json").read_text())["edits"] == [row]
        await user.should_see("In the plan", retries=PREPARING)
        await user.should_see("Changed by hand, not yet in the plan: 1")
        await user.should_see("Cut moved: step 1")
        user.find(marker="undo").click()
        await until(lambda: not session.store.state.get("edits"))
        await user.should_not_see("Changed by hand, not yet in the plan")


async def test_a_forced_anchor_that_cannot_be_had_stays_and_is_flagged(job_folder):
    async with opened(job_folder) as (user, session):
        _, scene = await view_of(user, session)
        node = scene.plan["steps"][0]["node"]
        rows = [{"do": "force", "node": node, "anchor": "A999"}]
        session.save(state={"edits": rows}, said="forced")
        user.find(marker="step-next").click()
        await user.should_see("cannot be had", retries=PREPARING)
        assert session.store.state["edits"] == rows


async def test_done_pieces_are_hidden_on_every_device(job_folder):
    async with opened(job_folder) as (user, session):
        element, _ = await view_of(user, session)
        before = shown(element, "setLooks")[0]["kinds"]
        assert all(alpha > 0 for _, alpha in before[2:])
        session.save(state={"done": [1]}, said="Step 1 ticked")
        await until(lambda: shown(element, "setLooks")[0]["kinds"] != before)
        after = shown(element, "setLooks")[0]["kinds"]
        assert sum(alpha == 0 for _, alpha in after[2:]) == 1


async def test_us_units_on_every_card(job_folder):
    async with opened(job_folder) as (user, session):
        await view_of(user, session)
        user.find(marker="units").click()
        await user.should_see("Tap wood, a union or a scan point")
        user.find(marker="step-next").click()
        await user.should_see(" lb")
        await user.should_not_see("plan on 1 kg")


async def test_the_view_is_handed_out_and_nothing_beyond_it(job_folder):
    async with opened(job_folder) as (user, session):
        _, scene = await view_of(user, session)
        client = user.http_client
        words = (await client.get("/view/scene.json")).json()
        assert words["nodes"] == len(scene.graph)
        block = await client.get("/view/scene.bin")
        assert block.content == scene.block
        assert (await client.get("/view/points.json")).json()["state"] == "none"
        for bad in ("points/0/10", "points/-1/5", "points/0/99999999", "points/x/1", "page.json"):
            assert (await client.get(f"/view/{bad}")).status_code in (404, 422)


async def test_alternatives_stand_side_by_side_and_one_is_chosen(job_folder, monkeypatch):
    async with opened(job_folder) as (user, session):
        ordered = []
        monkeypatch.setattr(session, "start", lambda order, units: ordered.append(order))
        await user.open("/?step=plan")
        plan = session.store.plan()
        for row in plan["alternatives"]:
            await user.should_see(row["name"].capitalize())
        now = plan["name"].rsplit(": ", 1)[-1]
        other = next(a["name"] for a in plan["alternatives"] if a["name"] != now)
        user.find(marker=f"choose-{other}").click()
        assert session.store.state["prefer"] == other
        assert ordered == ["plan"]
        await user.should_see("not planned yet")


async def test_what_was_forced_is_asked_for_again_after_a_new_plan(job_folder):
    from treescan.page.cut_edits import held_after

    async with opened(job_folder) as (user, session):
        _, scene = await view_of(user, session)
        row = {"do": "force", "node": scene.plan["steps"][0]["node"], "tie": "tip"}
        held = held_after({"edits": [row, {"do": "split", "node": 5}]})
        session.save(state={"held": held, "edits": []}, said="Plan made")
        user.find(marker="step-next").click()
        await user.should_see("kept in every new plan: 1")
        user.find(marker="let-go").click()
        assert session.store.state["held"] == []
