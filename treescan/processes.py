"""Two parts of a run at once, the second in a copy of this process.

A fork costs milliseconds, needs nothing sent to it, and leaves the interpreter's lock behind; the
answer comes back through a pipe.  Where the system cannot fork, or has one core, both parts run
here one after the other with the same answers.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import pickle
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Any, TypeVar

A = TypeVar("A")
B = TypeVar("B")

END_WITH_PARENT = 1
"""Linux: PR_SET_PDEATHSIG of prctl(2)."""


MARK, MOST_SHARED = 2, 8000
"""Bytes that stand for a piece of work in a pipe, and how many of them one surely holds."""


def two_cores() -> bool:
    """Whether a second process would run beside this one."""
    if sys.platform != "linux" or threading.current_thread() is not threading.main_thread():
        return False
    return len(os.sched_getaffinity(0)) > 1


def at_once(here: Callable[[], A], there: Callable[[], B]) -> tuple[A, B]:
    """Answers of two functions that do not depend on each other.

    Parameters
    ----------
    here : callable
        Runs in this process.
    there : callable
        Runs in a copy of it where that is possible: what it changes is lost, its answer must
        be picklable.

    Raises
    ------
    Exception
        Whatever either function raises; a copy that dies without an answer is done again here.
    """
    if not two_cores():
        return here(), there()
    reading, writing = os.pipe()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child == 0:
        os.close(reading)
        _answer(there, writing)
    os.close(writing)
    try:
        first = here()
        with open(reading, "rb", closefd=False) as pipe:
            answer = pipe.read()
    except BaseException:
        with contextlib.suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)
        raise
    finally:
        os.close(reading)
        os.waitpid(child, 0)
    return first, _taken(answer, there)


def shared_out(
    work: Sequence[A], do: Callable[[A], B], tell: Callable[[float], None] | None = None
) -> list[B]:
    """Answer for each piece of work, in its order; two processes take the next whenever free.

    Put the longest first.  ``do`` must not depend on what was done before: who does what differs
    from run to run, its answers do not.  ``tell`` hears the share done, in this process.

    Raises
    ------
    Exception
        Whatever ``do`` raises.
    """
    if len(work) < 2 or len(work) > MOST_SHARED or not two_cores():
        return list(_each(work, do, iter(range(len(work))), tell).values())
    taking, giving = os.pipe()
    os.write(giving, b"".join(number.to_bytes(MARK, "big") for number in range(len(work))))
    os.close(giving)

    next_mark = partial(os.read, taking, MARK)
    turns = (int.from_bytes(mark, "big") for mark in iter(next_mark, b""))
    try:
        here, there = at_once(
            lambda: _each(work, do, turns, tell), lambda: _each(work, do, turns, None)
        )
    finally:
        os.close(taking)
    done = {**here, **there}
    lost = [number for number in range(len(work)) if number not in done]  # with a copy that died
    done.update((number, do(work[number])) for number in lost)
    return [done[number] for number in range(len(work))]


def _each(
    work: Sequence[A],
    do: Callable[[A], B],
    turns: Iterator[int],
    tell: Callable[[float], None] | None,
) -> dict[int, B]:
    """Answers by number for those pieces of work whose turn comes here."""
    done: dict[int, B] = {}
    for number in turns:
        done[number] = do(work[number])
        if tell is not None:
            tell((number + 1) / len(work))
    return done


def _answer(there: Callable[[], Any], writing: int) -> None:
    """In the copy: work, send the answer, end at once without anything of the parent's."""
    try:
        ctypes.CDLL(None).prctl(END_WITH_PARENT, signal.SIGKILL)
        try:
            answer = (True, there())
        except Exception as error:  # noqa: BLE001 - sent to the parent, which raises it
            answer = (False, error)
        with open(writing, "wb") as pipe:
            pickle.dump(answer, pipe, protocol=pickle.HIGHEST_PROTOCOL)
    finally:
        os._exit(0)


def _taken(answer: bytes, again: Callable[[], B]) -> B:
    try:
        good, value = pickle.loads(answer)
    except Exception:  # noqa: BLE001 - cut short, or not to be sent: done again here
        return again()
    if not good:
        raise value
    result: B = value
    return result
