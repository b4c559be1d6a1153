"""``treescan page``: the local web page of a job."""

from __future__ import annotations

import argparse
import socket
import sys
from collections.abc import Callable
from pathlib import Path

from treescan.errors import EXIT_DONE, InvalidInputError
from treescan_cli.console import say

NAME = "page"
HELP = "the local web page of a job folder: mark, plan, see, tick off"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of ``page``."""
    parser.add_argument(
        "folder", nargs="?", type=Path, default=Path("job"), metavar="DIR",
        help="job folder, made if it is not there; a result folder of plan works too",
    )  # fmt: skip
    parser.add_argument("--port", type=int, default=8105, help="port on this machine")
    parser.add_argument(
        "--lan", action="store_true", help="let phones on the same wifi in, by the printed link"
    )
    parser.add_argument(
        "--new-link", action="store_true", help="make a new link; those given out before end"
    )
    parser.add_argument("--no-browser", action="store_true", help="do not open a browser here")


def run(args: argparse.Namespace) -> int:
    """Serve until stopped."""
    if not 1 <= args.port <= 65535:
        raise InvalidInputError(f"--port {args.port}: give a number from 1 to 65535.")
    _require_free(args.port, "0.0.0.0" if args.lan else "127.0.0.1")
    try:
        from treescan.page.app import serve
    except ImportError as fault:
        raise InvalidInputError(
            "the page needs the extra “page”: pip install 'treescan[page]'."
        ) from fault
    serve(
        args.folder,
        port=args.port,
        lan=args.lan,
        browser=not args.no_browser,
        told=_told(args.lan),
        new_link=args.new_link,
    )
    return EXIT_DONE


def _require_free(port: int, host: str) -> None:
    """Refuse a port that is taken, before a link to it is printed."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as fault:
            raise InvalidInputError(
                f"--port {port} cannot be used: {fault.strerror}. Give another --port."
            ) from fault


def _told(lan: bool) -> Callable[[list[str]], None]:
    def told(addresses: list[str]) -> None:
        print(addresses[0], flush=True)
        if lan:
            import segno

            segno.make(addresses[0]).terminal(out=sys.stderr, compact=True)
            for other in addresses[1:]:
                say(f"or, on another network of this laptop: {other}", quiet=False)
            if "127.0.0.1" in addresses[0]:
                say("This laptop is on no network: only it can open the page.", quiet=False)

    return told
