"""Only holders of the token get through, on HTTP and on the socket."""

import asyncio

import pytest

from treescan.page.guard import COOKIE, Guard

TOKEN = "a-token-of-this-test"


def ask(*, kind="http", query="", cookie="", names=frozenset({"localhost"}), **headers):
    sent, passed = [], []

    async def inner(scope, receive, send):
        passed.append(scope["type"])
        if scope["type"] == "http":
            await send({"type": "http.response.start", "status": 200, "headers": []})

    async def send(message):
        sent.append(message)

    head = {"host": "127.0.0.1:8105", **headers}
    if cookie:
        head["cookie"] = cookie
    scope = {
        "type": kind,
        "query_string": query.encode(),
        "headers": [(k.encode(), v.encode()) for k, v in head.items()],
        "client": ("127.0.0.1", 1),
    }
    asyncio.run(Guard(inner, TOKEN, names)(scope, None, send))
    return passed, sent


def test_the_link_lets_in_and_leaves_a_cookie():
    passed, sent = ask(query=f"k={TOKEN}")
    assert passed == ["http"]
    assert dict(sent[0]["headers"])[b"set-cookie"].startswith(f"{COOKIE}={TOKEN}".encode())


@pytest.mark.parametrize("kind", ["http", "websocket"])
def test_the_cookie_lets_in(kind):
    assert ask(kind=kind, cookie=f"{COOKIE}={TOKEN}")[0] == [kind]


@pytest.mark.parametrize("query", ["", "k=", "k=wrong", f"q={TOKEN}"])
def test_without_the_token_nothing_is_served(query):
    passed, sent = ask(query=query)
    assert not passed
    assert sent[0]["status"] == 403


def test_a_socket_without_the_token_is_closed():
    passed, sent = ask(kind="websocket", cookie=f"{COOKIE}=wrong")
    assert not passed
    assert sent == [{"type": "websocket.close", "code": 1008}]


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"host": "evil.example:8105"}, 421),
        ({"origin": "http://evil.example"}, 403),
        ({"content-length": "9999999999"}, 413),
        ({"content-length": "-1"}, 413),
    ],
)
def test_foreign_names_origins_and_sizes_are_refused(headers, status):
    passed, sent = ask(query=f"k={TOKEN}", **headers)
    assert not passed
    assert sent[0]["status"] == status


def test_a_flood_is_slowed():
    async def inner(scope, receive, send):
        await send({"type": "http.response.start", "status": 200, "headers": []})

    guard, statuses = Guard(inner, TOKEN, frozenset({"x"})), []

    async def flood():
        async def send(message):
            if "status" in message:
                statuses.append(message["status"])

        scope = {
            "type": "http",
            "query_string": f"k={TOKEN}".encode(),
            "headers": [(b"host", b"x")],
            "client": ("10.0.0.9", 1),
        }
        for _ in range(700):
            await guard(scope, None, send)

    asyncio.run(flood())
    assert statuses.count(200) == 600
    assert statuses.count(429) == 100
