"""The page in a real browser, phone and laptop size: tap, draw, upload, reload, two devices.

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
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from tests.page.conftest import SCAN
from tests.report.job import NASTY
from treescan.site.reading import read_site

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
LAPTOP = {"viewport": {"width": 1280, "height": 800}, "device_scale_factor": 1}
PATIENCE_S = 90.0
"""How long a loaded machine may take for what is said to happen at once. [s]"""
DRAWN = """() => {
  const picture = document.querySelector('.ts-map img');
  return picture && picture.complete && picture.naturalWidth > 0;
}"""

pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]


class Server:
    """The page of a job in a process of its own."""

    def __init__(self, folder: Path, state: Path) -> None:
        self.folder, self.state, self.port = folder, state, free_port()
        self.start()

    def start(self) -> None:
        command = [sys.executable, "-m", "treescan_cli", "page", str(self.folder)]
        command += ["--port", str(self.port), "--no-browser"]
        own = {k: v for k, v in os.environ.items() if not k.startswith(("PYTEST", "NICEGUI"))}
        environment = {**own, "XDG_STATE_HOME": str(self.state)}
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
        self.link = self.process.stdout.readline().strip()
        assert self.link.startswith("http://127.0.0.1:"), self.link
        deadline = time.monotonic() + 2.0 * PATIENCE_S
        while time.monotonic() < deadline:
            try:
                urllib.request.urlopen(self.link, timeout=5).close()
            except OSError:
                time.sleep(0.2)
            else:
                return
        self.kill()
        raise AssertionError("the page did not start")

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()
        self.process.stdout.close()

    def site(self):
        return read_site(self.folder / "site.toml")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture(scope="module")
def server(made_job, tmp_path_factory):
    place = tmp_path_factory.mktemp("served")
    shutil.copytree(made_job, place / "job")
    server = Server(place / "job", place / "state")
    yield server
    server.kill()


@pytest.fixture(scope="module")
def browser():
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, headless=True, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def device(browser, server):
    """Open a device of its own; every request and fault of it is noted."""
    contexts, asked, faults = [], [], []

    def opened(step: str = "", **kind):
        context = browser.new_context(**(kind or PHONE))
        context.set_default_timeout(PATIENCE_S * 1000.0)
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


def until(check, seconds=PATIENCE_S):
    """Wait for something that is said to happen soon."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if check():
            return
        time.sleep(0.1)
    raise AssertionError("it did not happen")


def connected(page):
    """Whether the page talks to the server; False while it loads itself anew."""
    try:
        return page.evaluate(
            "Boolean(window.did_handshake && window.socket && window.socket.connected)"
        )
    except sync_api.Error:
        return False


def corners(page):
    """How many corners the page says it has."""
    said = re.search(r"(\d+) so far", page.locator("body").inner_text())
    return int(said.group(1)) if said else 0


def still_box(page, picture):
    """Where the picture lies once it has loaded and nothing above it moves it any more."""
    page.wait_for_function(DRAWN)
    deadline, box = time.monotonic() + PATIENCE_S, None
    while time.monotonic() < deadline:
        picture.scroll_into_view_if_needed()
        last, box = box, picture.bounding_box()
        if box is not None and box == last:
            return box
        page.wait_for_timeout(200)
    raise AssertionError("the plan picture does not come to rest")


def tap(page, x, y):
    """Tap the plan picture at a share of its width and height; wait until the page has it."""
    before = corners(page)
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
        page.wait_for_timeout(200)
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
        page.wait_for_selector(".ts-title")
        page.wait_for_timeout(300)
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
    page.wait_for_timeout(1000)
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
    page.locator(".q-notification", has_text="scan").first.wait_for()
    assert not (server.folder / "scan").exists()
    page.reload()
    page.wait_for_selector(".ts-title")
    bad = tmp_path / "..%2F..%2Fx & <b>.laz"
    shutil.copy(SCAN, bad)
    page.locator("input[type=file]").set_input_files(bad)
    page.get_by_text("Scan: scan-1.").wait_for()
    [kept] = (server.folder / "scan").iterdir()
    assert kept.read_bytes() == SCAN.read_bytes()
    assert [p.name for p in server.folder.glob("tmp*")] == []
    page.get_by_role("button", name="Undo", exact=True).click()
    page.locator(".q-notification", has_text="Taken back: Scan uploaded").wait_for()


def test_without_the_link_nothing_is_served(server):
    for path in ("/", "/files/plan/plan.json", "/_nicegui_ws/socket.io/?EIO=4&transport=polling"):
        with pytest.raises(urllib.error.HTTPError, match="403"):
            urllib.request.urlopen(f"http://127.0.0.1:{server.port}{path}", timeout=10)
