"""How long the page of a planned sample takes to draw in headless Chromium."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.against_plain import SAMPLES
from tests.browsing import CHROMIUM, LAPTOP, PHONE, device_of, launched

VISITS = 3
MARKS = ("text=Cut list >> visible=true", ".tsv[data-state=ready]", ".tsv[data-points]")


def missing() -> str:
    """What is missing to look at the page; "" when all is there."""
    for module, what in (("nicegui", "the extra “page”"), ("playwright", "playwright")):
        if importlib.util.find_spec(module) is None:
            return f"{what} is not installed"
    return "" if CHROMIUM else "no chromium on this machine"


def first_render(sample: str) -> None:
    """Print the seconds of several visits, each by a browser that has kept nothing."""
    if reason := missing():
        print(f"page, first render: skipped, {reason}")
        return
    from tests.page.served import Server

    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "job"
        _planned(sample, folder)
        server = Server(folder, Path(scratch) / "state")
        try:
            _visits(server.link, sample)
        finally:
            server.stop()


def _planned(sample: str, folder: Path) -> None:
    """A job folder with the plan of a sample, as the page keeps it."""
    folder.mkdir()
    scan, site = SAMPLES / f"{sample}.laz", SAMPLES / f"{sample}.toml"
    command = [sys.executable, "-m", "treescan_cli", "plan", str(scan), "--site", str(site)]
    done = subprocess.run([*command, "--quiet", "--out", str(folder / "plan")], check=False)
    if done.returncode not in (0, 3):
        raise SystemExit(f"the plan of {sample} ended with exit status {done.returncode}")
    (folder / "site.toml").write_bytes(site.read_bytes())
    (folder / "page.json").write_text(f'{{"scans": ["{scan.as_posix()}"]}}', encoding="utf-8")


def _visits(link: str, sample: str) -> None:
    print(f"{'page of ' + sample:<24} {'words s':>8} {'wood s':>8} {'points s':>9}")
    with launched() as browser:
        for device, kind in (("laptop", LAPTOP), ("phone", PHONE)):
            for visit in range(1, VISITS + 1):
                context = device_of(browser, **kind)
                page = context.new_page()
                start = time.perf_counter()
                page.goto(link + "&step=cuts", wait_until="commit")
                seen = []
                for what in MARKS:
                    page.wait_for_selector(what)
                    seen.append(time.perf_counter() - start)
                context.close()
                first = ", scan points made" if (device, visit) == ("laptop", 1) else ""
                print(
                    f"{f'{device}, visit {visit}':<24} {seen[0]:>8.2f} {seen[1]:>8.2f} "
                    f"{seen[2]:>9.2f}{first}",
                    flush=True,
                )
