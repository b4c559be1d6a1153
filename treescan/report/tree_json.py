"""``tree.json``: the measured tree, complete enough to plan from again."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from treescan.errors import InvalidInputError
from treescan.planning.types import JobResult
from treescan.pointcloud.cloud import Ground
from treescan.report.cautions import SHORT
from treescan.skeleton.graph import SOURCE_NAMES, TreeGraph

FORMAT, VERSION = "treescan-tree", 1
Json = dict[str, Any]


def tree_document(result: JobResult) -> Json:
    """Return the document of ``tree.json`` (contract of outputs, version 1).

    Node positions are local metres; add ``origin_m`` for scan coordinates.
    """
    return {
        "format": FORMAT,
        "version": VERSION,
        "scan_name": result.scan_name,
        "origin_m": [float(v) for v in result.origin_m],
        "crs": result.crs,
        "species": result.species.scientific_name,
        "summary": _summary(result),
        "nodes": _nodes(result.graph),
        "notes": list(result.graph.notes),
        "unseen": list(result.unseen),
        "decisions": list(result.decisions),
        "unions": [_plain(asdict(row)) for row in result.measures.unions],
        "limbs": [_plain(asdict(row)) for row in result.measures.limbs],
        "ground": _ground(result.ground),
        "caution": SHORT,
    }


def _summary(result: JobResult) -> Json:
    m = result.measures
    everything = np.arange(len(result.graph))
    return {
        "height_m": round(m.height_m, 3),
        "dbh_m": round(m.dbh_m, 4),
        "dbh_sd_m": round(m.dbh_sd_m, 4),
        "dbh_height_m": round(m.dbh_height_m, 3),
        "crown_spread_m": round(m.crown_spread_m, 3),
        "crown_spread_cross_m": round(m.crown_spread_cross_m, 3),
        "crown_base_m": round(m.crown_base_m, 3),
        "live_crown_ratio": round(m.live_crown_ratio, 3),
        "lean_deg": round(m.lean_deg, 2),
        "lean_azimuth_deg": round(m.lean_azimuth_deg, 1),
        "volume_m3": round(m.volume_m3.likely, 4),
        "volume_band_m3": m.volume_m3.as_dict(4),
        "volume_over_7cm_m3": round(m.volume_over_7cm_m3.likely, 4),
        "volume_over_7cm_band_m3": m.volume_over_7cm_m3.as_dict(4),
        "green_mass_kg": result.mass.band(everything).as_dict(1),
        "unseen_share": round(m.unseen_share, 4),
        "stems": m.stems,
        "stem_diameters_m": [[round(h, 2), round(d, 4)] for h, d in m.stem_diameters_m],
    }


def _plain(row: Json) -> Json:
    return {k: round(v, 4) if isinstance(v, float) else v for k, v in row.items()}


def _nodes(graph: TreeGraph) -> list[Json]:
    """One row per node; lengths to 0.1 mm, which is far below any fit's spread."""
    xyz = np.round(graph.position_m, 4).tolist()
    radius = np.maximum(np.round(graph.radius_m, 5), 1e-5).tolist()
    spread = np.round(graph.radius_sd_m, 5).tolist()
    support = np.round(graph.support, 3).tolist()
    return [
        {
            "id": i,
            "x": xyz[i][0],
            "y": xyz[i][1],
            "z": xyz[i][2],
            "radius_m": radius[i],
            "radius_sd_m": spread[i],
            "parent": int(graph.parent[i]) if i else None,
            "limb": int(graph.limb[i]),
            "order": int(graph.order[i]),
            "source": SOURCE_NAMES[graph.source[i]],
            "support": support[i],
            "bridged": bool(graph.bridged[i]),
        }
        for i in range(len(graph))
    ]


def _ground(ground: Ground) -> Json:
    return {
        "x0_m": ground.x0_m,
        "y0_m": ground.y0_m,
        "cell_m": ground.cell_m,
        "z_m": np.round(ground.z_m, 3).tolist(),
        "seen": ground.seen.astype(int).tolist(),
    }


def read_tree(path: Path) -> tuple[TreeGraph, Json]:
    """Read a ``tree.json``; returns the graph and the whole document.

    Raises
    ------
    InvalidInputError
        If the file is not a tree document or a node is incomplete; names the node.
    """
    try:
        document = json.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, json.JSONDecodeError) as error:
        raise InvalidInputError(
            f"{path}: not readable as a tree file ({error}). Measure the scan again."
        ) from error
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        raise InvalidInputError(f"{path}: not a {FORMAT} file. Give a scan or a tree.json.")
    if document.get("version") != VERSION:
        raise InvalidInputError(
            f"{path}: version {document.get('version')!r}; this program reads version {VERSION}. "
            "Measure the scan again."
        )
    return _graph(document, Path(path)), document


def _graph(document: Json, path: Path) -> TreeGraph:
    nodes = document.get("nodes")
    if not isinstance(nodes, list) or not nodes:
        raise InvalidInputError(f"{path}: holds no nodes. Measure the scan again.")
    place = {}
    for row, node in enumerate(nodes):
        missing = [k for k in ("id", "x", "y", "z", "radius_m") if k not in node]
        if missing:
            raise InvalidInputError(f"{path}: node {row} lacks {missing[0]}. Add it.")
        if node["id"] in place:
            raise InvalidInputError(f"{path}: node id {node['id']} occurs twice. Keep one.")
        place[node["id"]] = row
    try:
        parent = [-1 if n.get("parent") is None else place[n["parent"]] for n in nodes]
        source = [SOURCE_NAMES.index(n.get("source", "fitted")) for n in nodes]
        return TreeGraph(
            position_m=_column(nodes, ("x", "y", "z")),
            radius_m=_column(nodes, ("radius_m",))[:, 0],
            radius_sd_m=_column(nodes, ("radius_sd_m",), 0.0)[:, 0],
            parent=np.asarray(parent, dtype=np.int32),
            limb=_column(nodes, ("limb",), 0)[:, 0].astype(np.int32),
            order=_column(nodes, ("order",), 0)[:, 0].astype(np.int32),
            support=_column(nodes, ("support",), 1.0)[:, 0],
            source=np.asarray(source, dtype=np.int32),
            bridged=_column(nodes, ("bridged",), False)[:, 0].astype(bool),
            origin_m=np.asarray(document.get("origin_m", (0.0, 0.0, 0.0)), dtype=np.float64),
            unseen_share=float(document.get("summary", {}).get("unseen_share", 0.0)),
            notes=tuple(document.get("notes", ())),
        )
    except (KeyError, TypeError, ValueError) as error:
        if isinstance(error, InvalidInputError):
            raise InvalidInputError(f"{path}: {error}") from error
        raise InvalidInputError(
            f"{path}: a node's value cannot be used ({error}). Correct it or measure again."
        ) from error


def _column(nodes: list[Json], keys: tuple[str, ...], default: float | None = None) -> np.ndarray:
    rows = [[n[k] if default is None else n.get(k, default) for k in keys] for n in nodes]
    return np.asarray(rows, dtype=np.float64)


def read_ground(document: Json) -> Ground | None:
    """Return the ground grid kept in a tree document, or None when it holds none."""
    kept = document.get("ground")
    if not kept:
        return None
    return Ground(
        float(kept["x0_m"]),
        float(kept["y0_m"]),
        float(kept["cell_m"]),
        np.asarray(kept["z_m"], dtype=np.float64),
        np.asarray(kept["seen"], dtype=bool),
    )
