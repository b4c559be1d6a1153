"""Scenes: a grown tree among its surroundings, scanned, with its truth."""

from __future__ import annotations

import hashlib
import os
import pickle
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from tests.scenes import place as p
from tests.scenes.grow import Tree, grow
from tests.scenes.instrument import World, instrument, scan, stations, world
from tests.scenes.mesh import leaf_mesh, wood_mesh, wood_nodes
from tests.scenes.truth import TreeTruth, tree_truth
from treescan.pointcloud.cloud import PointCloud

VERSION = 5
"""Raise when the generator's output changes: old cache files are then not used."""
GRID_M = np.array([447_250.0, 5_412_600.0, 180.0])
"""Offset of a size that national grids have."""


@dataclass(frozen=True)
class Scene:
    """A scan and everything that is true of it.

    Attributes
    ----------
    cloud : PointCloud, local frame.
    label : ndarray, shape (n,), int8
        What each point was cast on; see ``place.LABEL_NAMES``.
    node : ndarray, shape (n,), int32
        Node of ``truth.graph`` whose edge was hit; -1 for all that is not the tree's wood.
    mixed : ndarray, shape (n,), bool
        Ghost points of split beams.
    truth : TreeTruth of the tree to be measured, same local frame.
    ground : Terrain, same local frame.
    things : what stands around.
    near_m : a plan point near the stem.
    """

    name: str
    cloud: PointCloud
    label: np.ndarray
    node: np.ndarray
    station: np.ndarray
    mixed: np.ndarray
    truth: TreeTruth
    ground: p.Terrain
    things: tuple[p.Placed, ...]
    near_m: tuple[float, float]
    in_leaf: bool
    setting: str
    registration: str
    stations_m: np.ndarray


def cache_folder() -> Path:
    """Where scenes are kept between runs; never in the repository."""
    named = os.environ.get("TREESCAN_SCENE_CACHE")
    return Path(named) if named else Path(tempfile.gettempdir()) / f"treescan_scenes_{os.getuid()}"


def make_scene(
    shape: str = "broadleaf",
    seed: int = 0,
    setting: str = "tripod",
    in_leaf: bool = False,
    registration: str = "good",
    surroundings: str = "yard",
    max_points: int = 1_500_000,
    **options: float,
) -> Scene:
    """Scene by its parameters, from the cache when it was made before.

    ``surroundings`` is "none" (ground only), "yard" (house, fence, shrubs, wire, post) or
    "touching" (a neighbour tree on each of two sides whose crown touches).  ``options`` go to
    :func:`tests.scenes.grow.grow`; ``slope_deg`` sets the ground.
    """
    key = (VERSION, shape, seed, setting, in_leaf, registration, surroundings, max_points)
    text = repr((*key, sorted(options.items())))
    file = cache_folder() / f"{hashlib.sha256(text.encode()).hexdigest()[:24]}.pickle"
    if file.exists():
        with file.open("rb") as stream:
            return pickle.load(stream)
    made = _make(key[1:], dict(options))
    file.parent.mkdir(parents=True, exist_ok=True)
    part = file.with_suffix(f".{os.getpid()}")
    with part.open("wb") as stream:
        pickle.dump(made, stream, protocol=5)
    part.replace(file)
    return made


def _make(key: tuple, options: dict) -> Scene:
    shape, seed, setting, in_leaf, registration, surroundings, max_points = key
    rng = np.random.default_rng([seed, 23])
    slope = options.pop("slope_deg", rng.uniform(2.0, 9.0))
    tree = grow(shape, seed, **options)
    ground = p.terrain(rng, slope)
    at = rng.uniform(-3.0, 3.0, 2)
    things, trees = around(surroundings, ground, tree, at, rng, seed)
    name = f"{shape} {seed} {setting} {'leaf' if in_leaf else 'bare'} {registration} {surroundings}"
    return scan_scene(
        name, tree, at, ground, things, trees, setting, registration, in_leaf, max_points, rng
    )


def around(surroundings: str, ground: p.Terrain, tree: Tree, at, rng, seed: int):
    """Things and neighbour trees: lists of Placed and of (Tree, (2,) place)."""
    if surroundings == "none":
        return [], []
    if surroundings == "touching":
        azimuth = rng.uniform(0, 2 * np.pi)
        trees = []
        for k, turn in enumerate((0.0, 2.2)):
            other = grow(("broadleaf", "multistem", "leaning")[(seed + k) % 3], seed + 70 + k)
            toward = np.array([np.cos(azimuth + turn), np.sin(azimuth + turn)])
            trees.append((other, at + touching_distance_m(tree, other, toward) * toward))
        return [], trees
    if surroundings != "yard":
        raise ValueError(f"surroundings {surroundings!r} is not none, yard or touching")
    return yard(ground, at, rng), []


def touching_distance_m(tree: Tree, other: Tree, toward: np.ndarray) -> float:
    """Distance between stems at which crowns reach 0.7 m into each other along ``toward``."""
    own = cKDTree(tree.graph.position_m)
    step = np.array([*toward, 0.0])
    reach = 25.0
    while reach > 2.5:
        gap, _ = own.query(other.graph.position_m[::2] + reach * step, distance_upper_bound=0.3)
        if (gap < 0.25).any():
            return max(reach - 0.7, 2.2)
        reach -= 0.15
    return 2.5


def yard(ground: p.Terrain, at: np.ndarray, rng: np.random.Generator) -> list[p.Placed]:
    """House, fence, shrubs, wire, lamp post and a person."""
    t = rng.uniform(0, 2 * np.pi)
    out = np.array([np.cos(t), np.sin(t)])
    side = np.array([-out[1], out[0]])
    centre = at + out * rng.uniform(9.5, 12.0)
    home = p.house("house", ground, centre, (10.0, 7.0), np.degrees(t) + 90, 3.0, 5.4)
    line = [at - out * 7.5 - side * 9, at - out * 7.5 + side * 9, at + out * 4 + side * 9]
    eaves = float(ground.height(*centre)) + 3.4
    from_house = np.array([*(centre - out * 3.2 + side * 3.5), eaves])
    pole = at - out * 9.0 + side * 8.0
    to_pole = np.array([*pole, float(ground.height(*pole)) + 6.4])
    return [
        home,
        p.fence("fence", ground, line),
        p.shrub("shrub", ground, rng, at + side * 3.6 + out * 1.0, 0.9, 1.2),
        p.shrub("shrub", ground, rng, at - side * 5.0 - out * 2.0, 1.3, 1.6),
        p.wire("service drop", from_house, to_pole, 0.45),
        p.lamp_post("lamp post", ground, pole, 6.6),
        p.person("person", ground, at - side * 4.0 + out * 3.0),
    ]


def scan_scene(
    name, tree: Tree, at, ground, things, trees, setting, registration, in_leaf, max_points, rng,
    origin_m=GRID_M, tool=None,
) -> Scene:  # fmt: skip
    """Stand ``tree`` at ``at``, scan everything, keep the truth.

    ``tool`` replaces the instrument that ``setting`` and ``registration`` name.
    """
    base = np.array([*at, float(ground.height(*at))])
    rise = ground.uphill_rise_m(*at, float(tree.graph.radius_m[0]))
    truth = tree_truth(tree, base, 0.0, rise)
    parts = [(ground.mesh(), p.GROUND), (wood_mesh(tree).moved(base), p.WOOD)]
    if in_leaf:
        parts.append((leaf_mesh(tree.leaves).moved(base), p.LEAF))
    for other, spot in trees:
        foot = np.array([*spot, float(ground.height(*spot))])
        parts.append((wood_mesh(other).moved(foot), p.NEIGHBOUR_WOOD))
        if in_leaf:
            parts.append((leaf_mesh(other.leaves).moved(foot), p.NEIGHBOUR_LEAF))
    parts += [(thing.mesh, thing.label) for thing in things]
    crown = float(np.linalg.norm(tree.graph.position_m[:, :2], axis=1).max())
    top = float(truth.graph.position_m[:, 2].max())
    tool = tool or instrument(setting, registration)
    place = world(parts, wood_nodes(tree), ground, base, top, crown)
    blocked = [thing.outline_m for thing in things if thing.label == p.BUILDING]
    eyes = stations(tool, place, blocked, rng)
    found = scan(tool, place, eyes, rng)
    keep = np.flatnonzero(rng.uniform(size=len(found.xyz)) < cropping(place, found.xyz))
    if len(keep) > max_points:
        keep = np.sort(rng.choice(keep, max_points, replace=False))
    label = found.label[keep]
    cloud = PointCloud(
        xyz=found.xyz[keep],
        origin_m=np.asarray(origin_m, dtype=float),
        rgb=colours(label, found.cosine[keep], rng),
        intensity=intensity(label, found.cosine[keep], found.range_m[keep], rng),
        spacing_m=0.01,
        decisions=("made by the project's own generator: metres, z up",),
        source_name=name,
    )
    near = (float(at[0] + rng.normal(0, 0.3)), float(at[1] + rng.normal(0, 0.3)))
    return Scene(
        name, cloud, label, found.node[keep], found.station[keep], found.mixed[keep], truth,
        ground, tuple(things), near, in_leaf, setting, registration, eyes,
    )  # fmt: skip


def cropping(place: World, xyz: np.ndarray) -> np.ndarray:
    """Share of points kept (n,): a crew crops to the tree and thins what lies around it."""
    away = np.hypot(xyz[:, 0] - place.base_m[0], xyz[:, 1] - place.base_m[1])
    above = xyz[:, 2] - place.ground.height(xyz[:, 0], xyz[:, 1])
    share = np.where(away < place.crown_m + 1.0, 1.0, 0.3)
    share = np.where((above < 2.2) & (away > 3.0), 0.25, share)
    share = np.where(above < 0.06, np.minimum(share, np.where(away < 1.5, 0.6, 0.2)), share)
    return np.where(away > place.crown_m + 9.0, 0.6 * share, share)


_RGB = np.array(
    [
        [112, 118, 72], [116, 100, 84], [84, 122, 52], [172, 150, 134], [140, 116, 92],
        [70, 104, 58], [52, 52, 56], [126, 128, 130], [108, 96, 82], [92, 126, 60],
        [90, 70, 96], [128, 128, 128],
    ],
    dtype=float,
)  # fmt: skip
_REFLECTANCE = np.array([0.3, 0.35, 0.45, 0.5, 0.4, 0.45, 0.15, 0.3, 0.33, 0.45, 0.3, 0.2])


def colours(label: np.ndarray, cosine: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Plausible colours (n, 3), uint8: label alone does not tell them apart."""
    shade = (0.65 + 0.35 * cosine)[:, None] * rng.normal(1.0, 0.12, (len(label), 1))
    value = _RGB[label] * shade + rng.normal(0, 5.0, (len(label), 3))
    return (np.clip(value, 0, 255).astype(np.uint8) & 0xF8) | 4


def intensity(label, cosine, range_m, rng) -> np.ndarray:
    """Plausible intensities (n,), 0..1: reflectance, incidence, range."""
    value = _REFLECTANCE[label] * (0.3 + 0.7 * cosine) * np.exp(-range_m / 120.0)
    return np.clip(value + rng.normal(0, 0.03, len(label)), 0, 1).astype(np.float32)
