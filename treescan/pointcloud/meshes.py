"""Meshes from phones and printers (OBJ, GLB/glTF, STL, PLY with faces), sampled by area.

glTF 2.0 (ISO/IEC 12113:2022), section 3.4: +Y is up and lengths are metres.
"""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from treescan.errors import ScanError
from treescan.pointcloud.cloud import Floats
from treescan.pointcloud.gltf_check import check_gltf
from treescan.pointcloud.ply_pcd import refuse_short_ply
from treescan.pointcloud.source import ArraySource, Chunk, FileFacts

SAMPLE_POINTS = 2_000_000
"""Points laid on a mesh: 1 cm apart on 200 square metres."""


def read_mesh(path: Path, kind: str) -> ArraySource:
    """Points laid evenly over a mesh's faces; a file without faces gives its vertices.

    Raises
    ------
    ScanError
        When the mesh cannot be read or is empty.
    """
    parts = _parts(path, kind)
    if not all(_is_sound(part) for part in parts):
        raise ScanError(
            f"{path}: the {kind.upper()} mesh has corners without three coordinates or faces "
            "without corners; the file is damaged: copy or export it again"
        )
    rng = np.random.default_rng(0)
    chunks = _sampled([part for part in parts if len(getattr(part, "faces", ()))], rng)
    if not chunks:
        chunks = [
            Chunk(np.asarray(part.vertices, dtype=np.float64), _vertex_colours(part))
            for part in parts
            if len(getattr(part, "vertices", ()))
        ]
    if not chunks:
        raise ScanError(f"{path}: the mesh has no faces and no points; export the scan again")
    xyz = np.concatenate([chunk.stored for chunk in chunks])
    rgbs = [np.asarray(chunk.rgb, np.uint8) for chunk in chunks if chunk.rgb is not None]
    rgb: npt.NDArray[np.uint8] | None = None
    if len(rgbs) == len(chunks):
        rgb = np.concatenate(rgbs)
    stated = kind in ("glb", "gltf")
    facts = FileFacts(
        format_name=f"{kind.upper()} mesh",
        unit="m" if stated else None,
        unit_reason="glTF lengths are metres" if stated else "",
        up="y" if stated else None,
        up_reason="glTF is y-up" if stated else "",
        notes=(f"points were laid on the faces of the mesh ({len(xyz):,} points)",),
    )
    return ArraySource(path, facts, Chunk(xyz, rgb))


def _parts(path: Path, kind: str) -> list[Any]:
    import trimesh

    if kind in ("glb", "gltf"):
        check_gltf(path)
    elif kind == "ply":
        refuse_short_ply(path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            scene = trimesh.load_scene(str(path), file_type=kind, process=False)
            parts: list[Any] = list(scene.dump(concatenate=False))
            return parts
    except Exception as fault:
        text = (str(fault).strip().splitlines() or [type(fault).__name__])[0][:120]
        raise ScanError(
            f"{path}: the {kind.upper()} mesh cannot be read ({text}); export it again"
        ) from fault


def _is_sound(part: Any) -> bool:
    corners = np.shape(getattr(part, "vertices", ()))
    faces = np.asarray(getattr(part, "faces", ()))
    if len(corners) != 2 or corners[1] != 3:
        return corners in ((0,), (0, 3)) and faces.size == 0
    if faces.size == 0:
        return True
    in_range = faces.min() >= 0 and faces.max() < corners[0]
    return bool(faces.ndim == 2 and faces.shape[1] == 3 and in_range)


def _sampled(parts: list[Any], rng: np.random.Generator) -> list[Chunk]:
    corners = [np.asarray(part.vertices, dtype=np.float64)[part.faces] for part in parts]
    areas = [triangle_areas(corner) for corner in corners]
    total = sum(float(np.nansum(area)) for area in areas)
    if not total > 0.0 or not np.isfinite(total):
        return []
    chunks = []
    for part, corner, area in zip(parts, corners, areas, strict=True):
        weight = np.nan_to_num(area, nan=0.0, posinf=0.0)
        share = float(weight.sum()) / total
        faces, mixes = area_samples(weight, int(SAMPLE_POINTS * share), rng)
        if not len(faces):
            continue
        xyz = np.einsum("nk,nkd->nd", mixes, corner[faces])
        chunks.append(Chunk(xyz, _face_colours(part, faces, mixes)))
    return chunks


def triangle_areas(corners: Floats) -> Floats:
    """Areas of triangles, shape (n,), from corners of shape (n, 3, 3). [square of the unit]"""
    with np.errstate(over="ignore", invalid="ignore"):  # such faces weigh nothing
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        areas: Floats = 0.5 * np.linalg.norm(cross, axis=1)
    return areas


def area_samples(
    areas: Floats, count: int, rng: np.random.Generator
) -> tuple[npt.NDArray[np.int64], Floats]:
    """Faces drawn by area (stratified) and barycentric mixes, shapes (n,) and (n, 3).

    ``areas`` (f,) are those of the faces, in any unit.
    """
    sums = np.cumsum(areas)
    if count <= 0 or len(sums) == 0 or sums[-1] <= 0:
        return np.empty(0, dtype=np.int64), np.empty((0, 3))
    at = (np.arange(count) + rng.random(count)) / count * sums[-1]
    faces = np.minimum(np.searchsorted(sums, at, side="right"), len(areas) - 1)
    root = np.sqrt(rng.random(count))
    along = rng.random(count)
    mixes = np.column_stack((1.0 - root, root * (1.0 - along), root * along))
    return faces.astype(np.int64), mixes


def _vertex_colours(part: Any) -> npt.NDArray[np.uint8] | None:
    colours = getattr(part, "colors", None)
    if colours is None or len(colours) != len(part.vertices):
        return None
    return np.asarray(colours)[:, :3].astype(np.uint8)


def _face_colours(
    part: Any, faces: npt.NDArray[np.int64], mixes: Floats
) -> npt.NDArray[np.uint8] | None:
    try:
        visual = part.visual
        if getattr(visual, "kind", None) == "texture" and visual.uv is not None:
            spots = np.einsum("nk,nkd->nd", mixes, np.asarray(visual.uv)[part.faces[faces]])
            colours = visual.material.to_color(spots)
        elif getattr(visual, "kind", None) == "vertex":
            corner = np.asarray(visual.vertex_colors, dtype=np.float64)[part.faces[faces]]
            colours = np.einsum("nk,nkd->nd", mixes, corner)
        elif getattr(visual, "kind", None) == "face":
            colours = np.asarray(visual.face_colors)[faces]
        else:
            return None
        return np.clip(np.asarray(colours)[:, :3], 0, 255).astype(np.uint8)
    except Exception:  # noqa: BLE001 - a broken texture costs the colours, never the shape
        return None
