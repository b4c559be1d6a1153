"""Ground under terraces, walls, decks, low shrubs and on steep slopes: heights within 5 cm RMS."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from treescan.pointcloud.cloud import PointCloud
from treescan.pointcloud.ground import find_ground
from treescan.pointcloud.reading import read_scan

DATA = Path(__file__).parents[3] / "shared" / "data"

HALF_M = 9.0


def on_plane(rng, count, x=(-HALF_M, HALF_M), y=(-HALF_M, HALF_M)):
    return rng.uniform(x[0], x[1], count), rng.uniform(y[0], y[1], count)


def slope(x, y, degrees):
    return np.tan(np.radians(degrees)) * (0.8 * x + 0.6 * y)


def trunk(rng, z0):
    angle, z = rng.uniform(0, 2 * np.pi, 9000), rng.uniform(-0.1, 9, 9000)
    return np.column_stack((0.2 * np.cos(angle), 0.2 * np.sin(angle), z0 + z))


def bush(rng, x, y, z0, radius=0.9, height=0.8, count=5000):
    """A dense low shrub; few beams reach the ground through it."""
    ball = rng.normal(size=(count, 3))
    ball /= np.linalg.norm(ball, axis=1, keepdims=True)
    ball *= rng.uniform(0.7, 1.0, (count, 1))
    return np.column_stack(
        (x + radius * ball[:, 0], y + radius * ball[:, 1], z0 + height * np.abs(ball[:, 2]))
    )


def judged(parts, truth, hidden=None):
    """RMS error within 8 m over all cells, over the seen ones, and the ground."""
    xyz = np.vstack(parts).astype(np.float32)
    ground = find_ground(PointCloud(xyz, np.zeros(3), spacing_m=0.03))
    ny, nx = ground.z_m.shape
    x, y = np.meshgrid(
        ground.x0_m + np.arange(nx) * ground.cell_m, ground.y0_m + np.arange(ny) * ground.cell_m
    )
    near = (np.hypot(x, y) < 8.0) & (np.ones_like(x, bool) if hidden is None else ~hidden(x, y))
    error = ground.z_m - truth(x, y)
    return (
        float(np.sqrt(np.mean(error[near] ** 2))),
        float(np.sqrt(np.mean(error[near & ground.seen] ** 2))),
        ground,
    )


@pytest.mark.parametrize("degrees", [0.0, 15.0, 25.0, 35.0])
def test_slopes_with_shrubs(degrees):
    rng = np.random.default_rng(1)
    x, y = on_plane(rng, 120_000)
    shrubs = [(-3.0, 2.0), (2.5, -2.0), (4.0, 4.0)]
    covered = np.min([np.hypot(x - a, y - b) for a, b in shrubs], axis=0) < 0.8
    keep = ~covered | (rng.uniform(size=len(x)) < 0.03)
    ground = np.column_stack((x, y, slope(x, y, degrees) + rng.normal(0, 0.01, len(x))))[keep]
    parts = [ground, trunk(rng, 0.0)]
    parts += [bush(rng, a, b, slope(a, b, degrees)) for a, b in shrubs]
    parts = [part[part[:, 2] >= slope(part[:, 0], part[:, 1], degrees) - 0.05] for part in parts]
    everywhere, seen, _ = judged(parts, lambda x, y: slope(x, y, degrees))
    assert seen < 0.05
    assert everywhere < 0.08


def test_a_terrace_behind_a_wall():
    rng = np.random.default_rng(2)
    x, y = on_plane(rng, 120_000)

    def truth(x, y):
        return np.where(y > 2.5, 1.2, 0.0)

    ground = np.column_stack((x, y, truth(x, y) + rng.normal(0, 0.01, len(x))))
    face = np.column_stack(
        (rng.uniform(-9, 9, 20_000), np.full(20_000, 2.5), rng.uniform(0, 1.2, 20_000))
    )
    _, seen, ground = judged(
        [ground, face, trunk(rng, 0.0)], truth, hidden=lambda x, y: np.abs(y - 2.5) < 0.4
    )
    assert seen < 0.05
    assert ground.height(0.0, 5.0) == pytest.approx(1.2, abs=0.05)
    assert ground.height(0.0, 1.5) == pytest.approx(0.0, abs=0.05)


def test_a_free_standing_wall_is_no_ground():
    rng = np.random.default_rng(3)
    x, y = on_plane(rng, 120_000)
    ground = np.column_stack((x, y, rng.normal(0, 0.01, len(x))))
    count = 20_000
    wall = np.column_stack(
        (rng.uniform(-5, 5, count), 3.0 + rng.uniform(0, 0.25, count), rng.uniform(0, 0.9, count))
    )
    cap = np.column_stack(
        (rng.uniform(-5, 5, count), 3.0 + rng.uniform(0, 0.25, count), np.full(count, 0.9))
    )
    everywhere, seen, _ = judged([ground, wall, cap, trunk(rng, 0.0)], lambda x, y: 0.0 * x)
    assert seen < 0.05
    assert everywhere < 0.05


def test_missing_ground_under_a_deck():
    """The deck hides all ground under it: filled from around and marked as not seen."""
    rng = np.random.default_rng(4)
    x, y = on_plane(rng, 120_000)
    under = (np.abs(x - 4.0) < 2.0) & (np.abs(y) < 1.5)
    ground = np.column_stack((x, y, 0.05 * x + rng.normal(0, 0.01, len(x))))[~under]
    deck = np.column_stack(
        (rng.uniform(2, 6, 20_000), rng.uniform(-1.5, 1.5, 20_000), np.full(20_000, 0.75))
    )
    everywhere, seen, found = judged([ground, deck, trunk(rng, 0.0)], lambda x, y: 0.05 * x)
    assert seen < 0.05
    assert everywhere < 0.05
    ix = round((4.0 - found.x0_m) / found.cell_m)
    iy = round((0.0 - found.y0_m) / found.cell_m)
    assert not found.seen[iy, ix]


def test_the_underside_of_a_crown_is_no_ground():
    """A scan from the air that saw a thin stem to its foot and no ground at all."""
    rng = np.random.default_rng(5)
    ball = rng.normal(size=(60_000, 3))
    ball /= np.linalg.norm(ball, axis=1, keepdims=True)
    lumps = 1.0 + 0.12 * np.sin(7 * ball[:, :1]) * np.cos(9 * ball[:, 1:2])
    crown = ball * lumps * [5.0, 5.0, 4.0] + [0, 0, 8.0]
    stem = np.column_stack((rng.normal(0, 0.08, (300, 2)), rng.uniform(0, 5, 300)))
    ground = find_ground(
        PointCloud(np.vstack((crown, stem)).astype(np.float32), np.zeros(3), spacing_m=0.05)
    )
    assert not ground.seen.any()
    assert ground.height(0.0, 0.0) == pytest.approx(0.0, abs=0.4)


def test_a_real_scan_from_the_air_without_ground():
    path = DATA / "urban" / "nyc_tree_chunked.las"
    if not path.exists():
        pytest.skip("the real scans are not here")
    cloud = read_scan([path], scan_units="us-ft")
    ground = find_ground(cloud)
    assert not ground.seen.any()
    assert np.ptp(ground.z_m) == 0.0
    assert ground.z_m[0, 0] == pytest.approx(float(cloud.xyz[:, 2].min()), abs=0.2)
