"""A virtual scanner: rays from several stations, with the faults of real ones."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tests.scenes.mesh import Mesh, joined
from tests.scenes.place import (
    LEAF,
    NEIGHBOUR_LEAF,
    NEIGHBOUR_WOOD,
    STRAY,
    WOOD,
    Terrain,
)
from treescan.geometry.open3d_gate import open3d

MOVING = (WOOD, LEAF, NEIGHBOUR_WOOD, NEIGHBOUR_LEAF)


@dataclass(frozen=True)
class Instrument:
    """What a scanner does well and badly.

    Attributes
    ----------
    step_rad : angle between rays toward the tree; ``coarse`` times that elsewhere.
    exit_m, divergence_rad : beam diameter at the instrument and its growth per metre.
    mix_m : returns of one beam nearer than this to each other merge into one (ghost points).
    noise_m, noise_per_m : standard deviation of a range at 0 m, and its growth per metre.
    shift_m, tilt_rad : standard deviation of each station's co-registration error.
    drift_m : random walk of the position from station to station (moving instruments).
    sway_m : movement of the crown's top between stations (standard deviation).
    dropout : share of returns lost at random.
    """

    name: str
    step_rad: float
    exit_m: float
    divergence_rad: float
    mix_m: float
    noise_m: float
    noise_per_m: float
    range_m: float
    shift_m: float
    tilt_rad: float
    drift_m: float = 0.0
    sway_m: float = 0.008
    dropout: float = 0.03
    coarse: float = 5.0
    stations: int = 5
    up_deg: float = 80.0


SETTINGS = {
    "tripod": Instrument(
        "tripod", 0.85e-3, 0.004, 0.30e-3, 0.35, 0.0015, 5e-5, 80.0, 0.002, 1e-4
    ),
    "mobile": Instrument(
        "mobile", 5.5e-3, 0.006, 1.2e-3, 0.6, 0.008, 2e-4, 40.0, 0.006, 4e-4, 0.0015, 0.02,
        coarse=2.0, stations=48,
    ),
    "phone": Instrument(
        "phone", 4.5e-3, 0.002, 3.5e-3, 0.4, 0.010, 5e-4, 5.0, 0.004, 1e-3, 0.002, 0.01,
        coarse=1.5, stations=96,
    ),
}  # fmt: skip
POOR = {
    "tripod": {"shift_m": 0.010, "tilt_rad": 6e-4, "sway_m": 0.03},
    "mobile": {"shift_m": 0.012, "tilt_rad": 1e-3, "drift_m": 0.004, "sway_m": 0.04},
    "phone": {"shift_m": 0.008, "tilt_rad": 2e-3, "drift_m": 0.006, "sway_m": 0.02},
}


def instrument(setting: str, registration: str = "good") -> Instrument:
    """The instrument of a setting; ``registration`` is "good" or "poor"."""
    found = SETTINGS[setting]
    if registration == "poor":
        return replace(found, **POOR[setting])
    if registration != "good":
        raise ValueError(f"registration {registration!r} is neither good nor poor")
    return found


@dataclass(frozen=True)
class World:
    """All meshes of a scene in one; a label and, on the target, a truth node per triangle."""

    mesh: Mesh
    label: np.ndarray
    node: np.ndarray
    ground: Terrain
    base_m: np.ndarray
    top_m: float
    crown_m: float


@dataclass(frozen=True)
class Returns:
    """Points with their truth, one row each; ``xyz`` in local metres, ``mixed`` split beams."""

    xyz: np.ndarray
    label: np.ndarray
    node: np.ndarray
    station: np.ndarray
    mixed: np.ndarray
    cosine: np.ndarray
    range_m: np.ndarray


def world(
    parts: list[tuple[Mesh, int]],
    wood_node: np.ndarray,
    ground: Terrain,
    base_m: np.ndarray,
    top_m: float,
    crown_m: float,
) -> World:
    """Put labelled meshes together; ``wood_node`` is for the one part labelled WOOD."""
    label = np.concatenate([np.full(len(m.triangle), k, dtype=np.int8) for m, k in parts])
    node = np.full(len(label), -1, dtype=np.int32)
    node[label == WOOD] = wood_node
    return World(joined([m for m, _ in parts]), label, node, ground, base_m, top_m, crown_m)


def stations(
    tool: Instrument, place: World, blocked: list[np.ndarray], rng: np.random.Generator
) -> np.ndarray:
    """Where the instrument stood: around the tree, out of buildings, eye height. (k, 3)"""
    from shapely.geometry import Point, Polygon

    shapes = [Polygon(b).buffer(0.5) for b in blocked if len(b) >= 3]
    found = []
    start = rng.uniform(0, 2 * np.pi)
    for k in range(tool.stations):
        azimuth, out, eye = _stand(tool, place, k, rng)
        azimuth += start
        for _ in range(30):
            x = place.base_m[0] + out * np.sin(azimuth)
            y = place.base_m[1] + out * np.cos(azimuth)
            if not any(s.contains(Point(x, y)) for s in shapes):
                break
            azimuth += rng.normal(0, 0.15)
            out = max(0.96 * out, 1.4)
        found.append([x, y, float(place.ground.height(x, y)) + eye])
    return np.array(found)


def _stand(tool: Instrument, place: World, k: int, rng: np.random.Generator):
    """Azimuth, distance from the stem and height of the ``k``-th station."""
    tall = place.top_m - place.base_m[2]
    around = 2 * np.pi * k / tool.stations
    if tool.name == "tripod":
        return around + rng.normal(0, 0.12), 0.62 * tall * (1 + rng.normal(0, 0.1)), 1.7
    if tool.name == "mobile":
        out = tall * (0.24 if k % 3 == 0 else 0.45) * (1 + rng.normal(0, 0.08))
        return 2 * around + rng.normal(0, 0.08), max(out, 1.6), 1.9
    out = max((1.7, 3.6, 2.6)[k % 3] * (1 + rng.normal(0, 0.1)), 1.2)
    return 3 * around + rng.normal(0, 0.08), out, rng.uniform(1.0, 2.1)


def _directions(azimuth: np.ndarray, elevation: np.ndarray) -> np.ndarray:
    a, e = np.meshgrid(azimuth, elevation)
    c = np.cos(e)
    return np.stack([c * np.sin(a), c * np.cos(a), np.sin(e)], axis=-1).astype(np.float32)


def _windows(tool: Instrument, eye: np.ndarray, place: World, rng: np.random.Generator):
    """Grids of ray directions (rows, columns, 3): fine over the tree, coarse over the rest."""
    flat = place.base_m[:2] - eye[:2]
    away = float(np.hypot(*flat))
    middle = np.arctan2(flat[0], flat[1])
    if tool.name == "phone":
        yield _phone_frame(tool, middle, rng)
        return
    half = np.pi if away < place.crown_m else np.arcsin(min(1.0, place.crown_m / away)) + 0.06
    half = min(half, 1.05 if tool.name == "tripod" else np.pi)
    reach = max(away - place.crown_m, 0.0) + 1.0
    high = min(np.arctan2(place.top_m - eye[2] + 1.0, reach), np.radians(tool.up_deg))
    low = np.arctan2(place.base_m[2] - eye[2] - 0.4, max(away - 0.6, 0.8))
    s = tool.step_rad
    j = rng.uniform(0, s, 4)
    yield _directions(
        np.arange(middle - half, middle + half, s) + j[0], np.arange(low, high, s) + j[1]
    )
    c = s * tool.coarse
    bottom = np.radians(-55.0)
    yield _directions(
        np.arange(middle - np.pi, middle + np.pi, c) + j[2], np.arange(bottom, low, c) + j[3]
    )
    rest = np.arange(middle + half, middle + 2 * np.pi - half, c)
    if len(rest) > 2:
        yield _directions(rest, np.arange(low, np.radians(35.0), c))


def _phone_frame(tool: Instrument, middle: float, rng: np.random.Generator) -> np.ndarray:
    """One upright frame of a phone that is pointed at the tree, up into it or at the yard."""
    aim = rng.choice(["stem", "up", "yard"], p=[0.4, 0.35, 0.25])
    pitch = {"stem": rng.uniform(-0.1, 0.35), "up": rng.uniform(0.6, 0.95), "yard": -0.25}[aim]
    turn = rng.normal(0, 0.25) if aim != "yard" else rng.uniform(-np.pi, np.pi)
    s = tool.step_rad
    return _directions(
        np.arange(middle + turn - 0.4, middle + turn + 0.4, s),
        np.arange(pitch - 0.52, min(pitch + 0.52, 1.5), s),
    )


def _cast(scene, eye: np.ndarray, direction: np.ndarray):
    """Range, triangle and cosine of incidence for rays of shape (n, 3) from ``eye``."""
    core = open3d().core
    rays = np.empty((len(direction), 6), dtype=np.float32)
    rays[:, :3] = eye
    rays[:, 3:] = direction
    hit = scene.cast_rays(core.Tensor(rays), nthreads=1)
    normal = hit["primitive_normals"].numpy()
    cosine = np.abs(np.einsum("ij,ij->i", normal, direction))
    return hit["t_hit"].numpy(), hit["primitive_ids"].numpy(), cosine


def _edges(distance: np.ndarray) -> np.ndarray:
    """Rays of a grid whose neighbour's range differs: a beam there may be split."""
    far = np.where(np.isfinite(distance), distance, 1e3)
    mask = np.zeros(far.shape, dtype=bool)
    limit = 0.02 + 0.004 * np.minimum(far, 100.0)
    for axis in (0, 1):
        jump = np.abs(np.diff(far, axis=axis)) > (limit[1:] if axis == 0 else limit[:, 1:])
        if axis == 0:
            mask[1:] |= jump
            mask[:-1] |= jump
        else:
            mask[:, 1:] |= jump
            mask[:, :-1] |= jump
    return mask


def _split(scene, tool: Instrument, eye, direction, centre_range, centre_triangle):
    """Returns of beams with a width: what they hit is cast by six more rays on a ring."""
    n = len(direction)
    helper = np.where(np.abs(direction[:, 2:]) < 0.9, [[0, 0, 1.0]], [[1.0, 0, 0]])
    a = np.cross(direction, helper)
    a /= np.linalg.norm(a, axis=1, keepdims=True)
    b = np.cross(direction, a)
    distance = np.empty((n, 7), dtype=np.float32)
    triangle = np.empty((n, 7), dtype=np.uint32)
    distance[:, 6], triangle[:, 6] = centre_range, centre_triangle
    for k in range(6):
        t = np.pi / 3 * k
        ring = (np.cos(t) * a + np.sin(t) * b).astype(np.float32)
        bent = direction + 0.35 * tool.divergence_rad * ring
        distance[:, k], triangle[:, k], _ = _cast(scene, eye + 0.35 * tool.exit_m * ring, bent)
    weight = np.array([1, 1, 1, 1, 1, 1, 2.0], dtype=np.float32)
    best = np.zeros(n, dtype=np.float32)
    start = np.full(n, np.inf, dtype=np.float32)
    for k in range(7):
        with np.errstate(invalid="ignore"):
            gap = distance - distance[:, k : k + 1]
            inside = (gap >= 0) & (gap < tool.mix_m)
        found = (inside * weight).sum(axis=1)
        better = (found > best) & np.isfinite(distance[:, k])
        best[better] = found[better]
        start[better] = distance[better, k]
    with np.errstate(invalid="ignore"):
        gap = distance - start[:, None]
        inside = (gap >= 0) & (gap < tool.mix_m)
    total = np.where(inside, weight, 0).sum(axis=1)
    mean = np.where(inside, distance, 0) @ weight / np.maximum(total, 1e-6)
    off = np.where(inside, np.abs(distance - mean[:, None]), np.inf)
    nearest = off.argmin(axis=1)
    mixed = off[np.arange(n), nearest] > 0.015
    lost = total < 1.9
    mean[lost] = np.inf
    return mean, triangle[np.arange(n), nearest], mixed


def scan_station(scene, tool: Instrument, place: World, eye: np.ndarray, rng: np.random.Generator):
    """All returns of one station, before its registration error: list of column arrays."""
    columns = []
    for grid in _windows(tool, eye, place, rng):
        shape = grid.shape[:2]
        direction = grid.reshape(-1, 3)
        distance, triangle, cosine = _cast(scene, eye, direction)
        mixed = np.zeros(len(direction), dtype=bool)
        edge = np.flatnonzero(_edges(distance.reshape(shape)).ravel())
        distance[edge], triangle[edge], mixed[edge] = _split(
            scene, tool, eye.astype(np.float32), direction[edge], distance[edge], triangle[edge]
        )
        keep = np.flatnonzero(np.isfinite(distance) & (distance < tool.range_m) & (distance > 0.3))
        keep = keep[rng.uniform(size=len(keep)) > tool.dropout]
        keep = keep[rng.uniform(size=len(keep)) < np.clip(6 * cosine[keep] + 0.2, 0, 1)]
        columns.append((direction[keep], distance[keep], triangle[keep], mixed[keep], cosine[keep]))
    return [np.concatenate(c) for c in zip(*columns, strict=True)]


def _sway(place: World, xyz: np.ndarray, push: np.ndarray, phase: np.ndarray) -> np.ndarray:
    """Displacement of points of a crown: grows with the square of height, limbs differ."""
    share = np.clip((xyz[:, 2] - place.base_m[2]) / (place.top_m - place.base_m[2]), 0, 1.1) ** 2
    wave = 1.0 + 0.5 * np.sin(0.9 * xyz[:, 0] + phase[0]) * np.cos(0.7 * xyz[:, 1] + phase[1])
    return (share * wave)[:, None] * push


def _turn(tilt: np.ndarray) -> np.ndarray:
    from scipy.spatial.transform import Rotation

    return Rotation.from_rotvec(tilt).as_matrix()


def scan(tool: Instrument, place: World, eyes: np.ndarray, rng: np.random.Generator) -> Returns:
    """Scan ``place`` from ``eyes`` (k, 3): every fault of ``tool`` applied."""
    o3d = open3d()
    scene = o3d.t.geometry.RaycastingScene(nthreads=1)
    scene.add_triangles(
        o3d.core.Tensor(place.mesh.vertex_m.astype(np.float32)),
        o3d.core.Tensor(place.mesh.triangle.astype(np.uint32)),
    )
    walk = np.zeros(3)
    rows = []
    for k, eye in enumerate(eyes):
        direction, distance, triangle, mixed, cosine = scan_station(scene, tool, place, eye, rng)
        label = place.label[triangle]
        sd = (tool.noise_m + tool.noise_per_m * distance) * np.clip(
            1 / (cosine + 0.05), 1, 3
        ) ** 0.5
        seen = distance + sd * rng.normal(size=len(distance))
        xyz = eye + seen[:, None] * direction.astype(float)
        live = np.isin(label, MOVING)
        push = tool.sway_m * np.array([*rng.normal(size=2), 0.1 * rng.normal()])
        xyz[live] += _sway(place, xyz[live], push, rng.uniform(0, 6.28, 2))
        grass = label == 0
        xyz[grass, 2] += np.abs(rng.normal(0, place.ground.roughness_m, int(grass.sum())))
        walk = walk + tool.drift_m * rng.normal(size=3) * [1, 1, 0.5]
        tilt = tool.tilt_rad * rng.normal(size=3) * [1, 1, 2]
        shift = tool.shift_m * rng.normal(size=3) * [1, 1, 0.6] + walk
        xyz = (xyz - eye) @ _turn(tilt).T + eye + shift
        station = np.full(len(xyz), k, dtype=np.int16)
        node = place.node[triangle]
        rows.append((xyz.astype(np.float32), label, node, station, mixed, cosine, distance))
    xyz, label, node, station, mixed, cosine, distance = [
        np.concatenate(c) for c in zip(*rows, strict=True)
    ]
    n = max(len(xyz) // 50000, 3)
    stray = rng.choice(len(xyz), n)
    xyz[stray] += rng.normal(0, 1.5, (n, 3)).astype(np.float32)
    label[stray], node[stray] = STRAY, -1
    return Returns(xyz, label, node, station, mixed, cosine, distance)
