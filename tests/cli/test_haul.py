"""``treescan haul``: the sheet again, at once, and in words that tell what to do."""

import json
import subprocess
import sys

import pytest

from tests.pipeline.small_tree import SITE, write_tree
from treescan_cli.main import main

SLOW_TO_LOAD = {"numba", "laspy", "scipy", "open3d", "trimesh", "matplotlib", "ortools"}


@pytest.fixture
def folder(tmp_path):
    write_tree(tmp_path / "tree.json")
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    return tmp_path


def run(capsys, *words):
    status = main(["haul", *map(str, words)])
    got = capsys.readouterr()
    assert status == 0, got.err
    return got.out, got.err


def test_nothing_that_is_slow_to_load_is_loaded(folder):
    """It is to answer in under a second: no scan reader, compiler or solver is loaded."""
    code = (
        f"import sys\nfrom treescan_cli.main import main\nmain(['haul', {str(folder)!r}, '--json'])"
        f"\nprint(sorted({{m.split('.')[0] for m in sys.modules}} & {SLOW_TO_LOAD!r}), "
        "file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert json.loads(done.stdout)["trucks"]
    assert done.stderr.splitlines()[-1] == "[]"
