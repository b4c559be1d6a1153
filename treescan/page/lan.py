"""How other devices reach this laptop, and by what key."""

from __future__ import annotations

import contextlib
import hashlib
import ipaddress
import json
import os
import secrets
import socket
import sys
from pathlib import Path

import psutil

from treescan.errors import OutputError

SOMEWHERE = ("10.255.255.255", "192.168.255.255", "172.31.255.255", "192.0.2.1")
"""Addresses that a datagram socket is aimed at to see which way it would go; nothing is sent."""


def own_addresses() -> list[str]:
    """IPv4 addresses of this machine on its networks, the likeliest first; loopback left out."""
    found = [_way_out(place) for place in SOMEWHERE]
    with contextlib.suppress(OSError, psutil.Error):
        for rows in psutil.net_if_addrs().values():
            found += [row.address for row in rows if row.family == socket.AF_INET]
    return list(dict.fromkeys(a for a in found if a and _reachable(a)))


def _way_out(place: str) -> str:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe, contextlib.suppress(OSError):
        probe.connect((place, 9))
        return str(probe.getsockname()[0])
    return ""


def _reachable(address: str) -> bool:
    number = ipaddress.ip_address(address)
    return not (number.is_loopback or number.is_link_local or number.is_unspecified)


def own_names() -> frozenset[str]:
    """Names under which this machine may be asked for."""
    name = socket.gethostname().lower()
    return frozenset({"localhost", name, name.split(".")[0], f"{name.split('.')[0]}.local"})


def job_key(folder: Path, *, fresh: bool = False) -> str:
    """Key of a job on this laptop, the same after a new start, so that phones get in again.

    Kept with the user's own files, readable by the user only; never in the job folder, which
    may be handed on.

    Raises
    ------
    OutputError
        If it cannot be kept.
    """
    path = _state_folder() / f"{hashlib.sha256(str(folder.absolute()).encode()).hexdigest()}.json"
    if not fresh:
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
            key = str(json.loads(path.read_text(encoding="utf-8"))["key"])
            if len(key) >= 20:
                return key
    key = secrets.token_urlsafe(16)
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        private = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(private, "w", encoding="utf-8") as file:
            json.dump({"key": key}, file)
    except OSError as fault:
        raise OutputError(f"{path}: the page's key cannot be kept: {fault.strerror}.") from fault
    return key


def _state_folder() -> Path:
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local"))
    else:
        base = Path(os.environ.get("XDG_STATE_HOME", Path.home() / ".local" / "state"))
    return base / "treescan" / "page-keys"
