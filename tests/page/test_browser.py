"""The page in a real browser, phone and laptop size: tap, draw, upload, reload, two devices.

Needs playwright and a chromium; skipped with the reason where they are missing.
"""

from __future__ import annotations

import re
import shutil
import urllib.error
import urllib.request

import pytest

from tests.browsing import CHROMIUM, LAPTOP, PHONE, device_of, launched, still_box, until
from tests.page.conftest import SCAN
from tests.page.served import Server, connected
from tests.report.job import NASTY

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytest.importorskip("nicegui", reason="the extra “page” is not installed")
DRAWN = """() => {
  const picture = document.querySelector('.ts-map img');
  return picture && picture.complete && picture.naturalWidth > 0;
}"""

pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]


@pytest.fixture(scope="module")
def server(made_job, tmp_path_factory):
    place = tmp_path_factory.mktemp("served")
    shutil.copytree(made_job, place / "job")
    server = Server(place / "job", place / "state")
    yield server
    server.kill()


@pytest.fixture(scope="module")
def browser():
    with launched() as browser:
        yield browser


@pytest.fixture
def device(browser, server):
    """Open a device of its own; every request and fault of it is noted."""
    contexts, asked, faults = [], [], []

    def opened(step: str = "", **kind):
        context = device_of(browser, **kind)
        contexts.append(context)
        page = context.new_page()
        page.on("request", lambda r: asked.append(r.url))
        page.on("pageerror", lambda e: faults.append(str(e)))
        page.on("dialog", lambda d: (faults.append(f"dialog {d.message}"), d.dismiss()))
        page.goto(server.link + (f"&step={step}" if step else ""))
        page.wait_for_selector(".ts-title")
        until(lambda: connected(page))
        return page

    opened.asked = asked
    yield opened
    for context in contexts:
        context.close()
    assert faults == []
    outside = [u for u in asked if not re.match(r"(https?|wss?)://127\.0\.0\.1:|data:|blob:", u)]
    assert outside == []


LAST_DRAWN = {
    "scale": ".ts-map",
    "tree": ".ts-map",
    "site": ".ts-map",
    "cuts": ".tsv[data-state=ready]",
    "haul": ".ts-sheet",
}
"""What a step draws last, where it does not draw all at once."""


def whole(page, step):
    """Wait until a step is drawn to its end and the page follows the server."""
    page.wait_for_selector(LAST_DRAWN.get(step, ".ts-title"))
    until(lambda: connected(page))


def corners(page):
    """How many corners the page says it has."""
    said = re.search(r"(\d+) so far", page.locator("body").inner_text())
    return int(said.group(1)) if said else 0


def tap(page, x, y):
    """Tap the plan picture at a share of its width and height; wait until the page has it."""
    before = corners(page)
    page.wait_for_function(DRAWN)
    box = still_box(page, page.locator(".ts-map").first)
    page.touchscreen.tap(box["x"] + x * box["width"], box["y"] + y * box["height"])
    until(lambda: corners(page) == before + 1)


@pytest.mark.parametrize(
    "kind",
    [pytest.param(PHONE, id="phone"), pytest.param(LAPTOP, id="laptop", marks=pytest.mark.slow)],
)
def test_every_step_fits_and_its_targets_are_large(device, kind):
    from treescan.page.steps import STEPS

    page = device("scan", **kind)
    for step in STEPS:
        page.goto(page.url.split("?")[0] + f"?step={step.key}")
        page.wait_for_selector(f".ts-title:has-text('{step.title}')")
        whole(page, step.key)
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= kind["viewport"]["width"], step.key
        small = page.evaluate(
            """() => [...document.querySelectorAll('button, a, [role=checkbox], input')]
              .filter(e => e.offsetParent && !e.closest('.q-uploader') && e.type != 'file')
              .map(e => [e.innerText || e.ariaLabel || e.tagName,
                         (e.closest('.q-field__control, .q-checkbox, .q-toggle') || e)
                           .getBoundingClientRect()])
              .filter(([_, r]) => r.height > 0 && (r.height < 48 || r.width < 48))
              .map(([t, r]) => `${t} ${r.width}x${r.height}`)"""
        )
        assert small == [], step.key


def test_tapped_corners_become_a_target(device, server):
    page = device("site")
    for x, y in ((0.2, 0.2), (0.35, 0.2), (0.35, 0.35)):
        tap(page, x, y)
    page.get_by_text("3 so far").wait_for()
    page.get_by_label("Name").fill("trampoline")
    page.get_by_role("button", name="Done", exact=True).click()
    page.get_by_text("Target: trampoline").wait_for()
    assert "trampoline" in [t.name for t in server.site().target]


def test_markup_in_a_name_is_never_run(device, server):
    page = device("site")
    for x, y in ((0.6, 0.2), (0.75, 0.2), (0.75, 0.35)):
        tap(page, x, y)
    name = "<img src=x onerror=\"alert('a')\"><script>alert('b')</script>"
    page.get_by_label("Name").fill(name)
    page.get_by_role("button", name="Done", exact=True).click()
    page.get_by_text(f"Target: {name}").wait_for()
    assert {NASTY, name} <= {t.name for t in server.site().target}
    for step in ("cuts", "plan", "print", "conditions"):
        page.goto(page.url.split("?")[0] + f"?step={step}")
        whole(page, step)
    assert page.locator("img[src='x']").count() == 0


def test_two_devices_follow_each_other(device):
    phone, laptop = device("crew"), device("crew", **LAPTOP)
    phone.get_by_label("People on the ground").fill("5")
    phone.get_by_label("People on the ground").blur()
    until(lambda: laptop.get_by_label("People on the ground").input_value() == "5")
    laptop.get_by_role("button", name="Undo", exact=True).click()
    until(lambda: phone.get_by_label("People on the ground").input_value() != "5")


def test_units_stay_with_the_device_over_a_reload(device):
    phone, laptop = device("crew"), device("crew", **LAPTOP)
    phone.get_by_role("button", name="metric and US units").click()
    phone.get_by_label("Climber with gear, lb").wait_for()
    phone.reload()
    phone.get_by_label("Climber with gear, lb").wait_for()
    assert laptop.get_by_label("Climber with gear, kg").count() == 1


def test_a_killed_server_and_a_reload_lose_nothing(device, server):
    page = device("site")
    page.get_by_role("button", name="Cancel", exact=True).click()
    tap(page, 0.4, 0.6)
    tap(page, 0.5, 0.6)
    page.get_by_text("2 so far").wait_for()
    server.kill()
    until(lambda: not connected(page))
    server.start()
    page.get_by_text("4 of 13").wait_for()
    page.get_by_text("2 so far").wait_for()
    until(lambda: connected(page))
    tap(page, 0.5, 0.7)
    page.get_by_text("3 so far").wait_for()
    page.reload()
    page.get_by_text("3 so far").wait_for()
    page.get_by_role("button", name="Cancel", exact=True).click()


@pytest.mark.slow
def test_sleep_without_wifi_loses_nothing(device):
    page = device("site")
    tap(page, 0.4, 0.6)
    page.get_by_text("1 so far").wait_for()
    page.context.set_offline(True)
    page.wait_for_timeout(5000)
    page.context.set_offline(False)
    until(lambda: connected(page))
    tap(page, 0.5, 0.6)
    page.get_by_text("2 so far").wait_for()
    page.get_by_role("button", name="Cancel", exact=True).click()


def test_the_keyboard_reaches_steps_and_corners(device):
    page = device("crew", **LAPTOP)
    page.locator("nav button").nth(3).focus()
    page.keyboard.press("Enter")
    page.wait_for_selector(".ts-title:has-text('Site')")
    page.get_by_role("button", name="Add a corner without tapping").focus()
    page.keyboard.press("Enter")
    page.get_by_text("1 so far").wait_for()
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Cancel", exact=True).click()


def test_a_scan_is_uploaded_and_a_letter_is_refused(device, server, tmp_path):
    page = device("scan")
    letter = tmp_path / "holiday.laz"
    letter.write_bytes(b"Dear all, " * 400)
    page.locator("input[type=file]").set_input_files(letter)
    page.locator(".q-notification", has_text="the file sent").first.wait_for()
    assert list((server.folder / "scan").iterdir()) == []
    page.reload()
    page.wait_for_selector(".ts-title")
    bad = tmp_path / "..%2F..%2Fx & <b>.laz"
    shutil.copy(SCAN, bad)
    page.locator("input[type=file]").set_input_files(bad)
    page.get_by_text("Scan: scan-1.").wait_for()
    [kept] = (server.folder / "scan").iterdir()
    assert kept.read_bytes() == SCAN.read_bytes()
    page.get_by_role("button", name="Undo", exact=True).click()
    page.locator(".q-notification", has_text="Taken back: Scan uploaded").wait_for()


def test_without_the_link_nothing_is_served(server):
    for path in ("/", "/files/plan/plan.json", "/_nicegui_ws/socket.io/?EIO=4&transport=polling"):
        with pytest.raises(urllib.error.HTTPError, match="403"):
            urllib.request.urlopen(f"http://127.0.0.1:{server.port}{path}", timeout=10)
