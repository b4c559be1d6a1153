"""Ground, buildings, fences, shrubs, wires, posts and people around a tree."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tests.scenes.foliage import Leaves
from tests.scenes.mesh import Mesh, joined, leaf_mesh, tube

GROUND, WOOD, LEAF, BUILDING, FENCE, SHRUB, WIRE, POST = range(8)
NEIGHBOUR_WOOD, NEIGHBOUR_LEAF, PERSON, STRAY = range(8, 12)
LABEL_NAMES = (
    "ground", "wood", "leaf", "building", "fence", "shrub", "wire", "post",
    "neighbour wood", "neighbour leaf", "person", "stray",
)  # fmt: skip


@dataclass(frozen=True)
class Placed:
    """A thing in the scene: its mesh and its truth.

    ``outline_m`` is the footprint (k, 2), or the path (k, 3) of a wire or fence.
    """

    name: str
    label: int
    mesh: Mesh
    outline_m: np.ndarray
    height_m: float = 0.0
    eaves_m: float = 0.0


@dataclass(frozen=True)
class Terrain:
    """Sloping, uneven ground as a smooth function of x and y."""

    slope: tuple[float, float]
    wave_m: np.ndarray
    wave_per_m: np.ndarray
    phase_rad: np.ndarray
    roughness_m: float

    def height(self, x: np.ndarray | float, y: np.ndarray | float) -> np.ndarray:
        """Ground height. [m]"""
        x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        z = self.slope[0] * x + self.slope[1] * y
        for a, k, p in zip(self.wave_m, self.wave_per_m, self.phase_rad, strict=True):
            z = z + a * np.sin(k[0] * x + k[1] * y + p)
        return z

    def uphill_rise_m(self, x: float, y: float, radius_m: float) -> float:
        """Highest ground around a stem above the ground at its middle."""
        t = np.linspace(0, 2 * np.pi, 73)
        ring = self.height(x + radius_m * np.cos(t), y + radius_m * np.sin(t))
        return float(ring.max() - self.height(x, y))

    def mesh(self, half_m: float = 32.0, cell_m: float = 0.4) -> Mesh:
        """Height grid as triangles."""
        axis = np.arange(-half_m, half_m + cell_m / 2, cell_m)
        x, y = np.meshgrid(axis, axis)
        n = len(axis)
        i = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)[None, :]).ravel()
        triangle = np.concatenate(
            [np.column_stack([i, i + 1, i + n + 1]), np.column_stack([i, i + n + 1, i + n])]
        )
        return Mesh(np.column_stack([x.ravel(), y.ravel(), self.height(x, y).ravel()]), triangle)


def terrain(rng: np.random.Generator, slope_deg: float = 6.0, waves_m: float = 0.08) -> Terrain:
    """Uneven ground falling by ``slope_deg`` in a random direction."""
    azimuth = rng.uniform(0, 2 * np.pi)
    grade = np.tan(np.radians(slope_deg))
    k = 2 * np.pi / rng.uniform(4.0, 15.0, 6)
    t = rng.uniform(0, 2 * np.pi, 6)
    return Terrain(
        (grade * np.cos(azimuth), grade * np.sin(azimuth)),
        waves_m * rng.uniform(0.3, 1.0, 6) * (4 / k**-1).clip(0.2, 1.0),
        np.column_stack([k * np.cos(t), k * np.sin(t)]),
        rng.uniform(0, 2 * np.pi, 6),
        0.012,
    )


def _rectangle(centre: np.ndarray, size: tuple[float, float], azimuth_deg: float) -> np.ndarray:
    t = np.radians(azimuth_deg)
    turn = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    corner = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(size) / 2
    return corner @ turn.T + np.asarray(centre)


def box(footprint_m: np.ndarray, low_m: float, top_m: float) -> Mesh:
    """Walls and lid over a four-cornered footprint."""
    low = np.column_stack([footprint_m, np.full(4, low_m)])
    top = np.column_stack([footprint_m, np.full(4, top_m)])
    walls = [[i, (i + 1) % 4, 4 + (i + 1) % 4] for i in range(4)]
    walls += [[i, 4 + (i + 1) % 4, 4 + i] for i in range(4)]
    return Mesh(np.concatenate([low, top]), np.array([*walls, [4, 5, 6], [4, 6, 7]]))


def house(
    name: str, ground: Terrain, centre, size=(9.0, 7.0), azimuth_deg=0.0, eaves_m=3.0, ridge_m=5.5
) -> Placed:
    """A house with a gable roof over its footprint, a flat one where ridge equals eaves."""
    foot = _rectangle(centre, size, azimuth_deg)
    z = ground.height(foot[:, 0], foot[:, 1])
    base = float(z.min()) - 0.3
    floor = float(np.mean(z))
    walls = box(foot, base, floor + eaves_m)
    wide = _rectangle(centre, (size[0] + 0.6, size[1] + 0.6), azimuth_deg)
    ridge = np.array([(wide[0] + wide[3]) / 2, (wide[1] + wide[2]) / 2])
    vertex = np.concatenate(
        [
            np.column_stack([wide, np.full(4, floor + eaves_m - 0.1)]),
            np.column_stack([ridge, np.full(2, floor + ridge_m)]),
        ]
    )
    roof = Mesh(
        vertex, np.array([[0, 1, 5], [0, 5, 4], [2, 3, 4], [2, 4, 5], [3, 0, 4], [1, 2, 5]])
    )
    return Placed(name, BUILDING, joined([walls, roof]), wide, ridge_m, eaves_m)


def fence(name: str, ground: Terrain, path_m, height_m: float = 1.8) -> Placed:
    """Board fence with posts along a path (k, 2)."""
    path = np.asarray(path_m, dtype=float)
    parts, line = [], []
    for a, b in pairwise(path):
        n = max(int(np.ceil(np.linalg.norm(b - a) / 2.0)), 1)
        points = a + np.linspace(0, 1, n + 1)[:, None] * (b - a)
        across = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a) * 0.012
        z = ground.height(points[:, 0], points[:, 1])
        for i in range(n):
            foot = np.array(
                [
                    points[i] - across,
                    points[i + 1] - across,
                    points[i + 1] + across,
                    points[i] + across,
                ]
            )
            low = min(z[i], z[i + 1]) - 0.1
            parts.append(box(foot, low, max(z[i], z[i + 1]) + height_m))
        for p, h in zip(points, z, strict=True):
            parts.append(box(_rectangle(p, (0.09, 0.09), 0.0), h - 0.2, h + height_m + 0.1))
        line += [[*p, h] for p, h in zip(points, z, strict=True)]
    return Placed(name, FENCE, joined(parts), np.array(line), height_m)


def shrub(
    name: str, ground: Terrain, rng: np.random.Generator, centre, radius_m=1.0, height_m=1.3
) -> Placed:
    """A bushy plant: stems fanning out of the ground and leaves in a half ellipsoid."""
    x, y = centre
    z = float(ground.height(x, y))
    parts = []
    for _ in range(10):
        t, lean = rng.uniform(0, 2 * np.pi), rng.uniform(0.1, 0.9)
        tip = np.array([radius_m * lean * np.cos(t), radius_m * lean * np.sin(t), 0.9 * height_m])
        parts.append(tube(np.linspace(0, 1, 4)[:, None] ** [1, 1, 0.7] * tip, np.full(4, 0.01), 6))
    n = int(900 * radius_m**2 * height_m)
    v = rng.normal(size=(n, 3))
    v = v / np.linalg.norm(v, axis=1, keepdims=True) * rng.uniform(0.5, 1, (n, 1)) ** (1 / 3)
    centre_m = np.abs(v) * [0, 0, 1] * height_m + v * [radius_m, radius_m, 0]
    axis = rng.normal(size=(n, 3))
    axis /= np.linalg.norm(axis, axis=1, keepdims=True)
    normal = np.cross(axis, rng.normal(size=(n, 3)))
    parts.append(leaf_mesh(Leaves(centre_m, normal, axis, np.full(n, 0.08), np.full(n, 0.05))))
    t = np.linspace(0, 2 * np.pi, 13)[:-1]
    foot = np.column_stack([x + radius_m * np.cos(t), y + radius_m * np.sin(t)])
    return Placed(name, SHRUB, joined(parts).moved(np.array([x, y, z])), foot, height_m)


def wire(name: str, start_m, end_m, sag_m: float = 0.5, radius_m: float = 0.012) -> Placed:
    """A wire hanging in a parabola between two points (3,)."""
    a, b = np.asarray(start_m, dtype=float), np.asarray(end_m, dtype=float)
    s = np.linspace(0, 1, 41)[:, None]
    line = a + s * (b - a) - np.array([0, 0, 4 * sag_m]) * s * (1 - s)
    return Placed(name, WIRE, tube(line, np.full(41, radius_m), 8), line)


def lamp_post(name: str, ground: Terrain, at, height_m: float = 6.0) -> Placed:
    """A tapered pole with an arm."""
    x, y = at
    z = float(ground.height(x, y))
    pole = tube(np.array([[x, y, z - 0.2], [x, y, z + height_m]]), np.array([0.08, 0.05]), 24)
    arm = tube(
        np.array([[x, y, z + height_m - 0.05], [x + 1.2, y, z + height_m + 0.25]]),
        np.array([0.035, 0.03]),
        12,
    )
    head = box(_rectangle((x + 1.4, y), (0.6, 0.25), 0.0), z + height_m + 0.2, z + height_m + 0.35)
    return Placed(name, POST, joined([pole, arm, head]), np.array([[x, y, z]]), height_m)


def person(name: str, ground: Terrain, at) -> Placed:
    """Someone standing in the yard."""
    x, y = at
    z = float(ground.height(x, y))
    base = np.array([x, y, z])
    parts = [
        tube(base + np.array([[s, 0, 0.02], [0.7 * s, 0, 0.85]]), np.array([0.07, 0.09]), 12)
        for s in (-0.12, 0.12)
    ]
    parts.append(
        tube(
            base + np.array([[0, 0, 0.8], [0, 0, 1.2], [0, 0, 1.5]]),
            np.array([0.16, 0.17, 0.12]),
            16,
        )
    )
    head = np.array([[0, 0, 1.5], [0, 0, 1.56], [0, 0, 1.72], [0, 0, 1.78]])
    parts.append(tube(base + head, np.array([0.05, 0.1, 0.1, 0.04]), 16))
    return Placed(name, PERSON, joined(parts), base[None, :2], 1.78)
