"""A small writer of binary glTF 2.0 (Khronos Group, glTF 2.0 specification, 2021; ISO/IEC 12113).

Only what the annotated tree needs: triangle meshes, unlit-safe materials, named nodes with
extras, and one animation a step.  The general mesh library writes no animations.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

Json = dict[str, Any]
FLOAT, UNSIGNED_SHORT, UNSIGNED_INT = 5126, 5123, 5125
VERTICES, INDICES = 34962, 34963


@dataclass
class GltfWriter:
    """Collects meshes, nodes and animations; :meth:`glb` gives the file's bytes."""

    extras: Json = field(default_factory=dict)
    _data: bytearray = field(default_factory=bytearray)
    _views: list[Json] = field(default_factory=list)
    _accessors: list[Json] = field(default_factory=list)
    _materials: list[Json] = field(default_factory=list)
    _by_look: dict[tuple[Any, ...], int] = field(default_factory=dict)
    _meshes: list[Json] = field(default_factory=list)
    _nodes: list[Json] = field(default_factory=list)
    _animations: list[Json] = field(default_factory=list)

    def material(self, name: str, rgba: Sequence[float], *, two_sided: bool = False) -> int:
        """Return the number of a matt material with a linear RGBA colour."""
        look = (name, *rgba, two_sided)
        if look not in self._by_look:
            made: Json = {
                "name": name,
                "pbrMetallicRoughness": {
                    "baseColorFactor": list(rgba),
                    "metallicFactor": 0.0,
                    "roughnessFactor": 0.9,
                },
            }
            if rgba[3] < 1.0:
                made["alphaMode"] = "BLEND"
            if two_sided:
                made["doubleSided"] = True
            self._by_look[look] = len(self._materials)
            self._materials.append(made)
        return self._by_look[look]

    def mesh(
        self,
        name: str,
        vertex_m: npt.ArrayLike,
        normal: npt.ArrayLike,
        parts: Sequence[tuple[npt.ArrayLike, int]],
    ) -> int:
        """Return the number of a mesh: one vertex set, a triangle list for each material."""
        attributes = {
            "POSITION": self._accessor(_floats(vertex_m), "VEC3", VERTICES, bounds=True),
            "NORMAL": self._accessor(_floats(_unit(normal)), "VEC3", VERTICES),
        }
        count = len(np.asarray(vertex_m))
        primitives = []
        for faces, material in parts:
            flat = np.asarray(faces).reshape(-1)
            if len(flat):
                kind: type = np.uint16 if count < 65535 else np.uint32
                index = self._accessor(flat.astype(kind), "SCALAR", INDICES)
                primitives.append(
                    {"attributes": attributes, "indices": index, "material": material}
                )
        self._meshes.append({"name": name, "primitives": primitives})
        return len(self._meshes) - 1

    def node(self, name: str, parent: int | None = None, **keys: Any) -> int:
        """Return the number of a node; ``keys`` are glTF keys such as mesh or translation."""
        self._nodes.append({"name": name, **{k: v for k, v in keys.items() if v is not None}})
        number = len(self._nodes) - 1
        if parent is not None:
            self._nodes[parent].setdefault("children", []).append(number)
        return number

    def animation(
        self,
        name: str,
        node: int,
        time_s: npt.ArrayLike,
        place_m: npt.ArrayLike,
        turn: npt.ArrayLike,
    ) -> None:
        """Add a track that moves a node: times (k,), positions (k, 3), quaternions xyzw (k, 4)."""
        clock = self._accessor(_floats(time_s), "SCALAR", None, bounds=True)
        moves = [("translation", place_m, "VEC3"), ("rotation", turn, "VEC4")]
        samplers, channels = [], []
        for number, (target, values, kind) in enumerate(moves):
            output = self._accessor(_floats(values), kind, None)
            samplers.append({"input": clock, "output": output, "interpolation": "LINEAR"})
            channels.append({"sampler": number, "target": {"node": node, "path": target}})
        self._animations.append({"name": name, "samplers": samplers, "channels": channels})

    def _accessor(
        self, values: npt.NDArray[Any], kind: str, target: int | None, *, bounds: bool = False
    ) -> int:
        self._data.extend(b"\0" * (-len(self._data) % 4))
        raw = np.ascontiguousarray(values).tobytes()
        view: Json = {"buffer": 0, "byteOffset": len(self._data), "byteLength": len(raw)}
        if target is not None:
            view["target"] = target
        self._data.extend(raw)
        self._views.append(view)
        codes = {"f": FLOAT, "H": UNSIGNED_SHORT, "I": UNSIGNED_INT}
        made: Json = {
            "bufferView": len(self._views) - 1,
            "componentType": codes[values.dtype.char if values.dtype.char != "L" else "I"],
            "count": len(values),
            "type": kind,
        }
        if bounds:
            flat = values.reshape(len(values), -1)
            made["min"], made["max"] = flat.min(0).tolist(), flat.max(0).tolist()
        self._accessors.append(made)
        return len(self._accessors) - 1

    def glb(self, roots: Sequence[int]) -> bytes:
        """Return the file: JSON chunk, then the binary chunk."""
        document: Json = {
            "asset": {"version": "2.0", "generator": "treescan", "extras": self.extras},
            "scene": 0,
            "scenes": [{"name": "tree", "nodes": list(roots)}],
            "nodes": self._nodes,
            "meshes": self._meshes,
            "materials": self._materials,
            "accessors": self._accessors,
            "bufferViews": self._views,
            "buffers": [{"byteLength": len(self._data)}],
        }
        if self._animations:
            document["animations"] = self._animations
        text = json.dumps(document, separators=(",", ":"), ensure_ascii=False).encode()
        text += b" " * (-len(text) % 4)
        data = bytes(self._data) + b"\0" * (-len(self._data) % 4)
        total = 12 + 8 + len(text) + 8 + len(data)
        return b"".join(
            [
                struct.pack("<4sII", b"glTF", 2, total),
                struct.pack("<I4s", len(text), b"JSON"),
                text,
                struct.pack("<I4s", len(data), b"BIN\0"),
                data,
            ]
        )


def _floats(values: npt.ArrayLike) -> npt.NDArray[np.float32]:
    return np.asarray(values, dtype=np.float32)


def _unit(values: npt.ArrayLike) -> npt.NDArray[np.float64]:
    array = np.asarray(values, dtype=np.float64)
    size = np.linalg.norm(array, axis=1, keepdims=True)
    up = np.broadcast_to([0.0, 0.0, 1.0], array.shape)
    return np.where(size > 1e-9, array / np.maximum(size, 1e-9), up)
