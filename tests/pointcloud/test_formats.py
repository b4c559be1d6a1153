"""Round trips through the formats, against their reference readers and writers."""

from __future__ import annotations

import json
import struct

import numpy as np
import pytest
import trimesh

from tests.pointcloud.clouds import post_on_ground, same_cloud
from treescan.errors import ScanError
from treescan.geometry.open3d_gate import open3d
from treescan.pointcloud.reading import read_scan

SHIFT = np.array([300.0, 500.0, 40.0])


def open3d_cloud(xyz, colour=None):
    cloud = open3d().geometry.PointCloud()
    cloud.points = open3d().utility.Vector3dVector(xyz)
    if colour is not None:
        cloud.colors = open3d().utility.Vector3dVector(colour)
    return cloud


@pytest.mark.parametrize("ascii_text", [True, False])
@pytest.mark.parametrize("coloured", [True, False])
def test_ply_written_by_open3d(tmp_path, ascii_text, coloured):
    xyz = post_on_ground(1500) + SHIFT
    colour = np.tile([1.0, 0.5, 0.0], (len(xyz), 1)) if coloured else None
    path = tmp_path / "scan.ply"
    open3d().io.write_point_cloud(str(path), open3d_cloud(xyz, colour), write_ascii=ascii_text)
    cloud = read_scan([path])
    same_cloud(cloud, xyz)
    assert (cloud.rgb is not None) == coloured
    if coloured:
        assert np.abs(np.median(cloud.rgb, axis=0) - [255, 127.5, 0]).max() < 1


@pytest.mark.parametrize("options", [{"write_ascii": True}, {}, {"compressed": True}])
def test_pcd_written_by_open3d(tmp_path, options):
    xyz = post_on_ground(1500) + SHIFT  # the writer stores float32: 0.03 mm at 500 m
    path = tmp_path / "scan.pcd"
    colour = np.tile([0.2, 0.4, 1.0], (len(xyz), 1))
    open3d().io.write_point_cloud(str(path), open3d_cloud(xyz, colour), **options)
    cloud = read_scan([path])
    same_cloud(cloud, xyz, tolerance=0.001)
    assert cloud.rgb is not None
    assert np.abs(np.median(cloud.rgb, axis=0) - [51, 102, 255]).max() <= 1


def test_big_endian_ply_with_other_names_and_order(tmp_path):
    xyz = post_on_ground(1500) + SHIFT
    table = np.zeros(
        len(xyz), dtype=[("q", "u1"), ("PosX", ">f8"), ("PosY", ">f8"), ("PosZ", ">f8")]
    )
    table["PosX"], table["PosY"], table["PosZ"] = xyz.T
    head = "ply\nformat binary_big_endian 1.0\ncomment x\n" + f"element vertex {len(xyz)}\n"
    head += "property uchar q\nproperty double PosX\nproperty double PosY\nproperty double PosZ\n"
    path = tmp_path / "scan.ply"
    path.write_bytes((head + "end_header\n").encode() + table.tobytes())
    same_cloud(read_scan([path]), xyz)


def box_mesh():
    """A post of 0.4 m x 0.4 m x 12 m on a plate, z up."""
    plate = trimesh.creation.box(extents=(12, 12, 0.1))
    post = trimesh.creation.box(extents=(0.4, 0.4, 12.0))
    post.apply_translation([0, 0, 6.0])
    mesh = trimesh.util.concatenate([plate, post])
    mesh.visual = trimesh.visual.ColorVisuals(
        mesh, face_colors=np.tile([90, 60, 30, 255], (len(mesh.faces), 1))
    )
    return mesh


def off_boxes(points):
    """Distance from the nearer surface of the two boxes of ``box_mesh``, (n,)."""
    away = []
    for middle, half in (([0, 0, 0], [6, 6, 0.05]), ([0, 0, 6], [0.2, 0.2, 6.0])):
        q = np.abs(points - np.array(middle)) - np.array(half)
        outside = np.linalg.norm(np.maximum(q, 0), axis=1)
        away.append(np.abs(outside + np.minimum(q.max(axis=1), 0)))
    return np.minimum(*away)


@pytest.fixture(autouse=True)
def _fewer_mesh_points(monkeypatch):
    monkeypatch.setattr("treescan.pointcloud.meshes.SAMPLE_POINTS", 300_000)


@pytest.mark.parametrize("ending", ["obj", "stl", "ply"])
def test_meshes_are_sampled_by_area(tmp_path, ending):
    mesh = box_mesh()
    path = tmp_path / f"scan.{ending}"
    mesh.export(path)
    cloud = read_scan([path], voxel_m=0.05)
    whole = cloud.xyz + cloud.origin_m
    assert off_boxes(whole).max() < 1e-4
    on_post = (whole[:, 2] > 0.1).mean()
    post, plate = 4 * 0.4 * 11.9, 2 * 12 * 12 + 4 * 12 * 0.1
    assert on_post == pytest.approx(post / (post + plate), abs=0.03)
    assert np.abs(whole.max(axis=0) - mesh.bounds[1]).max() < 0.05
    assert np.abs(whole.min(axis=0) - mesh.bounds[0]).max() < 0.05


def test_glb_is_y_up_metres_and_keeps_colours(tmp_path):
    mesh = box_mesh()
    turned = mesh.copy()
    turned.apply_transform(trimesh.transformations.rotation_matrix(-np.pi / 2, [1, 0, 0]))
    path = tmp_path / "scan.glb"
    turned.export(path)
    cloud = read_scan([path], voxel_m=0.05)
    whole = cloud.xyz + cloud.origin_m
    assert np.abs(whole.max(axis=0) - mesh.bounds[1]).max() < 0.05
    assert "up axis y: glTF is y-up" in cloud.decisions
    assert cloud.rgb is not None
    assert np.abs(np.median(cloud.rgb, axis=0) - [90, 60, 30]).max() <= 1


def test_y_up_is_seen_from_the_lowest_surface(tmp_path):
    xyz = post_on_ground(3000)
    path = tmp_path / "scan.xyz"
    np.savetxt(path, np.column_stack((xyz[:, 0], xyz[:, 2], -xyz[:, 1])), fmt="%.4f")
    cloud = read_scan([path])
    same_cloud(cloud, xyz)
    assert any(line.startswith("up axis y: the lowest surface") for line in cloud.decisions)


def test_e57_scans_are_moved_by_their_poses(tmp_path):
    pye57 = pytest.importorskip("pye57", reason="the extra e57 is not installed")
    xyz = post_on_ground(1500)
    path = tmp_path / "scan.e57"
    file = pye57.E57(str(path), mode="w")
    turn = np.array([np.cos(0.3), 0, 0, np.sin(0.3)])  # 0.6 rad about z
    place = np.array([4.0, -2.0, 1.0])
    angle = 0.6
    matrix = np.array(
        [[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1]]
    )
    for points, rotation, shift in (
        (xyz[:1500], np.array([1.0, 0, 0, 0]), np.zeros(3)),
        ((xyz[1500:] - place) @ matrix, turn, place),
    ):
        data = {f"cartesian{axis}": points[:, k].copy() for k, axis in enumerate("XYZ")}
        file.write_scan_raw(data, rotation=rotation, translation=shift)
    file.close()
    cloud = read_scan([path])
    same_cloud(cloud, xyz)
    assert "2 scans were joined by the poses in the file" in cloud.decisions


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("a.ply", b"ply\nformat ascii 1.0\nelement vertex 5\n", "no end_header line"),
        (
            "b.ply",
            b"ply\nformat binary_little_endian 1.0\nelement vertex 9999999\n"
            b"property float x\nproperty float y\nproperty float z\nend_header\n" + bytes(120),
            "promises 9,999,999 points but holds 10; it is cut short",
        ),
        (
            "c.ply",
            b"ply\nformat ascii 1.0\nelement vertex 2\nproperty quat x\nend_header\n1\n2\n",
            "'property quat x' is not understood",
        ),
        (
            "d.pcd",
            b"VERSION 0.7\nFIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nCOUNT 1 1 1\nWIDTH 2000\n"
            b"HEIGHT 1\nPOINTS 2000\nDATA binary\n" + bytes(100),
            "promises 24,000 bytes of points but holds 100",
        ),
        ("e.glb", b"glTF" + struct.pack("<II", 2, 100) + bytes(50), "GLB mesh cannot be read"),
        ("f.gltf", json.dumps({"asset": {"version": "2.0"}}).encode(), "no faces and no points"),
        ("g.e57", b"ASTM-E57" + bytes(200), "E57 file cannot be opened"),
    ],
)
def test_damaged_files_say_what_is_wrong(tmp_path, name, content, says):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(ScanError, match=says) as caught:
        read_scan([path])
    assert "\n" not in str(caught.value)
