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


def test_plain_addresses_and_own_names_are_served():
    for host in ("127.0.0.1:8105", "192.168.4.20:8105", "localhost:8105", "[::1]:8105"):
        passed, _ = ask(query=f"k={TOKEN}", host=host)
        assert passed == ["http"]


def test_answers_forbid_requests_to_anywhere_else():
    _, sent = ask(query=f"k={TOKEN}")
    policy = dict(sent[0]["headers"])[b"content-security-policy"].decode()
    assert policy.startswith("default-src 'self';")
    assert "http:" not in policy
    assert "https:" not in policy
    assert "ws://127.0.0.1:8105" in policy


@pytest.mark.parametrize(
    ("path", "status"), [("/", 413), ("/_nicegui/client/x/upload/1", 413), ("/scan", 200)]
)
def test_only_an_upload_may_be_large(path, status):
    statuses = body_through(path, [b"x" * 600_000] * 3, **{"content-length": "1800000"})
    assert statuses == [status]


def test_a_body_longer_than_it_says_is_cut_off():
    assert body_through("/", [b"x" * 600_000] * 3) == [413]


def body_through(path, chunks, **headers):
    sent, left = [], list(chunks)

    async def inner(scope, receive, send):
        while (await receive()).get("more_body"):
            pass
        await send({"type": "http.response.start", "status": 200, "headers": []})

    async def receive():
        body = left.pop(0)
        return {"type": "http.request", "body": body, "more_body": bool(left)}

    async def send(message):
        sent.append(message)

    head = {"host": "127.0.0.1:1", **headers}
    scope = {
        "type": "http",
        "method": "POST",
        "path": path,
        "query_string": f"k={TOKEN}".encode(),
        "headers": [(k.encode(), v.encode()) for k, v in head.items()],
        "client": ("127.0.0.1", 1),
    }
    asyncio.run(Guard(inner, TOKEN, frozenset())(scope, receive, send))
    return [m["status"] for m in sent if "status" in m]


@pytest.mark.parametrize(
    ("size", "count", "passed"), [(10, 400, 400), (10, 500, 400), (2_000_000, 1, 0)]
)
def test_a_socket_takes_so_much_and_so_often(size, count, passed):
    got = []

    async def inner(scope, receive, send):
        while (message := await receive())["type"] == "websocket.receive":
            got.append(message)

    async def receive():
        if len(got) == count:
            return {"type": "websocket.disconnect"}
        return {"type": "websocket.receive", "text": "x" * size}

    scope = {
        "type": "websocket",
        "query_string": b"",
        "headers": [(b"host", b"127.0.0.1"), (b"cookie", f"{COOKIE}={TOKEN}".encode())],
        "client": ("127.0.0.1", 1),
    }
    asyncio.run(Guard(inner, TOKEN, frozenset())(scope, receive, None))
    assert len(got) == passed


def test_memory_of_addresses_is_bounded():
    from treescan.page.guard import MOST_ADDRESSES

    async def inner(scope, receive, send):
        pass

    guard = Guard(inner, TOKEN, frozenset())

    async def many():
        async def send(message):
            pass

        for number in range(MOST_ADDRESSES + 50):
            scope = {
                "type": "http",
                "query_string": b"",
                "headers": [(b"host", b"127.0.0.1")],
                "client": (f"10.0.{number // 256}.{number % 256}", 1),
            }
            await guard(scope, None, send)

    asyncio.run(many())
    assert len(guard.seen) == MOST_ADDRESSES
