"""The 3-D view in a real browser: draw, tap, step, change a cut, no outside request.

Needs playwright and a chromium; skipped with the reason where they are missing.
"""

from __future__ import annotations

import re
import shutil

import numpy as np
import pytest

from tests.browsing import CHROMIUM, PREPARING_S, device_of, launched, still_box, until
from tests.page.served import Server
from treescan.page.view_points import make_block, write_block

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytest.importorskip("nicegui", reason="the extra “page” is not installed")
pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]


def add_points(folder):
    """A scan file beside the job and its points, as if they had been made already."""
    from treescan.page.view_points import scan_mark
    from treescan.report.tree_json import read_tree

    scan = folder / "scan.xyz"
    scan.write_text("0 0 0\n")
    graph, _ = read_tree(folder / "plan" / "tree.json")
    rng = np.random.default_rng(4)
    rows = rng.integers(0, len(graph), 40_000)
    xyz = graph.position_m[rows] + rng.normal(0, 0.03, (40_000, 3))
    mark = scan_mark([str(scan)], folder / "plan" / "tree.json")
    write_block(make_block(xyz.astype(np.float32), None, graph), folder / "view", mark)
    (folder / "page.json").write_text(f'{{"scans": ["{scan.as_posix()}"]}}')


@pytest.fixture(scope="module")
def link(made_job, tmp_path_factory):
    place = tmp_path_factory.mktemp("seen")
    shutil.copytree(made_job, place / "job")
    add_points(place / "job")
    server = Server(place / "job", place / "state")
    yield server.link
    server.stop()


@pytest.fixture(scope="module")
def page(link):
    with launched() as browser:
        page = device_of(browser).new_page()
        page.asked, page.faults = [], []
        page.on("request", lambda r: page.asked.append(r.url))
        page.on("pageerror", lambda e: page.faults.append(str(e)))
        page.on("console", lambda m: page.faults.append(m.text) if m.type == "error" else None)
        page.goto(link + "&step=cuts")
        page.wait_for_selector(".tsv[data-state=ready]")
        page.wait_for_selector(".tsv[data-points='40000']")
        yield page


def button(page, text, **how):
    return page.get_by_role("button", name=text, **how)


def card(page):
    return page.locator(".tsv-right").inner_text()


def told(page, name):
    """What the view says of itself: from where it is drawn, how many taps were answered."""
    return page.locator(".tsv").get_attribute(f"data-{name}")


def look(page, name):
    """Look from a named place: turn the view a little first, so that the place is another one."""
    turn(page, "ArrowLeft")
    before = told(page, "eye")
    button(page, name, exact=True).tap()
    until(lambda: told(page, "eye") != before)


def turn(page, key):
    """Turn the view by a key; wait until it is drawn so."""
    before = told(page, "eye")
    page.locator(".tsv-canvas").focus()
    page.keyboard.press(key)
    until(lambda: told(page, "eye") != before)


def tap(page, x, y):
    """Tap the view at a share of its width and height; wait until the tap is answered."""
    before = int(told(page, "answered") or 0)
    box = still_box(page, page.locator(".tsv-canvas"))
    page.touchscreen.tap(box["x"] + x * box["width"], box["y"] + y * box["height"])
    until(lambda: int(told(page, "answered") or 0) > before)


def tap_until(page, text, places):
    """Tap places of the view until the card says something."""
    for x, y in places:
        tap(page, x, y)
        if re.search(text, card(page)):
            return
    raise AssertionError(f"no tap gave {text!r}")


def to_step(page, number):
    """Press the buttons until a step is shown; 0 is the whole tree."""

    def now():
        said = re.match(r"Step (\d+) of", page.locator(".tsv-where").inner_text())
        return int(said[1]) if said else 0

    while (before := now()) != number:
        page.locator(".tsv-steps button").nth(1 if before < number else 0).tap()
        until(lambda before=before: now() != before)


MIDDLE = [(0.5, y) for y in np.arange(0.72, 0.3, -0.03)]


def test_wood_and_points_are_drawn_without_a_fault(page):
    assert len(page.locator(".tsv-canvas").screenshot()) > 5000
    assert page.faults == []


def test_a_tap_on_wood_shows_its_card(page):
    look(page, "Front")
    tap_until(page, r"Diameter here", MIDDLE)
    assert re.search(r"(Stem|Limb \d+)", card(page))
    assert "kg" in card(page)


def test_a_tap_on_the_sky_says_so(page):
    look(page, "Front")
    tap(page, 0.04, 0.04)
    assert "Nothing there" in card(page)


def test_a_tap_on_a_union_shows_its_verdict(page):
    look(page, "Front")
    shown = button(page, "Unions")
    shown.tap()
    until(lambda: shown.get_attribute("aria-pressed") == "true")
    places = [(x, y) for y in np.arange(0.7, 0.2, -0.04) for x in (0.5, 0.46, 0.54)]
    tap_until(page, r"As an anchor", places)


def test_a_drag_turns_the_view_and_picks_nothing(page):
    look(page, "Front")
    taps, eye = told(page, "taps"), told(page, "eye")
    box = still_box(page, page.locator(".tsv-canvas"))
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 90, y, steps=6)
    page.mouse.up()
    until(lambda: told(page, "eye") != eye)
    assert told(page, "taps") == taps


def test_every_named_place_gives_another_picture(page):
    seen = set()
    for name in ("Front", "Above", "Tie-in", "Ground"):
        look(page, name)
        seen.add(page.locator(".tsv-canvas").screenshot())
    assert len(seen) == 4


def test_the_slider_and_its_buttons_walk_through_the_steps(page):
    to_step(page, 1)
    until(lambda: "plan on" in card(page))
    until(lambda: page.locator(".tsv-way").count() == 2)
    page.locator(".tsv-slider .q-slider__track-container").focus()
    page.keyboard.press("ArrowRight")
    page.wait_for_function("document.querySelector('.tsv-where').innerText.startsWith('Step 2 of')")
    to_step(page, 1)


def test_the_piece_goes_its_way_down_and_back_to_the_tree(page):
    to_step(page, 1)
    still, moment = page.locator(".tsv-canvas").screenshot(), page.locator(".tsv-time span")
    lasts = re.search(r"of ([\d.]+) s", moment.inner_text())[1]
    button(page, "Way down").tap()
    until(lambda: moment.inner_text().startswith(f"{lasts} of"))
    until(lambda: page.locator(".tsv-canvas").screenshot() != still)
    page.locator(".tsv-time input").evaluate(
        "(e) => { e.value = 500; e.dispatchEvent(new Event('input')); }"
    )
    until(lambda: not moment.inner_text().startswith(f"{lasts} of"))
    button(page, "Closest").tap()
    until(lambda: moment.inner_text().endswith("closest"))
    page.locator(".tsv-steps button").nth(0).tap()
    until(lambda: moment.inner_text() == "Choose a step")
    assert page.locator(".tsv-play .tsv-button").first.is_disabled()


def test_arrow_keys_turn_the_view(page):
    before = page.locator(".tsv-canvas").screenshot()
    turn(page, "ArrowLeft")
    assert page.locator(".tsv-canvas").screenshot() != before


def test_a_moved_cut_shows_weight_load_and_clearance(page):
    to_step(page, 1)
    button(page, "Cut toward tip").tap()
    page.locator(".tsv-change").wait_for(timeout=1000.0 * PREPARING_S)
    text = page.locator(".tsv-change").inner_text()
    assert "In the plan" in text
    assert "Weight" in text
    assert "Changed by hand, not yet in the plan: 1" in card(page)
    button(page, "Take back").first.tap()
    page.locator(".tsv-change").wait_for(state="detached")


def test_it_fits_a_phone_and_a_finger(page):
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    small = page.evaluate(
        """() => [...document.querySelectorAll('.tsv-desk button')].filter((e) => e.offsetParent)
        .map((e) => [e.textContent, e.getBoundingClientRect()])
        .filter(([t, r]) => r.height < 47.5 || r.width < 47.5).map(([t]) => t)"""
    )
    assert small == []


def test_it_comes_back_after_the_picture_was_lost(page):
    page.evaluate(
        """() => new Promise((back) => {
        const canvas = document.querySelector('.tsv-canvas');
        const x = canvas.getContext('webgl2').getExtension('WEBGL_lose_context');
        canvas.addEventListener('webglcontextlost', () => setTimeout(() => x.restoreContext(), 50));
        canvas.addEventListener('webglcontextrestored', back);
        x.loseContext();
        })"""
    )
    look(page, "Above")
    assert len(page.locator(".tsv-canvas").screenshot()) > 5000


def test_nothing_was_asked_from_outside_and_nothing_failed(page):
    outside = [u for u in page.asked if not re.match(r"(http|ws)://127\.0\.0\.1:|data:|blob:", u)]
    assert outside == []
    assert [f for f in page.faults if "CONTEXT_LOST" not in f] == []
