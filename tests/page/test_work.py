"""Long work outlives the server, is found again, can be cancelled, and never harms the job."""

import json
import os
import subprocess
import sys
import time

import psutil
import pytest

from treescan.page import work
from treescan.page.process_start import start_mark

SLEEPER = [sys.executable, "-c", "import time; time.sleep(60)"]


def ordered(folder, *, pid, created, order="plan", **stage):
    (folder / "work").mkdir(exist_ok=True)
    facts = {"order": order, "pid": pid, "created": created, "started": time.time(), "notes": {}}
    (folder / "work" / "order.json").write_text(json.dumps(facts))
    if stage:
        (folder / "work" / "stage.json").write_text(json.dumps(stage))


@pytest.fixture
def sleeper():
    with subprocess.Popen(SLEEPER, start_new_session=True) as process:
        yield process
        process.kill()


def test_nothing_under_way():
    assert work.progress(work.Path("nowhere")) == work.Progress()


def test_work_of_a_killed_server_is_found_again_and_can_be_cancelled(tmp_path, sleeper):
    created = start_mark(sleeper.pid)
    ordered(tmp_path, pid=sleeper.pid, created=created, stage="Planning the rest", share=0.5)
    progress = work.progress(tmp_path)
    assert (progress.running, progress.stage, progress.share) == (True, "Planning the rest", 0.5)
    assert progress.seconds_left is not None
    work.cancel(tmp_path)
    assert not psutil.pid_exists(sleeper.pid)
    assert work.progress(tmp_path).error.startswith("Cancelled")
    work.clear(tmp_path)
    assert work.progress(tmp_path) == work.Progress()


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="elsewhere the system keeps it")
@pytest.mark.parametrize("jump_s", [-86_400.0, 5.0, 1e9])
def test_a_clock_that_is_put_right_loses_no_work(tmp_path, sleeper, monkeypatch, jump_s):
    ordered(tmp_path, pid=sleeper.pid, created=start_mark(sleeper.pid), stage="Tracing", share=0.5)
    booted, now = psutil.boot_time(), time.time()
    monkeypatch.setattr("psutil._pslinux.boot_time", lambda: booted + jump_s)
    monkeypatch.setattr(time, "time", lambda: now + jump_s)
    progress = work.progress(tmp_path)
    assert progress.running
    assert progress.seconds_left >= 0.0


def test_another_process_of_the_same_number_is_not_taken_for_the_work(tmp_path, sleeper):
    ordered(tmp_path, pid=sleeper.pid, created=12345.0, stage="Planning", share=0.5)
    progress = work.progress(tmp_path)
    assert not progress.running
    assert "ended before it was done" in progress.error
    work.cancel(tmp_path)
    assert sleeper.poll() is None


def test_work_that_died_says_so(tmp_path):
    with subprocess.Popen([sys.executable, "-c", ""]) as gone:
        gone.wait()
    ordered(tmp_path, pid=gone.pid, created=1.0, stage="Tracing", share=0.4)
    assert "start it again" in work.progress(tmp_path).error
    assert work.finished(tmp_path) is None


def test_results_are_handed_over_only_when_done(tmp_path):
    ordered(tmp_path, pid=2**30, created=1.0, stage="Done", share=1.0, done=True)
    assert work.finished(tmp_path) is None
    (tmp_path / "work" / "out").mkdir()
    done = work.finished(tmp_path)
    assert (done.order, done.place, done.notes) == ("plan", tmp_path / "work" / "out", {})


def test_the_time_left_follows_from_the_share(tmp_path, monkeypatch):
    ordered(tmp_path, pid=os.getpid(), created=start_mark(os.getpid()), share=0.5)
    path = tmp_path / "work" / "order.json"
    facts = json.loads(path.read_text())
    now = time.time()
    monkeypatch.setattr(time, "time", lambda: now)
    path.write_text(json.dumps({**facts, "started": now - 30.0}))
    assert work.progress(tmp_path).seconds_left == pytest.approx(30.0)


def test_bad_input_is_one_line_and_the_job_stays(tmp_path):
    (tmp_path / "page.json").write_text(json.dumps({"scans": ["no such scan.laz"]}))
    (tmp_path / "site.toml").write_text("")
    work.start(tmp_path, "measure", "metric")
    deadline = time.monotonic() + 60
    while work.progress(tmp_path).running and time.monotonic() < deadline:
        time.sleep(0.2)
    error = work.progress(tmp_path).error
    assert "no such scan" in error
    assert "\n" not in error
    assert not (tmp_path / "work" / "out").exists()
    assert work.finished(tmp_path) is None


@pytest.mark.parametrize("text", ["", "[]", "{", '{"order": 3}'])
def test_broken_files_of_the_work_are_no_work(tmp_path, text):
    (tmp_path / "work").mkdir()
    (tmp_path / "work" / "order.json").write_text(text)
    assert not work.progress(tmp_path).running
    assert work.finished(tmp_path) is None
