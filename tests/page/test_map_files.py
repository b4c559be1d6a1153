"""The plan picture of a job folder from another hand: used when whole, else left out."""

import json

import numpy as np
import pytest

from treescan.page.site_map import HEIGHTS, PICTURE, PLACE, read_map

FRAME = {"left_m": 10.0, "top_m": 20.0, "metres_per_pixel": 0.1, "wide": 4, "high": 3}


@pytest.fixture
def folder(tmp_path):
    (tmp_path / PICTURE).write_bytes(b"png")
    (tmp_path / PLACE).write_text(json.dumps(FRAME))
    flat = np.zeros((3, 4), np.float32)
    np.savez_compressed(tmp_path / HEIGHTS, ground=flat, top=flat + 2)
    return tmp_path


def test_a_whole_map_is_read(folder):
    site_map = read_map(folder)
    assert site_map.height_at(10.1, 19.9) == 2.0
    (folder / HEIGHTS).unlink()
    assert read_map(folder).height_at(10.1, 19.9) is None


@pytest.mark.parametrize(
    "changes",
    [
        {"wide": 10**9}, {"high": 0}, {"wide": "4"}, {"wide": 4.0}, {"high": True},
        {"metres_per_pixel": 0.0}, {"left_m": None}, {"top_m": 1e999}, {"more": 1},
    ],
    ids=str,
)  # fmt: skip
def test_a_frame_that_is_none_is_left_out(folder, changes):
    (folder / PLACE).write_text(json.dumps({**FRAME, **changes}))
    assert read_map(folder) is None


@pytest.mark.parametrize("text", ["", "[]", "[" * 100_000, "\x00"])
def test_a_frame_that_is_no_table_is_left_out(folder, text):
    (folder / PLACE).write_text(text)
    assert read_map(folder) is None


def test_heights_that_are_a_bomb_or_of_another_picture_are_left_out(folder):
    for ground in (np.zeros((4000, 4000), np.float32), np.zeros((4, 3), np.float32), np.zeros(12)):
        np.savez_compressed(folder / HEIGHTS, ground=ground, top=ground)
        assert read_map(folder) is None
    np.savez_compressed(folder / HEIGHTS, ground=np.zeros((3, 4), np.float32))
    assert read_map(folder) is None
    (folder / HEIGHTS).write_bytes(b"PK\x03\x04 cut short")
    assert read_map(folder) is None
