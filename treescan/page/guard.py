"""Who may talk to the page: a token on every request and socket, and limits on size and rate.

Plain ASGI, so that it sees HTTP and websocket alike.
"""

from __future__ import annotations

import hmac
import secrets
import time
from collections import deque
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

COOKIE = "treescan_key"
MOST_UPLOAD_BYTES = 2_200_000_000
MOST_PER_SECONDS = (600, 10.0)
"""Requests allowed in a number of seconds from one address."""


def new_token() -> str:
    """Return an unguessable key for one run of the page."""
    return secrets.token_urlsafe(16)


class Guard:
    """Let only holders of the token through; the link sets it as a cookie on first use.

    Parameters
    ----------
    inner : ASGI application
    token : str
    hosts : frozenset of str
        Names under which the page may be asked for; others are refused, so that a foreign
        page cannot reach it by a name of its own that points here.  Empty: any.
    """

    def __init__(self, inner: App, token: str, hosts: frozenset[str] = frozenset()) -> None:
        self.inner, self.token, self.hosts = inner, token, hosts
        self.seen: dict[str, deque[float]] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self.inner(scope, receive, send)
            return
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _refuse(scope, send, *refusal)
            return
        in_link = self._right(parse_qs(scope.get("query_string", b"").decode()).get("k", [""])[0])
        if not in_link and not self._right(_cookie(headers.get("cookie", ""))):
            await _refuse(scope, send, 403, "Open the link that the laptop shows.")
            return
        await self.inner(scope, receive, _with_cookie(send, self.token) if in_link else send)

    def _right(self, given: str) -> bool:
        return hmac.compare_digest(given.encode(), self.token.encode())

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> tuple[int, str] | None:
        host = headers.get("host", "").rsplit(":", 1)[0].strip("[]").lower()
        if self.hosts and host not in self.hosts:
            return 421, "This page does not go by that name."
        origin = headers.get("origin")
        if origin and origin != "null" and origin.split("//", 1)[-1] != headers.get("host"):
            return 403, "Another page may not use this one."
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > MOST_UPLOAD_BYTES:
            return 413, "Too large: 2 GB at most."
        if not self._slow_enough(str((scope.get("client") or ("?",))[0])):
            return 429, "Too many requests. Wait some seconds."
        return None

    def _slow_enough(self, address: str) -> bool:
        most, seconds = MOST_PER_SECONDS
        now = time.monotonic()
        times = self.seen.setdefault(address, deque(maxlen=most))
        if len(times) == most and now - times[0] < seconds:
            return False
        times.append(now)
        return True


def _cookie(header: str) -> str:
    try:
        found = SimpleCookie(header).get(COOKIE)
    except CookieError:
        return ""
    return found.value if found else ""


def _with_cookie(send: Send, token: str) -> Send:
    async def sent(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            cookie = f"{COOKIE}={token}; Path=/; HttpOnly; SameSite=Strict".encode()
            message["headers"] = [*message.get("headers", []), (b"set-cookie", cookie)]
        await send(message)

    return sent


async def _refuse(scope: Scope, send: Send, status: int, text: str) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008})
        return
    head = [(b"content-type", b"text/plain; charset=utf-8"), (b"cache-control", b"no-store")]
    await send({"type": "http.response.start", "status": status, "headers": head})
    await send({"type": "http.response.body", "body": text.encode()})
