"""The frame without a browser: steps and their standing, undo, units, devices that follow."""

import asyncio

import pytest

pytest.importorskip("nicegui", reason="the extra “page” is not installed")
from nicegui import ui

from tests.page.conftest import SCAN, opened
from tests.report.job import NASTY

pytestmark = pytest.mark.asyncio


def element(user, marker):
    return next(iter(user.find(marker=marker).elements))


async def settle(session):
    """Let the server look at the files, and let tasks run."""
    session.look()
    await asyncio.sleep(0.05)


def put(user, marker, text):
    """Type into an input and leave it."""
    box = element(user, marker)
    box.value = text
    user.find(marker=marker).trigger("blur")


async def test_every_step_opens_and_says_how_it_stands(job_folder):
    from treescan.page.steps import STEPS

    async with opened(job_folder) as (user, _):
        await user.open("/")
        for number, step in enumerate(STEPS, start=1):
            user.find(marker=f"step-{step.key}").click()
            await user.should_see(f"{number} of {len(STEPS)}: {step.title}")
        await user.should_see("competent person on site")


async def test_an_empty_job_begins_with_the_scan(tmp_path):
    async with opened(tmp_path / "job") as (user, session):
        await user.open("/")
        await user.should_see("1 of 13: Scan")
        await user.should_see("oak pond")
        user.find("Measure the scan").click()
        await user.should_see("Choose a scan first.")
        user.find("oak pond").click()
        await user.should_see("Oak over the glasshouse")
        assert [p.rsplit("/", 1)[-1] for p in session.store.state["scans"]] == ["oak_pond.laz"]
        user.find(marker="undo").click()
        await user.should_see("Taken back: Sample oak pond taken")
        assert not (tmp_path / "job" / "site.toml").exists()


async def test_another_sample_keeps_what_was_marked_for_undo(job_folder):
    async with opened(job_folder) as (user, session):
        before = (job_folder / "site.toml").read_bytes()
        await user.open("/?step=scan")
        user.find("spruce garage").click()
        assert session.store.plan() is None
        assert (job_folder / "site.toml").read_bytes() != before
        user.find(marker="undo").click()
        assert (job_folder / "site.toml").read_bytes() == before
        assert session.store.plan() is not None


async def test_two_devices_see_the_same_job(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=conditions")
        other = await second(user)
        put(user, "job-name", "Ash by the school")
        assert session.store.site.job.name == "Ash by the school"
        await other.should_see("Ash by the school")
        assert element(other, "job-name").value == "Ash by the school"


async def second(user, path="/?step=conditions", *, address="127.0.0.1", **cookies):
    import httpx
    from nicegui import core
    from nicegui.testing import User

    transport = httpx.ASGITransport(core.app, client=(address, 1))
    other = User(httpx.AsyncClient(transport=transport, base_url="http://test", cookies=cookies))
    await other.open(path)
    return other


async def test_a_change_by_the_command_reaches_the_page(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=conditions")
        path = job_folder / "site.toml"
        path.write_text(path.read_text().replace("[job]\n", "[job]\n# by hand\n", 1))
        text = path.read_text()
        from treescan.site.reading import parse_site

        name = parse_site(text).job.name
        path.write_text(text.replace(name, "Changed by hand"))
        await settle(session)
        await user.should_see("Changed by hand")


async def test_a_faulty_site_file_is_said_and_can_be_put_right(job_folder):
    async with opened(job_folder) as (user, session):
        good = (job_folder / "site.toml").read_bytes()
        await user.open("/?step=crew")
        (job_folder / "site.toml").write_text("[crew]\nground = 'many'")
        await settle(session)
        await user.should_see("The site file cannot be used")
        put(user, "crew-ground", "4")
        assert (job_folder / "site.toml").read_text() == "[crew]\nground = 'many'"
        user.find("Put the last good one back").click()
        assert (job_folder / "site.toml").read_bytes() == good
        await user.should_not_see("The site file cannot be used")


async def test_a_fraction_of_a_person_is_refused(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=crew")
        before = session.store.site.crew.ground
        put(user, "crew-ground", "2.7")
        await user.should_see("“2.7” is not a whole number")
        assert session.store.site.crew.ground == before


async def test_what_is_being_typed_is_not_written_over_by_another_device(job_folder):
    async with opened(job_folder) as (user, _):
        await user.open("/?step=crew")
        other = await second(user, "/?step=crew")
        element(user, "climber-mass_kg").value = "10"  # still typing
        put(other, "climber-mass_kg", "88")
        assert element(user, "climber-mass_kg").value == "10"


async def test_a_change_draws_only_the_panels_that_watch_it(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=cuts")
        box = element(user, "tick-1")
        session.save(state={"done": [1]}, said="by another device")
        assert element(user, "tick-1") is box
        assert box.value is True
        session.save(site=session.store.site.model_copy(update={"target": ()}), said="no targets")
        assert element(user, "tick-1") is box


async def test_units_belong_to_the_device(job_folder):
    async with opened(job_folder) as (user, session):
        session.store.save(
            site=session.store.site.model_copy(
                update={
                    "climber": session.store.site.climber.model_copy(update={"mass_kg": 90.718474})
                }
            )
        )
        await user.open("/?step=crew")
        other = await second(user, "/?step=crew", treescan_units="us")
        assert element(user, "climber-mass_kg").value == "91"
        assert element(other, "climber-mass_kg").value == "200"
        user.find(marker="units").click()
        assert element(user, "climber-mass_kg").value == "200"
        put(user, "climber-mass_kg", "220")
        assert session.store.site.climber.mass_kg == pytest.approx(99.790, abs=0.01)


async def test_ticks_are_kept_and_undone(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=cuts")
        element(user, "tick-2").value = True
        assert session.store.done_steps() == {2}
        await user.should_see("1 of")
        user.find(marker="undo").click()
        await user.should_see("Taken back: Step 2 ticked")
        assert session.store.done_steps() == set()
        assert element(user, "tick-2").value is False


async def test_an_infeasible_plan_is_nowhere_called_done(job_folder):
    import json

    path = job_folder / "plan" / "plan.json"
    plan = json.loads(path.read_text())
    path.write_text(json.dumps({**plan, "feasible": False, "smallest_change": "Use a crane."}))
    async with opened(job_folder) as (user, session):
        from treescan.page.steps import BY_KEY

        await user.open("/?step=plan")
        await user.should_see("No plan keeps every limit. Use a crane.")
        for key in ("plan", "cuts", "haul", "print"):
            assert BY_KEY[key].standing(session).status == "needs attention"


async def test_a_plan_older_than_the_site_is_outdated(job_folder):
    async with opened(job_folder) as (user, session):
        from treescan.page.session import planned_from

        session.save(state={"plan_from": planned_from(session.store.site)}, said="planned")
        await user.open("/?step=print")
        await user.should_not_see("Outdated")
        quote = session.store.site.quote.model_copy(update={"equipment": 50.0})
        session.save(site=session.store.site.model_copy(update={"quote": quote}), said="money")
        await user.should_not_see("Outdated")
        session.save(site=session.store.site.model_copy(update={"target": ()}), said="no targets")
        await user.should_see("Outdated")


async def test_markup_in_names_is_shown_as_text(job_folder):
    async with opened(job_folder) as (user, session):
        assert NASTY in [t.name for t in session.store.site.target]
        await user.open("/?step=site")
        await user.should_see(f"Target: {NASTY}")
        for html in user.current_layout.client.elements.values():
            assert not isinstance(html, ui.html)


async def test_the_plan_is_refused_before_the_scan_is_measured(tmp_path):
    async with opened(tmp_path / "job") as (user, session):
        session.store.save(state={"scans": ["x.laz"]})
        await user.open("/?step=plan")
        user.find(marker="plan").click()
        await user.should_see("Measure the scan first.")


async def test_work_under_way_is_seen_and_what_it_said_can_be_put_away(job_folder):
    import json
    import os

    from treescan.page.process_start import start_mark

    async with opened(job_folder) as (user, session):
        await user.open("/?step=plan")
        place = job_folder / "work"
        place.mkdir()
        created = start_mark(os.getpid())
        order = {"order": "plan", "pid": os.getpid(), "created": created, "started": 0}
        (place / "order.json").write_text(json.dumps(order))
        (place / "stage.json").write_text(json.dumps({"stage": "Planning", "share": 0.42}))
        await settle(session)
        await user.should_see("Planning, 42%")
        box = element(user, "stage").parent_slot.parent.parent_slot.parent
        assert "ts-stays" in box.classes  # in sight wherever one has scrolled to
        user.find(marker="undo").click()
        await user.should_see("Work is running")
        (place / "order.json").write_text(json.dumps({**order, "created": 1.0}))
        await settle(session)
        await user.should_see("ended before it was done")
        assert "ts-stays" not in box.classes
        user.find("OK").click()
        await user.should_not_see("ended before it was done")


async def test_finished_work_is_taken_in_as_a_change_that_can_be_undone(job_folder):
    import json
    import shutil

    async with opened(job_folder) as (user, session):
        await user.open("/?step=plan")
        old = session.store.plan()["plan_id"]
        place = job_folder / "work"
        place.mkdir()
        shutil.copytree(job_folder / "plan", place / "out")
        plan = json.loads((place / "out" / "plan.json").read_text())
        (place / "out" / "plan.json").write_text(json.dumps({**plan, "plan_id": "NEW0-0001"}))
        order = {"order": "plan", "pid": 2**30, "created": 1, "started": 0, "notes": {"site": "m"}}
        (place / "order.json").write_text(json.dumps(order))
        (place / "stage.json").write_text(json.dumps({"done": True}))
        await settle(session)
        await user.should_see("Plan NEW0-0001")
        assert session.store.state["plan_from"] == "m"
        assert not place.exists()
        user.find(marker="undo").click()
        await user.should_see("Taken back: Plan made")
        await user.should_see(f"Plan {old}")


def finished_replan(folder, *, then, plan):
    """What a replan leaves that was ordered with some steps ticked."""
    import json
    import shutil

    place = folder / "work"
    place.mkdir()
    shutil.copytree(folder / "plan", place / "out")
    (place / "out" / "plan.json").write_text(json.dumps(plan))
    order = {"order": "replan", "pid": 2**30, "created": 1, "started": 0, "notes": {}}
    (place / "order.json").write_text(json.dumps(order))
    (place / "state.json").write_text(json.dumps({"done": then}))
    (place / "stage.json").write_text(json.dumps({"done": True}))


async def test_ticks_made_while_the_rest_is_planned_follow_their_wood(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=cuts")
        old = session.store.plan()
        steps = [{**s, "step": n} for n, s in enumerate(old["steps"][1:], start=1)]
        session.save(state={"done": [1, 2]}, said="2 ticked while step 1 was being counted")
        finished_replan(job_folder, then=[1], plan={**old, "steps": steps})
        await settle(session)
        assert session.store.done_steps() == {1}
        assert session.store.plan()["steps"][0]["node"] == old["steps"][1]["node"]
        await user.should_not_see("cut otherwise")


async def test_ticked_wood_that_is_cut_otherwise_in_the_new_plan_is_said(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=cuts")
        old = session.store.plan()
        first, second_, *rest = old["steps"]
        nodes = [*first["piece"]["nodes"], *second_["piece"]["nodes"]]
        both = {**second_, "step": 1, "piece": {**second_["piece"], "nodes": nodes}}
        session.save(state={"done": [1]}, said="ticked while planning")
        finished_replan(job_folder, then=[], plan={**old, "steps": [both, *rest]})
        await settle(session)
        assert session.store.done_steps() == set()
        await user.should_see("cut otherwise in the new plan")
        user.find("OK").click()
        await user.should_not_see("cut otherwise in the new plan")


async def test_files_outside_the_results_are_not_served(job_folder):
    (job_folder / "plan" / "secret").symlink_to("/etc/hostname")
    async with opened(job_folder) as (user, _):
        for path in (
            "/files/plan/nothing",
            "/files/plan/..%2Fsite.toml",
            "/files/plan/%2e%2e/site.toml",
            "/files/history/00000001.json",
            "/files/../site.toml",
            "/files/plan/secret",
            "/files/work/log.txt",
        ):
            assert (await user.http_client.get(path)).status_code == 404, path
        assert (await user.http_client.get("/files/plan/plan.json")).status_code == 200


async def test_a_result_folder_of_the_command_is_taken_over(job_folder, tmp_path):
    import shutil

    bare = tmp_path / "result"
    shutil.copytree(job_folder / "plan", bare)
    shutil.copy(job_folder / "site.toml", bare / "site.toml")
    async with opened(bare) as (user, session):
        await user.open("/?step=cuts")
        await user.should_see("Tick what is down")
        user.find(marker="step-scan").click()
        user.find(marker="measure").click()
        await user.should_see("Choose a scan first.")
        assert session.store.plan()["plan_id"]
        from treescan.page.work import _scan

        assert _scan(bare, {}) == [bare / "plan" / "tree.json"]


async def test_only_the_laptop_itself_may_name_a_file_on_it(job_folder):
    async with opened(job_folder) as (user, session):
        phone = await second(user, "/?step=scan", address="192.168.4.31")
        await phone.should_see("Or send a scan")
        await phone.should_not_see(marker="scan-path")
        await user.open("/?step=scan")
        element(user, "scan-path").value = "/no/such/scan.laz"
        user.find("Use this file").click()
        await user.should_see("there is no such file on the laptop")
        element(user, "scan-path").value = str(job_folder / "site.toml")
        user.find("Use this file").click()
        assert "scans" not in session.store.state
        element(user, "scan-path").value = str(SCAN)
        user.find("Use this file").click()
        await user.should_see("Scan: maple_phone.laz")
        assert session.store.state["scans"] == [str(SCAN)]


async def test_the_link_for_phones_is_shown_as_a_picture(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/")
        user.find(marker="phone").click()
        await user.should_see("treescan page JOB --lan")
    async with opened(job_folder) as (user, session):
        session.links = ("http://192.168.4.20:8105/?k=abc",)
        await user.open("/")
        user.find(marker="phone").click()
        await user.should_see("http://192.168.4.20:8105/?k=abc")
        assert element(user, "qr").source.startswith("data:image/svg+xml")
