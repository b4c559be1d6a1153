"""Scans that are sent: kept byte for byte, refused in words, nothing left half arrived."""

from __future__ import annotations

import asyncio
import errno
import shutil
from collections import namedtuple

import pytest

pytest.importorskip("nicegui", reason="the extra “page” is not installed")

from tests.page.conftest import SCAN, opened

pytestmark = pytest.mark.asyncio
ROUTE = "/scan"


def lying(folder):
    """Files of the folder of scans."""
    place = folder / "scan"
    return sorted(p.name for p in place.iterdir()) if place.exists() else []


async def in_parts(data, size=1 << 16, pause=None):
    for start in range(0, len(data), size):
        if pause is not None:
            await pause.wait()
        yield data[start : start + size]


async def test_a_scan_is_kept_as_it_was_sent_and_chosen(job_folder):
    data = SCAN.read_bytes()
    async with opened(job_folder) as (user, session):
        answer = await user.http_client.post(ROUTE, content=in_parts(data))
        assert (answer.status_code, answer.text) == (200, "The scan has arrived.")
        (name,) = lying(job_folder)
        assert name == "scan-1.las"
        assert (job_folder / "scan" / name).read_bytes() == data
        assert session.store.state["scans"] == [str(job_folder / "scan" / name)]
        await user.http_client.post(ROUTE, content=data)
        assert lying(job_folder) == ["scan-1.las", "scan-2.las"]


@pytest.mark.parametrize("data", [b"Dear all, " * 400, b"", b"PK\x03\x04" * 99])
async def test_what_is_no_scan_is_refused_and_not_kept(job_folder, data):
    async with opened(job_folder) as (user, session):
        before = dict(session.store.state)
        answer = await user.http_client.post(ROUTE, content=data)
        assert answer.status_code == 422
        assert answer.text.startswith("the file sent")
        assert lying(job_folder) == []
        assert session.store.state == before


async def test_a_scan_longer_than_it_says_is_cut_off(job_folder, monkeypatch):
    from treescan.page import arrivals

    monkeypatch.setattr(arrivals, "MOST_SCAN_BYTES", 100_000)
    async with opened(job_folder) as (user, _):
        answer = await user.http_client.post(ROUTE, content=in_parts(SCAN.read_bytes()))
        assert answer.status_code == 413
        assert "2 GB at most" in answer.text
        assert lying(job_folder) == []


async def test_a_scan_for_which_there_is_no_room_is_refused_before_it_comes(
    job_folder, monkeypatch
):
    usage = namedtuple("usage", "total used free")(10, 10, 1_000_000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)
    async with opened(job_folder) as (user, _):
        answer = await user.http_client.post(ROUTE, content=SCAN.read_bytes())
        assert answer.status_code == 507
        assert "disk of the laptop has 0.0 GB left" in answer.text
        assert lying(job_folder) == []


async def test_a_disk_that_fills_on_the_way_is_said(job_folder, monkeypatch):
    from treescan.page import arrivals

    async def full(request, file):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(arrivals, "_written", full)
    async with opened(job_folder) as (user, _):
        answer = await user.http_client.post(ROUTE, content=SCAN.read_bytes())
        assert answer.status_code == 507
        assert "disk of the laptop is full" in answer.text
        assert lying(job_folder) == []


async def test_one_scan_at_a_time(job_folder):
    async with opened(job_folder) as (user, _):
        go = asyncio.Event()
        first = asyncio.create_task(
            user.http_client.post(ROUTE, content=in_parts(SCAN.read_bytes(), pause=go))
        )
        while not lying(job_folder):
            await asyncio.sleep(0.01)
        second = await user.http_client.post(ROUTE, content=SCAN.read_bytes())
        assert second.status_code == 409
        go.set()
        assert (await first).status_code == 200
        assert lying(job_folder) == ["scan-1.las"]


async def test_what_breaks_off_or_was_left_by_a_killed_server_is_thrown_away(job_folder):
    from fastapi import Request

    from treescan.page import arrivals

    (job_folder / "scan").mkdir()
    (job_folder / "scan" / ".arriving-x").write_bytes(b"half")
    async with opened(job_folder) as (_, session):
        assert lying(job_folder) == []
        told = [
            {"type": "http.request", "body": SCAN.read_bytes()[:1000], "more_body": True},
            {"type": "http.disconnect"},
        ]

        async def receive():
            return told.pop(0)

        scope = {"type": "http", "method": "POST", "path": ROUTE, "headers": []}
        answer = await arrivals._arrive(session, Request(scope, receive))
        assert answer.status_code == 400
        assert lying(job_folder) == []
