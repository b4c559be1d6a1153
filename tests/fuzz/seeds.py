"""Small valid files of every kind that the program reads: what the fuzzer starts from."""

from __future__ import annotations

import base64
import json
import tempfile
from pathlib import Path

import laspy
import numpy as np
import trimesh
from PIL import Image

from tests.pipeline.small_tree import SITE, tree_document
from tests.pointcloud.clouds import post_on_ground

POINTS = 40
"""Twice so many points a file: small files are mutated and read fast."""


def las_seeds(ending: str) -> list[bytes]:
    """One file of several point formats and versions, with colours and a coordinate system."""
    found = []
    kinds = ((0, "1.1"), (1, "1.2"), (2, "1.2"), (3, "1.2"), (3, "1.3"), (6, "1.4"), (7, "1.4"))
    for point_format, version in kinds:
        header = laspy.LasHeader(point_format=point_format, version=version)
        header.scales = [0.001] * 3
        header.offsets = [447_000.0, 5_412_000.0, 100.0]
        header.vlrs.append(
            laspy.VLR(
                "LASF_Projection",
                34735,
                record_data=np.array([1, 1, 0, 1, 3076, 0, 1, 9001], "<u2").tobytes(),
            )
        )
        las = laspy.LasData(header)
        las.x, las.y, las.z = (post_on_ground(POINTS) + header.offsets).T
        las.intensity = np.arange(2 * POINTS)
        found.append(_kept(las, ending))
    return found


def _kept(las: laspy.LasData, ending: str) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"a.{ending}"
        las.write(str(path))
        return path.read_bytes()


def ply_seeds() -> list[bytes]:
    """Ascii and both byte orders, with colours, and a mesh."""
    xyz = post_on_ground(POINTS)
    found = []
    for order, kind in (("binary_little_endian", "<"), ("binary_big_endian", ">")):
        table = np.zeros(
            len(xyz),
            dtype=[*((n, kind + "f8") for n in "xyz"), *((n, "u1") for n in ("red", "green"))],
        )
        for axis, name in enumerate("xyz"):
            table[name] = xyz[:, axis]
        head = f"ply\nformat {order} 1.0\ncomment a scan\nelement vertex {len(xyz)}\n"
        head += "".join(f"property double {n}\n" for n in "xyz")
        head += "property uchar red\nproperty uchar green\nend_header\n"
        found.append(head.encode() + table.tobytes())
    head = f"ply\nformat ascii 1.0\nelement vertex {len(xyz)}\n"
    head += "".join(f"property float {n}\n" for n in "xyz") + "end_header\n"
    rows = "\n".join(" ".join(f"{v:.3f}" for v in row) for row in xyz)
    mesh = trimesh.creation.box(extents=(1, 1, 9))
    return [*found, (head + rows + "\n").encode(), mesh.export(file_type="ply")]


def pcd_seeds() -> list[bytes]:
    """Ascii, binary and compressed, with packed colour."""
    xyz = post_on_ground(POINTS).astype("<f4")
    n = len(xyz)
    head = "# .PCD v0.7\nVERSION 0.7\nFIELDS x y z rgb\nSIZE 4 4 4 4\nTYPE F F F U\n"
    head += f"COUNT 1 1 1 1\nWIDTH {n}\nHEIGHT 1\nVIEWPOINT 0 0 0 1 0 0 0\nPOINTS {n}\nDATA "
    rows = np.zeros(n, dtype=[("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("rgb", "<u4")])
    for axis, name in enumerate("xyz"):
        rows[name] = xyz[:, axis]
    text = "\n".join(" ".join(f"{v:.3f}" for v in row) + " 4210752" for row in xyz)
    plain = b"".join(np.ascontiguousarray(rows[name]).tobytes() for name in rows.dtype.names)
    stored = b"".join(
        bytes([len(plain[k : k + 32]) - 1]) + plain[k : k + 32] for k in range(0, len(plain), 32)
    )  # LZF literals only
    sizes = np.array([len(stored), len(plain)], "<u4").tobytes()
    return [
        (head + "ascii\n" + text).encode(),
        (head + "binary\n").encode() + rows.tobytes(),
        (head + "binary_compressed\n").encode() + sizes + stored,
    ]


def text_seeds() -> list[bytes]:
    """Every separator, headers, colours, decimal commas, a PTS count line."""
    xyz = post_on_ground(POINTS)
    rows = [[f"{v:.3f}" for v in row] for row in xyz]
    plain = "\n".join(" ".join(row) for row in rows)
    coloured = "\n".join(" ".join([*row, "-120", "10", "20", "30"]) for row in rows)
    german = "\n".join(";".join(v.replace(".", ",") for v in row) for row in rows)
    return [
        plain.encode(),
        ("//X,Y,Z\n" + plain.replace(" ", ",")).encode(),
        (f"{len(rows)}\n" + coloured).encode(),
        ("x;y;z\r\n" + german.replace("\n", "\r\n")).encode(),
        ("\ufeffz\ty\tx\n" + plain.replace(" ", "\t")).encode(),
    ]


def e57_seeds() -> list[bytes]:
    """Two scans with poses, one with colours."""
    import pye57

    xyz = post_on_ground(POINTS)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.e57"
        file = pye57.E57(str(path), mode="w")
        data = {f"cartesian{axis}": xyz[:, k].copy() for k, axis in enumerate("XYZ")}
        for k, name in enumerate(("Red", "Green", "Blue")):
            data[f"color{name}"] = np.full(len(xyz), 40 * k, dtype=np.uint8)
        file.write_scan_raw(data, rotation=np.array([1.0, 0, 0, 0]), translation=np.zeros(3))
        data = {f"cartesian{axis}": xyz[:, k].copy() for k, axis in enumerate("XYZ")}
        data["intensity"] = np.linspace(0, 1, len(xyz))
        file.write_scan_raw(data, rotation=np.array([0.0, 0, 0, 1]), translation=np.ones(3))
        file.close()
        return [path.read_bytes()]


def mesh_seeds(kind: str) -> list[bytes]:
    """A plain mesh and a coloured or textured one."""
    mesh = trimesh.creation.cylinder(0.2, 9.0, sections=8)
    coloured = mesh.copy()
    if kind == "glb":
        picture = Image.new("RGB", (2, 2), (90, 60, 30))
        uv = np.random.default_rng(0).random((len(mesh.vertices), 2))
        coloured.visual = trimesh.visual.TextureVisuals(uv=uv, image=picture)
    else:
        coloured.visual.vertex_colors = np.full((len(mesh.vertices), 4), 99, dtype=np.uint8)
    parts = [mesh, coloured] if kind != "stl" else [mesh]
    found = [part.export(file_type=kind) for part in parts]
    if kind == "stl":
        found.append(mesh.export(file_type="stl_ascii"))
    return [data.encode() if isinstance(data, str) else data for data in found]


def gltf_seeds() -> list[bytes]:
    """Scenes whose buffers stand in the file, with the mesh used twice in one of them."""
    mesh = trimesh.creation.cylinder(0.2, 9.0, sections=8)
    corners = mesh.vertices.astype("<f4").tobytes()
    faces = mesh.faces.astype("<u4").tobytes()
    whole = {
        "asset": {"version": "2.0"}, "scene": 0, "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": len(mesh.vertices), "type": "VEC3"},
            {"bufferView": 1, "componentType": 5125, "count": mesh.faces.size, "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": len(corners)},
            {"buffer": 0, "byteOffset": len(corners), "byteLength": len(faces)},
        ],
        "buffers": [
            {
                "byteLength": len(corners) + len(faces),
                "uri": "data:application/octet-stream;base64,"
                + base64.b64encode(corners + faces).decode(),
            }
        ],
    }  # fmt: skip
    twice = {
        **whole,
        "nodes": [
            {"children": [1, 2]},
            {"mesh": 0},
            {"mesh": 0, "translation": [2.0, 0.0, 0.0], "scale": [1.0, 0.5, 1.0]},
        ],
    }
    return [json.dumps(whole).encode(), json.dumps(twice).encode()]


def site_seeds() -> list[bytes]:
    """A small site file and one that uses most keys."""
    more = """
[tree]
near_m = [100.0, 200.0]
dbh_tape_m = 0.28
[conditions]
in_leaf = true
[[defect]]
at_m = [100.0, 200.0, 12.0]
kind = "cavity"
sound_shell_m = 0.06
[[conductor]]
name = "service drop"
path_m = [[95.0, 190.0, 16.0], [95.0, 210.0, 16.0]]
kilovolts = 0.4
[[landing]]
name = "drive"
footprint_m = [[88.0, 188.0], [92.0, 188.0], [92.0, 192.0]]
surface = "paving"
[climber]
mass_kg = 90
[crew]
ground = 2
[gear]
line = "16 mm double-braid polyester"
line_length_m = 60
[limits]
max_piece_kg = 300
[haul]
trucks = [{ name = "chip truck", volume_m3 = 9.0, payload_kg = 3500, takes = "chip" }]
"""
    return [SITE.encode(), (SITE + more).encode()]


def tree_seeds() -> list[bytes]:
    """A tree of forty nodes, with and without ground."""
    ground = {
        "x0_m": -5.0, "y0_m": -5.0, "cell_m": 10.0,
        "z_m": [[0.0, 0.1], [0.0, 0.1]], "seen": [[1, 0], [1, 1]],
    }  # fmt: skip
    return [
        json.dumps(tree_document()).encode(),
        json.dumps(tree_document(ground=ground)).encode(),
    ]


def plan_seeds() -> list[bytes]:
    """A plan of two pieces."""
    nodes = len(tree_document()["nodes"])
    steps = [
        {
            "step": number, "node": part[0], "method": "lower", "tie": "butt", "anchor": "A1",
            "piece": {"limb": 0, "nodes": part, "length_m": 3.0},
        }
        for number, part in enumerate((list(range(20, nodes)), list(range(1, 20))), start=1)
    ]  # fmt: skip
    document = {
        "format": "treescan-plan", "version": 1, "steps": steps, "tie_in": [],
        "anchors": [{"id": "A1", "node": 5}],
        "hours": {"low": 1.0, "likely": 2.0, "high": 3.0},
    }  # fmt: skip
    return [json.dumps(document).encode()]


def state_seeds() -> list[bytes]:
    """Which wood no longer stands."""
    document = {"format": "treescan-state", "version": 1, "gone_nodes": [30, 31, 32]}
    return [json.dumps(document).encode()]
