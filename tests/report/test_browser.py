"""The report in a real browser, phone size: no outside request, slider and tap work, it fits.

Needs playwright and a chromium; skipped with the reason where they are missing.
"""

from __future__ import annotations

import pytest

from tests.browsing import CHROMIUM, PHONE, device_of, launched, still_box, until
from treescan.report.report_html import report_html, three_source

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]
READY = "#view3d[data-ready='1']"


@pytest.fixture(scope="module")
def report(job, tmp_path_factory):
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(report_html(job), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def browser():
    with launched() as browser:
        yield browser


@pytest.fixture(scope="module")
def phone(browser):
    context = device_of(browser)
    yield context
    context.close()


@pytest.fixture(scope="module")
def page(phone, report):
    page = phone.new_page()
    page.asked, page.faults = [], []
    page.on("request", lambda r: page.asked.append(r.url))
    page.on("pageerror", lambda e: page.faults.append(str(e)))
    page.on("console", lambda m: page.faults.append(m.text) if m.type == "error" else None)
    page.goto(report.as_uri())
    if three_source():
        page.wait_for_selector(READY)
    yield page
    page.close()


SLIDE = "(e, v) => { e.value = v; e.dispatchEvent(new Event('input')); }"


def now(page):
    return page.locator("#now").inner_text()


def pressed(page, name, wanted):
    """Tap a switch and wait until it says so."""
    page.locator(name).tap()
    until(lambda: page.locator(name).get_attribute("aria-pressed") == wanted)


def picture(page):
    """The view once it is drawn to the end."""
    before, shot = None, page.locator("#view canvas").screenshot()
    while before != shot:
        before, shot = shot, page.locator("#view canvas").screenshot()
    return shot


needs_three = pytest.mark.skipif(three_source() is None, reason="nicegui's three.js is missing")


def test_opens_without_fault_and_asks_nothing_from_outside(page):
    assert page.faults == []
    assert all(u.startswith(("file:", "blob:", "data:")) for u in page.asked)
    assert len([u for u in page.asked if u.startswith("file:")]) == 1


def test_fits_a_narrow_phone_without_sideways_scroll_or_clipped_text(page):
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    clipped = page.evaluate(
        """() => [...document.querySelectorAll('h1,h2,h3,dd,dt,td,li,p,button,a,label')]
        .filter(e => e.offsetParent && !e.closest('.scroll,thead')
                && (e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== 'inline'
                    || e.getBoundingClientRect().right > 391))
        .map(e => e.tagName + ': ' + e.textContent.slice(0, 60))"""
    )
    assert clipped == []


def test_what_a_finger_must_hit_is_large_enough(page):
    small = page.evaluate(
        """() => [...document.querySelectorAll('button,nav a,.units label,.tick,summary')]
        .filter(e => e.offsetParent).map(e => [e.textContent.trim(), e.getBoundingClientRect()])
        .filter(([t, r]) => r.height < 47.5 || r.width < 47.5).map(([t]) => t)"""
    )
    assert small == []
    assert page.evaluate("parseFloat(getComputedStyle(document.body).fontSize)") >= 18


def test_units_switch_at_a_tap_and_nothing_metric_is_left(page):
    def text():
        return page.locator("main").inner_text()

    page.locator("label[for=unit-us]").tap()
    until(lambda: " lb" in text())
    assert " kg" not in text()
    assert " kN" not in text()
    page.locator("label[for=unit-m]").tap()
    until(lambda: " kg" in text())


def test_dusk_turns_the_page_dark_and_paper_stays_white(page):
    def colour():
        return page.evaluate("getComputedStyle(document.body).backgroundColor")

    assert colour() == "rgb(255, 255, 255)"
    page.locator("label[for=dusk]").tap()
    until(lambda: colour() == "rgb(16, 16, 16)")
    page.emulate_media(media="print")
    until(lambda: colour() == "rgb(255, 255, 255)")
    page.emulate_media(media="screen")
    until(lambda: colour() == "rgb(16, 16, 16)")
    page.locator("label[for=dusk]").tap()
    until(lambda: colour() == "rgb(255, 255, 255)")


@needs_three
def test_next_back_and_slider_walk_through_the_steps(page, job):
    page.locator("#next").tap()
    until(lambda: "Step 1 of" in now(page))
    assert page.locator("#step-1").get_attribute("class") == "card here"
    page.locator("#next").tap()
    until(lambda: "Step 2 of" in now(page))
    page.locator("#back").tap()
    until(lambda: "Step 1 of" in now(page))
    page.locator("#back").tap()
    until(lambda: "Tap a piece" in now(page))
    assert page.locator("#back").is_disabled()
    last = len(job.plan.steps)
    page.locator("#slider").evaluate(SLIDE, last)
    assert f"Step {last} of {last}" in now(page)
    assert page.locator("#next").is_disabled()


@needs_three
def test_a_tap_on_a_piece_shows_its_card_and_a_drag_does_not(page):
    page.locator("#slider").evaluate(SLIDE, 0)
    page.locator("[data-look=front]").click()
    canvas = page.locator("#view canvas")
    canvas.evaluate(
        """(e) => { e.dataset.released = 0;
        e.addEventListener('pointerup', () => { e.dataset.released++; }); }"""
    )

    def released():
        return int(canvas.get_attribute("data-released"))

    page.evaluate("document.getElementById('view3d').scrollIntoView()")
    box = still_box(page, canvas)
    middle = box["x"] + box["width"] / 2
    page.mouse.move(middle, box["y"] + 0.5 * box["height"])
    page.mouse.down()
    page.mouse.move(middle + 60, box["y"] + 0.5 * box["height"], steps=4)
    page.mouse.up()
    until(lambda: released() == 1)
    assert "Tap a piece" in now(page)
    page.locator("[data-look=front]").click()
    page.evaluate("document.getElementById('view3d').scrollIntoView()")
    for share in (0.7, 0.72, 0.68, 0.74, 0.66):
        before, box = released(), still_box(page, canvas)
        page.touchscreen.tap(middle, box["y"] + share * box["height"])
        until(lambda before=before: released() == before + 1)
        if "Step" in now(page):
            break
    assert "Step" in now(page)
    assert "Stem" in now(page)


@needs_three
def test_the_way_down_plays_and_every_view_draws(page):
    page.locator("#slider").evaluate(SLIDE, 2)
    before = picture(page)
    page.locator("#play").tap()
    until(lambda: page.locator("#view canvas").screenshot() != before)
    for look in ("front", "side", "plan", "climber", "ground"):
        page.locator(f"[data-look={look}]").tap()
    pressed(page, "#scan", "true")
    assert page.faults == []
    pressed(page, "#scan", "false")


@needs_three
def test_the_swept_room_can_be_put_away(page):
    page.locator("#slider").evaluate(SLIDE, 2)
    with_room = picture(page)
    pressed(page, "#room", "false")
    assert picture(page) != with_room
    pressed(page, "#room", "true")
    assert picture(page) == with_room


@needs_three
def test_a_measured_tree_has_its_view_and_no_fault(phone, measured, tmp_path):
    path = tmp_path / "measured.html"
    path.write_text(report_html(measured), encoding="utf-8")
    page, faults = phone.new_page(), []
    page.on("pageerror", lambda e: faults.append(str(e)))
    page.on("console", lambda m: faults.append(m.text) if m.type == "error" else None)
    page.goto(path.as_uri())
    page.wait_for_selector(READY)
    pressed(page, "#scan", "true")
    page.locator("[data-look=plan]").tap()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.locator("#slider").count() == 0
    assert faults == []
    page.close()


def test_everything_to_read_is_there_without_scripts(browser, report, job):
    bare = device_of(browser, **PHONE, java_script_enabled=False)
    page = bare.new_page()
    page.goto(report.as_uri())
    assert page.locator(".card").count() == len(job.plan.steps)
    assert not page.locator("#view3d").is_visible()
    page.locator("label[for=unit-us]").click()
    until(lambda: " lb" in page.locator("#cuts").inner_text())
    bare.close()


def test_prints_to_paper_without_the_screen_parts(phone, report):
    page = phone.new_page()
    page.goto(report.as_uri())
    page.emulate_media(media="print")
    until(lambda: not page.locator("#view3d").is_visible())
    assert not page.locator("nav").first.is_visible()
    assert page.locator("#cuts").is_visible()
    page.close()
