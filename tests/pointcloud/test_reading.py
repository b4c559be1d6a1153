"""Reading: every format gives the same cloud, and bad input one clear line."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys

import laspy
import numpy as np
import pytest

from tests.pointcloud.clouds import post_on_ground, same_cloud
from treescan.errors import InvalidInputError, ScanError
from treescan.pointcloud.reading import read_scan
from treescan.pointcloud.scale import decide_unit
from treescan.units import FOOT_M


def write_las(path, xyz, *, scale=0.001, version="1.4", point_format=6):
    header = laspy.LasHeader(point_format=point_format, version=version)
    header.scales = [scale] * 3
    header.offsets = np.floor(np.nanmin(xyz, axis=0))
    las = laspy.LasData(header)
    las.x, las.y, las.z = xyz.T
    las.write(str(path))


@pytest.mark.parametrize("ending", ["las", "laz"])
@pytest.mark.parametrize(
    ("version", "point_format"), [("1.2", 0), ("1.2", 3), ("1.3", 4), ("1.4", 6), ("1.4", 10)]
)
def test_las_versions_keep_national_grid_coordinates(tmp_path, ending, version, point_format):
    xyz = post_on_ground() + np.array([540_123.0, 5_812_456.0, 312.0])
    path = tmp_path / f"scan.{ending}"
    write_las(path, xyz, version=version, point_format=point_format)
    cloud = read_scan([path])
    assert np.abs(cloud.xyz).max() < 20
    same_cloud(cloud, xyz)


@pytest.mark.parametrize("separator", [" ", ",", ";", "\t", ", "])
def test_text_separators(tmp_path, separator):
    xyz = post_on_ground(1500)
    path = tmp_path / "scan.csv"
    rows = [separator.join(f"{v:.4f}" for v in row) for row in xyz]
    path.write_text(separator.join("XYZ") + "\n" + "\n".join(rows) + "\n")
    same_cloud(read_scan([path]), xyz)


def test_text_with_decimal_commas_and_semicolons(tmp_path):
    xyz = post_on_ground(1500)
    path = tmp_path / "scan.txt"
    path.write_text("\n".join(";".join(f"{v:.4f}".replace(".", ",") for v in r) for r in xyz))
    same_cloud(read_scan([path]), xyz)


def test_pts_count_line_intensity_and_colour(tmp_path):
    xyz = post_on_ground(1500)
    path = tmp_path / "scan.pts"
    rows = [f"{x:.4f} {y:.4f} {z:.4f} -1023 10 200 30" for x, y, z in xyz]
    path.write_text(f"{len(rows)}\n" + "\n".join(rows))
    cloud = read_scan([path])
    same_cloud(cloud, xyz)
    assert cloud.rgb is not None
    assert set(map(tuple, cloud.rgb)) == {(10, 200, 30)}
    assert cloud.intensity is not None
    assert set(cloud.intensity) == {-1023.0}


def test_wrong_extension_is_met_by_the_content(tmp_path):
    xyz = post_on_ground()
    write_las(tmp_path / "scan.las", xyz)
    (tmp_path / "scan.las").rename(tmp_path / "scan.ply")
    same_cloud(read_scan([tmp_path / "scan.ply"]), xyz)


def test_two_files_are_one_scan(tmp_path):
    xyz = post_on_ground() + np.array([1000.0, 2000.0, 50.0])
    write_las(tmp_path / "a.las", xyz[:6000])
    write_las(tmp_path / "b.las", xyz[6000:])
    same_cloud(read_scan([tmp_path / "a.las", tmp_path / "b.las"]), xyz)


def test_progress_counts_the_bytes_of_all_files(tmp_path):
    """A small file beside a large one is soon read."""
    xyz = post_on_ground()
    write_las(tmp_path / "small.las", xyz[:1000])
    write_las(tmp_path / "large.las", xyz[1000:])
    told = []
    read_scan([tmp_path / "small.las", tmp_path / "large.las"], progress=told.append)
    sizes = [(tmp_path / name).stat().st_size for name in ("small.las", "large.las")]
    assert told[0] == pytest.approx(sizes[0] / sum(sizes))
    assert told == sorted(told)
    assert told[-1] == 1.0


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_ctrl_c_while_reading_leaves_nothing(tmp_path):
    """Stopped in the middle of a scan: its own exit status, one line, no file."""
    code = (
        "import sys, time\n"
        "from treescan.pointcloud.thinning import VoxelThinner\n"
        "from treescan_cli.main import main\n"
        "def add(self, *points, **more):\n"
        "    print('reading', flush=True)\n"
        "    time.sleep(60)\n"
        "VoxelThinner.add = add\n"
        "sys.exit(main(sys.argv[1:]))\n"
    )
    write_las(tmp_path / "scan.laz", post_on_ground())
    command = [sys.executable, "-c", code, "measure", str(tmp_path / "scan.laz")]
    with subprocess.Popen(
        [*command, "--quiet", "--out", str(tmp_path / "out")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    ) as run:
        assert run.stdout.readline() == "reading\n"
        run.send_signal(signal.SIGINT)
        message = run.stderr.read()
    assert run.returncode == 130
    assert message == "treescan: stopped; no half result was left.\n"
    assert [path.name for path in tmp_path.iterdir()] == ["scan.laz"]


def test_feet_as_told(tmp_path):
    xyz = post_on_ground()
    write_las(tmp_path / "feet.las", xyz / 0.3048)
    cloud = read_scan([tmp_path / "feet.las"], scan_units="ft")
    same_cloud(cloud, xyz, tolerance=0.001)
    with pytest.raises(InvalidInputError, match="scan units 'furlong' are not known; use one of m"):
        read_scan([tmp_path / "feet.las"], scan_units="furlong")


@pytest.mark.parametrize(
    ("height", "unit", "says", "doubt"),
    [
        (3.0, "m", r"3\.0 m high, which is plausible$", "^$"),
        (20.0, "m", r"plausible \(were the file in feet, 6\.1 m\)$", "^$"),
        (60.0, "m", "plausible$", r"in feet, the scan is 18\.3 m high and not 60\.0 m: measure"),
        (100.0, "ft", "plausible$", r"in metres, the scan is 100\.0 m high and not 30\.5 m"),
        (130.0, "ft", r"39\.6 m high, which is plausible$", "^$"),
        (600.0, "m", "no unit makes a height of 600 plausible", "WARNING: no unit .* 600 "),
        (1500.0, "mm", "plausible$", r"in centimetres, the scan is 15\.0 m high and not 1\.5 m"),
        (12_000.0, "mm", r"12\.0 m high, which is plausible$", "^$"),
    ],
)
def test_a_unit_that_is_not_stated_is_said_with_what_else_it_could_be(height, unit, says, doubt):
    decided, why, warning = decide_unit(height)
    assert decided == unit
    assert re.search(says, why), why
    assert re.search(doubt, warning), warning


def test_the_unit_is_decided_by_all_points_where_the_sample_missed_the_top(tmp_path, monkeypatch):
    """A file in tree order: some blocks of it hold only low points."""
    xyz = post_on_ground()
    xyz[:, 2] *= 40.0 / np.ptp(xyz[:, 2])
    write_las(tmp_path / "feet.laz", xyz / FOOT_M)
    low = xyz[xyz[:, 2] < 20.0] / FOOT_M
    monkeypatch.setattr("treescan.pointcloud.las.LasSource.sample", lambda self, points: low)
    cloud = read_scan([tmp_path / "feet.laz"])
    same_cloud(cloud, xyz, tolerance=0.001)
    assert any(
        "scan units feet: the file does not say; it is then 39." in s for s in cloud.decisions
    )
    assert any(s.startswith(f"{len(xyz):,} points read") for s in cloud.decisions)


def test_files_of_one_scan_that_do_not_say_have_one_unit(tmp_path):
    """One station saw the top, the other only what is low: feet by the height of both."""
    xyz = post_on_ground()
    xyz[:, 2] *= 40.0 / np.ptp(xyz[:, 2])
    low = xyz[:, 2] < 20.0
    write_las(tmp_path / "low.las", xyz[low] / FOOT_M)
    write_las(tmp_path / "high.las", xyz[~low] / FOOT_M)
    cloud = read_scan([tmp_path / "low.las", tmp_path / "high.las"])
    same_cloud(cloud, xyz, tolerance=0.001)
    assert sum("scan units feet" in text for text in cloud.decisions) == 2


def test_warnings_about_one_of_several_files_are_still_warnings(tmp_path):
    """What people are shown first is told by the word a sentence begins with."""
    xyz = post_on_ground()
    xyz[:, 2] *= 40.0 / np.ptp(xyz[:, 2])
    for name in ("a.las", "b.las"):
        write_las(tmp_path / name, xyz)
    said = read_scan([tmp_path / "a.las", tmp_path / "b.las"]).decisions
    for name in ("a.las", "b.las"):
        assert (
            sum(text.startswith(f"WARNING: {name}: if the file is in feet") for text in said) == 1
        )
        assert f"{name}: up axis z: LAS files are z-up" in said
    told = read_scan([tmp_path / "a.las"], scan_units="mm").decisions
    assert any(text.startswith("WARNING: with these units the scan is 0.0") for text in told)


def test_rows_that_are_no_points_are_left_out_and_said(tmp_path):
    rows = [f"{x:.3f} {y:.3f} {z:.3f}" for x, y, z in post_on_ground(700)]
    whole, torn = tmp_path / "whole.xyz", tmp_path / "torn.xyz"
    whole.write_text("\n".join(rows))
    torn.write_text("\n".join([*rows[:500], "1.0 2", "", "no number here", *rows[500:]]))
    assert not any("no points" in line for line in read_scan([whole]).decisions)
    cloud = read_scan([torn])
    assert len(cloud) == len(read_scan([whole]))
    assert "2 rows that are no points were left out of torn.xyz" in cloud.decisions


def test_not_finite_points_are_dropped_and_counted(tmp_path):
    xyz = post_on_ground(2000)
    xyz[5] = np.nan
    xyz[6, 2] = np.inf
    path = tmp_path / "scan.xyz"
    np.savetxt(path, xyz, fmt="%.4f")
    cloud = read_scan([path])
    assert np.isfinite(cloud.xyz).all()
    assert any("2 points without finite coordinates" in line for line in cloud.decisions)


def bad_files(folder):
    xyz = post_on_ground()
    write_las(folder / "whole.laz", xyz)
    data = (folder / "whole.laz").read_bytes()
    (folder / "cut.laz").write_bytes(data[: len(data) // 2])
    (folder / "header.laz").write_bytes(data[:100])
    (folder / "empty.laz").write_bytes(b"")
    (folder / "letter.txt").write_text(
        "Dear crew,\nthe oak is by the pond, 3 metres from it.\n" * 9
    )
    (folder / "nan.xyz").write_text("nan nan nan\n" * 3000)
    (folder / "ten.xyz").write_text("1.0 2.0 3.0\n4 5 6\n" * 5)
    (folder / "picture.las").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(500))
    return folder


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("absent.laz", "no such file; check the path"),
        ("empty.laz", r"the file is empty \(0 bytes\); copy or export"),
        ("cut.laz", "cut short or damaged after about .* points.*; copy or export it again"),
        ("header.laz", "header cannot be read .*; the file is damaged or cut short"),
        ("letter.txt", "text, but no rows of three numbers .* a scan as text has x y z"),
        ("nan.xyz", "every coordinate is NaN or infinite; export the scan again"),
        ("ten.xyz", "usable points .*; a tree needs at least 1,000: scan again"),
        ("picture.las", "this is a PNG picture; a scan .* is needed"),
    ],
)
def test_bad_input_is_one_line(tmp_path, name, says):
    bad_files(tmp_path)
    with pytest.raises(ScanError, match=says) as caught:
        read_scan([tmp_path / name])
    assert "\n" not in str(caught.value)
    assert name in str(caught.value)
