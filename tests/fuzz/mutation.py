"""Changes to valid files: of bytes, of words and numbers in text, of values in JSON."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Iterator
from typing import Any

NUMBERS = (
    "0", "-1", "1e308", "-1e308", "1e400", "nan", "inf", "-inf", "0.5", "255", "256", "65536",
    "2147483647", "4294967295", "9223372036854775808", "1e-320", "٣", "1_000", "0x10", "",
)  # fmt: skip
VALUES = (
    None, True, False, 0, -1, 1, 0.5, 1e308, -1e308, 10**30, float("nan"), float("inf"), "", "x",
    "1", [], [None], [[]], {}, {"a": 1}, "\u0000", "\ud83d\ude00", 2**31, 2**63, [0] * 5, 39, 40,
)  # fmt: skip
_DIGITS = re.compile(rb"(?<=[>\"])-?\d[\d.eE+-]*(?=[<\"])")
_WORD = re.compile(rb"[A-Za-z_][A-Za-z_0-9]*|[-+]?\d[\d.eE+-]*|[^\sA-Za-z_0-9]")


def mutated(data: bytes, shape: str, rng: random.Random) -> bytes:
    """A changed copy; ``shape`` is "bytes", "words", "json" or "places" (nothing moves)."""
    for _ in range(rng.choice((1, 1, 2, 3, 6))):
        way = rng.random()
        if shape == "json" and way < 0.7:
            data = _json(data, rng)
        elif shape == "words" and way < 0.7:
            data = _words(data, rng)
        elif shape == "places":
            data = _places(data, rng)
        else:
            data = _bytes(data, rng)
    return data


def _bytes(data: bytes, rng: random.Random) -> bytes:
    if not data:
        return bytes([rng.randrange(256)])
    whole = bytearray(data)
    at = rng.randrange(min(len(whole), rng.choice((64, 400, len(whole)))))
    way = rng.randrange(6)
    if way == 0:
        whole[at] = rng.choice((0, 1, 10, 32, 45, 46, 57, 127, 128, 255, rng.randrange(256)))
    elif way == 1:
        width = rng.choice((2, 4, 8))
        value = rng.choice((0, 1, -1, 2 ** (8 * width - 1) - 1, 2 ** (8 * width - 2), 1000))
        whole[at : at + width] = value.to_bytes(width, "little", signed=True)
    elif way == 2:
        del whole[at : at + rng.randrange(1, 60)]
    elif way == 3:
        other = rng.randrange(len(whole))
        whole[at:at] = whole[other : other + rng.randrange(1, 200)]
    elif way == 4:
        del whole[rng.randrange(len(whole)) :]
    else:
        whole[at] ^= 1 << rng.randrange(8)
    return bytes(whole)


def _places(data: bytes, rng: random.Random) -> bytes:
    """Other bytes or digits where they stand: for files full of offsets into themselves."""
    whole = bytearray(data)
    numbers = list(_DIGITS.finditer(data))
    if numbers and rng.random() < 0.5:
        one = rng.choice(numbers)
        width = one.end() - one.start()
        new = rng.choice(("9" * width, "0" * width, "-" + "9" * (width - 1), "1e" + "9" * width))
        whole[one.start() : one.end()] = new[:width].encode()
        return bytes(whole)
    width = rng.choice((1, 1, 2, 4, 8))
    at = rng.randrange(min(max(len(whole) - width, 1), rng.choice((64, 400, len(whole)))))
    limit = 2 ** (8 * width)
    value = rng.choice((0, 1, limit - 1, limit // 2, rng.randrange(limit), 1 << rng.randrange(8)))
    whole[at : at + width] = value.to_bytes(width, "little")
    return bytes(whole[: len(data)])


def _words(data: bytes, rng: random.Random) -> bytes:
    found = list(_WORD.finditer(data))
    if not found:
        return _bytes(data, rng)
    one, two = rng.choice(found), rng.choice(found)
    way = rng.randrange(5)
    new = rng.choice(NUMBERS).encode() if way < 2 else two[0] if way == 2 else b""
    if way == 4:  # a line again, or gone
        start = data.rfind(b"\n", 0, one.start()) + 1
        end = data.find(b"\n", one.start()) + 1 or len(data)
        return data[:start] + rng.choice((b"", 2 * data[start:end])) + data[end:]
    return data[: one.start()] + new + data[one.end() :]


def _json(data: bytes, rng: random.Random) -> bytes:
    try:
        document = json.loads(data)
    except (ValueError, RecursionError):
        return _bytes(data, rng)
    places = list(_containers(document))
    if not places:
        return _bytes(data, rng)
    place = rng.choice(places)
    key = rng.choice(list(place) if isinstance(place, dict) else range(len(place)))
    way = rng.randrange(5)
    if way == 0 and isinstance(place, dict):
        del place[key]
    elif way == 1 and isinstance(place, list):
        place.insert(key, place[rng.randrange(len(place))])
    else:
        place[key] = rng.choice(VALUES)
    try:
        return json.dumps(document).encode("utf-8", errors="surrogatepass")
    except (ValueError, RecursionError):
        return data


def _containers(item: object, depth: int = 0) -> Iterator[Any]:
    """Every dict and list that holds something; of a long list only some rows are entered."""
    if isinstance(item, dict | list) and item and depth < 40:
        yield item
        inner = list(item.values()) if isinstance(item, dict) else item
        for part in inner[:: max(1, len(inner) // 8)]:
            yield from _containers(part, depth + 1)
