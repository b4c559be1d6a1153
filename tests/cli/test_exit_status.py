"""Exit status and the one line that goes with it."""

import errno
import json
import signal
import subprocess
import sys
import time

import pytest

from tests.pipeline.small_tree import SITE, write_tree
from treescan.errors import OutputError, ScanError
from treescan_cli import haul, plan
from treescan_cli.main import main

RAISED = [
    (ScanError("two\nlines"), 2, "two lines"),
    (OutputError("disk full"), 2, "disk full"),
    (PermissionError(errno.EACCES, "Permission denied", "scan.laz"), 2, "scan.laz: Permission"),
    (OSError(errno.EIO, "Input/output error", "scan.laz"), 1, "Input/output"),
    (ValueError("a fault\nof ours"), 1, "unexpected fault: ValueError: a fault of ours"),
    (MemoryError(), 1, "out of memory"),
    (KeyboardInterrupt(), 130, "stopped"),
]


@pytest.mark.parametrize(("fault", "status", "said"), RAISED, ids=lambda x: type(x).__name__)
def test_every_fault_has_its_status_and_one_line(fault, status, said, monkeypatch, capsys):
    def run(args):
        raise fault

    monkeypatch.setattr(plan, "run", run)
    monkeypatch.delenv("TREESCAN_TRACE", raising=False)
    assert main(["plan", "x.laz", "--out", "out"]) == status
    message = capsys.readouterr().err
    assert message.startswith("treescan: ")
    assert said in message
    assert message.count("\n") == 1


def test_the_trace_of_a_fault_is_there_when_asked_for(monkeypatch, capsys):
    def run(args):
        raise ValueError("ours")

    monkeypatch.setattr(plan, "run", run)
    monkeypatch.setenv("TREESCAN_TRACE", "1")
    assert main(["plan", "x.laz", "--out", "out"]) == 1
    assert "Traceback" in capsys.readouterr().err


def test_a_reader_that_goes_away_is_no_traceback(tmp_path):
    line = f"{sys.executable} -m treescan_cli --help | true"
    done = subprocess.run(line, shell=True, capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr


def test_no_plan_within_the_limits_is_3_with_outputs_and_reasons(tmp_path, capsys):
    site = SITE.replace(
        "[[drop_zone]]\nname = \"lawn\"\nfootprint_m = [[88.0, 188.0], [102.0, 188.0], "
        "[102.0, 212.0], [88.0, 212.0]]\n",
        "[[drop_zone]]\nname = \"mat\"\n"
        "footprint_m = [[99.0, 201.0], [100.0, 201.0], [100.0, 202.0], [99.0, 202.0]]\n"
        "max_energy_kj = 0.5\n[limits]\nmax_piece_kg = 20\nline_share_of_mbs = 0.001\n",
    )  # fmt: skip
    (tmp_path / "site.toml").write_text(site)
    scan = write_tree(tmp_path / "tree.json")
    status = main(
        ["plan", str(scan), "--site", str(tmp_path / "site.toml"), "--out", str(tmp_path / "out"),
         "--quiet", "--json"]
    )  # fmt: skip
    got = capsys.readouterr()
    assert status == 3
    assert "no plan keeps every limit" in got.err
    assert json.loads(got.out)["plan"]["feasible"] is False
    steps = json.loads((tmp_path / "out" / "plan.json").read_text())["steps"]
    assert steps
    assert any(step["warnings"] for step in steps)


def assert_stopped(work, monkeypatch, capsys, folder):
    """Run a verb that is stopped, with the handlers of signals as they were afterwards."""
    monkeypatch.setattr(haul, "run", work)
    names = [getattr(signal, n) for n in ("SIGINT", "SIGTERM", "SIGALRM") if hasattr(signal, n)]
    before = {name: signal.getsignal(name) for name in names}
    try:
        assert main(["haul", str(folder)]) == 130
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)
    assert capsys.readouterr().err == "treescan: stopped; no half result was left.\n"


def test_a_stop_that_comes_out_as_another_fault_is_still_a_stop(monkeypatch, capsys, tmp_path):
    """A compiled module whose loading is stopped may tell of its own failure instead."""

    def stopped_while_loading(_args):
        try:
            signal.raise_signal(signal.SIGTERM)
        except KeyboardInterrupt:
            raise ImportError("initialization failed") from None

    assert_stopped(stopped_while_loading, monkeypatch, capsys, tmp_path)


@pytest.mark.skipif(not hasattr(signal, "setitimer"), reason="needs a timer")
def test_a_stop_that_a_callback_swallows_comes_again(monkeypatch, capsys, tmp_path):
    """A finaliser cannot pass on what is raised in it: without more the run would go on."""

    class Held:
        def __del__(self):
            signal.raise_signal(signal.SIGTERM)

    def work(_args):
        held = Held()
        del held
        time.sleep(5.0)
        return 0

    assert_stopped(work, monkeypatch, capsys, tmp_path)
