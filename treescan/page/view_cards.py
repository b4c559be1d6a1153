"""What a tap tells: cards of a limb, a union, a place, a step, in words with ranges.

A card is plain data in metric and US units; the page draws it, tests read it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from treescan.page.view_pick import PickedPlace, WoodPick
from treescan.page.view_scene import Union, ViewScene
from treescan.report import wording
from treescan.report.facts import METHODS, TIES
from treescan.report.frames import azimuth_deg
from treescan.report.wording import Words, bilingual, fill, plain
from treescan.rigging.anchors import why_not
from treescan.skeleton.graph import FITTED, INTERPOLATED
from treescan.units import Band

Json = dict[str, Any]
Floats = npt.NDArray[np.float64]

MOST_PATH = 120
"""Places of a path that are sent to the view."""
LITTLE_SEEN = 0.3
"""Below this share of the ring seen a diameter is doubtful: our choice."""

SOUND_FIRST = plain("From the scan alone: sound it and look at it before it carries anything.")
PLAN_ON_HIGH = plain("Ranges hold 9 of 10 cases. Choose gear, anchor and zone for the high end.")


@dataclass(frozen=True)
class Card:
    """A title, lines of name and value, and what must be read before acting."""

    title: Words
    lines: tuple[tuple[str, Words], ...]
    warnings: tuple[Words, ...] = ()


def limb_name(limb: int) -> str:
    """Name of a limb as cut list and view have it."""
    return "Stem" if limb == 0 else f"Limb {limb}"


def limb_card(scene: ViewScene, pick: WoodPick) -> Card:
    """Size here, size of the limb, and the weight of what lies beyond."""
    graph, node = scene.graph, pick.node
    radius, sd = float(graph.radius_m[node]), float(graph.radius_sd_m[node])
    limb = int(graph.limb[node])
    standing = scene.job.standing
    beyond, mass = graph.subtree(node), scene.job.mass
    low, high = max(radius - 2 * sd, 0.0), radius + 2 * sd
    lines = [
        ("Height here", wording.length(float(pick.at_m[2]) - scene.ground_m)),
        ("Diameter here, over bark", wording.diameter_range(2 * low, 2 * high)),
        ("Weight from here outward", wording.mass_range(mass.band(beyond[standing[beyond]]))),
    ]
    row = next((r for r in scene.job.survey.measures.limbs if r.limb == limb), None)
    if row is not None:
        size = fill(
            "{} at its base, {} long",
            wording.diameter(row.base_diameter_m),
            wording.length(row.length_m),
        )
        name = "Stem" if limb == 0 else "Whole limb"
        lines.append((name, size))
        if limb:
            leaves = fill("{} up, to the {}", wording.length(row.base_height_m),
                          wording.compass(row.azimuth_deg))  # fmt: skip
            lines.append(("Leaves its parent", leaves))
            whole = graph.subtree(row.base_node)
            all_of_it = wording.mass_range(mass.band(whole[standing[whole]]))
            lines.append(("Weight of all of it", all_of_it))
    lines.append(("What the scan saw", plain(_seen(scene, node))))
    return Card(plain(limb_name(limb)), tuple(lines), _wood_warnings(scene, node))


def _seen(scene: ViewScene, node: int) -> str:
    source, share = int(scene.graph.source[node]), float(scene.graph.support[node])
    if source == FITTED:
        return f"about {round(share * 20) * 5} % of the ring, diameter fitted"
    if source == INTERPOLATED:
        return "no ring here: diameter taken from the wood on both sides"
    return "too thin or hidden: diameter modelled"


def _wood_warnings(scene: ViewScene, node: int) -> tuple[Words, ...]:
    told = []
    if scene.graph.bridged[node]:
        told.append("The scan has a gap here: the wood was bridged across it.")
    elif int(scene.graph.source[node]) != FITTED or scene.graph.support[node] < LITTLE_SEEN:
        told.append("Little was seen of this wood: measure it before trusting the weight.")
    return (*(plain(t) for t in told), PLAN_ON_HIGH)


def union_card(scene: ViewScene, union: Union) -> Card:
    """What meets at a union, and whether a line may hang from it, with the reason."""
    row = next((u for u in scene.job.survey.measures.unions if u.node == union.branch), None)
    height = float(union.at_m[2]) - scene.ground_m
    limbs = scene.graph.limb
    title = fill("Union {} up", wording.length(height))
    lines = [
        ("Limbs", plain(f"{limb_name(int(limbs[union.branch]))} on "
                        f"{limb_name(int(limbs[union.node])).lower()}")),
    ]  # fmt: skip
    warnings: list[Words] = []
    if row is not None:
        parent, branch = row.parent_diameter_m, row.branch_diameter_m
        sizes = fill("{} on {}", wording.diameter(branch), wording.diameter(parent))
        lines.append(("Diameters", fill("{}; {} parts of 10", sizes, f"{10 * row.ratio:.0f}")))
        lines.append(("Angle", plain(f"{row.angle_deg:.0f}°")))
        if row.included_bark_suspected:
            warnings.append(bilingual(f"Included bark suspected: {row.reason}."))
    return Card(title, (*lines, *anchor_verdict(scene, union.node)), (*warnings, SOUND_FIRST))


def anchor_verdict(scene: ViewScene, node: int) -> list[tuple[str, Words]]:
    """Lines on a node as an anchor: usable or not, and why."""
    plan = scene.plan
    row = next((a for a in plan["anchors"] if int(a["node"]) == node), None) if plan else None
    if row is None:
        job = scene.job
        told = why_not(
            job.survey.graph, job.survey.measures, job.species, job.mass, job.site,
            job.survey.ground, node, wood_state=job.wood_state,
        )  # fmt: skip
        return [("As an anchor", bilingual(_after_colon(told)))]
    notes = [("Besides", bilingual(str(n))) for n in row["notes"]]
    if row["rejected"]:
        return [("As an anchor", bilingual(f"no: {row['rejected']}")), *notes]
    name = fill("{}: usable", str(row["id"]))
    lines = [
        ("As an anchor", name),
        ("May carry at most", wording.force_least(float(row["allowable_N"]))),
        ("What governs", bilingual(str(row["governs"]))),
    ]
    if row["peak_N"] > 0:
        lines.append(("In this plan", bilingual(str(row["rank_reason"]))))
        share = float(row["share"])
        peak = wording.force_most(float(row["peak_N"]))
        lines.append(("Hardest load", fill("{}, {} of its limit", peak, wording.percent(share))))
    else:
        lines.append(("In this plan", plain("not needed")))
    return lines + notes


def _after_colon(told: str) -> str:
    return told.split(": ", 1)[-1].rstrip(".")


def place_card(scene: ViewScene, place: PickedPlace) -> Card:
    """Height and position of a tapped point of the scan."""
    base = scene.graph.position_m[0]
    dx, dy = float(place.local_m[0] - base[0]), float(place.local_m[1] - base[1])
    side = wording.compass(azimuth_deg(dx, dy))
    names = {"scan": "Scan point", "wood": "Place on the wood", "ground": "Place on the ground"}
    x, y, z = (f"{v:.2f}" for v in place.scan_m)
    lines = (
        ("Height above the ground there", wording.length(max(place.height_m, 0.0), 2)),
        ("From the stem", fill("{} to the {}", wording.length(float(np.hypot(dx, dy))), side)),
        ("Above the stem's foot", wording.length(float(place.local_m[2]) - scene.ground_m, 2)),
        ("Scan coordinates", plain(f"{x}, {y}, {z} m")),
    )
    seen = bool(_ground_seen(scene, place.local_m))
    warnings = () if seen else (plain("The scan saw no ground there: the height is a guess."),)
    return Card(plain(names.get(place.on, place.on)), lines, warnings)


def _ground_seen(scene: ViewScene, at_m: Floats) -> bool:
    ground = scene.job.survey.ground
    row = round((at_m[1] - ground.y0_m) / ground.cell_m)
    column = round((at_m[0] - ground.x0_m) / ground.cell_m)
    rows, columns = ground.seen.shape
    return 0 <= row < rows and 0 <= column < columns and bool(ground.seen[row, column])


def piece_names(plan: Json) -> dict[int, str]:
    """Name of each step's piece: the stem or its limb, and which part when cut in several."""
    of_limb: dict[int, list[int]] = {}
    for step in plan["steps"]:
        of_limb.setdefault(int(step["piece"]["limb"]), []).append(int(step["step"]))
    names = {}
    for limb, numbers in of_limb.items():
        for place, number in enumerate(numbers, start=1):
            part = f", part {place} of {len(numbers)}" if len(numbers) > 1 else ""
            names[number] = limb_name(limb) + part
    return names


def band(row: Json) -> Band:
    """A band of plan.json."""
    return Band(float(row["low"]), float(row["likely"]), float(row["high"]))


def nearest(step: Json) -> Json | None:
    """The clearance with the least room beyond its margin, spread included."""
    rows = step.get("clearance_detail") or ()
    return min(rows, key=lambda c: c["distance_m"] - c["spread_m"] - c["margin_m"], default=None)


def nearest_words(step: Json) -> Words:
    """Closest target, how near the piece comes, and what is wanted."""
    row = nearest(step)
    if row is None:
        return plain("no targets are marked")
    gap, margin = row["distance_m"] - row["spread_m"], row["margin_m"]
    name = str(row["target"])
    if gap < 0 and step.get("broken_limits"):
        return fill("{}: would be hit; keep {}", name, wording.length(margin))
    if row["distance_m"] < 0:
        return fill("{}: this wood reaches it before the cut; take it off there first", name)
    if gap < 0:
        near = wording.length_least(row["distance_m"])
        keep = wording.length(margin)
        return fill("{}: likely {} away, but it may touch; keep {}", name, near, keep)
    return fill(
        "{}: {} away, keep {}", str(row["target"]), wording.length_least(gap),
        wording.length(margin),
    )  # fmt: skip


def way_lines(scene: ViewScene, step: Json) -> tuple[tuple[str, Words], ...]:
    """What is done with a piece, and what that loads: of a step or of a judged way."""
    piece, loaded = step["piece"], step.get("load") is not None
    cut = scene.local(piece["cut_m"])
    mass = band(piece["mass_kg"])
    most = fill("{}; plan on {}", wording.mass_range(mass), wording.mass_most(mass.high))
    size = fill("{} long, {} at the cut", wording.length(piece["length_m"]),
                wording.diameter(piece["butt_diameter_m"]))  # fmt: skip
    lines = [
        ("Weight", most),
        ("Size", size),
        ("Cut", fill("{} up", wording.length(float(cut[2]) - scene.ground_m))),
        ("Way", plain(METHODS.get(step["method"]) or str(step["method"]))),
    ]
    if step["hinge"]:
        side = step["hinge"]["face_azimuth_deg"]
        lines.append(("Face", plain(f"to the {wording.compass(side)} ({side:.0f}°)")))
    if step["tie"]:
        lines.append(("Tie", plain(TIES.get(step["tie"]) or str(step["tie"]))))
    if step["anchor"]:
        redirects = f", redirect at {', '.join(step['redirects'])}" if step["redirects"] else ""
        lines.append(("Anchor", plain(f"{step['anchor']}{redirects}")))
    if loaded:
        lines.append(("Line", wording.force_range(band(step["line_tension_N"]))))
        lines.append(("Anchor load", wording.force_range(band(step["anchor_load_N"]))))
        governs = step["governs"]
        share = wording.percent(float(governs["share"]))
        lines.append(("Of the limit", bilingual(f"{share}: {governs['item']}")))
    lines.append(("Closest", nearest_words(step)))
    lines.append(("Goes to", plain(step["landing"] or "no zone holds it")))
    minutes = wording.minutes_range(band(step["minutes"]))
    lines.append(("Time", plain(f"{minutes}, {step['people']} people")))
    return tuple(lines)


def step_card(scene: ViewScene, step: Json, name: str, count: int) -> Card:
    """One step of the plan."""
    load = step.get("load") or {}
    failed = [load["failed"]] if load.get("failed") else []
    broken = [f"Limit broken: {w}" for w in (*step["broken_limits"], *failed)]
    told = [*broken, *dict.fromkeys((*step["warnings"], *load.get("warnings", ())))]
    lines = way_lines(scene, step)
    chance = step.get("chance_of_breach")
    if chance is not None and chance > 0:
        share = f"in {max(100 * chance, 0.1):.1f} % of trials"
        lines = (*lines, ("A limit was broken", plain(share)))
    title = plain(f"Step {step['step']} of {count}: {name}")
    return Card(title, lines, tuple(bilingual(_sentence(t)) for t in told))


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:].rstrip(".") + "."


@dataclass(frozen=True)
class Change:
    """One figure before and after a change of a cut."""

    name: str
    was: Words
    now: Words


def changes(
    was: Sequence[tuple[str, Words]], now: Sequence[tuple[str, Words]]
) -> tuple[Change, ...]:
    """Lines that differ between two ways, in the order of the later one."""
    before = dict(was)
    found = [
        Change(name, before.get(name, plain("–")), value)
        for name, value in now
        if before.get(name) != value
    ]
    later = {name for name, _ in now}
    found += [Change(name, value, plain("–")) for name, value in was if name not in later]
    return tuple(found)


def way_drawing(scene: ViewScene, step: Json, *, sign: str = "") -> Json:
    """What the view draws of a step: path, landing, ties, line, cut and closest target."""
    piece = step["piece"]
    drawing: Json = {
        **_course(scene, step),
        "landing": _plain(scene.local(step["landing_m"])),
        "reach": min(max(float(step["landing_radius_m"]), 0.3), 30.0),
        "ties": [_plain(scene.local(t)) for t in step["tie_m"]],
        "cut": cut_ring(scene, piece["cut_m"], float(piece["butt_diameter_m"]), step),
        "sign": sign,
    }
    load = step.get("load")
    anchor = _anchor_m(scene, step)
    if load is not None and anchor is not None:
        ties = drawing["ties"][:1] or [drawing["cut"]["at"]]
        rest = [scene.local(p) for p in (*load["redirects_m"], load["device_m"])]
        drawing["line"] = [*ties, _plain(anchor), *(_plain(p) for p in rest)]
    row = nearest(step)
    if row is not None:
        drawing["near"] = _near_drawing(scene, row, nearest_words(step))
    return drawing


def _course(scene: ViewScene, step: Json) -> Json:
    """Where the centre of mass is when, and how the piece is turned then; and its wood."""
    rows = step["path"]
    kept = np.unique(np.linspace(0, max(len(rows) - 1, 0), MOST_PATH).round().astype(int))
    kept = kept if rows else kept[:0]
    turns = (step.get("path_detail") or {}).get("turn_wxyz")
    course: Json = {
        "path": [_plain(scene.local(rows[i][1:4])) for i in kept],
        "times": [round(rows[i][0] - rows[0][0], 3) for i in kept],
        "nodes": list(step["piece"].get("nodes", ())),
    }
    if turns:
        course["turns"] = [turns[i] for i in kept]
    return course


def _anchor_m(scene: ViewScene, step: Json) -> Floats | None:
    if step.get("load") and "anchor_m" in step["load"]:
        return scene.local(step["load"]["anchor_m"])
    rows = scene.plan["anchors"] if scene.plan else ()
    row = next((a for a in rows if a["id"] == step["anchor"]), None)
    return None if row is None else scene.local(row["position_m"])


def cut_ring(scene: ViewScene, cut_m: Sequence[float], diameter_m: float, step: Json) -> Json:
    """Ring round the place of a cut, across the wood."""
    node = step.get("node")
    axis = np.array([0.0, 0.0, 1.0])
    if node is not None:
        along = scene.graph.position_m[node] - scene.graph.edge_start_m[node]
        size = float(np.linalg.norm(along))
        axis = along / size if size > 1e-6 else axis
    return {
        "at": _plain(scene.local(cut_m)),
        "axis": _plain(axis),
        "radius": round(diameter_m / 2, 3),
    }


def _near_drawing(scene: ViewScene, row: Json, words: Words) -> Json:
    point = scene.local(row["point_m"])
    return {
        "name": row["target"],
        "from": _plain(point),
        "to": _plain(nearest_on_target(scene, str(row["target"]), point)),
        "kept": bool(row["kept"]),
        "time": row.get("time_s"),
        "text": words.metric,
        "text_us": words.us,
    }


def nearest_on_target(scene: ViewScene, name: str, point_m: Floats) -> Floats:
    """Point (3,) of a target's drawn surface that lies nearest to ``point_m`` (3,). [m]"""
    for solid in scene.document["solids"]:
        if solid["name"] == name and solid["kind"] in ("target", "conductor"):
            first, count = solid["place"]
            corner = np.frombuffer(scene.block, np.float32, count, first).reshape(-1, 3)
            face_at, faces = solid["face"]
            face = np.frombuffer(scene.block, np.uint32, faces, face_at).reshape(-1, 3)
            return _nearest_on_faces(corner.astype(np.float64)[face], point_m)
    return point_m


def _nearest_on_faces(triangle: Floats, point: Floats) -> Floats:
    """Nearest place to a point on triangles (f, 3, 3), by a grid of shares on each: ±5 %."""
    u, v = np.meshgrid(np.linspace(0, 1, 11), np.linspace(0, 1, 11))
    inside = u + v <= 1.0 + 1e-9
    u, v = u[inside], v[inside]
    weight = np.column_stack([1 - u - v, u, v])
    places = np.einsum("kc,fcx->fkx", weight, triangle).reshape(-1, 3)
    result: Floats = places[np.argmin(np.linalg.norm(places - point, axis=1))]
    return result


def _plain(point_m: npt.ArrayLike) -> list[float]:
    return [round(float(v), 3) for v in np.asarray(point_m, dtype=np.float64)]
