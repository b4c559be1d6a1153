"""What the 3-D view draws: the wood by node, what stands around it, and where to look from.

Everything is in the local frame, z up.  One binary block holds every array; a document of plain
values says where in the block each array lies.  The wood carries its node number at every
corner, so that a changed cut, a finished piece or a chosen limb is a matter of colour alone and
the surface is sent once.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from shapely.geometry import Polygon

from treescan.mensuration.breast_height import uphill_ground_m
from treescan.pipeline.folder import JobFolder, read_folder
from treescan.report import colours
from treescan.report.limb_surface import Chain, limb_chains, ring_points
from treescan.report.site_shapes import Solid, draped, ground_sheet, pipe, prism, target_outline
from treescan.site.model import DropZone, Landing, Site
from treescan.skeleton.graph import TreeGraph

Floats = npt.NDArray[np.float64]
Json = dict[str, Any]

SIDES = 12
NAMED_LIMBS = 14
UNION_DIAMETER_M = 0.07
"""Branches from this size on are shown with their union: what a line may be asked to hang from
is larger, smaller ones would hide the wood. Our choice. [m]"""


@dataclass
class Block:
    """Arrays put one behind the other, each on a multiple of four bytes."""

    data: bytearray = field(default_factory=bytearray)

    def add(self, values: npt.NDArray[Any]) -> list[int]:
        """Append an array of any shape; returns where it begins and how many values it has."""
        self.data.extend(b"\0" * (-len(self.data) % 4))
        first = len(self.data)
        self.data.extend(np.ascontiguousarray(values).tobytes())
        return [first, int(values.size)]


@dataclass(frozen=True)
class Union:
    """A place where a limb leaves another, as the view marks it, at ``at_m`` (3,). [m]

    ``node`` is the place on the parent limb, ``branch`` the first node of the limb.
    """

    node: int
    branch: int
    at_m: Floats
    radius_m: float
    holds: bool


@dataclass(frozen=True)
class ViewScene:
    """A job as the view sees it.

    Attributes
    ----------
    job : JobFolder
        The result folder read back.
    ground_m : float
        Height that heights count from, local frame. [m]
    unions : tuple of Union
        Those with a branch of some size, the thickest first.
    document : dict
        What is drawn, and where its arrays lie in ``block``.
    """

    job: JobFolder
    ground_m: float
    unions: tuple[Union, ...]
    document: Json
    block: bytes

    @property
    def graph(self) -> TreeGraph:
        """The wood."""
        return self.job.survey.graph

    @property
    def plan(self) -> Json | None:
        """plan.json, or None."""
        return self.job.plan

    def local(self, point_m: npt.ArrayLike) -> Floats:
        """Scan coordinates, shape (..., 3), to the local frame. [m]"""
        return np.asarray(point_m, dtype=np.float64) - self.job.survey.origin_m


def read_scene(folder: Path, site_path: Path | None = None) -> ViewScene:
    """Read a result folder and prepare what the view draws of it.

    Raises
    ------
    InvalidInputError
        If the folder is no result.
    """
    site = site_path if site_path is not None and site_path.is_file() else None
    job = read_folder(folder, site_path=site)
    graph, ground = job.survey.graph, job.survey.ground
    unions = marked_unions(job)
    block = Block()
    level = uphill_ground_m(graph, ground)
    low, high = graph.position_m.min(0), graph.position_m.max(0)
    document = {
        "nodes": len(graph),
        "wood": wood_arrays(graph, block),
        "solids": [_solid(block, *row) for row in _site_solids(job)],
        "base": _plain(graph.position_m[0]),
        "low": _plain(low),
        "high": _plain(high),
        "signs": _signs(job),
        "unions": [
            {"at": _plain(u.at_m), "r": round(u.radius_m, 3), "holds": u.holds} for u in unions
        ],
        "stays": colours.STAYS,
        "sawn": colours.SAWN,
    }
    return ViewScene(job, level, unions, document, bytes(block.data))


def wood_arrays(graph: TreeGraph, block: Block) -> dict[str, list[int]]:
    """Put the surface of all wood into ``block``; returns where its arrays lie.

    ``place`` (v, 3) float32 metres, ``normal`` (v, 4) int8, ``node`` (v,) float32 and ``face``
    (f, 3) uint32.  The last corner of a face lies on the ring of the node it belongs to.
    """
    places, normals, nodes, faces = [], [], [], []
    shift = 0
    for chain in limb_chains(graph, np.arange(len(graph), dtype=np.int64)):
        place, normal, node, face = _tube(chain)
        places.append(place)
        normals.append(normal)
        nodes.append(node)
        faces.append(face + shift)
        shift += len(place)
    normal8 = np.zeros((shift, 4), dtype=np.int8)
    normal8[:, :3] = np.round(np.concatenate(normals) * 127.0)
    return {
        "place": block.add(np.concatenate(places).astype(np.float32)),
        "normal": block.add(normal8),
        "node": block.add(np.concatenate(nodes).astype(np.float32)),
        "face": block.add(np.concatenate(faces).astype(np.uint32)),
    }


def _tube(chain: Chain) -> tuple[Floats, Floats, Floats, npt.NDArray[np.int64]]:
    """Rings of one limb joined to a tube that is closed at its tip."""
    corners = int(np.clip(4 + 60 * float(chain.radius_m.max()), 4, SIDES))
    rings, normals, _ = ring_points(chain, corners)
    count = len(rings)
    owner = np.concatenate([chain.owner[:1], chain.owner])
    corner = np.arange(corners)
    base = (np.arange(count - 1) * corners)[:, None]
    a, b = base + corner, base + (corner + 1) % corners
    up = corners
    side = np.concatenate([np.stack([a, b, b + up], -1), np.stack([a, b + up, a + up], -1)], 1)
    last = (count - 1) * corners
    fan = np.column_stack([np.full(corners - 2, last), last + corner[1:-1], last + corner[2:]])
    face = np.concatenate([side.reshape(-1, 3), fan])
    return rings.reshape(-1, 3), normals.reshape(-1, 3), np.repeat(owner, corners), face


def _site_solids(job: JobFolder) -> list[tuple[str, str, Solid, str, float]]:
    """Kind, name, shape, colour and opacity of everything that stands or lies around."""
    site, ground, graph = job.site, job.survey.ground, job.survey.graph
    reach = float(np.abs(graph.position_m[:, :2] - graph.position_m[0, :2]).max()) + 8.0
    sheet = ground_sheet(ground, graph.position_m[0], reach)
    rows: list[tuple[str, str, Solid, str, float]] = [("ground", "", sheet, colours.GROUND, 1.0)]
    for target in site.target:
        shape = prism(target_outline(target), ground, target.base_m, target.height_m)
        rows.append(("target", target.name, shape, colours.TARGET, 0.5))
    for wire in site.conductor:
        bar = pipe(np.asarray(wire.path_m), 0.08)
        rows.append(("conductor", wire.name, bar, colours.CONDUCTOR, 1.0))
    for kind, zones, colour in (
        ("drop zone", site.drop_zone, colours.DROP_ZONE),
        ("landing", site.landing, colours.LANDING),
    ):
        for zone in zones:
            cloth = draped(Polygon(zone.footprint_m), ground, 0.05)
            rows.append((kind, zone.name, cloth, colour, 0.55))
    return rows


def _solid(block: Block, kind: str, name: str, solid: Solid, colour: str, alpha: float) -> Json:
    return {
        "kind": kind,
        "name": name,
        "colour": colour,
        "alpha": alpha,
        "place": block.add(solid.vertex_m.astype(np.float32)),
        "normal": block.add(solid.normal.astype(np.float32)),
        "face": block.add(solid.face.astype(np.uint32)),
    }


def _signs(job: JobFolder) -> list[Json]:
    """Names that stand in the view: what must not be hit, zones, anchors in use, the tie-in."""
    site, ground = job.site, job.survey.ground
    signs = []
    for target in site.target:
        outline = target_outline(target)
        spot = outline.representative_point()
        low = float(np.min(ground.height(*np.asarray(outline.exterior.coords)[:, :2].T)))
        top = low + target.base_m + target.height_m
        signs.append(_sign("target", target.name, (spot.x, spot.y, top + 0.3)))
    for wire in site.conductor:
        path = np.asarray(wire.path_m, dtype=np.float64)
        signs.append(_sign("conductor", wire.name, path[len(path) // 2] + [0, 0, 0.4]))
    every: list[DropZone | Landing] = [*site.landing, *site.drop_zone]
    zones = {zone.name: zone for zone in every}
    for zone in zones.values():
        spot = Polygon(zone.footprint_m).representative_point()
        level = float(ground.height(spot.x, spot.y))
        signs.append(_sign("zone", zone.name, (spot.x, spot.y, level + 0.2)))
    plan, origin = job.plan, job.survey.origin_m
    for row in plan["anchors"] if plan else ():
        if row["peak_N"] > 0:
            at = np.asarray(row["position_m"]) - origin
            signs.append(_sign("anchor", str(row["id"]), at, int(row["node"])))
    tie = next((t for t in plan["tie_in"] if not t["rejected"]), None) if plan else None
    if tie is not None:
        at = np.asarray(tie["position_m"]) - origin
        signs.append(_sign("tie-in", f"Tie-in {tie['id']}", at, int(tie["node"])))
    return signs + _limb_signs(job)


def _limb_signs(job: JobFolder) -> list[Json]:
    """Names of the thickest limbs, each a third of the way along its limb."""
    graph, rows = job.survey.graph, job.survey.measures.limbs
    thickest = sorted((r for r in rows if r.limb), key=lambda r: -r.base_diameter_m)
    signs = []
    for row in thickest[:NAMED_LIMBS]:
        nodes = np.flatnonzero(graph.limb == row.limb)
        node = int(nodes[len(nodes) // 3])
        signs.append(_sign("limb", f"Limb {row.limb}", graph.position_m[node], node))
    return signs


def _sign(kind: str, text: str, at_m: npt.ArrayLike, node: int = 0) -> Json:
    """A name at a place; one with a node goes when the wood there does."""
    return {"kind": kind, "text": text, "at": _plain(at_m), "node": node}


def _plain(point_m: npt.ArrayLike) -> list[float]:
    return [round(float(v), 3) for v in np.asarray(point_m, dtype=np.float64)]


def marked_unions(job: JobFolder) -> tuple[Union, ...]:
    """Unions that the view marks; ``holds`` where the plan found an anchor there."""
    graph = job.survey.graph
    rows = job.plan["anchors"] if job.plan else ()
    usable = {int(a["node"]) for a in rows if not a["rejected"]}
    found: dict[int, Union] = {}
    for row in sorted(job.survey.measures.unions, key=lambda u: -u.branch_diameter_m):
        place = int(graph.parent[row.node])
        if row.branch_diameter_m < UNION_DIAMETER_M or place in found:
            continue
        found[place] = Union(
            place,
            int(row.node),
            graph.position_m[place],
            float(graph.radius_m[place]),
            place in usable,
        )
    return tuple(found.values())


def eye_places(
    scene: ViewScene, cut_m: Floats | None = None, tie_in_m: Floats | None = None
) -> dict[str, tuple[list[float], list[float]]]:
    """Where to look from and at: front, side, plan, climber's and ground crew's eye.

    The climber's eye is at the tie-in and looks at the cut; without a tie-in it is an arm's
    length beside the cut.  The ground crew stands at eye height near the first landing zone.

    ``cut_m`` and ``tie_in_m`` are (3,) in the local frame; places come back as [x, y, z]. [m]
    """
    graph, site = scene.graph, scene.job.site
    low, high = graph.position_m.min(0), graph.position_m.max(0)
    middle = np.array([*((low + high) / 2)[:2], low[2] + 0.48 * (high[2] - low[2])])
    far = 1.3 * max(float(np.max(high - low)), 4.0)
    stand = _ground_place(scene, site)
    to = middle if cut_m is None else cut_m
    if tie_in_m is not None and (cut_m is None or np.linalg.norm(tie_in_m - cut_m) > 1.0):
        eye = tie_in_m + _outward(to - tie_in_m) * 0.5 + [0, 0, 0.3]
    else:
        away = _outward(to - graph.position_m[0])
        eye = to + 2.6 * np.array([-away[1], away[0], 0.0]) - 0.8 * away + [0, 0, 0.9]
    places = {
        "front": (middle + np.array([0, -far, 0.1 * far]), middle),
        "side": (middle + np.array([far, 0, 0.1 * far]), middle),
        "plan": (middle + np.array([0, -0.01, 1.25 * far]), middle),
        "climber": (eye, to),
        "ground": (stand, to if cut_m is not None else middle),
    }
    return {name: (_plain(eye), _plain(at)) for name, (eye, at) in places.items()}


def _ground_place(scene: ViewScene, site: Site) -> Floats:
    """Eyes of somebody by the landing place nearest the stem, 1.7 m up."""
    base, graph = scene.graph.position_m[0], scene.graph
    zones: list[DropZone | Landing] = [*site.landing, *site.drop_zone]
    away = np.array([0.4, -1.0])
    if zones:
        spot = Polygon(zones[0].footprint_m).representative_point()
        away = np.array([spot.x - base[0], spot.y - base[1]])
    size = float(np.linalg.norm(away))
    tall = float(np.ptp(graph.position_m[:, 2]))
    spot_m = base[:2] + away / max(size, 1e-6) * max(size, 0.8 * tall)
    return np.array([*spot_m, float(scene.job.survey.ground.height(*spot_m)) + 1.7])


def _outward(direction: Floats) -> Floats:
    flat = np.array([direction[0], direction[1], 0.0])
    size = float(np.linalg.norm(flat))
    return flat / size if size > 0.05 else np.array([1.0, 0.0, 0.0])
