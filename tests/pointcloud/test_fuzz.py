"""Damaged scans end in one clear error or a finite cloud: never a crash, hang or memory blow-up."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import laspy
import numpy as np
import pytest
import trimesh
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.pointcloud.clouds import post_on_ground, same_cloud
from treescan.errors import TreescanError
from treescan.pointcloud.reading import read_scan
from treescan.pointcloud.thinning import VoxelThinner

EXAMPLES = int(os.environ.get("TREESCAN_FUZZ_EXAMPLES", "5"))


def las_bytes(ending: str, point_format: int, version: str) -> bytes:
    xyz = post_on_ground(700)
    header = laspy.LasHeader(point_format=point_format, version=version)
    header.scales = [0.001] * 3
    las = laspy.LasData(header)
    las.x, las.y, las.z = xyz.T
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"a.{ending}"
        las.write(str(path))
        return path.read_bytes()


def ply_bytes(order: str) -> bytes:
    xyz = post_on_ground(700)
    head = f"ply\nformat {order} 1.0\nelement vertex {len(xyz)}\n"
    head += "property float x\nproperty float y\nproperty float z\nend_header\n"
    if order == "ascii":
        return (head + "\n".join(" ".join(f"{v:.3f}" for v in row) for row in xyz)).encode()
    kind = "<f4" if "little" in order else ">f4"
    return head.encode() + xyz.astype(kind).tobytes()


def pcd_bytes() -> bytes:
    xyz = post_on_ground(700)
    head = "VERSION 0.7\nFIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nCOUNT 1 1 1\n"
    head += f"WIDTH {len(xyz)}\nHEIGHT 1\nPOINTS {len(xyz)}\nDATA binary\n"
    return head.encode() + xyz.astype("<f4").tobytes()


def text_bytes(separator: str) -> bytes:
    rows = (separator.join(f"{v:.3f}" for v in row) for row in post_on_ground(700))
    return ("X Y Z\n" + "\n".join(rows)).encode()


def mesh_bytes(kind: str) -> bytes:
    data = trimesh.creation.cylinder(0.2, 9.0).export(file_type=kind)
    return data.encode() if isinstance(data, str) else data


SEEDS = {
    "las": las_bytes("las", 3, "1.2"),
    "laz": las_bytes("laz", 6, "1.4"),
    "ply": ply_bytes("binary_little_endian"),
    "ply_big": ply_bytes("binary_big_endian"),
    "ply_text": ply_bytes("ascii"),
    "pcd": pcd_bytes(),
    "xyz": text_bytes(" "),
    "csv": text_bytes(";"),
    "obj": mesh_bytes("obj"),
    "stl": mesh_bytes("stl"),
    "glb": mesh_bytes("glb"),
}


@st.composite
def damage(draw, whole: bytes) -> bytes:
    """A few changed bytes, most of them in the head, perhaps cut short or with a piece doubled."""
    data = bytearray(whole)
    for _ in range(draw(st.integers(1, 6))):
        reach = draw(st.sampled_from([64, 400, len(data)]))
        at = draw(st.integers(0, min(reach, len(data)) - 1))
        data[at] = draw(st.sampled_from([0, 1, 10, 32, 45, 46, 57, 65, 127, 128, 255]))
    how = draw(st.sampled_from(["as it is", "cut", "doubled"]))
    cut = draw(st.integers(0, len(data)))
    if how == "cut":
        return bytes(data[:cut])
    return bytes(data[:cut] + data[max(0, cut - 100) :]) if how == "doubled" else bytes(data)


@pytest.fixture(autouse=True)
def _small_meshes(monkeypatch):
    monkeypatch.setattr("treescan.pointcloud.meshes.SAMPLE_POINTS", 3000)


@pytest.mark.parametrize("kind", SEEDS)
@settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(data=st.data())
def test_damaged_scans_end_in_one_clear_error(tmp_path, kind, data):
    check(tmp_path / f"scan.{kind.split('_')[0]}", data.draw(damage(SEEDS[kind])))


def check(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    try:
        cloud = read_scan([path])
    except TreescanError as error:
        text = str(error)
        assert "\n" not in text
        assert len(text) < 500
        return
    assert np.isfinite(cloud.xyz).all()
    assert np.isfinite(cloud.origin_m).all()
    assert len(cloud) <= 2_000_000


def test_corner_with_one_coordinate(tmp_path):
    """Found by the fuzzer: an OBJ line broken in two."""
    check(tmp_path / "scan.obj", SEEDS["obj"].replace(b"v 0.00000000 0.0", b"v 0\n0000 0.0", 1))


def test_signalling_nan_in_a_big_endian_ply(tmp_path):
    """Found by the fuzzer: casting a signalling NaN warned."""
    whole = SEEDS["ply_big"]
    at = whole.index(b"end_header") + len("end_header\n")
    check(tmp_path / "scan.ply", whole[:at] + b"\x7f\x80\x00\x01" + whole[at + 4 :])


@pytest.mark.parametrize("kind", ["las", "laz"])
def test_four_billion_header_records(tmp_path, kind):
    """Found by the fuzzer: the reader looped over every promised record."""
    whole = SEEDS[kind]
    path = tmp_path / f"scan.{kind}"
    path.write_bytes(whole[:100] + b"\xff\xff\xff\xff" + whole[104:])
    with pytest.raises(TreescanError, match="header records do not fit before the points"):
        read_scan([path])


def test_a_billion_compressed_chunks(tmp_path):
    """Found by the fuzzer: the decoder made room for every promised chunk and died."""
    whole = bytearray(SEEDS["laz"])
    data_at = int.from_bytes(whole[96:100], "little")
    table_at = int.from_bytes(whole[data_at : data_at + 8], "little")
    whole[table_at + 4 : table_at + 8] = (990_721_161).to_bytes(4, "little")
    path = tmp_path / "scan.laz"
    path.write_bytes(whole)
    with pytest.raises(TreescanError, match="990,721,161 compressed chunks do not fit"):
        read_scan([path])


def test_chunks_of_a_billion_points(tmp_path):
    """Found by the fuzzer: the decoder made room for a whole chunk and died."""
    whole = bytearray(SEEDS["laz"])
    at = whole.index(b"laszip encoded") + 52 + 12
    assert int.from_bytes(whole[at : at + 4], "little") == 50_000
    whole[at : at + 4] = (1_354_956_800).to_bytes(4, "little")
    path = tmp_path / "scan.laz"
    path.write_bytes(whole)
    with pytest.raises(TreescanError, match="chunks of 1,354,956,800 points"):
        read_scan([path])


@pytest.mark.parametrize("point_format", [6, 7, 8, 10])
@pytest.mark.parametrize("layer", [0, 1, 4, -1])
def test_layers_of_four_gigabytes(tmp_path, point_format, layer):
    """The decoder made room for every promised layer: where memory was short the process died."""
    xyz = post_on_ground(800)
    header = laspy.LasHeader(point_format=point_format, version="1.4")
    header.scales = [0.001] * 3
    las = laspy.LasData(header)
    las.x, las.y, las.z = xyz.T
    path = tmp_path / "scan.laz"
    las.write(str(path))
    whole = bytearray(path.read_bytes())
    same_cloud(read_scan([path]), xyz)
    at = int.from_bytes(whole[96:100], "little") + 8 + header.point_format.size + 4
    number = {6: 9, 7: 10, 8: 11, 10: 12}[point_format]
    promised = [int.from_bytes(whole[at + 4 * k :][:4], "little") for k in range(number)]
    start = at - 4 - header.point_format.size
    table_at = int.from_bytes(whole[start - 8 : start], "little")
    assert at + 4 * number + sum(promised) == table_at  # no layer is forgotten
    at += 4 * (layer % number)
    whole[at : at + 4] = (4_294_967_280).to_bytes(4, "little")
    path.write_bytes(whole)
    with pytest.raises(TreescanError, match=r"layers longer than the .* bytes of their chunk"):
        read_scan([path])


def test_a_panic_of_the_decoder_is_a_damaged_file_and_a_stop_is_passed_on(tmp_path, monkeypatch):
    path = tmp_path / "scan.laz"
    path.write_bytes(SEEDS["laz"])
    for fault, seen in (
        (type("PanicException", (BaseException,), {})("index out of range"), TreescanError),
        (KeyboardInterrupt(), KeyboardInterrupt),
    ):

        def broken(*_, fault=fault):
            raise fault

        monkeypatch.setattr(laspy.LasReader, "read_points", broken)
        with pytest.raises(seen):
            read_scan([path])


def test_room_is_made_for_no_more_points_than_the_file_can_hold(tmp_path, monkeypatch):
    """Found by the fuzzer: 400 MB for a file of 5 kB whose header promised 26 million points."""
    whole = bytearray(SEEDS["laz"])
    whole[247:255] = (26_000_000).to_bytes(8, "little")  # LAS 1.4: number of point records
    path = tmp_path / "scan.laz"
    path.write_bytes(whole)
    asked = []
    monkeypatch.setattr("treescan.pointcloud.las.LasSource.sample", lambda *_: np.eye(3))
    monkeypatch.setattr(
        "treescan.pointcloud.reading.VoxelThinner",
        lambda *args, expected, **more: asked.append(expected) or VoxelThinner(0.01),
    )
    with pytest.raises(TreescanError):
        read_scan([path])
    assert asked == [len(whole)]


@pytest.mark.parametrize("start", range(4775, 4800, 7))
def test_a_decoder_that_panics_is_a_damaged_file(tmp_path, start):
    """Found by the fuzzer: the decoder's panic is no Exception and went through everything."""
    whole = bytearray(SEEDS["laz"])
    data_at = int.from_bytes(whole[96:100], "little")
    whole[data_at + start : data_at + start + 40] = b"\xff" * 40
    path = tmp_path / "scan.laz"
    path.write_bytes(whole)
    with pytest.raises(TreescanError, match="cut short or damaged"):
        read_scan([path])


@pytest.mark.parametrize("number", [0, 22203])
def test_a_laz_file_without_the_record_of_its_compression(tmp_path, number):
    """Found by the fuzzer: a StopIteration out of the check of its layers."""
    whole = bytearray(SEEDS["laz"])
    at = whole.index(b"laszip encoded") + 16
    assert int.from_bytes(whole[at : at + 2], "little") == 22204
    whole[at : at + 2] = number.to_bytes(2, "little")
    path = tmp_path / "scan.laz"
    path.write_bytes(whole)
    with pytest.raises(TreescanError):
        read_scan([path])
