"""The benchmarks count what they say they count; no time is judged."""

import sys

import laspy
import numpy as np
import pytest

from tests.benchmarks.against_decode import decode, spent_on
from tests.benchmarks.against_plain import SAMPLES, densified
from tests.benchmarks.memory import timed
from tests.benchmarks.rates import rates

HELD = "held = bytearray(os.urandom(1)) * 60_000_000\n"
FORKS = """
import os, sys, time
{before}
if os.fork() == 0:
    {inside}
    time.sleep(1.5)
    os._exit(0)
{after}
os.wait()
sys.exit(3)
"""
linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="read from /proc")


def peak_gb(**held):
    code = FORKS.format(**{"before": "", "inside": "", "after": "", **held})
    cost = timed([sys.executable, "-c", code])
    assert cost.status == 3
    return cost.peak_gb


@linux
def test_memory_of_a_second_process_is_counted():
    assert 0.06 < peak_gb(after=HELD) < 0.11
    assert 0.12 < peak_gb(inside=HELD, after=HELD) < 0.18


@linux
def test_pages_that_two_processes_share_count_once():
    assert 0.06 < peak_gb(before=HELD) < 0.11


@linux
def test_memory_of_this_process_is_not_counted():
    cost = timed([sys.executable, "-c", "import time; time.sleep(0.5)"])
    assert cost.status == 0
    assert 0.0 < cost.peak_gb < 0.05


def test_a_denser_scan_has_the_points_and_the_surfaces(tmp_path):
    densified(SAMPLES / "maple_phone.laz", tmp_path / "a.laz", 20_000)
    dense, sample = laspy.read(tmp_path / "a.laz"), laspy.read(SAMPLES / "maple_phone.laz")
    assert len(dense.x) == 20_000
    np.testing.assert_allclose(dense.xyz.mean(0), sample.xyz.mean(0), atol=0.1)


def test_every_rate_is_printed(capsys):
    rates(share=0.001)
    rows = capsys.readouterr().out.splitlines()[1:]
    assert len(rows) == 5
    assert all(float(row.split()[-1].replace(",", "")) > 0 for row in rows)


def test_reading_is_set_beside_decoding(capsys):
    decode("maple_phone", [0.02], rounds=1)
    rows = [row.split() for row in capsys.readouterr().out.splitlines()[1:]]
    assert [row[:2] for row in rows] == [["20,000", "decode"], ["20,000", "read"]]
    assert rows[0][-2:] == ["1.00", "1.00"]
    assert float(rows[1][3]) > 0


def test_a_program_that_fails_has_no_time(tmp_path):
    with pytest.raises(SystemExit, match="exit status 1"):
        spent_on("raise SystemExit(1)", tmp_path)
