"""Who may talk to the page: a token on every request and socket, and limits on size and rate.

Plain ASGI, so that it sees HTTP and websocket alike.
"""

from __future__ import annotations

import hmac
import ipaddress
import time
from collections import OrderedDict, deque
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

COOKIE = "treescan_key"
COOKIE_LASTS_S = 30 * 86_400
SCAN_ROUTE = "/scan"
"""Where scans are sent to."""
MOST_SCAN_BYTES = 2 * 1024**3
MOST_BODY_BYTES = 1_000_000
"""For every request but a scan."""
MOST_PER_SECONDS = (600, 10.0)
"""Requests allowed in a number of seconds from one address."""
MOST_FRAMES_PER_SECONDS = (400, 10.0)
"""Messages allowed in a number of seconds on one socket."""
MOST_FRAME_BYTES = 1_000_000
MOST_ADDRESSES = 2000
POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:; "
    "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
    "connect-src 'self' blob: data: {sockets}; worker-src 'self' blob:; object-src 'none'; "
    "base-uri 'self'; form-action 'self'; frame-ancestors 'self'"
)
"""Nothing may be fetched from anywhere but this page: the browser refuses it."""


class TooLargeError(Exception):
    """A body that went past its limit while it was read."""


class Guard:
    """Let only holders of the token through; the link sets it as a cookie on first use.

    Parameters
    ----------
    inner : ASGI application
    token : str
    names : frozenset of str
        Names under which the page may be asked for, beside plain addresses; others are refused,
        so that a foreign page cannot reach it by a name of its own that points here.
    """

    def __init__(self, inner: App, token: str, names: frozenset[str]) -> None:
        self.inner, self.token, self.names = inner, token, names
        self.seen: OrderedDict[str, deque[float]] = OrderedDict()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self.inner(scope, receive, send)
            return
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        query = parse_qs(scope.get("query_string", b"").decode("latin-1"))
        in_link = self._right(query.get("k", [""])[0])
        refusal = self._refusal(scope, headers)
        if refusal is None and not in_link and not self._right(_cookie(headers.get("cookie", ""))):
            refusal = 403, "Open the link that the laptop shows."
        if refusal is not None:
            await _refuse(scope, send, *refusal)
            return
        await self._pass_on(scope, receive, send, headers, fresh=in_link)

    async def _pass_on(
        self, scope: Scope, receive: Receive, send: Send, headers: dict[str, str], *, fresh: bool
    ) -> None:
        if scope["type"] == "websocket":
            await self.inner(scope, _slowed(receive), send)
            return
        started = [False]
        answer = _with_headers(send, headers.get("host", ""), self.token if fresh else "", started)
        try:
            await self.inner(scope, _sized(receive, _most_bytes(scope)), answer)
        except TooLargeError:
            if not started[0]:
                await _refuse(scope, send, 413, "Too large.")

    def _right(self, given: str) -> bool:
        return hmac.compare_digest(given.encode(), self.token.encode())

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> tuple[int, str] | None:
        if not self._slow_enough(str((scope.get("client") or ("?",))[0])):
            return 429, "Too many requests. Wait some seconds."
        if not self._own_name(headers.get("host", "")):
            return 421, "This page does not go by that name."
        origin = headers.get("origin")
        if origin and origin.split("//", 1)[-1] != headers.get("host"):
            return 403, "Another page may not use this one."
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > _most_bytes(scope):
            return 413, "Too large: 2 GB at most for a scan, 1 MB for anything else."
        return None

    def _own_name(self, host: str) -> bool:
        name = host.rsplit(":", 1)[0].lower() if not host.endswith("]") else host
        try:
            ipaddress.ip_address(name.strip("[]"))
        except ValueError:
            return name in self.names
        return True

    def _slow_enough(self, address: str) -> bool:
        times = self.seen.pop(address, None)
        times = deque(maxlen=MOST_PER_SECONDS[0]) if times is None else times
        self.seen[address] = times
        while len(self.seen) > MOST_ADDRESSES:
            self.seen.popitem(last=False)
        return _in_time(times, MOST_PER_SECONDS[1])


def _in_time(times: deque[float], seconds: float) -> bool:
    """Whether one more is within the rate; notes it then."""
    now = time.monotonic()
    if len(times) == times.maxlen and now - times[0] < seconds:
        return False
    times.append(now)
    return True


def _most_bytes(scope: Scope) -> int:
    scan = scope.get("method") == "POST" and scope.get("path") == SCAN_ROUTE
    return MOST_SCAN_BYTES if scan else MOST_BODY_BYTES


def _sized(receive: Receive, most: int) -> Receive:
    """Count the body as it comes in: its stated length may be missing or wrong."""
    count = 0

    async def received() -> Message:
        nonlocal count
        message = await receive()
        count += len(message.get("body") or b"")
        if count > most:
            raise TooLargeError
        return message

    return received


def _slowed(receive: Receive) -> Receive:
    """Close a socket on which too much or too often is sent."""
    times: deque[float] = deque(maxlen=MOST_FRAMES_PER_SECONDS[0])

    async def received() -> Message:
        message = await receive()
        if message["type"] == "websocket.receive":
            size = max(len(message.get("text") or ""), len(message.get("bytes") or b""))
            if size > MOST_FRAME_BYTES or not _in_time(times, MOST_FRAMES_PER_SECONDS[1]):
                return {"type": "websocket.disconnect", "code": 1008}
        return message

    return received


def _cookie(header: str) -> str:
    try:
        found = SimpleCookie(header).get(COOKIE)
    except CookieError:
        return ""
    return found.value if found else ""


def _with_headers(send: Send, host: str, token: str, started: list[bool]) -> Send:
    sockets = f"ws://{host}" if host else ""
    extra = [
        (b"content-security-policy", POLICY.format(sockets=sockets).encode("latin-1")),
        (b"x-content-type-options", b"nosniff"),
        (b"referrer-policy", b"no-referrer"),
        (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
    ]
    if token:
        cookie = f"{COOKIE}={token}; Path=/; Max-Age={COOKIE_LASTS_S}; HttpOnly; SameSite=Lax"
        extra.append((b"set-cookie", cookie.encode()))

    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            started[0] = True
            message["headers"] = [*message.get("headers", []), *extra]
        await send(message)

    return sent


async def _refuse(scope: Scope, send: Send, status: int, text: str) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008})
        return
    head = [(b"content-type", b"text/plain; charset=utf-8"), (b"cache-control", b"no-store")]
    await send({"type": "http.response.start", "status": status, "headers": head})
    await send({"type": "http.response.body", "body": text.encode()})
