"""Scale check, conditions, gear, trucks, haul and quote without a browser."""

import asyncio

import pytest

pytest.importorskip("nicegui", reason="the extra “page” is not installed")

from tests.page.conftest import opened
from tests.page.test_frame import element, put
from tests.page.test_site_step import tap

pytestmark = pytest.mark.asyncio


async def test_a_taped_length_that_disagrees_is_said_before_any_weight_is_used(job_folder):
    async with opened(job_folder) as (user, session):
        from treescan.page.steps import BY_KEY

        none = session.store.site.tree.model_copy(update={"dbh_tape_m": None})
        session.save(site=session.store.site.model_copy(update={"tree": none}), said="no tape")
        assert BY_KEY["scale"].standing(session).status == "needs attention"
        await user.open("/?step=scale")
        tap(user, (100, 500), (600, 500), step="scale")
        seen = 500 * session.map().frame.metres_per_pixel
        element(user, "value-known_length_m").value = f"{seen / 1.25:.3f}"
        user.find(marker="done").click()
        await user.should_see("too large")
        await user.should_see("Check the taps and the tape")
        element(user, "tree-correct_scale").value = True
        assert session.store.site.tree.correct_scale is True
        user.find("Strike out this length").click()
        assert session.store.site.tree.known_length_m is None


async def test_a_taped_length_that_agrees_is_done(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=scale")
        tap(user, (100, 500), (600, 500), step="scale")
        user.find(marker="done").click()
        await user.should_see("the taped length between them is missing")
        seen = 500 * session.map().frame.metres_per_pixel
        element(user, "value-known_length_m").value = f"{seen * 1.005:.3f}"
        user.find(marker="done").click()
        await user.should_see("That agrees.")


async def test_an_unknown_species_needs_attention_and_a_wrong_one_is_refused(job_folder):
    async with opened(job_folder) as (user, session):
        from treescan.page.steps import BY_KEY

        await user.open("/?step=conditions")
        element(user, "job-species").value = "unknown broadleaf"
        assert BY_KEY["conditions"].standing(session).status == "needs attention"
        element(user, "job-species").value = "Fagus sylvatica"
        assert session.store.site.job.species == "Fagus sylvatica"
        element(user, "job-species").options["Fagus silvatica"] = "typed by hand"
        element(user, "job-species").value = "Fagus silvatica"
        await user.should_see("Fagus silvatica")
        assert session.store.site.job.species == "Fagus sylvatica"
        assert element(user, "job-species").value == "Fagus sylvatica"
        user.find(marker="confirm").click()
        assert BY_KEY["conditions"].standing(session).status == "done"


async def test_a_defect_found_by_sounding_is_added_and_struck_out(job_folder):
    async with opened(job_folder) as (user, session):
        before = session.store.site.defect
        await user.open("/?step=conditions")
        user.find(marker="add-defect").click()
        await user.should_see("to say where it is")
        boxes = {e.label: e for e in user.find(kind=ui_input()).elements}
        boxes["Height up the stem, m"].value = "1.2"
        boxes["Cavity: sound wood left, cm"].value = "6"
        user.find(marker="add-defect").click()
        await user.should_see("cavity, 1.2 m up")
        added = session.store.site.defect[-1]
        assert (added.kind, added.height_m, added.sound_shell_m) == ("cavity", 1.2, 0.06)
        user.find(marker="undo").click()
        await user.should_not_see("cavity, 1.2 m up")
        assert session.store.site.defect == before


def ui_input():
    from nicegui import ui

    return ui.input


async def test_trucks_are_added_changed_and_struck_out(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=trucks")
        count = len(session.store.site.haul.trucks)
        user.find(marker="add-truck").click()
        await user.should_see(f"Truck {count + 1}: truck")
        put(user, f"haul-trucks-{count}-payload_kg", "1200")
        put(user, f"haul-trucks-{count}-name", "tipper")
        await user.should_see("Strike out tipper")
        assert session.store.site.haul.trucks[-1].payload_kg == 1200
        user.find("Strike out tipper").click()
        assert len(session.store.site.haul.trucks) == count


async def test_limits_are_checked_before_they_are_kept(job_folder):
    async with opened(job_folder) as (user, session):
        await user.open("/?step=limits")
        before = session.store.site.limits
        put(user, "limits-line_share_of_mbs", "250")
        await user.should_see("line_share_of_mbs")
        assert session.store.site.limits == before
        put(user, "limits-line_share_of_mbs", "15")
        assert session.store.site.limits.line_share_of_mbs == pytest.approx(0.15)


async def test_the_quote_follows_the_rates_at_once(job_folder):
    async with opened(job_folder) as (user, _):
        await user.open("/?step=haul")
        await user.should_see("Truck loads")
        await user.should_see("open: give the rate below")
        put(user, "quote-crew_rate_per_hour", "120")
        put(user, "quote-currency", "EUR")
        await user.should_see("EUR")
        sheet = element(user, "haul-sheet")
        for _ in range(900):
            if any("EUR" in str(getattr(e, "text", "")) for e in sheet.descendants()):
                break
            await asyncio.sleep(0.1)
        assert any("EUR" in str(getattr(e, "text", "")) for e in sheet.descendants())
