"""The page of a job served by a process of its own, for tests in a real browser."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import urllib.request

from tests.browsing import PATIENCE_S
from treescan.site.reading import read_site


class Server:
    """The page of a job folder, started when made; ``link`` is what the laptop shows."""

    def __init__(self, folder, state):
        self.folder, self.state, self.port = folder, state, free_port()
        self.start()

    def start(self):
        command = [sys.executable, "-m", "treescan_cli", "page", str(self.folder)]
        command += ["--port", str(self.port), "--no-browser"]
        own = {k: v for k, v in os.environ.items() if not k.startswith(("PYTEST", "NICEGUI"))}
        environment = {**own, "XDG_STATE_HOME": str(self.state)}
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
        self.link = self.process.stdout.readline().strip()
        if not self.link.startswith("http://127.0.0.1:"):
            self.kill()
            raise AssertionError(f"no link but {self.link!r}")
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

    def kill(self):
        """End it without a word, as a flat battery does."""
        self.process.kill()
        self.process.wait()
        self.process.stdout.close()

    def stop(self):
        """End it as a person does, so that it ends what it has started."""
        self.process.terminate()
        self.process.wait(PATIENCE_S)
        self.process.stdout.close()

    def site(self):
        return read_site(self.folder / "site.toml")


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def connected(page):
    """Whether the page talks to the server; False while it loads itself anew."""
    from playwright.sync_api import Error

    try:
        return page.evaluate(
            "Boolean(window.did_handshake && window.socket && window.socket.connected)"
        )
    except Error:
        return False
