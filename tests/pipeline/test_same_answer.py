"""The same scan, site and seed give the same bytes; a millimetre of noise the same size."""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import laspy
import numpy as np
import pytest

from tests.pipeline.small_tree import SITE as SMALL_SITE
from tests.pipeline.small_tree import write_tree
from treescan import processes
from treescan.pipeline.outputs import save_results
from treescan.pipeline.run import RunOptions, measure_scan, plan_removal
from treescan.report.tree_json import tree_document

SAMPLES = Path(__file__).parents[2] / "sample_scans"
SITE = SAMPLES / "maple_phone.toml"


def test_one_seed_gives_the_same_bytes_on_one_core_and_on_two(tmp_path, monkeypatch):
    scan, site = write_tree(tmp_path / "tree.json"), tmp_path / "site.toml"
    site.write_text(SMALL_SITE)
    made = []
    for name in ("two", "one"):
        result = plan_removal([scan], site, RunOptions(seed=3))
        assert result.plan.steps
        made.append(digests(save_results(result, tmp_path / name)))
        monkeypatch.setattr(processes, "two_cores", lambda: False)
    assert len(made[0]) > 10
    assert made[0] == made[1]


def planned(scan, out, hash_seed):
    command = [sys.executable, "-m", "treescan_cli", "plan", scan, "--site", SITE, "--out", out]
    environment = {**os.environ, "PYTHONHASHSEED": hash_seed}
    done = subprocess.run([*command, "--quiet"], env=environment, check=False)
    assert done.returncode in (0, 3)
    return out


def digests(folder):
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    folder = tmp_path_factory.mktemp("first")
    return planned(SAMPLES / "maple_phone.laz", folder / "out", "1")


@pytest.mark.slow
def test_two_runs_are_bit_identical(first, tmp_path):
    again = digests(planned(SAMPLES / "maple_phone.laz", tmp_path / "out", "2"))
    before = digests(first)
    assert set(before) == set(again)
    assert [name for name in before if before[name] != again[name]] == []


def with_noise(name, target, seed=5):
    """A sample with a millimetre of noise on every coordinate."""
    las = laspy.read(SAMPLES / f"{name}.laz")
    noise = np.random.default_rng(seed).normal(0.0, 0.001, (3, len(las.x)))
    las.x, las.y, las.z = np.array([las.x, las.y, las.z]) + noise
    las.write(target)
    return target


@pytest.mark.slow
@pytest.mark.parametrize(("name", "share"), [("spruce_garage", 0.02), ("maple_phone", 0.05)])
def test_a_millimetre_of_noise_leaves_size_and_weight(name, share, tmp_path):
    """The cuts may move to a neighbouring place: see "A millimetre of noise" for developers."""
    scans = (SAMPLES / f"{name}.laz", with_noise(name, tmp_path / f"{name}.laz"))
    site = SAMPLES / f"{name}.toml"
    first, noisy = (measure_scan([scan], site, RunOptions())[0] for scan in scans)
    assert noisy.measures.height_m == pytest.approx(first.measures.height_m, abs=0.03)
    assert noisy.measures.dbh_m == pytest.approx(first.measures.dbh_m, abs=0.005)
    kg = [tree_document(r)["summary"]["green_mass_kg"]["likely"] for r in (first, noisy)]
    print("green mass", kg)
    assert kg[1] == pytest.approx(kg[0], rel=share)
