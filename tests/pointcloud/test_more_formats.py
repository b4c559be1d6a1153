"""Every LAS point format and version, COPC, E57 in its two coordinate systems, textures, mixes."""

from __future__ import annotations

import struct

import laspy
import numpy as np
import pytest
import trimesh
from PIL import Image

from tests.pointcloud.clouds import post_on_ground, same_cloud
from tests.pointcloud.test_reading import write_las
from treescan.pointcloud.reading import read_scan
from treescan.units import US_SURVEY_FOOT_M

SHIFT = np.array([447_250.0, 5_412_600.0, 180.0])
FORMATS = [
    *(("1.1", n) for n in (0, 1)),
    *(("1.2", n) for n in range(4)),
    *(("1.3", n) for n in range(6)),
    *(("1.4", n) for n in range(11)),
]


@pytest.mark.parametrize(("version", "point_format"), FORMATS)
def test_every_las_point_format_of_every_version(tmp_path, version, point_format):
    xyz = post_on_ground(800) + SHIFT
    path = tmp_path / "scan.las"
    header = laspy.LasHeader(point_format=point_format, version=version)
    header.scales, header.offsets = [0.001] * 3, SHIFT
    las = laspy.LasData(header)
    las.x, las.y, las.z = xyz.T
    las.intensity = np.arange(len(xyz)) % 60_000
    coloured = point_format in (2, 3, 5, 7, 8, 10)
    if coloured:
        las.red, las.green, las.blue = (np.full(len(xyz), 256 * v) for v in (200, 100, 50))
    las.write(str(path))
    cloud = read_scan([path])
    same_cloud(cloud, xyz)
    assert (cloud.rgb is not None) == coloured
    if coloured:
        assert set(map(tuple, cloud.rgb)) == {(200, 100, 50)}


def test_las_1_0(tmp_path):
    """A 1.1 file made 1.0: no writer of 1.0 is at hand.

    The version is changed and the two bytes 0xDD 0xCC of ASPRS' LAS 1.0 put before the points.
    """
    xyz = post_on_ground(800) + SHIFT
    path = tmp_path / "scan.las"
    write_las(path, xyz, version="1.1", point_format=1)
    data = bytearray(path.read_bytes())
    at = int.from_bytes(data[96:100], "little")
    data[25] = 0
    data[96:100] = (at + 2).to_bytes(4, "little")
    path.write_bytes(bytes(data[:at]) + b"\xdd\xcc" + bytes(data[at:]))
    same_cloud(read_scan([path]), xyz)


def test_coordinates_are_integer_times_scale_plus_offset(tmp_path):
    """LAS 1.4 R15, section 2.4: Xcoordinate = (Xrecord * Xscale) + Xoffset, per axis."""
    path = tmp_path / "scan.las"
    header = laspy.LasHeader(point_format=0, version="1.2")
    header.scales, header.offsets = [0.01, 0.001, 0.0001], [-500.0, 4_000_000.25, 7.5]
    las = laspy.LasData(header)
    rng = np.random.default_rng(1)
    stored = rng.integers((-900, -9000, 0), (900, 9000, 90_000), (3000, 3))
    las.X, las.Y, las.Z = stored.T
    las.write(str(path))
    cloud = read_scan([path], voxel_m=0.0005)
    expected = stored * np.array([0.01, 0.001, 0.0001]) + np.array([-500.0, 4_000_000.25, 7.5])
    whole = np.unique(np.round(cloud.xyz + cloud.origin_m, 4), axis=0)
    assert np.abs(whole - np.unique(np.round(expected, 4), axis=0)).max() < 2e-4


def copc_bytes(xyz) -> bytes:
    """A COPC file: LAZ 1.4, point format 6, the info VLR first and one octree node as an EVLR.

    COPC specification 1.0 (Hobu, Inc., 2021): info VLR "copc", 1, of 160 bytes at byte 375;
    hierarchy EVLR "copc", 1000, of entries (key 4 x int32, offset u64, size i32, count i32).
    """
    import io

    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [0.001] * 3, SHIFT
    header.vlrs.insert(0, laspy.VLR("copc", 1, "COPC info VLR", bytes(160)))
    stream = io.BytesIO()
    with laspy.open(stream, mode="w", header=header, do_compress=True, closefd=False) as writer:
        points = laspy.ScaleAwarePointRecord.zeros(len(xyz), header=header)
        points.x, points.y, points.z = xyz.T
        points.gps_time = np.arange(len(xyz), dtype=float)
        writer.write_points(points)
    data = bytearray(stream.getvalue())
    at = int.from_bytes(data[96:100], "little")
    entry = struct.pack("<4iQ2i", 0, 0, 0, 0, at + 8, len(data) - at - 8, len(xyz))
    start = len(data)
    data += struct.pack("<H16sHQ32s", 0, b"copc", 1000, len(entry), b"EPT hierarchy") + entry
    data[235:247] = struct.pack("<QI", start, 1)
    middle, half = xyz.mean(axis=0), float(np.ptp(xyz, axis=0).max())
    info = struct.pack("<5d2Q2d", *middle, half, half / 128, start + 60, 32, 0.0, float(len(xyz)))
    data[375 + 54 : 375 + 54 + len(info)] = info
    return bytes(data)


def test_copc(tmp_path):
    xyz = post_on_ground(1500) + SHIFT
    path = tmp_path / "scan.copc.laz"
    path.write_bytes(copc_bytes(xyz))
    with laspy.CopcReader.open(str(path)) as reader:  # a reader of the octree takes it too
        assert len(reader.query()) == len(xyz)
    same_cloud(read_scan([path]), xyz)


@pytest.fixture
def e57(tmp_path):
    pye57 = pytest.importorskip("pye57", reason="the extra e57 is not installed")
    path = tmp_path / "scan.e57"
    file = pye57.E57(str(path), mode="w")
    yield path, file
    if file.__dict__.get("image_file") is not None:
        file.close()


def test_e57_three_stations_with_poses_intensity_and_colour(e57):
    path, file = e57
    xyz = post_on_ground(2400)
    parts = np.array_split(np.arange(len(xyz)), 3)
    for k, rows in enumerate(parts):
        angle, place = 0.7 * k, np.array([3.0 * k, -1.0, 0.5])
        turn = np.array(
            [[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1]]
        )
        own = (xyz[rows] - place) @ turn
        data = {f"cartesian{axis}": own[:, i].copy() for i, axis in enumerate("XYZ")}
        data["intensity"] = np.full(len(rows), 0.25 * k)
        for name, value in (("Red", 250), ("Green", 120), ("Blue", 10)):
            data[f"color{name}"] = np.full(len(rows), value, dtype=np.uint8)
        half = np.array([np.cos(angle / 2), 0, 0, np.sin(angle / 2)])
        file.write_scan_raw(data, rotation=half, translation=place)
    file.close()
    cloud = read_scan([path])
    same_cloud(cloud, xyz)
    assert cloud.rgb is not None
    assert set(map(tuple, cloud.rgb)) == {(250, 120, 10)}
    assert set(cloud.intensity) == {0.0, 0.25, 0.5}


def test_pts_of_several_scans_with_count_lines(tmp_path):
    """A count line before each scan's points, as PTS exports of several stations have it."""
    xyz = post_on_ground(1500)
    blocks = []
    for part in np.array_split(xyz, 3):
        blocks.append(str(len(part)))
        blocks += [f"{x:.4f} {y:.4f} {z:.4f} 12 1 2 3" for x, y, z in part]
    path = tmp_path / "scan.pts"
    path.write_text("\r\n".join(blocks))
    same_cloud(read_scan([path]), xyz)


@pytest.mark.parametrize("ending", ["glb", "obj"])
def test_colours_come_from_the_texture(tmp_path, ending, monkeypatch):
    """The lower half of the picture is red, the upper blue; so is the post."""
    monkeypatch.setattr("treescan.pointcloud.meshes.SAMPLE_POINTS", 20_000)
    mesh = trimesh.creation.cylinder(0.3, 8.0, sections=24)
    mesh = mesh.subdivide_to_size(0.5)
    height = mesh.vertices[:, 2]
    share = (height - height.min()) / np.ptp(height)
    pixels = np.zeros((64, 4, 3), dtype=np.uint8)
    pixels[:32, :, 2] = 250  # pictures begin at the top, v at the bottom
    pixels[32:, :, 0] = 250
    mesh.visual = trimesh.visual.TextureVisuals(
        uv=np.column_stack((np.full(len(share), 0.5), share)), image=Image.fromarray(pixels)
    )
    if ending == "glb":
        mesh.apply_transform(trimesh.transformations.rotation_matrix(-np.pi / 2, [1, 0, 0]))
    path = tmp_path / f"scan.{ending}"
    mesh.export(path)
    cloud = read_scan([path], voxel_m=0.02, up=None if ending == "glb" else "z")
    z = cloud.xyz[:, 2] + cloud.origin_m[2]
    low, high = z < z.mean() - 0.5, z > z.mean() + 0.5
    assert cloud.rgb is not None
    assert np.median(cloud.rgb[low], axis=0) == pytest.approx([250, 0, 0], abs=8)
    assert np.median(cloud.rgb[high], axis=0) == pytest.approx([0, 0, 250], abs=8)


def test_files_in_different_units_and_formats_are_one_scan(tmp_path):
    """Half the scan as LAZ in US survey feet with its CRS, half as text in metres."""
    xyz = post_on_ground(1500) + np.array([250.0, 125.0, 30.0])
    header = laspy.LasHeader(point_format=0, version="1.2")
    header.scales = [0.001] * 3
    keys = np.array([1, 1, 0, 1, 3076, 0, 1, 9003], "<u2")
    header.vlrs.append(laspy.VLR("LASF_Projection", 34735, record_data=keys.tobytes()))
    las = laspy.LasData(header)
    las.x, las.y, las.z = xyz[:1500].T / US_SURVEY_FOOT_M
    las.write(str(tmp_path / "a.laz"))
    np.savetxt(tmp_path / "b.csv", xyz[1500:], fmt="%.4f", delimiter=",", header="X,Y,Z")
    cloud = read_scan([tmp_path / "a.laz", tmp_path / "b.csv"])
    same_cloud(cloud, xyz)
    assert any("a.laz: scan units US survey feet" in line for line in cloud.decisions)
    assert any("b.csv: scan units metres" in line for line in cloud.decisions)


@pytest.mark.parametrize("kind", ["big-endian ply", "pcd"])
def test_large_tables_are_converted_a_piece_at_a_time(tmp_path, kind, monkeypatch):
    """Dark and bright stretches keep one scale of colour, whatever piece they lie in."""
    monkeypatch.setattr("treescan.pointcloud.source.CHUNK_POINTS", 500)
    xyz = post_on_ground(1500)
    share = np.linspace(0.0, 1.0, len(xyz)).astype("<f4")
    fields = ("x", "y", "z", "red", "green", "blue")
    order = ">" if kind == "big-endian ply" else "<"
    table = np.zeros(len(xyz), dtype=[(name, order + "f4") for name in fields])
    for k, name in enumerate("xyz"):
        table[name] = xyz[:, k]
    for name in fields[3:]:
        table[name] = share
    if order == ">":
        path = tmp_path / "scan.ply"
        head = f"ply\nformat binary_big_endian 1.0\nelement vertex {len(xyz)}\n"
        head += "".join(f"property float {name}\n" for name in fields) + "end_header\n"
    else:
        path = tmp_path / "scan.pcd"
        head = "VERSION 0.7\nFIELDS x y z red green blue\nSIZE 4 4 4 4 4 4\nTYPE F F F F F F\n"
        head += f"COUNT 1 1 1 1 1 1\nWIDTH {len(xyz)}\nHEIGHT 1\nPOINTS {len(xyz)}\nDATA binary\n"
    path.write_bytes(head.encode() + table.tobytes())
    cloud = read_scan([path], voxel_m=0.0005)
    same_cloud(cloud, xyz)
    whole = np.sort(cloud.rgb[:, 0].astype(int))
    assert np.abs(whole - np.sort(np.rint(255 * share[: len(whole)]))).max() <= 2
