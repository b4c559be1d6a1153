"""What a file is, from its first bytes; the name's ending only breaks ties."""

from __future__ import annotations

import re
from pathlib import Path

from treescan.errors import ScanError

HEAD_BYTES = 65_536
_FOREIGN = {
    b"PK\x03\x04": "a ZIP archive: unpack it and give the scan inside",
    b"%PDF": "a PDF document",
    b"\x89PNG": "a PNG picture",
    b"\xff\xd8\xff": "a JPEG picture",
    b"\x1f\x8b": "a gzip archive: unpack it and give the scan inside",
    b"7z\xbc\xaf": "a 7-zip archive: unpack it and give the scan inside",
}
_NUMBER = re.compile(rb"^[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?$|^[+-]?(?:nan|inf)$", re.I)


def file_kind(path: Path) -> str:
    """One of "las", "ply", "pcd", "e57", "glb", "gltf", "obj", "stl", "text".

    Raises
    ------
    ScanError
        When the file is missing, empty, a folder, or no scan.
    """
    if not path.exists():
        raise ScanError(f"{path}: no such file; check the path of the scan")
    if path.is_dir():
        raise ScanError(f"{path}: is a folder; give the scan file inside it")
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    except OSError as fault:
        raise ScanError(f"{path}: cannot be opened ({fault.strerror}); check its rights") from fault
    if not head:
        raise ScanError(f"{path}: the file is empty (0 bytes); copy or export it again")
    return _kind_of(head, path)


def _kind_of(head: bytes, path: Path) -> str:
    if head.startswith(b"LASF"):
        return "las"
    if head.startswith((b"ply\n", b"ply\r")):
        return "ply"
    if head.startswith(b"ASTM-E57"):
        return "e57"
    if head.startswith(b"glTF"):
        return "glb"
    if re.search(rb"^\s*(?:#[^\n]*\n\s*)*VERSION\s+\S+\s+FIELDS\s", head[:2000]):
        return "pcd"
    for magic, what in _FOREIGN.items():
        if head.startswith(magic):
            raise ScanError(f"{path}: this is {what}; a scan (LAS, PLY, E57, XYZ ...) is needed")
    return _mesh_or_text(head, path)


def _mesh_or_text(head: bytes, path: Path) -> str:
    ending = path.suffix.lower()
    stripped = head.lstrip()
    if stripped.startswith(b"{") and b'"asset"' in head:
        return "gltf"
    if stripped.startswith(b"solid") and b"facet" in head:
        return "stl"
    binary_share = sum(byte < 9 or 13 < byte < 32 for byte in head) / len(head)
    if binary_share > 0.01:
        size = path.stat().st_size
        triangles = int.from_bytes(head[80:84], "little") if len(head) >= 84 else 0
        if triangles and 84 + 50 * triangles == size:
            return "stl"
        if ending == ".stl" and triangles:
            raise ScanError(
                f"{path}: the STL should be {84 + 50 * triangles:,} bytes but is {size:,}; "
                "it is cut short: copy or export it again"
            )
        raise ScanError(
            f"{path}: the content is no known scan format; give LAS, LAZ, PLY, PCD, E57, "
            "XYZ/CSV/PTS text, OBJ, GLB or STL"
        )
    if re.search(rb"^v\s+[-+0-9.]", head, re.M) and re.search(
        rb"^(?:v|vn|vt|f|o|g|mtllib|usemtl|s)\s", head, re.M
    ):
        return "obj"
    if _looks_numeric(head):
        return "text"
    raise ScanError(
        f"{path}: text, but no rows of three numbers were found in it; "
        "a scan as text has x y z (and colours) on every line"
    )


def _looks_numeric(head: bytes) -> bool:
    lines = head.splitlines()
    if len(head) >= HEAD_BYTES:
        lines = lines[:-1]
    numeric = tested = 0
    for line in lines[:2000]:
        fields = re.split(rb"[\s,;|]+", line.strip())
        fields = [part for part in fields if part]
        if not fields:
            continue
        tested += 1
        if sum(bool(_NUMBER.match(part)) for part in fields[:8]) >= min(3, len(fields)) >= 3:
            numeric += 1
    return numeric >= 1 and numeric >= 0.5 * min(tested, 40)
