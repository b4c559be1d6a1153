"""A measured and planned job in a folder, and the page opened on it without a browser."""

from __future__ import annotations

import json
import os
import shutil
import sys
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path

import pytest

from tests.browsing import PATIENCE_S
from tests.report.job import make_job
from treescan.report.cut_list import cut_list_csv
from treescan.report.frames import scan_site
from treescan.report.plan_json import plan_document
from treescan.report.tree_json import tree_document
from treescan.site.reading import site_toml

SCAN = Path(__file__).parents[2] / "sample_scans" / "maple_phone.laz"
PROPOSED = """# Proposed from the scan alone.

[job]
name = "proposed site"

[[target]]
# proposed, how sure: 0.70 (eaves 2.2 m, ridge 2.6 m)
name = "building 1"
footprint_m = {building}
height_m = 2.60

[[conductor]]
# proposed, how sure: 0.61 (sag 0.20 m; voltage unknown)
name = "wire 1"
path_m = {wire}
kilovolts = 20.0   # unknown: ask the owner of the line

# proposed, how sure: 0.50 (60 m², nothing stands there)
# [[drop_zone]]
# name = "open ground 1"
# footprint_m = {ground}
# surface = "turf"   # look: turf, bare soil, brush mat or paving
"""


def square(x, y, side):
    return [[x, y], [x + side, y], [x + side, y + side], [x, y + side]]


@pytest.fixture(scope="session")
def made_job(tmp_path_factory) -> Path:
    """Job folder with ``tree`` and ``plan``; copied for each test."""
    pytest.importorskip("nicegui", reason="the extra “page” is not installed")
    from treescan.page.site_map import write_map

    folder = tmp_path_factory.mktemp("made") / "job"
    for name in ("tree", "plan"):
        (folder / name).mkdir(parents=True)
    result, measured = make_job(), make_job(with_plan=False)
    for part, made in (("plan", result), ("tree", measured)):
        (folder / part / "tree.json").write_text(json.dumps(tree_document(made)))
    (folder / "plan" / "plan.json").write_text(json.dumps(plan_document(result)))
    (folder / "plan" / "cut_list.csv").write_text(cut_list_csv(result))
    x, y, z = (float(v) for v in measured.origin_m)
    proposed = PROPOSED.format(
        building=square(x + 20, y + 20, 4.0),
        wire=[[x - 15, y + 25, z + 6.1], [x + 15, y + 25, z + 5.8]],
        ground=square(x - 24, y - 24, 8.0),
    )
    (folder / "tree" / "proposed_site.toml").write_text(proposed)
    write_map(measured, folder / "tree")
    (folder / "site.toml").write_text(site_toml(scan_site(result)), encoding="utf-8")
    return folder


@pytest.fixture
def job_folder(made_job, tmp_path) -> Path:
    folder = tmp_path / "job"
    shutil.copytree(made_job, folder)
    return folder


def patient(user):
    """The user with as much patience as a loaded machine needs."""
    see, not_see = user.should_see, user.should_not_see
    user.should_see = partial(see, retries=int(10 * PATIENCE_S))
    user.should_not_see = partial(not_see, retries=int(10 * PATIENCE_S))
    return user


@asynccontextmanager
async def opened(folder: Path):
    """The page of a folder without a browser: (user, session).

    As nicegui's own ``user_simulation``, with the page registered before the start.
    """
    import httpx
    from nicegui import core, ui
    from nicegui.functions.download import download
    from nicegui.functions.navigate import Navigate
    from nicegui.functions.notify import notify
    from nicegui.testing import User
    from nicegui.testing.general import nicegui_reset_globals, prepare_simulation

    from treescan.page.app import install
    from treescan.page.job_store import JobStore
    from treescan.page.session import Session

    modules = dict(sys.modules)  # the reset throws out the modules of pages
    os.environ["NICEGUI_USER_SIMULATION"] = "true"
    try:
        with nicegui_reset_globals():
            prepare_simulation()
            session = Session(JobStore.opened(folder))
            install(session)
            ui.run(storage_secret="of the tests")
            async with core.app.router.lifespan_context(core.app):
                transport = httpx.ASGITransport(core.app)
                async with httpx.AsyncClient(transport=transport, base_url="http://test") as client:
                    yield patient(User(client)), session
    finally:
        os.environ.pop("NICEGUI_USER_SIMULATION", None)
        ui.navigate, ui.notify, ui.download = Navigate(), notify, download
        sys.modules.update(modules)
