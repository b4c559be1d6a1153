"""Where the page can be reached, by which key, and by one server only."""

import ipaddress
import json
import os
import stat
import subprocess
import sys

import pytest

from treescan.errors import InvalidInputError
from treescan.page.job_lock import FILE, job_lock
from treescan.page.lan import job_key, own_addresses, own_names
from treescan.page.process_start import start_mark


def test_addresses_for_phones_are_never_loopback():
    for address in own_addresses():
        assert not ipaddress.ip_address(address).is_loopback


def test_the_name_of_this_machine_is_among_its_names():
    assert "localhost" in own_names()
    assert len(own_names()) >= 2


@pytest.fixture
def state(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "state"))
    return tmp_path / "state"


def test_a_phone_gets_in_again_after_a_new_start(state, tmp_path):
    key = job_key(tmp_path / "job")
    assert len(key) >= 20
    assert job_key(tmp_path / "job") == key
    assert job_key(tmp_path / "other") != key
    assert job_key(tmp_path / "job", fresh=True) != key


@pytest.mark.skipif(sys.platform == "win32", reason="file modes are POSIX")
def test_the_key_is_for_the_user_only_and_not_in_the_job(state, tmp_path):
    (tmp_path / "job").mkdir()
    job_key(tmp_path / "job")
    [kept] = state.rglob("*.json")
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert list((tmp_path / "job").iterdir()) == []


def test_a_broken_key_file_gives_a_new_key(state, tmp_path):
    job_key(tmp_path / "job")
    [kept] = state.rglob("*.json")
    kept.write_text("{")
    assert len(job_key(tmp_path / "job")) >= 20


def test_a_job_is_open_in_one_page_only(tmp_path):
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as other:
        created = start_mark(other.pid)
        (tmp_path / FILE).write_text(json.dumps({"pid": other.pid, "created": created}))
        with pytest.raises(InvalidInputError, match=f"process {other.pid}"), job_lock(tmp_path):
            pass
        other.communicate(b"\n")
    with job_lock(tmp_path):
        assert json.loads((tmp_path / FILE).read_text())["pid"] == os.getpid()
    assert not (tmp_path / FILE).exists()
