"""Bad input: one line that says what, where and how to mend; status 2; nothing left behind."""

import tomllib
from pathlib import Path

import laspy
import numpy as np
import pytest

from tests.pipeline.small_tree import write_tree
from treescan_cli.main import main

SAMPLES = Path(__file__).parents[2] / "sample_scans"
SCAN, SITE = SAMPLES / "oak_pond.laz", SAMPLES / "oak_pond.toml"


def refused(capsys, tmp_path, *args):
    before = sorted(tmp_path.iterdir())
    status = main([*map(str, args), "--out", str(tmp_path / "out"), "--quiet"])
    message = capsys.readouterr().err
    assert status == 2, message
    assert message.startswith("treescan: ")
    assert message.count("\n") == 1, message
    assert sorted(tmp_path.iterdir()) == before
    return message


def write_las(path, xyz):
    las = laspy.LasData(laspy.LasHeader(point_format=3, version="1.2"))
    las.header.scales = [0.001] * 3
    las.x, las.y, las.z = np.asarray(xyz, dtype=float).T
    las.write(path)
    return path


def test_missing_scan(capsys, tmp_path):
    assert "no such file" in refused(capsys, tmp_path, "plan", tmp_path / "none.laz")


def test_missing_site_file(capsys, tmp_path):
    assert "nowhere.toml" in refused(
        capsys, tmp_path, "plan", SCAN, "--site", tmp_path / "nowhere.toml"
    )


def test_empty_file(capsys, tmp_path):
    (tmp_path / "empty.laz").write_bytes(b"")
    assert "empty" in refused(capsys, tmp_path, "plan", tmp_path / "empty.laz")


def test_truncated_laz(capsys, tmp_path):
    (tmp_path / "cut.laz").write_bytes(SCAN.read_bytes()[:200_000])
    assert "cut.laz" in refused(capsys, tmp_path, "plan", tmp_path / "cut.laz")


def test_text_that_is_no_scan(capsys, tmp_path):
    (tmp_path / "letter.xyz").write_text("Dear neighbour,\nthe oak must go.\n" * 200)
    assert "letter.xyz" in refused(capsys, tmp_path, "plan", tmp_path / "letter.xyz")


def test_all_nan(capsys, tmp_path):
    (tmp_path / "nan.xyz").write_text("nan nan nan\n" * 5000)
    assert "nan.xyz" in refused(capsys, tmp_path, "plan", tmp_path / "nan.xyz")


def test_ten_points(capsys, tmp_path):
    path = write_las(tmp_path / "ten.las", np.random.default_rng(1).random((10, 3)))
    assert "10 " in refused(capsys, tmp_path, "plan", path)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('species = "', 'species = "Quercus rubrra x', "species"),
        ("[limits]", "[limits]\nmax_peice_kg = 300", "max_piece_kg"),
    ],
)
def test_misspelt_site_files_name_the_near_match(capsys, tmp_path, old, new, said):
    text = SITE.read_text()
    assert old in text
    (tmp_path / "site.toml").write_text(text.replace(old, new, 1))
    assert said in refused(capsys, tmp_path, "plan", SCAN, "--site", tmp_path / "site.toml")


def test_polygon_of_two_corners(capsys, tmp_path):
    (tmp_path / "site.toml").write_text(
        '[job]\nspecies = "Quercus rubra"\n'
        '[[target]]\nname = "shed"\nfootprint_m = [[0.0, 0.0], [1.0, 1.0]]\n'
    )
    message = refused(capsys, tmp_path, "plan", SCAN, "--site", tmp_path / "site.toml")
    assert "shed" in message or "target" in message
    assert "3" in message


def test_target_on_top_of_the_stem(capsys, tmp_path):
    near = tomllib.loads(SITE.read_text())["tree"]["near_m"]
    (x, y), r = near, 1.5
    (tmp_path / "site.toml").write_text(
        f'[job]\nspecies = "Quercus rubra"\n[tree]\nnear_m = [{x}, {y}]\n'
        f'[[target]]\nname = "shed"\nfootprint_m = [[{x - r}, {y - r}], [{x + r}, {y - r}], '
        f"[{x + r}, {y + r}], [{x - r}, {y + r}]]\n"
    )
    assert "shed" in refused(capsys, tmp_path, "plan", SCAN, "--site", tmp_path / "site.toml")


def test_unknown_option_is_one_line(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["plan", str(SCAN), "--fast", "--out", "x"])
    assert stop.value.code == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_results_in_the_way_are_kept(capsys, tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "tree.json").write_text("{}")
    status = main(["plan", str(SCAN), "--out", str(tmp_path / "out"), "--quiet"])
    assert status == 2
    assert "--overwrite" in capsys.readouterr().err
    assert (tmp_path / "out" / "tree.json").read_text() == "{}"


def test_species_on_the_command_line(capsys, tmp_path):
    tree = write_tree(tmp_path / "tree.json")
    message = refused(capsys, tmp_path, "measure", tree, "--species", "Quercus rubbra")
    assert "near matches" in message
    assert "Quercus rubra" in message
    out = tmp_path / "out"
    assert main(["measure", str(tree), "--species", "northern red oak", "--out", str(out)]) == 0
    assert tomllib.loads((out / "site.toml").read_text())["job"]["species"] == "northern red oak"
