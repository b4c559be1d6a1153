"""Entry point of the ``treescan`` command."""

from __future__ import annotations

import argparse
import errno
import os
import signal
import sys
import threading
import traceback
from collections.abc import Sequence
from types import FrameType, ModuleType

from treescan._version import __version__
from treescan.errors import EXIT_BAD_INPUT, EXIT_FAULT, TreescanError
from treescan_cli.console import STOPPED

MOST_LETTERS = 200
STOP_AGAIN_S = 0.05
_PLACES = frozenset(
    (errno.ENAMETOOLONG, errno.EACCES, errno.EPERM, errno.EISDIR, errno.ENOTDIR, errno.ENOENT,
     errno.ELOOP)
)  # fmt: skip


def verbs() -> tuple[ModuleType, ...]:
    """The modules of all verbs, in the order of the work."""
    from treescan_cli import batch, haul, load, measure, page, plan, replan

    return (measure, plan, load, replan, haul, page, batch)


class _Parser(argparse.ArgumentParser):
    """A parser whose complaints are one line, like every other message."""

    def error(self, message: str) -> None:  # type: ignore[override]
        self.exit(EXIT_BAD_INPUT, f"treescan: {message}. See {self.prog} --help.\n")


def parser(argv: Sequence[str]) -> argparse.ArgumentParser:
    """Build the parser of the whole command.

    Only a verb named in ``argv`` gets its own arguments: what they need (the gear catalogue for
    a list of lines) is not loaded for the other verbs.
    """
    top = _Parser(
        prog="treescan",
        description="Plan the removal of a tree from a scan: green weights, rigging loads, "
        "cut order, loads to haul. A planning aid: a qualified arborist decides.",
    )
    top.add_argument("--version", action="version", version=f"treescan {__version__}")
    under = top.add_subparsers(dest="verb", metavar="VERB", required=True)
    for module in verbs():
        part = under.add_parser(module.NAME, help=module.HELP, description=module.HELP)
        if module.NAME in argv:
            module.add_arguments(part)
        part.set_defaults(run=module.run)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; returns the exit status (0 done, 2 bad input, 3 no plan, 1 fault)."""
    _asked_to_stop.clear()
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):  # a closed terminal stops a run like Ctrl-C
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:  # nohup
            signal.signal(number, _stop)
    hook, sys.unraisablehook = sys.unraisablehook, _swallowed
    try:
        return _answered(list(sys.argv[1:] if argv is None else argv))
    finally:
        sys.unraisablehook = hook


def _answered(words: list[str]) -> int:
    """Run a verb; every fault becomes its status and one line."""
    try:
        args = parser(words).parse_args(words)
        return int(args.run(args))
    except TreescanError as error:
        print(f"treescan: {_one_line(error)}", file=sys.stderr)
        return error.exit_status
    except KeyboardInterrupt:
        return _stopped()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_FAULT
    except OSError as fault:
        if fault.errno not in _PLACES or fault.filename is None:
            return _fault(fault)
        name = str(fault.filename)
        short = name if len(name) <= MOST_LETTERS else f"{name[:MOST_LETTERS]}…"
        print(f"treescan: {short}: {fault.strerror}. Check the path and rights.", file=sys.stderr)
        return EXIT_BAD_INPUT
    except MemoryError:
        print("treescan: out of memory. Thin the scan or use a larger machine.", file=sys.stderr)
        return EXIT_FAULT
    except Exception as fault:  # noqa: BLE001  (the last line of defence: say so and fail)
        return _stopped() if _asked_to_stop.is_set() else _fault(fault)


def _fault(fault: Exception) -> int:
    if os.environ.get("TREESCAN_TRACE"):
        traceback.print_exception(fault)
    print(
        f"treescan: unexpected fault: {type(fault).__name__}: {_one_line(fault)}. No half "
        "result was left. Run again with TREESCAN_TRACE=1 set and report what it prints.",
        file=sys.stderr,
    )
    return EXIT_FAULT


_asked_to_stop = threading.Event()
"""A stop within an import may come out as another fault: some compiled modules swallow it."""


def _stop(_number: int, _frame: FrameType | None) -> None:
    _asked_to_stop.set()
    raise KeyboardInterrupt


def _swallowed(fault: sys.UnraisableHookArgs) -> None:
    """Stop again a moment later where a stop fell into a callback, which cannot pass it on."""
    if not isinstance(fault.exc_value, KeyboardInterrupt):
        sys.__unraisablehook__(fault)
    elif hasattr(signal, "setitimer"):
        signal.signal(signal.SIGALRM, _stop)
        signal.setitimer(signal.ITIMER_REAL, STOP_AGAIN_S)


def _stopped() -> int:
    print("treescan: stopped; no half result was left.", file=sys.stderr)
    return STOPPED


def _one_line(error: BaseException) -> str:
    return " ".join(str(error).split())


if __name__ == "__main__":
    sys.exit(main())
