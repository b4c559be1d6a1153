"""What seems to stand around the tree, proposed for a person to accept, change or strike out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from treescan.pointcloud.cloud import Float32s, Floats, Ground, Ints, PointCloud, TreePoints
from treescan.pointcloud.growth import PLANE_NEIGHBOURS, cells, neighbours
from treescan.pointcloud.openings import low_plants, open_ground
from treescan.pointcloud.planes import FlatPiece, flat_pieces
from treescan.pointcloud.structures import find_buildings, find_fences
from treescan.pointcloud.wires import find_wires

REACH_M = 45.0
"""Things farther from the tree than this are not proposed. [m]"""
CELL_M = 0.08
UNKNOWN_KILOVOLTS = '"unknown"'
"""Written for every wire: a site file is refused until a person puts the voltage there."""
BESIDE_WALL_M, BESIDE_WALL_SHARE = 0.6, 0.7
"""A fence that so nearly follows a building for so much of its length is one of its walls."""

Kind = Literal["building", "fence", "wire", "plants", "open ground"]


@dataclass(frozen=True)
class Proposal:
    """One thing the scan seems to show.

    Attributes
    ----------
    kind : str
    name : str
    how_sure : float
        0..1; never above 0.9, since nobody has looked yet.
    shape_m : ndarray, shape (k, 2) or (k, 3)
        Outline of a building, of plants or of open ground; path of a fence or wire. Local. [m]
    height_m : float
        Above the ground (ridge for a building). [m]
    remark : str
    """

    kind: Kind
    name: str
    how_sure: float
    shape_m: Floats
    height_m: float = 0.0
    remark: str = ""


def propose_site(cloud: PointCloud, ground: Ground, tree: TreePoints) -> list[Proposal]:
    """Buildings, fences, wires, plants and open ground around a tree.

    Parameters
    ----------
    cloud : PointCloud
    ground : Ground
    tree : TreePoints
        Its points are not proposed as anything else.
    """
    rest, above = _around(cloud, ground, tree)
    found: list[Proposal] = []
    taken = np.zeros(len(rest), dtype=bool)
    if len(rest) >= 200:
        cell_of_point, centre = cells(cloud.xyz[rest], max(CELL_M, 2.0 * cloud.spacing_m))
        size = max(CELL_M, 2.0 * cloud.spacing_m)
        cell_above = np.bincount(cell_of_point, weights=above) / np.bincount(cell_of_point)
        pieces = flat_pieces(centre, size, neighbours(centre, PLANE_NEIGHBOURS, 6.0 * size)[1])
        wires = find_wires(centre, cell_above, size)
        of_thing = np.zeros(len(centre), dtype=bool)
        for rows in (*(p.cells for p in pieces), *(w.cells for w in wires)):
            of_thing[rows] = True
        taken = of_thing[cell_of_point]
        found += _built(pieces, centre, cell_above)
        found += [
            Proposal(
                "wire",
                "wire",
                round(min(0.85, 0.35 + 0.5 * wire.seen_share), 2),
                wire.path_m,
                float(wire.path_m[:, 2].max()),
                f"sag {wire.sag_m:.2f} m; voltage unknown",
            )
            for wire in wires
        ]
    found += _plants(cloud, rest[~taken], above[~taken], tree, found)
    found += _openings(cloud, ground, rest, above, tree)
    return _numbered(found)


def _around(cloud: PointCloud, ground: Ground, tree: TreePoints) -> tuple[Ints, Floats]:
    xyz = cloud.xyz
    mine = np.zeros(len(xyz), dtype=bool)
    mine[tree.index] = True
    away = np.hypot(xyz[:, 0] - tree.base_m[0], xyz[:, 1] - tree.base_m[1])
    rows = np.flatnonzero(~mine & (away < REACH_M))
    above = xyz[rows, 2] - ground.height(xyz[rows, 0], xyz[rows, 1])
    standing = above > 0.12
    return rows[standing], above[standing]


def _built(pieces: list[FlatPiece], centre: Float32s, above: Floats) -> list[Proposal]:
    found = []
    for building in find_buildings(pieces, centre, above):
        sure = 0.4 + (0.25 if building.roof_seen else 0.0) + min(0.2, building.area_m2 / 300.0)
        remark = f"eaves {building.eaves_m:.1f} m, ridge {building.ridge_m:.1f} m"
        if not building.roof_seen:
            remark = f"walls only, to {building.ridge_m:.1f} m; the roof was not seen"
        found.append(
            Proposal(
                "building",
                "building",
                round(min(sure, 0.9), 2),
                building.footprint_m,
                building.ridge_m,
                f"{remark}; only the sides the scan saw",
            )
        )
    walls = [np.asarray(proposal.shape_m) for proposal in found]
    for fence in find_fences(pieces, centre, above):
        if _is_wall(fence.path_m, walls):
            continue
        sure = round(min(0.85, 0.4 + fence.length_m / 30.0), 2)
        found.append(Proposal("fence", "fence", sure, fence.path_m, fence.height_m))
    return found


def _is_wall(path_m: Floats, footprints_m: list[Floats]) -> bool:
    """Whether a fence runs along or inside a building: a wall that was split from it."""
    from shapely import LineString, Polygon

    line = LineString(path_m)
    near = (Polygon(shape).buffer(BESIDE_WALL_M) for shape in footprints_m)
    return any(line.intersection(area).length > BESIDE_WALL_SHARE * line.length for area in near)


def _plants(
    cloud: PointCloud, rows: Ints, above: Floats, tree: TreePoints, known: list[Proposal]
) -> list[Proposal]:
    low = above < 3.0
    own = np.zeros(len(rows), dtype=bool)
    for stem in tree.stems:
        away = np.hypot(cloud.xyz[rows, 0] - stem.x_m, cloud.xyz[rows, 1] - stem.y_m)
        own |= away < 0.6 * stem.diameter_m + 0.2
    keep = low & ~own
    return [
        Proposal(
            "plants",
            "plants",
            0.4,
            patch.outline_m,
            round(patch.height_m, 2),
            "shrub, bed, furniture or a person: look",
        )
        for patch in low_plants(cloud.xyz[rows[keep]], above[keep])
        if not _inside_known(patch.outline_m, known)
    ]


def _inside_known(outline: Floats, known: list[Proposal]) -> bool:
    from shapely import LineString, Polygon

    shape = Polygon(outline)
    for thing in known:
        if thing.kind == "building" and Polygon(thing.shape_m).buffer(0.4).covers(shape):
            return True
        if thing.kind == "fence" and LineString(thing.shape_m).buffer(0.5).covers(shape):
            return True
    return False


def _openings(
    cloud: PointCloud, ground: Ground, rest: Ints, above: Floats, tree: TreePoints
) -> list[Proposal]:
    tall = rest[above > 0.25]
    patches = open_ground(
        ground, cloud.xyz[tall, :2], (float(tree.base_m[0]), float(tree.base_m[1]))
    )
    return [
        Proposal(
            "open ground",
            "open ground",
            0.5,
            patch.outline_m,
            remark=f"{patch.area_m2:.0f} m², nothing stands there; what lies under it is unknown",
        )
        for patch in patches
    ]


def _numbered(proposals: list[Proposal]) -> list[Proposal]:
    count: dict[str, int] = {}
    result = []
    for proposal in proposals:
        count[proposal.kind] = count.get(proposal.kind, 0) + 1
        result.append(replace(proposal, name=f"{proposal.kind} {count[proposal.kind]}"))
    return result


def proposed_site_toml(proposals: list[Proposal], origin_m: Floats) -> str:
    """The proposals as a site file in scan coordinates, every entry marked with how sure.

    Landing places are written as comments: only a person may say where wood can fall.

    ``origin_m`` (3,) is added to give scan coordinates. [m]
    """
    lines = [
        "# Proposed from the scan alone. Nobody has checked it, and nothing uses it by itself.",
        "# Walk the site, then accept, change or strike out every entry. What the scan did not",
        "# see (buried pipes, glass, wires too thin to be hit) is not here.",
        "# Coordinates: scan coordinates in metres.",
        "",
        "[job]",
        'name = "proposed site"',
        '# species = "..."   # the scan cannot know it: fill in',
    ]
    for proposal in proposals:
        lines += ["", *_entry(proposal, np.asarray(origin_m, dtype=np.float64))]
    return "\n".join(lines) + "\n"


def _entry(proposal: Proposal, origin_m: Floats) -> list[str]:
    mark = f"# proposed, how sure: {proposal.how_sure:.2f}"
    if proposal.remark:
        mark += f" ({proposal.remark})"
    name = f'name = "{proposal.name}"'
    shape = _points(proposal.shape_m, origin_m)
    if proposal.kind == "wire":
        return [
            "[[conductor]]",
            mark,
            name,
            f"path_m = {shape}",
            f"kilovolts = {UNKNOWN_KILOVOLTS}   # ask the owner of the line, write the number",
        ]
    if proposal.kind == "open ground":
        return [
            mark,
            "# [[drop_zone]]",
            f"# {name}",
            f"# footprint_m = {shape}",
            '# surface = "turf"   # look: turf, bare soil, brush mat or paving',
        ]
    height = f"height_m = {max(proposal.height_m, 0.3):.2f}"
    if proposal.kind == "fence":
        return ["[[target]]", mark, name, f"path_m = {shape}", "width_m = 0.15", height]
    return ["[[target]]", mark, name, f"footprint_m = {shape}", height]


def _points(shape_m: Floats, origin_m: Floats) -> str:
    moved = shape_m + origin_m[: shape_m.shape[1]]
    return "[" + ", ".join("[" + ", ".join(f"{v:.2f}" for v in row) + "]" for row in moved) + "]"
