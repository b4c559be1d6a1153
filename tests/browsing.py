"""What tests in a real browser share: how it is started, sizes of devices, and patience.

A loaded machine may take a minute for what is said to happen at once.  So nothing waits for a
time that ought to be enough: every tap waits for what it brings about.
"""

from __future__ import annotations

import shutil
import time
from contextlib import contextmanager

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
PREPARING_S = 600.0
"""How long it may take until changed cuts are answered the first time: a machine that has never
planned compiles the motion first. [s]"""


@contextmanager
def launched():
    """A browser without a profile."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=CHROMIUM, headless=True, args=FLAGS, timeout=2000.0 * PATIENCE_S
        )
        yield browser
        browser.close()


def device_of(browser, **kind):
    """A device of its own, a phone unless said otherwise, as patient as the tests."""
    context = browser.new_context(**(kind or PHONE))
    context.set_default_timeout(1000.0 * PATIENCE_S)
    return context


def until(check, seconds=PATIENCE_S):
    """Wait for something that is said to happen soon."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if check():
            return
        time.sleep(0.05)
    raise AssertionError("it did not happen")


def still_box(page, thing):
    """Where a thing lies once nothing above it moves it any more."""
    deadline, box = time.monotonic() + PATIENCE_S, None
    while time.monotonic() < deadline:
        thing.scroll_into_view_if_needed()
        last, box = box, thing.bounding_box()
        if box is not None and box == last:
            return box
        page.wait_for_timeout(100)
    raise AssertionError("it does not come to rest")
