"""``tree.glb`` and ``tree.ply``: the tree in pieces, with what is around it.

In the GLB one node turns the local frame (z up) into that of glTF (y up); below it lies one named
node a piece, moved to the piece's centre of mass so that its path can play as an animation, then
anchors, ties, paths, the room each piece sweeps, landings, targets, wires, zones and the ground.
Lengths are metres.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation
from shapely.geometry import Polygon

from treescan.planning.types import JobResult, Step
from treescan.report import colours
from treescan.report.cautions import SHORT
from treescan.report.facts import StepFacts, step_facts
from treescan.report.gltf import GltfWriter, Json
from treescan.report.joined_solids import Surface
from treescan.report.limb_surface import piece_surfaces
from treescan.report.ribbons import STAYS, piece_of_node
from treescan.report.site_shapes import (
    Solid,
    ball,
    draped,
    ground_line,
    ground_sheet,
    landing_outline,
    own_landings,
    pipe,
    prism,
    target_outline,
)
from treescan.report.swept_room import swept_room
from treescan.report.tables import shown_places

ON_LINE = ("lower", "speed line")
_HALF = float(np.sqrt(0.5))


Surfaces = dict[int, Surface]


def job_surfaces(result: JobResult) -> Surfaces:
    """Surface of every piece by step; 0 is what stays standing, or the whole measured tree."""
    return piece_surfaces(result.graph, piece_of_node(result))


def tree_glb(result: JobResult, surfaces: Surfaces | None = None) -> bytes:
    """Return the annotated tree as binary glTF 2.0.

    ``surfaces`` of :func:`job_surfaces` saves working them out again.
    """
    out = GltfWriter(extras={"caution": SHORT, "scan": result.scan_name, "legend": legend()})
    root = out.node("z up to y up", rotation=[-_HALF, 0.0, 0.0, _HALF])
    frame = out.node(
        "local frame",
        root,
        extras={"origin_m": [float(v) for v in result.origin_m], "unit": "metre"},
    )
    _add_pieces(out, result, frame, surfaces or job_surfaces(result))
    if result.plan:
        _add_anchors(out, result, frame)
        for step in result.plan.steps:
            _add_way(out, result, step, frame)
    _add_site(out, result, frame)
    _add(out, frame, "ground", _ground(result), colours.GROUND, 1.0, {})
    return out.glb([root])


def legend() -> dict[str, str]:
    """What each colour of the meshes means."""
    return {
        "piece": "load share of its limit: light is low, dark is at the limit, red is over it, "
        "grey has no line load; steps without load are grey",
        "sawn face": colours.SAWN,
        "stays standing": colours.STAYS,
        "anchor": colours.ANCHOR,
        "tie-in": colours.TIE_IN,
        "tie": colours.TIE,
        "path": colours.PATH,
        "swept room of a falling piece": colours.FALLS,
        "swept room of a piece on the line": colours.ON_LINE,
        "landing": colours.LANDING,
        "target": colours.TARGET,
        "conductor": colours.CONDUCTOR,
        "drop zone": colours.DROP_ZONE,
    }


def _add_pieces(out: GltfWriter, result: JobResult, frame: int, surfaces: Surfaces) -> None:
    facts = {f.number: f for f in step_facts(result)}
    steps = {s.number: s for s in result.plan.steps} if result.plan else {}
    group = out.node("pieces", frame)
    for number, surface in surfaces.items():
        if number == STAYS:
            name = "stays standing" if steps else "tree"
            mesh = _piece_mesh(out, name, surface, np.zeros(3), colours.STAYS)
            out.node(name, group, mesh=mesh, extras={"step": 0})
            continue
        step, fact = steps[number], facts[number]
        colour = colours.load_colour(fact.share)
        name = f"step {number:02d} {fact.name}"
        centre = np.asarray(step.piece.centre_m, dtype=np.float64)
        mesh = _piece_mesh(out, name, surface, centre, colour)
        place = [float(v) for v in centre]
        node = out.node(name, group, mesh=mesh, translation=place, extras=_extras(step, fact))
        _animate(out, step, name, node)


def _piece_mesh(
    out: GltfWriter, name: str, surface: Surface, centre: npt.NDArray[np.float64], colour: str
) -> int:
    bark = out.material(f"bark {colour}", colours.linear(colour))
    sawn = out.material("sawn face", colours.linear(colours.SAWN))
    parts = [(surface.face[~surface.sawn], bark), (surface.face[surface.sawn], sawn)]
    return out.mesh(name, surface.vertex_m - centre, surface.normal, parts)


def _extras(step: Step, fact: StepFacts) -> Json:
    load = step.load
    return {
        "step": step.number,
        "piece": fact.name,
        "limb": int(step.piece.limb),
        "method": step.method,
        "tie": step.tie,
        "anchor": step.anchor_id,
        "redirects": list(step.redirects),
        "mass_kg": step.piece.mass_kg.as_dict(1),
        "length_m": round(step.piece.length_m, 2),
        "butt_diameter_m": round(step.piece.butt_diameter_m, 3),
        "line_tension_N": load.lead_tension_n.as_dict(0) if load else None,
        "anchor_load_N": load.anchor_load_n.as_dict(0) if load else None,
        "governs": load.governs if load else None,
        "share_of_limit": round(load.share, 3) if load else None,
    }


def _animate(out: GltfWriter, step: Step, name: str, node: int) -> None:
    path = step.path
    time = np.asarray(path.time_s, dtype=np.float32)
    keep = np.concatenate([[True], np.diff(time) > 0]) if len(time) else np.zeros(0, dtype=bool)
    if keep.sum() < 2:
        return
    turn = Rotation.from_matrix(np.asarray(path.rotation)[keep]).as_quat()
    flips = np.cumprod(np.where(np.sum(turn[1:] * turn[:-1], axis=1) < 0, -1.0, 1.0))
    turn[1:] *= flips[:, None]
    out.animation(name, node, time[keep] - time[keep][0], path.centre_m[keep], turn)


def _add(
    out: GltfWriter, parent: int, name: str, solid: Solid, colour: str, alpha: float, extras: Json
) -> None:
    look = out.material(f"{colour} {alpha:g}", colours.linear(colour, alpha), two_sided=True)
    mesh = out.mesh(name, solid.vertex_m, solid.normal, [(solid.face, look)])
    out.node(name, parent, mesh=mesh, extras=extras or None)


def _add_anchors(out: GltfWriter, result: JobResult, frame: int) -> None:
    assert result.plan is not None
    owner = piece_of_node(result)
    for word, colour, ranked in (
        ("anchor", colours.ANCHOR, shown_places(result.plan.anchors)),
        ("tie-in", colours.TIE_IN, shown_places(result.plan.tie_ins, 3)),
    ):
        group = out.node(f"{word}s", frame) if ranked else None
        for item in ranked:
            a = item.anchor
            extras = {
                "id": a.anchor_id,
                "cut_away_at_step": int(owner[a.node]),
                "height_m": round(a.height_m, 2),
                "allowable_N": round(a.allowable_n),
                "peak_N": round(item.peak_n),
                "share": round(item.share, 3),
                "governs": a.governs,
                "reason": item.reason,
            }
            solid = ball(a.position_m, float(np.clip(0.6 * a.diameter_m, 0.14, 0.3)))
            _add(out, group or frame, f"{word} {a.anchor_id}", solid, colour, 1.0, extras)


def _add_way(out: GltfWriter, result: JobResult, step: Step, frame: int) -> None:
    tag = f"step {step.number:02d}"
    group = out.node(f"way of {tag}", frame, extras={"step": step.number})
    path = np.asarray(step.path.centre_m, dtype=np.float64)
    _add(
        out,
        group,
        f"path {tag}",
        pipe(_spaced(path), 0.035, 5),
        colours.PATH,
        1.0,
        {"kind": step.path.kind},
    )
    swept = swept_room(step.piece, step.path)
    if swept is not None:
        colour = colours.ON_LINE if step.method in ON_LINE else colours.FALLS
        closest = {c.target: round(c.distance_m - c.spread_m, 2) for c in step.clearances}
        extras: Json = {"swept": True, "least_clearance_m": closest}
        _add(out, group, f"swept room {tag}", swept, colour, 0.16, extras)
    for place, tie in enumerate(np.reshape(step.tie_m, (-1, 3)), start=1):
        solid = ball(tie, max(0.12, 0.6 * step.piece.butt_diameter_m))
        _add(out, group, f"tie {tag}.{place}", solid, colours.TIE, 1.0, {"tie": step.tie})
    if step.load is not None:
        case = step.load.case
        line = np.vstack([case.tie_m[:1], case.anchor.position_m, case.redirects_m, case.device_m])
        _add(out, group, f"line {tag}", pipe(line, 0.025, 5), colours.ANCHOR, 1.0, {"line": True})
    mark = ground_line(landing_outline(step.path), result.ground)
    _add(out, group, f"landing {tag}", mark, colours.LANDING, 1.0, {"landing": step.landing})


def _spaced(path: npt.NDArray[np.float64], step_m: float = 0.4) -> npt.NDArray[np.float64]:
    """Points of a path about ``step_m`` apart."""
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    if s[-1] <= step_m:
        return path[[0, -1]] if len(path) > 1 else path
    at = np.linspace(0, s[-1], int(s[-1] / step_m) + 2)
    return np.column_stack([np.interp(at, s, path[:, i]) for i in range(3)])


def _add_site(out: GltfWriter, result: JobResult, frame: int) -> None:
    site, ground = result.site.localised(result.origin_m), result.ground
    for target in site.target:
        solid = prism(target_outline(target), ground, target.base_m, target.height_m)
        extras: Json = {"margin_m": target.margin_m, "height_m": target.height_m}
        _add(out, frame, f"target {target.name}", solid, colours.TARGET, 0.55, extras)
    for wire in site.conductor:
        solid = pipe(np.asarray(wire.path_m), 0.06)
        extras = {"kilovolts": wire.kilovolts, "margin_m": wire.margin_m}
        _add(out, frame, f"conductor {wire.name}", solid, colours.CONDUCTOR, 1.0, extras)
    for zone in site.drop_zone:
        solid = draped(Polygon(zone.footprint_m), ground)
        _add(
            out,
            frame,
            f"drop zone {zone.name}",
            solid,
            colours.DROP_ZONE,
            0.6,
            {"surface": zone.surface},
        )
    for place in own_landings(site):
        solid = draped(Polygon(place.footprint_m), ground, 0.06)
        _add(
            out,
            frame,
            f"landing zone {place.name}",
            solid,
            colours.LANDING,
            0.6,
            {"surface": place.surface},
        )


def _ground(result: JobResult) -> Solid:
    xy = result.graph.position_m[:, :2]
    reach = float(np.abs(xy - xy[0]).max()) + 8.0
    return ground_sheet(result.ground, result.graph.position_m[0], reach)


def tree_ply(result: JobResult, surfaces: Surfaces | None = None) -> bytes:
    """Return the pieces as binary PLY with vertex properties ``piece`` (step) and ``load``.

    ``load`` is the share of the limit at the governing item, -1 where no line load acts.
    """
    shares = {f.number: f.share for f in step_facts(result)}
    vertices, faces, shift = [], [], 0
    for number, surface in (surfaces or job_surfaces(result)).items():
        share = shares.get(number)
        colour = colours.STAYS if number == STAYS else colours.step_colour(number)
        vertices.append(_ply_vertices(surface, number, -1.0 if share is None else share, colour))
        row = np.zeros(len(surface.face), dtype=[("count", "u1"), ("index", "<i4", 3)])
        row["count"], row["index"] = 3, surface.face + shift
        faces.append(row)
        shift += len(surface.vertex_m)
    table, triangles = np.concatenate(vertices), np.concatenate(faces)
    origin = " ".join(f"{v:.3f}" for v in result.origin_m)
    header = [
        "ply",
        "format binary_little_endian 1.0",
        f"comment {SHORT}",
        f"comment local metres, z up; add {origin} for scan coordinates",
        f"element vertex {len(table)}",
        *(f"property float {n}" for n in ("x", "y", "z", "nx", "ny", "nz")),
        *(f"property uchar {n}" for n in ("red", "green", "blue")),
        "property int piece",
        "property float load",
        f"element face {len(triangles)}",
        "property list uchar int vertex_indices",
        "end_header\n",
    ]
    return "\n".join(header).encode("ascii") + table.tobytes() + triangles.tobytes()


def _ply_vertices(surface: Surface, number: int, share: float, colour: str) -> npt.NDArray[np.void]:
    kind = [
        ("xyz", "<f4", 3),
        ("normal", "<f4", 3),
        ("rgb", "u1", 3),
        ("piece", "<i4"),
        ("load", "<f4"),
    ]
    rows = np.zeros(len(surface.vertex_m), dtype=kind)
    rows["xyz"], rows["normal"] = surface.vertex_m, surface.normal
    rows["rgb"] = np.round(colours.rgb(colour) * 255)
    rows["piece"], rows["load"] = number, share
    return rows
