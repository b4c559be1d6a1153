"""Outputs appear whole or not at all."""

import errno
import os
import subprocess
import sys

import pytest

from treescan.errors import OutputError
from treescan.pipeline.staging import staged_folder


def leftovers(folder):
    return sorted(p.name for p in folder.iterdir())


def test_outputs_are_moved_into_place_whole(tmp_path):
    with staged_folder(tmp_path / "a" / "out") as folder:
        (folder / "tree.json").write_text("{}")
        assert not (tmp_path / "a" / "out").exists()
    assert leftovers(tmp_path / "a") == ["out"]
    assert leftovers(tmp_path / "a" / "out") == ["tree.json"]


def test_a_fault_in_the_middle_leaves_nothing(tmp_path):
    with pytest.raises(RuntimeError, match="half way"), staged_folder(tmp_path / "out") as folder:
        (folder / "tree.json").write_text("{")
        raise RuntimeError("half way")
    assert leftovers(tmp_path) == []


def test_earlier_results_stay_unless_overwrite_is_given(tmp_path):
    for text, overwrite in (("1", False), ("2", True)):
        with staged_folder(tmp_path / "out", overwrite=overwrite) as folder:
            (folder / "tree.json").write_text(text)
    assert (tmp_path / "out" / "tree.json").read_text() == "2"
    with pytest.raises(OutputError, match="--overwrite"), staged_folder(tmp_path / "out"):
        pass
    assert leftovers(tmp_path) == ["out"]


def test_a_failed_run_keeps_the_earlier_results(tmp_path):
    with staged_folder(tmp_path / "out") as folder:
        (folder / "tree.json").write_text("1")
    with (
        pytest.raises(OutputError, match="disk full"),
        staged_folder(tmp_path / "out", overwrite=True) as folder,
    ):
        raise OSError(errno.ENOSPC, "No space left on device")
    assert (tmp_path / "out" / "tree.json").read_text() == "1"


def test_a_folder_of_somebody_else_is_never_replaced(tmp_path):
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "dog.jpg").write_text("x")
    with (
        pytest.raises(OutputError, match="did not write"),
        staged_folder(tmp_path / "photos", overwrite=True),
    ):
        pass
    assert leftovers(tmp_path / "photos") == ["dog.jpg"]


def test_a_file_in_the_way_is_named(tmp_path):
    (tmp_path / "out").write_text("x")
    with pytest.raises(OutputError, match="is not a folder"), staged_folder(tmp_path / "out"):
        pass


@pytest.mark.skipif(os.name == "nt", reason="kill -9 is POSIX")
def test_what_a_killed_run_left_behind_is_cleared_by_the_next(tmp_path):
    code = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from treescan.pipeline.staging import staged_folder\n"
        "with staged_folder(Path(sys.argv[1])) as f:\n"
        "    (f / 'tree.json').write_text('x')\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "out")], check=False)
    assert not (tmp_path / "out").exists()
    assert len(leftovers(tmp_path)) == 1
    with staged_folder(tmp_path / "out2") as folder:
        (folder / "tree.json").write_text("x")
    assert leftovers(tmp_path) == ["out2"]
