"""The sample scans that ship with the project: scenarios of our own, with site files."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import laspy
import numpy as np

from tests.scenes import place as p
from tests.scenes import sample_sites as site
from tests.scenes.grow import grow
from tests.scenes.scene import Scene, scan_scene
from tests.scenes.truth import TreeTruth

UTM_32N = 25832
MADE_ON = date(2026, 11, 25)
"""Date in the files' headers, so that they come out the same on any day."""


@dataclass(frozen=True)
class Sample:
    """A scenario: how it is made and what the crew's site file says."""

    name: str
    make: Callable[[], Scene]
    site_text: Callable[[Scene], str]
    epsg: int | None


def _rectangle(at: np.ndarray, azimuth_deg: float, near_m: float, far_m: float, half_m: float):
    """Rectangle lying away from ``at`` toward an azimuth (clockwise from north), (4, 2)."""
    t = np.radians(azimuth_deg)
    out, side = np.array([np.sin(t), np.cos(t)]), np.array([np.cos(t), -np.sin(t)])
    corners = [(near_m, -half_m), (far_m, -half_m), (far_m, half_m), (near_m, half_m)]
    return np.array([at + a * out + b * side for a, b in corners])


def _fan(at: np.ndarray, *reach: tuple[float, float]) -> np.ndarray:
    """Open ground around the stem: how far it reaches (m) toward each azimuth (degrees)."""
    return np.array([_point(at, azimuth, far) for azimuth, far in reach])


def _point(at: np.ndarray, azimuth_deg: float, away_m: float) -> np.ndarray:
    t = np.radians(azimuth_deg)
    return at + away_m * np.array([np.sin(t), np.cos(t)])


# -- oak over a glasshouse and a pond ----------------------------------------------------------
OAK_AT = np.array([1.5, -0.8])
OAK_LAWN = _fan(
    OAK_AT, (0, 7), (30, 8.5), (60, 9.5), (78, 8.5), (83, 4.6), (108, 4.4), (125, 5.4),
    (140, 9.5), (180, 11), (228, 10.5), (262, 9.3), (283, 4.6), (300, 3.4), (325, 4.0), (335, 6.5),
)  # fmt: skip


def make_oak() -> Scene:
    """An oak with two leaders, leaf off, tripod laser."""
    rng = np.random.default_rng(4101)
    tree = grow("broadleaf", 5, leaders=2, dbh_m=0.58, height_m=16.5, bole_m=3.6, fork_m=4.2)
    ground = p.terrain(rng, 4.0)
    glass = p.house("glasshouse", ground, _point(OAK_AT, 104, 7.2), (3.4, 2.6), 10.0, 1.9, 2.6)
    home = p.house("house", ground, _point(OAK_AT, 10, 15.0), (11.0, 7.5), 10.0, 3.2, 5.8)
    things = [
        glass,
        home,
        p.fence("fence", ground, [_point(OAK_AT, a, 11.5) for a in (230, 270, 305)], 1.7),
        p.shrub("shrub", ground, rng, _point(OAK_AT, 330, 4.4), 0.8, 1.1),
        p.shrub("shrub", ground, rng, _point(OAK_AT, 215, 8.0), 1.2, 1.4),
    ]
    return scan_scene(
        "oak_pond", tree, OAK_AT, ground, things, [], "tripod", "good", False, 750_000, rng
    )


def site_oak(scene: Scene) -> str:
    """Site file of the oak."""
    o = scene.cloud.origin_m
    glass, home, fence = scene.things[:3]
    pond = np.array(
        [_point(_point(OAK_AT, 305, 6.4), a, 2.0 + 0.5 * (a % 90 > 0)) for a in range(0, 360, 45)]
    )
    drive = _rectangle(OAK_AT, 150, 2.5, 9.0, 1.6)
    return site.text(
        "# An oak with two leaders over a glasshouse and a pond.  UTM zone 32N, metres.",
        site.job("Oak over the glasshouse", "Quercus rubra"),
        site.tree(OAK_AT, o, scene.truth.dbh_m),
        site.conditions(False, "winter"),
        site.target("glasshouse", glass.outline_m, o, 2.6, 0.6),
        site.target("house", home.outline_m, o, 5.8, 1.5),
        site.target("pond", pond, o, 0.2, 0.3),
        site.fence(fence.outline_m, o, 1.8, 0.3),
        site.zone("drop_zone", "lawn", OAK_LAWN, o, "turf"),
        site.zone("landing", "lawn", OAK_LAWN, o, "turf"),
        site.zone("landing", "drive", drive, o, "paving"),
        site.crew(climber_kg=92, ground=3, line_length_m=60),
        site.limits(line_share_of_mbs=0.2, anchor_share=0.5, max_piece_kg=350, log_length_m=2.4),
        site.trucks(
            {"name": "chip truck", "volume_m3": 9.0, "payload_kg": 3500, "takes": "chip"},
            {
                "name": "log truck", "volume_m3": 8.0, "payload_kg": 5000, "takes": "log",
                "lift_limit_kg": 900,
            },
        ),
    )  # fmt: skip


# -- spruce against a garage, with a service drop ---------------------------------------------
SPRUCE_AT = np.array([-1.0, 0.6])
SPRUCE_YARD = _fan(
    SPRUCE_AT, (0, 6), (15, 5.5), (28, 4.6), (45, 3.1), (75, 2.8), (108, 3.0), (125, 4.5),
    (138, 7), (165, 10), (195, 11), (225, 11), (255, 11), (285, 9), (315, 7.5), (340, 6.5),
)  # fmt: skip


def make_spruce() -> Scene:
    """A spruce in needles against a garage, tripod laser."""
    rng = np.random.default_rng(4202)
    tree = grow("conifer", 3, dbh_m=0.44, height_m=20.5, bole_m=2.0)
    ground = p.terrain(rng, 7.0)
    garage = p.house("garage", ground, _point(SPRUCE_AT, 75, 7.2), (6.0, 4.0), 15.0, 2.5, 3.4)
    home = p.house("house", ground, _point(SPRUCE_AT, 52, 18.5), (10.0, 8.0), 15.0, 4.8, 7.4)
    pole = _point(SPRUCE_AT, 306, 14.8)
    from_house = _point(SPRUCE_AT, 44, 12.6)
    drop = p.wire(
        "service drop",
        [*from_house, float(ground.height(*from_house)) + 4.7],
        [*pole, float(ground.height(*pole)) + 6.4],
        0.5,
    )
    things = [
        garage,
        home,
        drop,
        p.lamp_post("lamp post", ground, pole, 6.6),
        p.fence("fence", ground, [_point(SPRUCE_AT, a, 12.0) for a in (150, 185)], 1.5),
        p.shrub("shrub", ground, rng, _point(SPRUCE_AT, 265, 4.6), 0.9, 1.0),
    ]
    return scan_scene(
        "spruce_garage", tree, SPRUCE_AT, ground, things, [], "tripod", "good", True, 650_000, rng
    )


def site_spruce(scene: Scene) -> str:
    """Site file of the spruce."""
    o = scene.cloud.origin_m
    garage, home, drop, _, fence = scene.things[:5]
    return site.text(
        "# A spruce against a garage, with the service drop to a house.  UTM 32N, metres.",
        site.job("Spruce by the garage", "Picea abies"),
        site.tree(SPRUCE_AT, o),
        site.conditions(True, "autumn"),
        site.target("garage", garage.outline_m, o, 3.4, 0.4),
        site.target("house", home.outline_m, o, 7.4, 1.5),
        site.fence(fence.outline_m, o, 1.6, 0.3),
        site.conductor("service drop", drop.outline_m[::5], o, 0.4),
        site.zone("drop_zone", "back yard", SPRUCE_YARD, o, "turf"),
        site.zone("landing", "back yard", SPRUCE_YARD, o, "turf"),
        site.crew(climber_kg=95, ground=2, line_length_m=60),
        site.limits(line_share_of_mbs=0.2, anchor_share=0.5, max_piece_kg=300, log_length_m=2.0),
        site.trucks(
            {"name": "chip truck", "volume_m3": 9.0, "payload_kg": 3500, "takes": "chip"},
            {
                "name": "trailer", "volume_m3": 3.0, "payload_kg": 2000, "takes": "log",
                "lift_limit_kg": 250,
            },
        ),
    )  # fmt: skip


# -- leaning maple scanned by phone --------------------------------------------------------------
MAPLE_AT = np.array([0.4, 0.9])
MAPLE_MEADOW = _fan(
    MAPLE_AT, (0, 4.2), (30, 4.2), (52, 3.6), (75, 2.9), (100, 3.2), (112, 5.5), (150, 8),
    (190, 10), (235, 12), (280, 10), (315, 6), (335, 4.6),
)  # fmt: skip


def make_maple() -> Scene:
    """A maple leaning toward a shed, scanned by phone in its own local coordinates."""
    rng = np.random.default_rng(4303)
    tree = grow(
        "leaning", 2, lean_azimuth_deg=60.0, lean_deg=14.0, dbh_m=0.31, height_m=9.6, bole_m=2.0,
        fork_m=2.5,
    )  # fmt: skip
    ground = p.terrain(rng, 5.0)
    shed = p.house("shed", ground, _point(MAPLE_AT, 80, 5.4), (3.0, 2.4), 5.0, 2.0, 2.6)
    things = [
        shed,
        p.fence("fence", ground, [_point(MAPLE_AT, a, 5.5) for a in (330, 15, 50)], 1.6),
        p.shrub("shrub", ground, rng, _point(MAPLE_AT, 180, 3.4), 0.7, 0.9),
    ]
    return scan_scene(
        "maple_phone", tree, MAPLE_AT, ground, things, [], "phone", "good", False, 450_000, rng,
        np.zeros(3),
    )  # fmt: skip


def site_maple(scene: Scene) -> str:
    """Site file of the maple."""
    o = scene.cloud.origin_m
    shed, fence = scene.things[:2]
    return site.text(
        "# A leaning maple scanned by phone: the top of the crown is beyond the phone's range.",
        site.job("Leaning maple by the shed", "Acer platanoides"),
        site.tree(MAPLE_AT, o, scene.truth.dbh_m),
        site.conditions(False, "spring"),
        site.target("shed", shed.outline_m, o, 2.6, 0.7),
        site.fence(fence.outline_m, o, 1.7, 0.3),
        site.zone("drop_zone", "meadow", MAPLE_MEADOW, o, "turf"),
        site.zone("landing", "meadow", MAPLE_MEADOW, o, "turf"),
        site.crew(climber_kg=88, ground=2, line_length_m=45),
        site.limits(max_piece_kg=250, log_length_m=1.2),
        site.trucks({"name": "tipper", "volume_m3": 6.0, "payload_kg": 1400, "takes": "any"}),
    )


SAMPLES = (
    Sample("oak_pond", make_oak, site_oak, UTM_32N),
    Sample("spruce_garage", make_spruce, site_spruce, UTM_32N),
    Sample("maple_phone", make_maple, site_maple, None),
)


def write_laz(scene: Scene, file: Path, epsg: int | None) -> None:
    """Write the cloud as LAZ 1.2, point format 2, scale 1 mm, in scan coordinates."""
    header = laspy.LasHeader(point_format=2, version="1.2")
    header.scales = np.full(3, 0.001)
    header.offsets = np.floor(scene.cloud.origin_m)
    header.generating_software = "treescan scenes"
    header.creation_date = MADE_ON
    if epsg:
        keys = laspy.vlrs.known.GeoKeyDirectoryVlr()
        entry = laspy.vlrs.known.GeoKeyEntryStruct
        rows = [(1024, 0, 1, 1), (3072, 0, 1, epsg), (3076, 0, 1, 9001)]
        keys.geo_keys = [
            entry(id=a, tiff_tag_location=b, count=c, value_offset=d) for a, b, c, d in rows
        ]
        keys.geo_keys_header.number_of_keys = len(rows)
        header.vlrs.append(keys)
    order = _along_curve(scene.cloud.xyz)
    las = laspy.LasData(header)
    xyz = scene.cloud.xyz[order].astype(float) + scene.cloud.origin_m
    las.x, las.y, las.z = xyz.T
    assert scene.cloud.rgb is not None
    assert scene.cloud.intensity is not None
    las.red, las.green, las.blue = (scene.cloud.rgb[order].astype(np.uint16) << 8).T
    las.intensity = (scene.cloud.intensity[order] * 63).astype(np.uint16) << 10
    las.write(str(file))


def _along_curve(xyz: np.ndarray) -> np.ndarray:
    """Order of the points along a space-filling curve of 3 cm cells: packs well."""
    cell = np.floor((xyz - xyz.min(axis=0)) / 0.03).astype(np.uint64)
    code = np.zeros(len(cell), dtype=np.uint64)
    for bit in range(14):
        for axis in range(3):
            part = (cell[:, axis] >> np.uint64(bit)) & np.uint64(1)
            code |= part << np.uint64(3 * bit + axis)
    return np.argsort(code, kind="stable")


def truth_document(truth: TreeTruth, scene: Scene, thinnest_m: float = 0.006) -> dict:
    """The truth as JSON: numbers, limb table and nodes thicker than ``thinnest_m`` in radius."""
    g = truth.graph
    keep = np.flatnonzero((g.radius_m >= thinnest_m) | (np.arange(len(g)) == 0))
    renumber = np.full(len(g), -1)
    renumber[keep] = np.arange(len(keep))
    parent = np.where(g.parent[keep] >= 0, renumber[g.parent[keep]], -1)
    assert (parent[1:] >= 0).all()
    return {
        "format": "treescan-scene-truth",
        "version": 1,
        "origin_m": [float(v) for v in scene.cloud.origin_m],
        "setting": scene.setting,
        "in_leaf": scene.in_leaf,
        "height_m": round(truth.height_m, 3),
        "dbh_m": round(truth.dbh_m, 4),
        "stem_dbh_m": [round(d, 4) for d in truth.stem_dbh_m],
        "uphill_rise_m": round(truth.uphill_rise_m, 3),
        "volume_m3": round(truth.volume_m3, 4),
        "volume_over_7cm_m3": round(truth.volume_over_7cm_m3, 4),
        "volume_by_class_m3": {k: round(v, 4) for k, v in truth.volume_by_class_m3.items()},
        "length_by_class_m": {k: round(v, 2) for k, v in truth.length_by_class_m.items()},
        "limbs": list(truth.limbs)[:60],
        "node_columns": ["x_m", "y_m", "z_m", "radius_m", "parent", "limb", "order"],
        "nodes_thinnest_radius_m": thinnest_m,
        "nodes": [
            [round(float(v), 3) for v in g.position_m[i]]
            + [round(float(g.radius_m[i]), 4), int(up), int(g.limb[i]), int(g.order[i])]
            for i, up in zip(keep, parent, strict=True)
        ],
    }


def write_sample(sample: Sample, folder: Path) -> Scene:
    """Make one sample and write its three files."""
    scene = sample.make()
    folder.mkdir(parents=True, exist_ok=True)
    write_laz(scene, folder / f"{sample.name}.laz", sample.epsg)
    (folder / f"{sample.name}.toml").write_text(sample.site_text(scene), encoding="utf-8")
    text = json.dumps(truth_document(scene.truth, scene), separators=(",", ":"))
    (folder / f"{sample.name}.truth.json").write_text(text + "\n", encoding="utf-8")
    return scene
