"""Grow a tree of known geometry from a seed.

Top-down growth: a limb marches along a curved axis; at every union it gives a share of its
cross-section away, so that areas balance (the limb before the union has the area of the two
after it), and between unions it loses a little to taper.  What comes out is a
:class:`~treescan.skeleton.graph.TreeGraph` with nodes 0.1 to 0.25 m apart whose radii are exact.
The base of the stem is at (0, 0, 0) and the ground there is z = 0.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from tests.scenes.foliage import Leaves, foliage
from treescan.skeleton.graph import FITTED, TreeGraph

SHAPES = ("broadleaf", "conifer", "leaning", "multistem", "flared")
TIP_RADIUS_M = 0.0040
TWIG_RADIUS_M = 0.0055
"""A side limb thinner than this is foliage, not wood."""


@dataclass(frozen=True)
class Habit:
    """How a shape grows; lengths in metres, angles in degrees."""

    dbh_m: float
    height_m: float
    bole_m: float
    lean_deg: float = 0.0
    lean_azimuth_deg: float = 0.0
    conifer: bool = False
    leaders: int = 1
    fork_m: float = 0.0
    angle_deg: tuple[float, float] = (40.0, 65.0)
    rise: float = 0.25
    wiggle: float = 0.10
    spacing: float = 1.0
    butt_swell: float = 0.12
    flare: float = 0.0


@dataclass(frozen=True)
class Flare:
    """Non-circular butt: r(theta, z) = r(z) * (1 + sum a_k e^(-z/h_k) cos(k (theta - t_k))).

    ``r`` is chosen so that the area of the section is that of a circle of the node's radius.
    """

    lobes: tuple[int, ...]
    amplitude: tuple[float, ...]
    decay_m: tuple[float, ...]
    phase_rad: tuple[float, ...]

    def ratio(self, theta_rad: np.ndarray, height_m: np.ndarray | float) -> np.ndarray:
        """Radius over the area-equivalent radius; shapes broadcast."""
        wave = np.zeros(np.broadcast(theta_rad, height_m).shape)
        square = np.zeros(np.shape(height_m))
        terms = zip(self.lobes, self.amplitude, self.decay_m, self.phase_rad, strict=True)
        for lobe, size, decay, phase in terms:
            a = size * np.exp(-np.maximum(height_m, 0.0) / decay)
            wave = wave + a * np.cos(lobe * (theta_rad - phase))
            square = square + a * a / 2
        return (1.0 + wave) / np.sqrt(1.0 + square)

    def girth_ratio(self, height_m: float) -> float:
        """Taped girth (of the convex hull) over the girth of the circle of equal area."""
        from scipy.spatial import ConvexHull

        theta = np.linspace(0, 2 * np.pi, 721)[:-1]
        r = self.ratio(theta, height_m)
        ring = np.column_stack([r * np.cos(theta), r * np.sin(theta)])
        return float(ConvexHull(ring).area / (2 * np.pi))


@dataclass(frozen=True)
class Tree:
    """A grown tree and its truth."""

    shape: str
    seed: int
    habit: Habit
    graph: TreeGraph
    leaves: Leaves
    flare: Flare | None = None
    options: dict = field(default_factory=dict)


def habit_of(shape: str, rng: np.random.Generator, options: dict) -> Habit:
    """Sizes drawn for ``shape``; ``options`` override single fields."""
    u = rng.uniform
    if shape == "broadleaf":
        found = {"dbh_m": u(0.42, 0.72), "height_m": u(15, 21), "bole_m": u(3.0, 4.5)}
        found |= {"leaders": int(rng.integers(2, 4)), "fork_m": u(3.5, 5.0), "rise": 0.22}
    elif shape == "conifer":
        found = {"dbh_m": u(0.32, 0.55), "height_m": u(18, 27), "bole_m": u(1.6, 3.0)}
        found |= {"conifer": True, "butt_swell": 0.18, "wiggle": 0.04}
    elif shape == "leaning":
        found = {"dbh_m": u(0.28, 0.45), "height_m": u(11, 16), "bole_m": u(2.4, 3.4)}
        found |= {"lean_deg": u(12, 20), "lean_azimuth_deg": u(0, 360), "leaders": 2}
        found |= {"fork_m": u(3.5, 4.6)}
    elif shape == "multistem":
        found = {"dbh_m": u(0.34, 0.46), "height_m": u(9, 13), "bole_m": u(1.8, 2.4)}
        found |= {"leaders": int(rng.integers(3, 5)), "fork_m": u(0.35, 0.7), "spacing": 0.85}
    elif shape == "flared":
        found = {"dbh_m": u(0.75, 1.0), "height_m": u(18, 23), "bole_m": u(3.2, 4.5)}
        found |= {"leaders": 3, "fork_m": u(4.0, 5.0), "flare": u(0.16, 0.24), "butt_swell": 0.45}
        found |= {"rise": 0.15, "angle_deg": (45.0, 75.0)}
    else:
        raise ValueError(f"no shape {shape!r}; one of {SHAPES}")
    return Habit(**(found | {k: v for k, v in options.items() if k in Habit.__dataclass_fields__}))


def _unit(v: np.ndarray) -> np.ndarray:
    return v / np.sqrt(v @ v)


def _side(direction: np.ndarray, azimuth_rad: float) -> np.ndarray:
    """Unit vector square to ``direction``, turned by ``azimuth_rad`` about it."""
    helper = np.array([1.0, 0.0, 0.0]) if abs(direction[0]) < 0.8 else np.array([0.0, 1.0, 0.0])
    a = _unit(np.cross(direction, helper))
    b = np.cross(direction, a)
    return np.cos(azimuth_rad) * a + np.sin(azimuth_rad) * b


@dataclass
class _Bud:
    """Where a limb is to start."""

    node: int
    direction: np.ndarray
    radius_m: float
    order: int
    kind: str
    above_m: float = 0.0


class _Grower:
    """Grows nodes limb by limb; parents always come before children."""

    def __init__(self, habit: Habit, rng: np.random.Generator) -> None:
        self.habit, self.rng = habit, rng
        self.place = np.zeros((70_000, 4))
        self.position = self.place[:, :3]
        self.radius: list[float] = []
        self.parent: list[int] = []
        self.limb: list[int] = []
        self.order: list[int] = []

    def add(self, position: np.ndarray, radius: float, parent: int, limb: int, order: int) -> int:
        self.place[len(self.parent), :3] = position
        self.place[len(self.parent), 3] = radius
        self.radius.append(radius)
        self.parent.append(parent)
        self.limb.append(limb)
        self.order.append(order)
        return len(self.parent) - 1

    def run(self) -> None:
        lean, azimuth = np.radians([self.habit.lean_deg, self.habit.lean_azimuth_deg])
        up = np.array(
            [np.sin(lean) * np.sin(azimuth), np.sin(lean) * np.cos(azimuth), np.cos(lean)]
        )
        queue = [_Bud(-1, up, self.habit.dbh_m / 2, 0, "stem")]
        limb = 0
        while queue:
            bud = queue.pop(0)
            queue += (
                self.grow_conifer_stem(bud)
                if (bud.kind == "stem" and self.habit.conifer)
                else self.grow_limb(bud, limb)
            )
            limb += 1

    # -- broadleaf ---------------------------------------------------------------------------
    def grow_limb(self, bud: _Bud, limb: int) -> list[_Bud]:
        habit, rng = self.habit, self.rng
        stem = bud.kind == "stem"
        direction = bud.direction.copy()
        if stem:
            node = self.add(np.zeros(3), bud.radius_m, -1, limb, 0)
        else:
            node = self.first_node(bud, limb)
        area = bud.radius_m**2
        travelled, next_union = 0.0, self.first_union_m(bud)
        forks = habit.leaders - 1 if stem else 0
        azimuth = rng.uniform(0, 2 * np.pi)
        turn = rng.normal(size=3)
        buds: list[_Bud] = []
        while True:
            r = np.sqrt(area)
            if r < TIP_RADIUS_M or len(self.parent) > 60000:
                break
            step = float(np.clip(0.08 + 1.2 * r, 0.1, 0.22))
            turn = 0.85 * turn + 0.5 * rng.normal(size=3)
            rise = self.rise_of(bud, direction, r, travelled)
            wiggle = habit.wiggle * (0.08 if stem and travelled < habit.fork_m else 1.0)
            direction = _unit(direction + step * (wiggle * 2 * turn + rise))
            area *= np.exp(-step * self.loss_per_m(bud, r)) if not (stem and forks) else 0.997
            position = self.position[node] + step * direction
            node = self.add(position, float(np.sqrt(area)), node, limb, bud.order)
            travelled += step
            if travelled >= next_union:
                fork = forks > 0
                share = rng.uniform(0.36, 0.46) if fork and forks == 1 else rng.uniform(0.14, 0.38)
                if fork and forks > 1:
                    share = rng.uniform(0.26, 0.34)
                if bud.kind == "bough":
                    share = rng.uniform(0.07, 0.16)
                azimuth = self.turned(bud, direction, azimuth)
                child, direction = self.union(bud, node, direction, area, share, azimuth, fork)
                if child is not None:
                    buds.append(child)
                area *= 1 - share
                forks -= fork
                gap = self.spacing_m(float(np.sqrt(area))) * rng.uniform(0.6, 1.4)
                gap = rng.uniform(0.18, 0.36) if bud.kind == "bough" else gap
                next_union = travelled + (gap if forks <= 0 else rng.uniform(0.16, 0.5))
        return buds

    def first_node(self, bud: _Bud, limb: int) -> int:
        """First node of a limb, just outside its parent's wood."""
        parent_r = self.radius[bud.node]
        step = max(1.35 * parent_r + 0.04, 0.1)
        position = self.position[bud.node] + step * bud.direction
        return self.add(position, bud.radius_m, bud.node, limb, bud.order)

    def first_union_m(self, bud: _Bud) -> float:
        if bud.kind == "stem":
            return self.habit.fork_m if self.habit.leaders > 1 else self.habit.bole_m
        if bud.kind == "bough":
            return self.rng.uniform(0.2, 0.6)
        if bud.kind == "leader":
            low = max(self.habit.bole_m - self.habit.fork_m, 0.6)
            return low + self.rng.uniform(0.2, 1.0)
        return self.spacing_m(bud.radius_m) * self.rng.uniform(0.8, 1.6)

    def loss_per_m(self, bud: _Bud, radius_m: float) -> float:
        """Share of its area that a limb loses to taper alone per metre."""
        if bud.kind == "bough":
            length = max(3.4 * (bud.radius_m / 0.02) ** 0.8, 0.3)
            return float(0.6 * 2 * np.log(bud.radius_m / TIP_RADIUS_M) / length)
        return 0.09 / self.spacing_m(radius_m)

    def turned(self, bud: _Bud, direction: np.ndarray, azimuth: float) -> float:
        """Azimuth of the next side limb: a spiral, or left and right along a conifer's bough."""
        if bud.kind != "bough":
            return float(azimuth + 2.4 + self.rng.normal(0, 0.35))
        flat = np.cross(direction, [0.0, 0.0, 1.0])
        a, b = _side(direction, 0.0), _side(direction, np.pi / 2)
        level = np.arctan2(flat @ b, flat @ a)
        gone = np.cos(azimuth - level) > 0
        return float(level + np.pi * gone + self.rng.normal(0, 0.3))

    def spacing_m(self, radius_m: float) -> float:
        return float(self.habit.spacing * (2 * radius_m / 0.2) ** 0.5)

    def rise_of(
        self, bud: _Bud, direction: np.ndarray, radius_m: float, travelled_m: float
    ) -> np.ndarray:
        """Pull on the growing direction per metre: up for leaders, sag then rise for limbs."""
        if bud.kind == "bough":
            return np.array([0.0, 0.0, -0.12 if travelled_m < 1.2 else 0.16])
        pull = self.habit.rise * (0.8 if bud.kind in ("stem", "leader") else 0.6)
        if bud.kind == "stem" and self.habit.lean_deg:
            pull *= 0.35
        if bud.kind == "limb" and radius_m > 0.03:
            pull -= 0.10
        return np.array([0.0, 0.0, pull * (1.0 - direction[2])])

    def union(self, bud, node, direction, area, share, azimuth, fork):
        """Bud of the side limb and the direction in which the limb itself goes on."""
        rng = self.rng
        child_r = float(np.sqrt(area * share))
        low, high = (18.0, 32.0) if fork else self.habit.angle_deg
        angle = np.radians(rng.uniform(low, high)) * (1.0 - 0.3 * (share - 0.14))
        best = None
        for _ in range(6):
            side = _side(direction, azimuth)
            new = _unit(np.cos(angle) * direction + np.sin(angle) * side)
            if new[2] < -0.25:
                new = _unit(new + np.array([0, 0, 0.5]))
            best = side if best is None else best
            if self.free(self.position[node], new, child_r):
                break
            azimuth += 1.1
        bend = np.radians(6.0 + 40.0 * share) * (1.0 if fork else 0.55)
        if bud.kind == "stem" and not fork and share < 0.2:
            bend *= 0.5
        on = _unit(np.cos(bend) * direction - np.sin(bend) * side)
        if child_r < TWIG_RADIUS_M:
            return None, on
        kind = "leader" if fork else "limb"
        order = 0 if fork else bud.order + 1
        return _Bud(node, new, child_r, order, kind), on

    def free(self, start: np.ndarray, direction: np.ndarray, radius_m: float) -> bool:
        """True where the first metres of a thick limb keep clear of what has grown so far."""
        if radius_m < 0.02:
            return True
        known = self.place[: max(len(self.parent) - 8, 0)]
        if len(known) < 20:
            return True
        reach = np.linspace(0.8, 2.5, 5)[:, None] * direction + start
        near = np.abs(known[:, :3] - reach[2]).max(axis=1) < 1.7
        if not near.any():
            return True
        gap = np.linalg.norm(known[None, near, :3] - reach[:, None], axis=2) - known[near, 3]
        return bool(gap.min() > radius_m + 0.1)

    # -- conifer -----------------------------------------------------------------------------
    def grow_conifer_stem(self, bud: _Bud) -> list[_Bud]:
        habit, rng = self.habit, self.rng
        whorls = []
        z = habit.bole_m
        while z < habit.height_m - 0.5:
            whorls.append(z)
            z += rng.uniform(0.38, 0.62)
        sizes = [(w, k) for w in whorls for k in range(int(rng.integers(3, 6)))]
        weight = np.array([(habit.height_m - w) ** 1.1 * rng.uniform(0.5, 1.5) for w, _ in sizes])
        base = bud.radius_m**2
        child = weight / weight.sum() * base * 0.62
        node = self.add(np.zeros(3), bud.radius_m, -1, 0, 0)
        direction, area, at, azimuth = bud.direction.copy(), base, 0, rng.uniform(0, 6.28)
        loss = (base * 0.38 - TIP_RADIUS_M**2) / habit.height_m
        buds: list[_Bud] = []
        height = 0.0
        turn = rng.normal(size=3)
        while height < habit.height_m - 0.1:
            step = min(0.2, habit.height_m - height)
            turn = 0.9 * turn + 0.4 * rng.normal(size=3)
            upward = np.array([0, 0, 0.25 * (1 - direction[2])])
            direction = _unit(direction + step * (0.007 * turn + upward))
            area = max(area - loss * step, TIP_RADIUS_M**2)
            node = self.add(
                self.position[node] + step * direction, float(np.sqrt(area)), node, 0, 0
            )
            height += step
            while at < len(sizes) and sizes[at][0] <= height:
                r = float(np.sqrt(child[at]))
                azimuth += 2 * np.pi / 4.2 + rng.normal(0, 0.25)
                tilt = np.radians(70 + 25 * (1 - sizes[at][0] / habit.height_m) + rng.normal(0, 5))
                new = _unit(np.cos(tilt) * direction + np.sin(tilt) * _side(direction, azimuth))
                if r > TWIG_RADIUS_M:
                    buds.append(_Bud(node, new, r, 1, "bough", habit.height_m - height))
                area = max(area - child[at], TIP_RADIUS_M**2)
                at += 1
        return buds


def _swell(grower: _Grower) -> np.ndarray:
    """Radii with butt swell added to the stem, shape (n,)."""
    radius = np.array(grower.radius)
    position = grower.position[: len(radius)]
    stem = np.array(grower.limb) == 0
    height = position[:, 2]
    decay = 0.35 if not grower.habit.flare else 0.7
    radius[stem] *= 1.0 + grower.habit.butt_swell * np.exp(-height[stem] / decay)
    return radius


def _graph(grower: _Grower) -> TreeGraph:
    n = len(grower.parent)
    radius = _swell(grower)
    return TreeGraph(
        position_m=grower.position[:n].copy(),
        radius_m=radius,
        radius_sd_m=np.full(n, 1e-6),
        parent=np.array(grower.parent, dtype=np.int32),
        limb=np.array(grower.limb, dtype=np.int32),
        order=np.array(grower.order, dtype=np.int32),
        support=np.ones(n),
        source=np.full(n, FITTED, dtype=np.int32),
        bridged=np.zeros(n, dtype=bool),
        origin_m=np.zeros(3),
    )


def grow(shape: str, seed: int, **options: float) -> Tree:
    """Grow a tree of ``shape`` from ``seed``; ``options`` override fields of :class:`Habit`."""
    rng = np.random.default_rng([seed, SHAPES.index(shape) if shape in SHAPES else 99])
    habit = habit_of(shape, rng, dict(options))
    graph = _grown_to_height(habit, [seed, 7])
    flare = _flare(habit, rng) if habit.flare else None
    leaves = foliage(graph, np.random.default_rng([seed, 11]), habit.conifer)
    return Tree(shape, seed, habit, graph, leaves, flare, dict(options))


def _grown_to_height(habit: Habit, seed: list[int]) -> TreeGraph:
    """Grow a few times with other distances between unions until the height fits."""
    best, misfit = None, np.inf
    spacing = habit.spacing
    for _ in range(1 if habit.conifer else 4):
        grower = _Grower(replace(habit, spacing=spacing), np.random.default_rng(seed))
        grower.run()
        graph = _graph(grower)
        height = graph.position_m[:, 2].max()
        if abs(height / habit.height_m - 1) < misfit:
            best, misfit = graph, abs(height / habit.height_m - 1)
        if misfit < 0.04:
            break
        crown = (habit.height_m - habit.fork_m) / max(height - habit.fork_m, 1.0)
        spacing = float(np.clip(spacing * crown, 0.6, 1.8))
    assert best is not None
    return best


def _flare(habit: Habit, rng: np.random.Generator) -> Flare:
    lobes = (2, 3, int(rng.integers(4, 7)))
    amplitude = (0.35 * habit.flare, 0.5 * habit.flare, habit.flare)
    decay = (1.6, 0.9, 0.55)
    return Flare(lobes, amplitude, decay, tuple(rng.uniform(0, 2 * np.pi, 3)))


def truth_graph(shape: str = "broadleaf", seed: int = 0, **options: float) -> TreeGraph:
    """The exact skeleton of a grown tree."""
    return grow(shape, seed, **options).graph
