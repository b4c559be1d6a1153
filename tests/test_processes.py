"""Two parts of a run at once: same answers, same faults, nothing left behind."""

import os
import signal
import time
from pathlib import Path

import pytest

from treescan import processes
from treescan.processes import at_once, shared_out


def test_both_answers_come_back_in_order():
    assert at_once(lambda: "here", lambda: {"there": list(range(100_000))}) == (
        "here", {"there": list(range(100_000))},
    )  # fmt: skip


@pytest.mark.skipif(not processes.two_cores(), reason="needs Linux and two cores")
def test_the_second_part_runs_in_another_process():
    here, there = at_once(os.getpid, os.getpid)
    assert here == os.getpid()
    assert there != here


def test_one_core_gives_the_same(monkeypatch):
    monkeypatch.setattr(processes, "two_cores", lambda: False)
    here, there = at_once(os.getpid, os.getpid)
    assert here == there == os.getpid()


@pytest.mark.parametrize("side", [0, 1])
def test_a_fault_on_either_side_is_raised_here(side):
    def fails():
        raise ValueError("no such limb")

    parts = [lambda: 1, lambda: 2]
    parts[side] = fails
    with pytest.raises(ValueError, match="no such limb"):
        at_once(*parts)


def test_a_copy_that_is_killed_is_done_again_here():
    mine = os.getpid()

    def there():
        if os.getpid() != mine:
            os.kill(os.getpid(), signal.SIGKILL)
        return "done again"

    assert at_once(lambda: 1, there) == (1, "done again")


def test_an_answer_that_cannot_be_sent_is_made_here():
    _, answer = at_once(lambda: 1, lambda: lambda: 5)
    assert answer() == 5


@pytest.mark.skipif(not processes.two_cores(), reason="needs Linux and two cores")
def test_no_copy_is_left_behind(monkeypatch):
    copies, fork = [], os.fork

    def noted():
        child = fork()
        copies.append(child)
        return child

    monkeypatch.setattr(os, "fork", noted)
    at_once(lambda: 1, lambda: 2)
    with pytest.raises(ZeroDivisionError):
        at_once(lambda: 1 // 0, lambda: signal.pause())
    assert len(copies) == 2
    for child in copies:
        with pytest.raises(ChildProcessError):
            os.waitpid(child, os.WNOHANG)


@pytest.mark.parametrize("count", [0, 1, 2, 7, 400])
def test_shared_work_is_answered_in_order(count):
    assert shared_out(range(count), lambda n: n * n) == [n * n for n in range(count)]


@pytest.mark.skipif(not processes.two_cores(), reason="needs Linux and two cores")
def test_shared_work_goes_to_whoever_is_free():
    mine = os.getpid()

    def do(number):
        time.sleep(0.5 if number == 0 else 0.01)
        return os.getpid() == mine

    by_me = shared_out(range(9), do)
    assert by_me[1:] == [not by_me[0]] * 8


def test_shared_work_of_a_copy_that_is_killed_is_done_here():
    mine = os.getpid()

    def do(number):
        if os.getpid() != mine:
            os.kill(os.getpid(), signal.SIGKILL)
        time.sleep(0.05)
        return number

    assert shared_out(range(6), do) == list(range(6))


@pytest.mark.parametrize("bad", [0, 3])
def test_a_fault_in_shared_work_is_raised_and_leaves_no_pipe(bad):
    before = len(list(Path("/proc/self/fd").iterdir())) if processes.two_cores() else 0
    with pytest.raises(ZeroDivisionError):
        shared_out(range(4), lambda n: 1 // (n != bad))
    assert not before or len(list(Path("/proc/self/fd").iterdir())) == before


def test_one_core_shares_nothing(monkeypatch):
    monkeypatch.setattr(processes, "two_cores", lambda: False)
    assert shared_out(range(3), lambda _n: os.getpid()) == [os.getpid()] * 3
