"""Unit and up axis of whole scanned yards that do not state them: found, or doubted aloud."""

from __future__ import annotations

import laspy
import numpy as np
import pytest

from tests.scenes.scene import make_scene
from treescan.pointcloud.reading import read_scan
from treescan.units import FOOT_M

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def yard():
    """Every twentieth point of a yard, in coordinates as large as those of national grids. [m]"""
    cloud = make_scene("broadleaf", 0).cloud
    return cloud.xyz[::20].astype(np.float64) + cloud.origin_m


def largest_error_m(cloud, xyz):
    """Farthest that a kept point lies from the point it was, both in scan metres."""
    from scipy.spatial import cKDTree

    whole = cloud.xyz.astype(np.float64) + cloud.origin_m
    return cKDTree(xyz).query(whole)[0].max()


def las_in(path, xyz, unit_m):
    header = laspy.LasHeader(point_format=1, version="1.2")
    header.scales, header.offsets = [0.0001] * 3, np.floor(xyz.min(axis=0) / unit_m)
    las = laspy.LasData(header)
    las.x, las.y, las.z = (xyz / unit_m).T
    las.write(str(path))


def test_millimetres_are_found_and_none_is_lost(tmp_path, yard):
    path = tmp_path / "scan.xyz"
    np.savetxt(path, yard * 1000.0, fmt="%.1f")
    cloud = read_scan([path])
    assert any("scan units millimetres: the file does not say" in s for s in cloud.decisions)
    assert largest_error_m(cloud, yard) < 0.001


def test_y_up_is_found(tmp_path, yard):
    path = tmp_path / "scan.xyz"
    np.savetxt(path, yard[:, [0, 2, 1]] * [1, 1, -1], fmt="%.4f")
    cloud = read_scan([path])
    assert any(s.startswith("up axis y: the lowest surface is level") for s in cloud.decisions)
    assert largest_error_m(cloud, yard) < 0.001


def test_feet_no_tree_could_be_tall_in_metres_are_found(tmp_path, yard):
    """A yard of 30 m and more, as a tall tree makes it, is over 90 in feet."""
    stretch = 30.0 / np.subtract(*np.percentile(yard[:, 2], [99.9, 0.1]))
    tall = (yard - yard.mean(axis=0)) * stretch + yard.mean(axis=0)
    las_in(tmp_path / "scan.laz", tall, FOOT_M)
    cloud = read_scan([tmp_path / "scan.laz"])
    assert any("scan units feet: the file does not say" in s for s in cloud.decisions)
    assert largest_error_m(cloud, tall) < 0.001


def test_feet_that_could_be_metres_are_doubted_aloud(tmp_path, yard):
    """Metres are taken, the heavy side; the warning gives the height that feet would be."""
    las_in(tmp_path / "scan.laz", yard, FOOT_M)
    cloud = read_scan([tmp_path / "scan.laz"])
    height = np.subtract(*np.percentile(yard[:, 2], [99.9, 0.1]))
    (said,) = (s for s in cloud.decisions if s.startswith("WARNING: if the file is in feet"))
    named = float(said.split("the scan is ")[1].split(" m")[0])
    assert named == pytest.approx(height, abs=0.3)
    told = read_scan([tmp_path / "scan.laz"], scan_units="ft")
    assert largest_error_m(told, yard) < 0.001
