"""The site step without a browser: proposals, taps, values, corners that nothing loses."""

import pytest

pytest.importorskip("nicegui", reason="the extra “page” is not installed")
from tests.page.conftest import opened
from tests.page.test_frame import element, second

pytestmark = pytest.mark.asyncio


def tap(user, *places, step="site"):
    for x, y in places:
        args = {"image_x": x, "image_y": y, "mouse_event_type": "click"}
        user.find(marker=f"map-{step}").trigger("mouse", args)


async def test_a_proposal_is_accepted_or_ignored_and_undone(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=site")
        await user.should_see("building 1, 70% sure (target)")
        await user.should_see("2 things the scan shows")
        user.find(marker="accept-building 1").click()
        await user.should_see("Target: building 1")
        await user.should_not_see("building 1, 70% sure (target)")
        user.find(marker="ignore-wire 1").click()
        await user.should_not_see("things the scan shows")
        assert "wire 1" not in [w.name for w in session.store.site.conductor]
        user.find(marker="undo").click()
        user.find(marker="undo").click()
        await user.should_see("building 1, 70% sure (target)")
        assert "building 1" not in [t.name for t in session.store.site.target]


async def test_a_proposed_wire_needs_a_voltage_from_a_person(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=site")
        user.find(marker="accept-wire 1").click()
        await user.should_see("Voltage is missing")
        assert "wire 1" not in [w.name for w in session.store.site.conductor]
        element(user, "volts-wire 1").value = "0.4"
        user.find(marker="accept-wire 1").click()
        wire = session.store.site.conductor[-1]
        assert (wire.name, wire.kilovolts) == ("wire 1", 0.4)


async def test_open_ground_must_be_looked_at_before_it_is_a_drop_zone(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=site")
        zones = len(session.store.site.drop_zone)
        assert "accept-open ground 1" not in all_markers(user)
        user.find(marker="change-open ground 1").click()
        await user.should_see("ground where wood may fall free")
        user.find(marker="done").click()
        assert len(session.store.site.drop_zone) == zones + 1
        assert session.open_ground() == ()


def all_markers(user):
    found = set()
    for item in user.current_layout.client.elements.values():
        found |= {" ".join(item._markers)}
    return found


async def test_a_target_is_drawn_named_and_saved(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=site")
        tap(user, (100, 100), (200, 100), (200, 200))
        await user.should_see("3 so far")
        element(user, "value-name").value = "trampoline"
        element(user, "value-height_m").value = "0,9"
        user.find(marker="done").click()
        await user.should_see("Target: trampoline")
        target = session.store.site.target[-1]
        assert (target.name, target.height_m, len(target.footprint_m)) == ("trampoline", 0.9, 3)


async def test_half_tapped_corners_outlive_changes_by_others_and_a_reload(job_folder):
    async with opened(job_folder) as (user, session):
        cookies = {"treescan_device": "0123456789abcdef"}
        phone = await second(user, "/?step=site", **cookies)
        tap(phone, (100, 100), (200, 100))
        picture = element(phone, "map-site")
        session.save(site=session.store.site.model_copy(update={"target": ()}), said="no targets")
        assert element(phone, "map-site") is picture
        await phone.should_see("2 so far")
        again = await second(user, "/?step=site", **cookies)
        await again.should_see("2 so far")
        laptop = await second(user, "/?step=site", treescan_device="fedcba9876543210")
        await laptop.should_not_see("2 so far")
        from treescan.page.drafts import Drafts

        assert len(Drafts(job_folder).of("0123456789abcdef", "site").corners) == 2


async def test_corners_can_be_taken_back_and_nudged(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=site")
        tap(user, (100, 100), (200, 100), (200, 200))
        user.find("Undo corner").click()
        await user.should_see("2 so far")
        [draft] = session.drafts.kept.values()
        before = list(draft["corners"][-1])
        user.find("→").click()
        [draft] = session.drafts.kept.values()
        assert draft["corners"][-1] == [pytest.approx(before[0] + 0.1), before[1]]


async def test_words_typed_between_taps_stay_and_the_height_follows_the_scan(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=site")
        name = element(user, "value-name")
        name.value = "shed"
        session.map().top_m[100:200, 100:200] = session.map().ground_m[100:200, 100:200] + 2.34
        tap(user, (100, 100), (199, 100), (199, 199), (100, 199))
        assert element(user, "value-name") is name
        assert name.value == "shed"
        assert element(user, "value-height_m").value == "2.4"
        await user.should_see("from the scan: check")
        element(user, "value-height_m").value = "3"
        user.find("Undo corner").click()
        assert element(user, "value-height_m").value == "3"
        user.find(marker="done").click()
        target = session.store.site.target[-1]
        assert (target.name, target.height_m) == ("shed", 3.0)


async def test_too_few_corners_are_said_and_kept(job_folder):
    async with opened(job_folder) as (user, session):
        before = session.store.site
        await user.open("/?step=site")
        tap(user, (100, 100))
        user.find(marker="done").click()
        await user.should_see("1 of at least 3 taps")
        await user.should_see("1 so far")
        assert session.store.site == before


async def test_a_marked_thing_is_changed_in_its_place(job_folder):
    async with opened(job_folder) as (user, session):
        names = [t.name for t in session.store.site.target]
        await user.open("/?step=site")
        user.find(marker="edit-target-0").click()
        await user.should_see(f"Changing “{names[0]}”")
        element(user, "value-height_m").value = "7.5"
        user.find(marker="done").click()
        assert [t.name for t in session.store.site.target] == names
        assert session.store.site.target[0].height_m == 7.5


async def test_the_stem_is_picked_with_one_tap_and_the_scan_must_be_measured_again(job_folder):
    async with opened(job_folder) as (user, session):
        from treescan.page.session import measured_from

        session.save(state={"tree_from": measured_from(session.store.site)}, said="measured")
        await user.open("/?step=tree")
        tap(user, (300, 400), step="tree")
        x, y = session.map().frame.to_scan(300, 400)
        assert session.store.site.tree.near_m == pytest.approx((x, y), abs=1e-3)
        await user.should_see("measure it again")


async def test_wire_heights_are_shown_above_ground_and_can_be_changed(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=site")
        user.find(marker="kind-wire").click()
        tap(user, (20, 20), (60, 20))
        element(user, "value-kilovolts").value = "0.4"
        element(user, "corner-1").value = "5.5"
        user.find(marker="done").click()
        wire = session.store.site.conductor[-1]
        x, y, z = wire.path_m[1]
        assert z - session.map().ground_at(x, y) == pytest.approx(5.5, abs=0.02)


async def test_a_tap_in_3d_gives_a_corner_and_a_height(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=site")
        user.find(marker="kind-wire").click()
        user.find(marker="open-3d").click()
        await user.should_see("Tap a scan point")
        ray = {"from": [4.0, 3.0, 60.0], "way": [0.0, 0.0, -1.0], "spread": 0.003}
        user.find(marker="site-view").trigger("tap", ray)
        await user.should_see("above the ground")
        user.find(marker="corner-here").click()
        await user.should_see("1 so far")
        [draft] = session.drafts.kept.values()
        origin = session.store.tree()["origin_m"]
        x, y, z = draft["corners"][0]
        assert (x - origin[0], y - origin[1]) == pytest.approx((4.0, 3.0), abs=0.01)
        assert z == pytest.approx(session.map().ground_at(x, y), abs=0.3)
        user.find(marker="kind-area").click()
        user.find(marker="site-view").trigger("tap", ray)
        await user.should_see("Height: ")
        user.find(marker="height-here").click()
        assert element(user, "value-height_m").value == "0.3"
