"""The report in a real browser, phone size: no outside request, slider and tap work, it fits.

Needs playwright and a chromium; skipped with the reason where they are missing.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from treescan.report.report_html import report_html, three_source

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = [
    "--headless=new", "--no-sandbox", "--disable-gpu", "--enable-unsafe-swiftshader",
    "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip

pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]


@pytest.fixture(scope="module")
def report(job, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(report_html(job), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    with sync_api.sync_playwright() as play:
        context = play.chromium.launch_persistent_context(
            tmp_path_factory.mktemp("profile"), executable_path=CHROMIUM, headless=True, args=FLAGS,
            viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True,
            device_scale_factor=1,
        )  # fmt: skip
        yield context
        context.close()


@pytest.fixture(scope="module")
def page(browser, report):
    page = browser.new_page()
    page.asked, page.faults = [], []
    page.on("request", lambda r: page.asked.append(r.url))
    page.on("pageerror", lambda e: page.faults.append(str(e)))
    page.on("console", lambda m: page.faults.append(m.text) if m.type == "error" else None)
    page.goto(report.as_uri())
    if three_source():
        page.wait_for_selector("#view3d[data-ready='1']", timeout=60_000)
    yield page
    page.close()


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
    page.locator("label[for=unit-us]").tap()
    text = page.locator("main").inner_text()
    assert " lb" in text
    assert " kg" not in text
    assert " kN" not in text
    page.locator("label[for=unit-m]").tap()
    assert " kg" in page.locator("main").inner_text()


def test_dusk_turns_the_page_dark_and_paper_stays_white(page):
    def colour():
        return page.evaluate("getComputedStyle(document.body).backgroundColor")

    assert colour() == "rgb(255, 255, 255)"
    page.locator("label[for=dusk]").tap()
    assert colour() == "rgb(16, 16, 16)"
    page.emulate_media(media="print")
    assert colour() == "rgb(255, 255, 255)"
    page.emulate_media(media="screen")
    page.locator("label[for=dusk]").tap()
    assert colour() == "rgb(255, 255, 255)"


@needs_three
def test_next_back_and_slider_walk_through_the_steps(page, job):
    page.locator("#next").tap()
    assert "Step 1 of" in page.locator("#now").inner_text()
    assert page.locator("#step-1").get_attribute("class") == "card here"
    page.locator("#next").tap()
    assert "Step 2 of" in page.locator("#now").inner_text()
    page.locator("#back").tap()
    page.locator("#back").tap()
    assert "Tap a piece" in page.locator("#now").inner_text()
    assert page.locator("#back").is_disabled()
    last = len(job.plan.steps)
    page.locator("#slider").evaluate(
        "(e, v) => { e.value = v; e.dispatchEvent(new Event('input')); }", last
    )
    assert f"Step {last} of {last}" in page.locator("#now").inner_text()
    assert page.locator("#next").is_disabled()


@needs_three
def test_a_tap_on_a_piece_shows_its_card_and_a_drag_does_not(page):
    slide = "(e) => { e.value = 0; e.dispatchEvent(new Event('input')); }"
    page.locator("#slider").evaluate(slide)
    page.locator("[data-look=front]").click()
    page.evaluate("document.getElementById('view3d').scrollIntoView()")
    box = page.locator("#view canvas").bounding_box()
    middle = box["x"] + box["width"] / 2
    page.mouse.move(middle, box["y"] + 0.5 * box["height"])
    page.mouse.down()
    page.mouse.move(middle + 60, box["y"] + 0.5 * box["height"], steps=4)
    page.mouse.up()
    assert "Tap a piece" in page.locator("#now").inner_text()
    page.locator("[data-look=front]").click()
    page.evaluate("document.getElementById('view3d').scrollIntoView()")
    for share in (0.7, 0.72, 0.68, 0.74, 0.66):
        page.touchscreen.tap(middle, box["y"] + share * box["height"])
        if "Step" in page.locator("#now").inner_text():
            break
    assert "Step" in page.locator("#now").inner_text()
    assert "Stem" in page.locator("#now").inner_text()


@needs_three
def test_the_way_down_plays_and_every_view_draws(page):
    page.locator("#slider").evaluate("(e) => { e.value = 2; e.dispatchEvent(new Event('input')); }")
    before = page.locator("#view canvas").screenshot()
    page.locator("#play").tap()
    page.wait_for_timeout(2500)
    assert page.locator("#view canvas").screenshot() != before
    for look in ("front", "side", "plan", "climber", "ground"):
        page.locator(f"[data-look={look}]").tap()
    page.locator("#scan").tap()
    assert page.locator("#scan").get_attribute("aria-pressed") == "true"
    assert page.faults == []


@needs_three
def test_the_swept_room_can_be_put_away(page):
    slide = "(e) => { e.value = 2; e.dispatchEvent(new Event('input')); }"
    page.locator("#slider").evaluate(slide)
    with_room = page.locator("#view canvas").screenshot()
    page.locator("#room").tap()
    assert page.locator("#room").get_attribute("aria-pressed") == "false"
    assert page.locator("#view canvas").screenshot() != with_room
    page.locator("#room").tap()
    assert page.locator("#view canvas").screenshot() == with_room


@needs_three
def test_a_measured_tree_has_its_view_and_no_fault(browser, measured, tmp_path):
    path = tmp_path / "measured.html"
    path.write_text(report_html(measured), encoding="utf-8")
    page, faults = browser.new_page(), []
    page.on("pageerror", lambda e: faults.append(str(e)))
    page.on("console", lambda m: faults.append(m.text) if m.type == "error" else None)
    page.goto(path.as_uri())
    page.wait_for_selector("#view3d[data-ready='1']", timeout=60_000)
    page.locator("#scan").tap()
    page.locator("[data-look=plan]").tap()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.locator("#slider").count() == 0
    assert faults == []
    page.close()


def test_everything_to_read_is_there_without_scripts(browser, report, job):
    bare = browser.browser.new_context(java_script_enabled=False) if browser.browser else None
    if bare is None:
        pytest.skip("this browser offers no second context")
    page = bare.new_page()
    page.goto(report.as_uri())
    assert page.locator(".card").count() == len(job.plan.steps)
    assert not page.locator("#view3d").is_visible()
    page.locator("label[for=unit-us]").click()
    assert " lb" in page.locator("#cuts").inner_text()
    bare.close()


def test_prints_to_paper_without_the_screen_parts(browser, report, tmp_path):
    page = browser.new_page()
    page.goto(report.as_uri())
    page.emulate_media(media="print")
    assert not page.locator("#view3d").is_visible()
    assert not page.locator("nav").first.is_visible()
    assert page.locator("#cuts").is_visible()
    page.close()
