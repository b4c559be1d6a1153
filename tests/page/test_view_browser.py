"""The 3-D view in a real browser: draw, tap, step, change a cut, no outside request.

Needs playwright and a chromium; skipped with the reason where they are missing.
"""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
import time
import urllib.request

import numpy as np
import pytest

from treescan.page.view_points import make_block, write_block

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytest.importorskip("nicegui", reason="the extra “page” is not installed")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = [
    "--headless=new", "--no-sandbox", "--disable-gpu", "--enable-unsafe-swiftshader",
    "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
PHONE = {
    "viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True,
    "device_scale_factor": 1,
}  # fmt: skip

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
    folder = place / "job"
    shutil.copytree(made_job, folder)
    add_points(folder)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    own = {k: v for k, v in os.environ.items() if not k.startswith(("PYTEST", "NICEGUI"))}
    process = subprocess.Popen(
        [sys.executable, "-m", "treescan_cli", "page", str(folder), "--port", str(port),
         "--no-browser"],
        stdout=subprocess.PIPE, text=True, env={**own, "XDG_STATE_HOME": str(place / "state")},
    )  # fmt: skip
    link = process.stdout.readline().strip()
    assert link.startswith("http://127.0.0.1:"), link
    deadline = time.monotonic() + 40
    while time.monotonic() < deadline:
        try:
            urllib.request.urlopen(link, timeout=5).close()
            break
        except OSError:
            time.sleep(0.2)
    yield link
    process.terminate()
    process.wait(20)
    process.stdout.close()


@pytest.fixture(scope="module")
def page(link):
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, headless=True, args=FLAGS)
        page = browser.new_context(**PHONE).new_page()
        page.asked, page.faults = [], []
        page.on("request", lambda r: page.asked.append(r.url))
        page.on("pageerror", lambda e: page.faults.append(str(e)))
        page.on("console", lambda m: page.faults.append(m.text) if m.type == "error" else None)
        page.goto(link + "&step=cuts")
        page.wait_for_selector(".tsv[data-state=ready]", timeout=60_000)
        yield page
        browser.close()


def marked(page, text):
    return page.get_by_role("button", name=text)


def tap_until(page, text, places):
    """Tap places of the view until the card says something."""
    for x, y in places:
        page.locator(".tsv").scroll_into_view_if_needed()
        box = page.locator(".tsv-canvas").bounding_box()
        page.touchscreen.tap(box["x"] + x * box["width"], box["y"] + y * box["height"])
        page.wait_for_timeout(600)
        if re.search(text, page.locator(".tsv-right").inner_text()):
            return
    raise AssertionError(f"no tap gave {text!r}")


MIDDLE = [(0.5, y) for y in np.arange(0.72, 0.3, -0.03)]


def test_wood_and_points_are_drawn_without_a_fault(page):
    page.wait_for_selector(".tsv[data-points='40000']", timeout=60_000)
    shot = page.locator(".tsv-canvas").screenshot()
    assert len(shot) > 5000
    assert page.faults == []


def test_a_tap_on_wood_shows_its_card(page):
    tap_until(page, r"Diameter here", MIDDLE)
    text = page.locator(".tsv-right").inner_text()
    assert re.search(r"(Stem|Limb \d+)", text)
    assert "kg" in text


def test_a_tap_on_a_union_shows_its_verdict(page):
    marked(page, "Unions").tap()
    places = [(x, y) for y in np.arange(0.7, 0.2, -0.04) for x in (0.5, 0.46, 0.54)]
    tap_until(page, r"As an anchor", places)


def test_a_drag_turns_the_view_and_picks_nothing(page):
    marked(page, "Front").tap()
    page.wait_for_timeout(300)
    before = page.locator(".tsv-right").inner_text()
    box = page.locator(".tsv-canvas").bounding_box()
    still = page.locator(".tsv-canvas").screenshot()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 90, y, steps=6)
    page.mouse.up()
    page.wait_for_timeout(600)
    assert page.locator(".tsv-canvas").screenshot() != still
    assert page.locator(".tsv-right").inner_text() == before


def test_every_named_place_gives_another_picture(page):
    seen = set()
    for name in ("Front", "Above", "Tie-in", "Ground"):
        page.get_by_role("button", name=name, exact=True).tap()
        page.wait_for_timeout(400)
        seen.add(page.locator(".tsv-canvas").screenshot())
    assert len(seen) == 4


def test_the_slider_and_its_buttons_walk_through_the_steps(page):
    step = page.locator(".tsv-steps button")
    step.nth(1).tap()
    page.wait_for_function("document.querySelector('.tsv-where').innerText.startsWith('Step 1 of')")
    assert "plan on" in page.locator(".tsv-right").inner_text()
    page.wait_for_function("document.querySelectorAll('.tsv-way').length === 2")
    page.locator(".tsv-slider .q-slider__track-container").focus()
    page.keyboard.press("ArrowRight")
    page.wait_for_function("document.querySelector('.tsv-where').innerText.startsWith('Step 2 of')")
    step.nth(0).tap()
    page.wait_for_function("document.querySelector('.tsv-where').innerText.startsWith('Step 1 of')")


def test_arrow_keys_turn_the_view(page):
    before = page.locator(".tsv-canvas").screenshot()
    page.locator(".tsv-canvas").focus()
    page.keyboard.press("ArrowLeft")
    page.wait_for_timeout(400)
    assert page.locator(".tsv-canvas").screenshot() != before


def test_a_moved_cut_shows_weight_load_and_clearance(page):
    marked(page, "Cut toward tip").tap()
    page.wait_for_selector(".tsv-change", timeout=180_000)
    text = page.locator(".tsv-change").inner_text()
    assert "In the plan" in text
    assert "Weight" in text
    assert "Changed by hand, not yet in the plan: 1" in page.locator(".tsv-right").inner_text()
    marked(page, "Take back").first.tap()
    page.wait_for_selector(".tsv-change", state="detached", timeout=60_000)


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
        """() => { const gl = document.querySelector('.tsv-canvas').getContext('webgl2');
        const x = gl.getExtension('WEBGL_lose_context'); x.loseContext();
        setTimeout(() => x.restoreContext(), 200); }"""
    )
    page.wait_for_timeout(1500)
    page.get_by_role("button", name="Above", exact=True).tap()
    page.wait_for_timeout(500)
    assert len(page.locator(".tsv-canvas").screenshot()) > 5000


def test_nothing_was_asked_from_outside_and_nothing_failed(page):
    outside = [u for u in page.asked if not re.match(r"(http|ws)://127\.0\.0\.1:|data:|blob:", u)]
    assert outside == []
    assert [f for f in page.faults if "CONTEXT_LOST" not in f] == []
