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
MOST_BYTES = 200_000_000
MOST_EXTENT_M, MOST_RADIUS_M = 150.0, 10.0
"""No tree is larger; a file that says so is in other units or wrong. [m]"""

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
        "wood_values": {
            "confidence": result.species.confidence,
            "sources": result.species.sources,
            "citations": result.species.citations,
            "notes": list(result.mass.notes),
        },
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
        size = Path(path).stat().st_size
        if size > MOST_BYTES:
            raise InvalidInputError(
                f"{path}: {size / 1e6:.0f} MB; a tree file has at most {MOST_BYTES / 1e6:.0f} MB. "
                "Measure the scan again."
            )
        document = json.loads(Path(path).read_text(encoding="utf-8"))
    except InvalidInputError:
        raise
    except (OSError, ValueError, RecursionError) as error:
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
    try:
        graph = _graph_of(nodes, document)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        if isinstance(error, InvalidInputError):
            raise InvalidInputError(f"{path}: {error}") from error
        raise InvalidInputError(
            f"{path}: a node's value cannot be used ({type(error).__name__}: {error}). Correct it "
            "or measure again."
        ) from error
    extent, radius = float(np.ptp(graph.position_m, axis=0).max()), _widest_m(graph)
    if extent > MOST_EXTENT_M or radius > MOST_RADIUS_M:
        raise InvalidInputError(
            f"{path}: a tree {extent:.0f} m across with wood of {radius:.2f} m radius; the limits "
            f"are {MOST_EXTENT_M:.0f} m and {MOST_RADIUS_M:.0f} m. Check its unit: metres."
        )
    return graph


def _graph_of(nodes: list[Json], document: Json) -> TreeGraph:
    place: dict[object, int] = {}
    for row, node in enumerate(nodes):
        missing = [k for k in ("id", "x", "y", "z", "radius_m") if k not in node]
        if missing:
            raise InvalidInputError(f"node {row} lacks {missing[0]}. Add it.")
        if node["id"] in place:
            raise InvalidInputError(f"node id {node['id']} occurs twice. Keep one.")
        place[node["id"]] = row
    parent = [-1 if n.get("parent") is None else place[n["parent"]] for n in nodes]
    source = [SOURCE_NAMES.index(n.get("source", "fitted")) for n in nodes]
    origin = np.asarray(document.get("origin_m", (0.0, 0.0, 0.0)), dtype=np.float64)
    if origin.shape != (3,) or not np.isfinite(origin).all():
        raise InvalidInputError("origin_m is no point. Give [x, y, z].")
    return TreeGraph(
        position_m=_column(nodes, ("x", "y", "z")),
        radius_m=_column(nodes, ("radius_m",))[:, 0],
        radius_sd_m=_column(nodes, ("radius_sd_m",), 0.0)[:, 0],
        parent=np.asarray(parent, dtype=np.int32),
        limb=_whole(nodes, "limb"),
        order=_whole(nodes, "order"),
        support=np.clip(_column(nodes, ("support",), 1.0)[:, 0], 0.0, 1.0),
        source=np.asarray(source, dtype=np.int32),
        bridged=_column(nodes, ("bridged",), False)[:, 0].astype(bool),
        origin_m=origin,
        unseen_share=float(document.get("summary", {}).get("unseen_share", 0.0)),
        notes=tuple(str(note) for note in document.get("notes", ())),
    )


def _widest_m(graph: TreeGraph) -> float:
    """Largest radius or spread of one, spreads by size: none of them passes a real tree's."""
    return float(max(graph.radius_m.max(), np.abs(graph.radius_sd_m).max()))


def _column(nodes: list[Json], keys: tuple[str, ...], default: float | None = None) -> np.ndarray:
    rows = [[n[k] if default is None else n.get(k, default) for k in keys] for n in nodes]
    column = np.asarray(rows, dtype=np.float64)
    wrong = np.flatnonzero(~np.isfinite(column).all(axis=1))
    if len(wrong):
        raise InvalidInputError(f"node {wrong[0]}: {', '.join(keys)} must be finite numbers.")
    return column


def _whole(nodes: list[Json], key: str) -> np.ndarray:
    column = _column(nodes, (key,), 0)[:, 0]
    wrong = np.flatnonzero((column < 0) | (column >= len(nodes)) | (column != np.floor(column)))
    if len(wrong):
        raise InvalidInputError(
            f"node {wrong[0]}: {key} {column[wrong[0]]:g} is no whole number below the number of "
            "nodes."
        )
    return column.astype(np.int32)


def read_ground(document: Json) -> Ground | None:
    """Return the ground grid kept in a tree document, or None when it holds none.

    Raises
    ------
    InvalidInputError
        If it is no grid of finite heights.
    """
    kept = document.get("ground")
    if not kept:
        return None
    try:
        ground = Ground(
            float(kept["x0_m"]),
            float(kept["y0_m"]),
            float(kept["cell_m"]),
            np.asarray(kept["z_m"], dtype=np.float64),
            np.asarray(kept["seen"], dtype=bool),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InvalidInputError(
            f"tree file: its ground grid cannot be used ({type(error).__name__}: {error}). "
            "Measure the scan again."
        ) from error
    numbers = [ground.x0_m, ground.y0_m, ground.cell_m, *ground.z_m.ravel()]
    grid = ground.z_m.ndim == 2 and min(ground.z_m.shape) >= 2
    if not grid or ground.seen.shape != ground.z_m.shape or not np.isfinite(numbers).all():
        raise InvalidInputError(
            "tree file: its ground is no grid of finite heights. Measure the scan again."
        )
    if not 0.01 <= ground.cell_m <= 1000.0:
        raise InvalidInputError(
            f"tree file: ground cell_m is {ground.cell_m:g}; give 0.01 to 1000. Measure again."
        )
    return ground
