# ruff: noqa: E501
"""A small but complete job: a grown tree of known geometry, a site, steps, haul.

Loads here are made up; what is tested is that the outputs say what the job holds.
"""

from __future__ import annotations

import numpy as np

from tests.scenes.grow import truth_graph
from treescan.mensuration.measures import LimbRow, TreeMeasures, UnionRow
from treescan.motion.types import Clearance, Path
from treescan.planning.types import (
    Alternative,
    HaulPlan,
    HaulRow,
    JobResult,
    Plan,
    RankedAnchor,
    Step,
    TruckLoads,
)
from treescan.pointcloud.cloud import Ground
from treescan.rigging.types import Anchor, GearItem, GearSet, LoadCase, LoadResult
from treescan.site.model import Site
from treescan.skeleton.graph import TreeGraph
from treescan.units import Band
from treescan.wood.types import GreenMass, Piece, Species

ORIGIN = np.array([431200.5, 5411034.25, 312.0])
NASTY = "shed <img src=x onerror=alert(1)> & 'co'"


def band(value: float, spread: float = 0.2) -> Band:
    return Band(value * (1 - spread), value, value * (1 + spread))


def make_graph(seed: int = 3, shape: str = "broadleaf") -> TreeGraph:
    graph = truth_graph(shape, seed)
    from dataclasses import replace

    return replace(graph, origin_m=ORIGIN)


def make_mass(graph: TreeGraph) -> GreenMass:
    length, r0, r1 = graph.edge_length_m, graph.edge_start_radius_m, graph.radius_m
    wood = np.pi / 3 * length * (r0**2 + r0 * r1 + r1**2) * 1050.0
    crown = np.where(graph.child_count == 0, 0.6, 0.0)
    likely = wood + crown
    return GreenMass(wood, crown, 0 * crown, 0.8 * likely, likely, 1.25 * likely)


def make_piece(graph: TreeGraph, mass: GreenMass, node: int, taken: np.ndarray) -> Piece:
    nodes = graph.subtree(node)
    nodes = nodes[~taken[nodes]]
    weight = mass.likely_kg[nodes]
    middle = (graph.position_m[nodes] + graph.edge_start_m[nodes]) / 2
    centre = (middle * weight[:, None]).sum(0) / weight.sum()
    path = graph.path_length_m
    up = graph.parent[node]
    axis = graph.position_m[node] - graph.position_m[up]
    off = middle - centre
    square = (off**2).sum(1)
    inertia = np.eye(3) * (weight * square).sum() - (off * weight[:, None]).T @ off
    return Piece(
        butt_node=int(node),
        nodes=nodes.astype(np.int32),
        limb=int(graph.limb[node]),
        mass_kg=mass.band(nodes),
        centre_m=centre,
        inertia_kg_m2=inertia + np.eye(3) * 1e-3,
        cut_m=graph.edge_start_m[node],
        axis=axis / np.linalg.norm(axis),
        length_m=float((path[nodes] - path[up]).max()),
        butt_diameter_m=float(2 * graph.edge_start_radius_m[node]),
        top_diameter_m=float(2 * graph.radius_m[nodes].min()),
        outline_m=graph.position_m[nodes[:: max(len(nodes) // 12, 1)]],
        outline_radius_m=np.full(len(nodes[:: max(len(nodes) // 12, 1)]), 0.3),
    )


def fall_path(piece: Piece, end: np.ndarray, kind: str) -> Path:
    """A parabola-like way down with a quarter turn."""
    t = np.arange(0, 1.85, 0.05)
    share = (t / t[-1])[:, None]
    centre = piece.centre_m + (end - piece.centre_m) * np.hstack([share, share, share**2])
    if kind == "lower":
        centre[:, 2] = piece.centre_m[2] + (end[2] - piece.centre_m[2]) * share[:, 0]
    angle = np.pi / 2 * share[:, 0]
    turn = np.zeros((len(t), 3, 3))
    turn[:, 0, 0] = turn[:, 2, 2] = np.cos(angle)
    turn[:, 0, 2], turn[:, 2, 0] = np.sin(angle), -np.sin(angle)
    turn[:, 1, 1] = 1.0
    return Path(t, centre, turn, np.zeros_like(t), kind, end, 1.2, 900.0, 0.4)


def choose_cuts(graph: TreeGraph, mass: GreenMass) -> list[int]:
    """Cut nodes from the outside in: big limbs at their start, then the stem in logs."""
    total = graph.subtree_sum(mass.likely_kg)
    stem = np.flatnonzero(graph.limb == 0)
    limbs = [
        n
        for n in np.flatnonzero(graph.starts_limb)
        if total[n] > 12 and graph.limb[graph.parent[n]] == 0
    ]
    limbs.sort(key=lambda n: -graph.position_m[n, 2])
    outer = []
    for start in limbs:
        own = np.flatnonzero(graph.limb == graph.limb[start])
        if total[start] > 150:
            outer.append(int(own[len(own) // 2]))
        outer.append(int(start))
    logs, last = [], graph.position_m[stem, 2].max()
    for n in stem[::-1]:
        if (
            n > 0
            and last - graph.position_m[graph.parent[n], 2] >= 2.4
            and graph.position_m[graph.parent[n], 2] > 0.3
        ):
            logs.append(int(n))
            last = graph.position_m[graph.parent[n], 2]
    return outer + logs


def make_load(piece: Piece, anchor: Anchor, share: float) -> LoadResult:
    item = GearItem("made-up line", "line", 40e3, "made up for tests [from memory]", 300e3)
    gear = GearSet(item, 60.0, item, item, item, 0.7, 0.85)
    case = LoadCase(
        piece,
        anchor,
        "butt",
        piece.cut_m[None],
        np.zeros((0, 3)),
        np.array([0.5, 0, 1.2]),
        gear,
        0.5,
        0.2,
    )
    weight = piece.mass_kg.scaled(9.81)
    return LoadResult(
        case, weight.scaled(1.6), weight.scaled(1.2), weight.scaled(2.7), np.array([0.0, 0.3, -0.95]),
        22.0, 1.0, {"line": share * 0.7, "spar section": share}, "spar section at 4.2 m", share, 5,
        ("Line lies over the shed on the way down: keep the tag line on until it is past.",),
        device_wraps=2.5,
    )  # fmt: skip


def make_job(seed: int = 3, *, shape: str = "broadleaf", with_plan: bool = True) -> JobResult:
    graph = make_graph(seed, shape)
    mass = make_mass(graph)
    ground = Ground(-20.0, -20.0, 1.0, np.zeros((41, 41)), np.ones((41, 41), dtype=bool))
    site = make_site().localised(np.zeros(3))
    steps, anchors = make_steps(graph, mass)
    plan = make_plan(steps, anchors) if with_plan else None
    rng = np.random.default_rng(seed)
    pick = rng.integers(1, len(graph), 20_000)
    xyz = graph.position_m[pick] + rng.normal(0, 1, (20_000, 3)) * graph.radius_m[pick, None]
    rgb = np.clip(rng.normal([110, 100, 80], 15, (20_000, 3)), 0, 255).astype(np.uint8)
    item = GearItem("made-up line", "line", 40e3, "made up for tests [from memory]", 300e3)
    return JobResult(
        scan_name="back garden <oak>.laz", origin_m=ORIGIN, display_xyz=xyz.astype(np.float32),
        display_rgb=rgb, tree_xyz=xyz.astype(np.float32), ground=ground, graph=graph,
        measures=make_measures(graph), species=make_species(), mass=mass, site=site,
        gear=GearSet(item, 60.0, item, item, item, 0.7, 0.85) if with_plan else None,
        plan=plan, haul=make_haul(),
        decisions=("Metres and z up: as the file's header states.", "No tape check was given: 1 m may be off."),
        unseen=("The north-west side of limb 4 above 9 m was not seen: its diameter is modelled.",),
        cautions=("The species was typed in, not checked: confirm it before the first cut.",),
        crs="EPSG:32632", date="2026-11-25",
    )  # fmt: skip


def make_site() -> Site:
    return Site.model_validate(
        {
            "job": {"name": "back garden", "species": "Quercus rubra"},
            "target": [
                {"name": NASTY, "footprint_m": [(6, 2), (10, 2), (10, 6), (6, 6)], "height_m": 2.6},
                {"name": "fence", "path_m": [(-12, -7), (12, -7)], "width_m": 0.1, "height_m": 1.6},
            ],
            "conductor": [
                {"name": "service drop", "path_m": [(-12, 9, 5.5), (12, 9, 5.2)], "kilovolts": 0.4}
            ],
            "drop_zone": [{"name": "lawn", "footprint_m": [(-9, -6), (4, -6), (4, -1), (-9, -1)]}],
            "landing": [
                {
                    "name": "drive",
                    "footprint_m": [(-10, 0), (-6, 0), (-6, 5), (-10, 5)],
                    "surface": "paving",
                }
            ],
            "quote": {"crew_rate_per_hour": 210.0, "currency": "EUR"},
        }
    )


def make_steps(graph: TreeGraph, mass: GreenMass) -> tuple[list[Step], list[Anchor]]:
    stem = np.flatnonzero(graph.limb == 0)
    top = [int(stem[int(len(stem) * s)]) for s in (0.75, 0.5, 0.9)]
    anchors = [
        Anchor(
            f"A{i}", n, graph.position_m[n], float(graph.position_m[n, 2]), float(2 * graph.radius_m[n]), 0.5,
            9000.0 * (3 - i + 1), "bending of the stem at 4.2 m, at half of green strength",
            np.array([0, 0, -1.0]), "" if i < 3 else "too thin: 11 cm, at least 15 cm is asked",
        )
        for i, n in enumerate(top, start=1)
    ]  # fmt: skip
    taken = np.zeros(len(graph), dtype=bool)
    steps: list[Step] = []
    for number, node in enumerate(choose_cuts(graph, mass), start=1):
        piece = make_piece(graph, mass, node, taken)
        taken[piece.nodes] = True
        steps.append(make_step(number, piece, anchors))
    return steps, anchors


def make_step(number: int, piece: Piece, anchors: list[Anchor]) -> Step:
    method = ("lower", "free fall", "lower", "hinge fall")[number % 4]
    if piece.limb == 0:
        method = "hinge fall"
    lowered = method == "lower"
    end = (
        np.array([-8.0, 2.5, 0.3]) if lowered else np.array([-3.0 + (number % 5) * 0.8, -3.5, 0.3])
    )
    share = 0.25 + 0.13 * (number % 6)
    return Step(
        number=number, piece=piece, method=method, tie="butt" if lowered else None,
        tie_m=(piece.cut_m + 0.3 * piece.axis)[None] if lowered else np.zeros((0, 3)),
        anchor_id="A1" if lowered else None, redirects=(),
        load=make_load(piece, anchors[0], share) if lowered else None,
        hinge_azimuth_deg=None if method == "free fall" else (200.0 + 9 * number) % 360,
        hinge_below_level_deg=None if method == "free fall" else 5.0,
        landing="drive" if lowered else "lawn",
        clearances=(
            Clearance(NASTY, 2.35, 1.0, 0.8, (6.0, 2.0, 2.0), 0.4),
            Clearance("fence", 1.9, 1.0, 1.4, (0.0, -7.0, 1.0), 0.2),
            Clearance("service drop", 3.3, 1.0, 0.4, (0.0, 9.0, 5.4), 0.1),
        ),
        path=fall_path(piece, end, method), minutes=Band(5, 7, 10), people=3 if lowered else 2,
        warnings=("Keep 2.0 m from the service drop: have a person watch the wire only.",) if number == 2 else (),
        reasons=("Lowered because free fall would sweep the shed by 0.6 m.",) if lowered else (),
        chance_of_breach=0.004 if lowered else None,
    )  # fmt: skip


def make_plan(steps: list[Step], anchors: list[Anchor]) -> Plan:
    ranked = tuple(
        RankedAnchor(
            a,
            5200.0 if a.anchor_id == "A1" else 0.0,
            0.41,
            "Carries all limbs; strongest union above them.",
        )
        for a in anchors
    )
    tie_in = Anchor(
        "T1", anchors[1].node, anchors[1].position_m, anchors[1].height_m, anchors[1].diameter_m, 0.4, 12_000.0,
        "climber tie-in", np.array([0, 0, -1.0]),
    )  # fmt: skip
    rows: list[dict[str, object]] = []
    at = 20.0
    for s in steps:
        rows.append(
            {
                "step": s.number,
                "resource": "climber",
                "start_min": at,
                "end_min": at + 7,
                "wait_min": 0.0,
                "why": "",
            }
        )
        rows.append(
            {
                "step": s.number,
                "resource": "ground crew",
                "start_min": at + 7,
                "end_min": at + 12,
                "wait_min": 0.0,
                "why": "",
            }
        )
        rows.append(
            {
                "step": s.number,
                "resource": "chipper",
                "start_min": at + 12,
                "end_min": at + 16,
                "wait_min": 0.0,
                "why": "",
            }
        )
        at += 8
    return Plan(
        name="least anchor load", steps=tuple(steps), anchors=ranked,
        tie_ins=(RankedAnchor(tie_in, 2000.0, 0.2, "Above the work, on another leader than the rigging."),),
        alternatives=(
            Alternative("least anchor load", 5200.0, 0.58, 1.3, Band(3.5, 4.2, 5.5), 1, "Small pieces, one anchor."),
            Alternative("fastest", 8100.0, 0.88, 1.1, Band(2.5, 3.0, 4.0), 0, "Bigger pieces from the same anchor."),
        ),
        schedule=tuple(rows), cautions=("Dead wood over the climber's tie-in: take it first.",),
        feasible=True, hours=Band(3.5, 4.2, 5.5), explanation="One anchor serves all limbs.",
    )  # fmt: skip


def make_haul() -> HaulPlan:
    return HaulPlan(
        rows=(
            HaulRow("logs 30 cm and up", 0.30, 0.52, 2.4, 4, band(1.2), band(1.9), band(1250.0)),
            HaulRow("logs 15 to 30 cm", 0.15, 0.30, 2.4, 9, band(0.8), band(1.3), band(820.0)),
            HaulRow("brush and tops to chip", 0.0, 0.15, 0.0, 0, band(0.5), band(2.4), band(640.0)),
        ),
        trucks=(
            TruckLoads("chip truck", "chip", Band(1, 1, 1), "volume", 0.0),
            TruckLoads("log truck", "log", Band(1, 1, 2), "payload", 410.0, ("Heaviest log is under the crane's limit.",)),
        ),
        quote=(
            {"item": "crew", "low": 840.0, "likely": 882.0, "high": 1050.0, "unit": "EUR", "how": "210 EUR a crew hour (crew_rate_per_hour)"},
            {"item": "hauling", "low": None, "likely": None, "high": None, "unit": "EUR", "how": "open: write truck_rate_per_trip (price of a trip) under [quote] in the site file"},
        ),
        notes=("Loose volume of chips is 3.0 times the solid volume (range 2.5 to 3.5).",),
    )  # fmt: skip


def make_species() -> Species:
    return Species(
        "Quercus rubra", "northern red oak", False, 0.56, 80.0, 69.0, 75.0, 14.0, 980.0, 1030.0, None, 1150.0,
        57e6, 9.3e9, 23.7e6, 0.1, "high", "made up for tests [from memory]",
    )  # fmt: skip


def make_measures(graph: TreeGraph) -> TreeMeasures:
    unions = tuple(
        UnionRow(int(n), float(graph.position_m[graph.parent[n], 2]), float(2 * graph.radius_m[graph.parent[n]]),
                 float(2 * graph.radius_m[n]), 55.0, 0.5, False)
        for n in np.flatnonzero(graph.starts_limb)[:5]
    )  # fmt: skip
    limbs = tuple(
        LimbRow(
            int(graph.limb[n]),
            int(n),
            int(graph.order[n]),
            float(2 * graph.radius_m[n]),
            float(graph.position_m[n, 2]),
            4.0,
            120.0,
            3.0,
            0.1,
        )
        for n in np.flatnonzero(graph.starts_limb)[:5]
    )
    height = float(graph.position_m[:, 2].max())
    return TreeMeasures(
        height, 0.55, 0.012, 1.3, ((1.3, 0.55), (2.6, 0.5)), 11.2, 9.8, 3.4, 0.7, 2.1, 140.0,
        Band(2.1, 2.4, 2.8), Band(1.8, 2.0, 2.3), 0.12, 1, unions, limbs,
    )  # fmt: skip
