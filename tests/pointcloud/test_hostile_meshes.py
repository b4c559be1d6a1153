"""Mesh files made to swell, to loop or to read what is not theirs."""

import base64
import json
import struct
import zlib

import numpy as np
import pytest

from treescan.errors import ScanError
from treescan.pointcloud.gltf_check import MOST_CORNERS, MOST_LEVELS, MOST_NODES, check_gltf
from treescan.pointcloud.reading import read_scan

COUNT = 300
CORNERS = np.random.default_rng(0).uniform(0, 9, (COUNT, 3)).astype("<f4")
UV = np.random.default_rng(1).random((COUNT, 2)).astype("<f4")


def data_uri(blob, kind="application/octet-stream"):
    return f"data:{kind};base64,{base64.b64encode(blob).decode()}"


def document(**changes):
    """A hundred triangles, each corner its own."""
    blob = CORNERS.tobytes() + np.arange(COUNT, dtype="<u4").tobytes()
    whole = {
        "asset": {"version": "2.0"}, "scene": 0, "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": COUNT, "type": "VEC3"},
            {"bufferView": 1, "componentType": 5125, "count": COUNT, "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": 12 * COUNT},
            {"buffer": 0, "byteOffset": 12 * COUNT, "byteLength": 4 * COUNT},
        ],
        "buffers": [{"byteLength": len(blob), "uri": data_uri(blob)}],
    }  # fmt: skip
    return {**whole, **changes}


def as_glb(whole):
    text = json.dumps(whole).encode()
    text += b" " * (-len(text) % 4)
    return struct.pack("<4sIIII", b"glTF", 2, 20 + len(text), len(text), 0x4E4F534A) + text


@pytest.fixture(params=["gltf", "glb"])
def written(request, tmp_path):
    def write(whole):
        path = tmp_path / f"scan.{request.param}"
        path.write_bytes(as_glb(whole) if request.param == "glb" else json.dumps(whole).encode())
        return path

    return write


@pytest.fixture(autouse=True)
def _few_points(monkeypatch):
    monkeypatch.setattr("treescan.pointcloud.meshes.SAMPLE_POINTS", 3000)


def chain(length):
    return [{"children": [n + 1]} for n in range(length - 1)] + [{"mesh": 0}]


@pytest.mark.parametrize(
    "nodes",
    [
        [{"mesh": 0}],
        [{"mesh": 0, "children": [1]}, {"children": [0]}],
        [{"mesh": 0, "children": [0]}],
        [{"children": [n + 1, n + 1]} for n in range(40)] + [{"mesh": 0}],
        chain(100),
    ],
    ids=["plain", "cycle", "its own child", "two ways at each of forty levels", "hundred levels"],
)
def test_scenes_of_any_shape_are_read_once(nodes, written):
    cloud = read_scan([written(document(nodes=nodes))])
    assert 1000 < len(cloud) <= 3000


ZEROS = {"componentType": 5126, "count": 2_000_000_000, "type": "VEC3"}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"accessors": [ZEROS, document()["accessors"][1]]}, "2,000,000,000 corners"),
        ({"nodes": chain(MOST_LEVELS + 1)}, "201 levels"),
        ({"nodes": [{"mesh": 0}] * (MOST_NODES + 1)}, "20,001 nodes"),
        (
            {
                "nodes": [{"mesh": 0}] * 1000,
                "accessors": [{**row, "count": 60_001} for row in document()["accessors"]],
            },
            "60,001,000 corners",
        ),
    ],
    ids=["zeros", "deep", "nodes", "one mesh a thousand times"],
)
def test_scenes_that_would_swell_or_never_end_are_refused(changes, said, written):
    path = written(document(**changes))
    with pytest.raises(ScanError, match=said) as refusal:
        read_scan([path])
    assert "\n" not in str(refusal.value)


def test_a_scene_at_the_limits_passes_the_check(written):
    rows = document()["accessors"]
    check_gltf(written(document(accessors=[{**row, "count": MOST_CORNERS} for row in rows])))


def test_no_room_is_made_for_a_description_longer_than_the_file(tmp_path):
    """Found by the fuzzer: 4 GB for a file of 20 bytes."""
    import tracemalloc

    (tmp_path / "scan.glb").write_bytes(
        struct.pack("<4sIIII", b"glTF", 2, 2**32 - 1, 2**32 - 1, 0x4E4F534A)
    )
    tracemalloc.start()
    try:
        with pytest.raises(ScanError, match="promises 4,294,967,295 bytes"):
            read_scan([tmp_path / "scan.glb"])
        assert tracemalloc.get_traced_memory()[1] < 100_000_000
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    "uri", ["/dev/zero", "../secret.bin", "..\\secret.bin", "file:///dev/zero"]
)
def test_a_scene_reads_nothing_outside_its_folder(uri, tmp_path):
    (tmp_path / "secret.bin").write_bytes(base64.b64decode(document()["buffers"][0]["uri"][37:]))
    (tmp_path / "in").mkdir()
    path = tmp_path / "in" / "scan.gltf"
    path.write_text(json.dumps(document(buffers=[{"byteLength": 16 * COUNT, "uri": uri}])))
    with pytest.raises(ScanError, match="mesh cannot be read"):
        read_scan([path])


@pytest.mark.parametrize("line", ["mtllib /dev/zero", "mtllib ../../../../etc/passwd"])
def test_an_obj_without_its_colours_is_read_without_what_it_names(line, tmp_path):
    faces = "v 0 0 0\nv 5 0 0\nv 0 5 9\nf 1 2 3\n"
    (tmp_path / "scan.obj").write_text(f"{line}\nusemtl a\n{faces}")
    cloud = read_scan([tmp_path / "scan.obj"])
    assert cloud.rgb is None or len(np.unique(cloud.rgb, axis=0)) == 1


def png(wide, high):
    """A picture of black rows: a megabyte a gigabyte."""

    def chunk(kind, data):
        crc = struct.pack(">I", zlib.crc32(kind + data))
        return struct.pack(">I", len(data)) + kind + data + crc

    head = struct.pack(">IIBBBBB", wide, high, 8, 2, 0, 0, 0)
    rows = zlib.compress(bytes(3 * wide + 1))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def test_a_picture_bomb_costs_the_colours_and_not_the_shape(written):
    whole = document()
    whole["buffers"].append({"byteLength": UV.nbytes, "uri": data_uri(UV.tobytes())})
    whole["bufferViews"].append({"buffer": 1, "byteOffset": 0, "byteLength": UV.nbytes})
    whole["accessors"].append(
        {"bufferView": 2, "componentType": 5126, "count": COUNT, "type": "VEC2"}
    )
    whole["meshes"] = [
        {"primitives": [{"attributes": {"POSITION": 0, "TEXCOORD_0": 2}, "indices": 1,
                         "material": 0}]}
    ]  # fmt: skip
    whole["materials"] = [{"pbrMetallicRoughness": {"baseColorTexture": {"index": 0}}}]
    whole["textures"] = [{"source": 0}]
    whole["images"] = [{"uri": data_uri(png(60_000, 60_000), "image/png")}]
    cloud = read_scan([written(whole)])
    assert len(cloud) > 1000


@pytest.mark.parametrize("promised", [4_000_000_000, 10**15])
@pytest.mark.parametrize("order", ["ascii", "binary_little_endian", "binary_big_endian"])
@pytest.mark.parametrize("element", ["vertex", "face"])
def test_billions_of_points_or_faces_that_are_not_there(promised, order, element, tmp_path):
    counts = {"vertex": 3, "face": 1, element: promised}
    head = (
        f"ply\nformat {order} 1.0\nelement vertex {counts['vertex']}\n"
        "property float x\nproperty float y\nproperty float z\n"
        f"element face {counts['face']}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    if order == "ascii":
        body = b"0 0 0\n1 0 0\n0 1 0\n3 0 1 2\n"
    else:
        kind = "<" if "little" in order else ">"
        body = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]], kind + "f4").tobytes()
        body += bytes([3]) + np.arange(3, dtype=kind + "i4").tobytes()
    (tmp_path / "scan.ply").write_bytes(head.encode() + body)
    with pytest.raises(ScanError) as refusal:
        read_scan([tmp_path / "scan.ply"])
    assert "\n" not in str(refusal.value)
