"""glTF files that would swell in memory or never end, told from their description alone.

glTF 2.0 (ISO/IEC 12113:2022): an accessor without a buffer view stands for zeros (3.6.2.1), a mesh
may be used by any number of nodes (3.5.3), nodes form trees without cycles (3.5.2).
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from treescan.errors import ScanError

MOST_CORNERS = 60_000_000
"""Corners of all faces, every use of a mesh counted: 20 million triangles."""
MOST_NODES = 20_000
MOST_LEVELS = 200
_JSON_CHUNK = 0x4E4F534A
Json = dict[str, Any]


def check_gltf(path: Path) -> None:
    """Refuse a file whose description asks for more than a scan can have; GLB or glTF.

    Raises
    ------
    ScanError
        Naming what there is too much of, or that the description is cut short.  Other faults
        pass: the reader says what they are.
    """
    try:
        described = json.loads(_description(path))
    except (OSError, ValueError, RecursionError, struct.error):
        return
    if not isinstance(described, dict):
        return
    try:
        corners, nodes, levels = _corners(described), _nodes(described), _levels(described)
    except (TypeError, AttributeError, OverflowError, ValueError):
        return
    for what, count, most in (
        ("corners of faces", corners, MOST_CORNERS),
        ("nodes", nodes, MOST_NODES),
        ("levels of nodes", levels, MOST_LEVELS),
    ):
        if count > most:
            raise ScanError(
                f"{path}: the glTF scene has {count:,} {what} and may have {most:,}; "
                "export one mesh of the scan, with fewer faces"
            )


def _description(path: Path) -> bytes:
    """The JSON part."""
    with path.open("rb") as file:
        head = file.read(20)
        if not head.startswith(b"glTF"):
            file.seek(0)
            return file.read()
        length, kind = struct.unpack("<II", head[12:20])
        held = path.stat().st_size - 20
        if length > held:  # every reader would make room for all that is promised
            raise ScanError(
                f"{path}: the GLB mesh cannot be read (it promises {length:,} bytes of description "
                f"but holds {held:,}); it is cut short: copy or export it again"
            )
        return file.read(length) if kind == _JSON_CHUNK else b""


def _rows(described: Json, key: str) -> list[Any]:
    rows = described.get(key, [])
    return rows if isinstance(rows, list) else []


def _nodes(described: Json) -> int:
    return len(_rows(described, "nodes"))


def _corners(described: Json) -> int:
    counts = [int(row.get("count", 0)) for row in _rows(described, "accessors")]
    meshes = [sum(_uses(mesh, counts)) for mesh in _rows(described, "meshes")]
    used = [node.get("mesh", -1) for node in _rows(described, "nodes")]
    drawn = sum(meshes[n] for n in used if isinstance(n, int) and 0 <= n < len(meshes))
    return max(drawn, *meshes, *counts, 0)


def _uses(mesh: Json, counts: list[int]) -> Iterator[int]:
    """Corners of each part of a mesh: by its list of corners, else by its positions."""
    for part in mesh.get("primitives", ()):
        places = [part.get("indices"), part.get("attributes", {}).get("POSITION")]
        yield max(
            (counts[n] for n in places if isinstance(n, int) and 0 <= n < len(counts)), default=0
        )


def _levels(described: Json) -> int:
    """Levels below the nodes that no other names; what is only in a cycle hangs on none."""
    nodes = _rows(described, "nodes")
    children = [[c for c in node.get("children", ()) if isinstance(c, int)] for node in nodes]
    named = {child for row in children for child in row}
    level, now, met = 0, [n for n in range(len(nodes)) if n not in named], set(named)
    while now:
        level += 1
        below = {c for n in now for c in children[n] if 0 <= c < len(nodes) and c in met}
        met -= below
        now = list(below)
    return level
