"""Clearances of moving pieces against a dense reference."""

import numpy as np
import pytest

from tests.motion.pieces import flat_ground, rod
from tests.site.test_obstacles import scene
from treescan.motion.body import rigid_piece
from treescan.motion.clearance import (
    clearances,
    near_passes_m,
    side_view_m2,
    wind_drift_m,
)
from treescan.motion.fall import free_fall, hinge_fall
from treescan.motion.standing import clearance_to_tree, standing_wood
from treescan.motion.swing import lowered
from treescan.site.obstacles import build_obstacles

FLAT = flat_ground()
OBSTACLES = build_obstacles(scene(), FLAT)


def paths():
    limb = rod((2, 0, 11), (1, 0.3, 0.3), 4, 200, diameter=0.2)
    top = rod((0, 0, 7), (0, 0, 1), 6, 200, diameter=0.2)
    yield limb, lowered(limb, limb.cut_m, np.array([0, 0, 14.0]), FLAT)
    yield limb, free_fall(limb, FLAT)
    yield top, hinge_fall(top, FLAT, hinge_azimuth_deg=20.0)


@pytest.mark.parametrize("number", range(3))
def test_within_two_centimetres_of_a_dense_reference(number):
    piece, path = list(paths())[number]
    rigid = rigid_piece(piece)
    balls = np.einsum("kab,jb->kja", path.rotation, rigid.offset_m) + path.centre_m[:, None]
    share = np.linspace(0, 1, 40)[None, :, None, None]
    dense = (balls[:-1, None] * (1 - share) + balls[1:, None] * share).reshape(-1, 3)
    radius = np.resize(rigid.radius_m, len(dense))
    reference = OBSTACLES.distance(dense, radius).min(axis=0)
    found = np.array([c.distance_m for c in clearances(piece, path, OBSTACLES)])
    np.testing.assert_allclose(found, reference, atol=0.02)


def test_every_obstacle_is_named_and_wind_widens_the_spread():
    piece, path = next(paths())
    calm = clearances(piece, path, OBSTACLES)
    windy = clearances(piece, path, OBSTACLES, wind_m_s=8.0)
    assert tuple(c.target for c in calm) == OBSTACLES.names
    assert all(w.spread_m > c.spread_m for c, w in zip(calm, windy, strict=True))


def test_clearance_to_the_standing_stem():
    piece = rod((1, 0, 9), (1, 0, 0), 4, 100, diameter=0.2)
    path = free_fall(piece, FLAT, break_angle_deg=0.0)
    stem = np.column_stack([np.zeros(80), np.zeros(80), np.linspace(0, 12, 80)])
    found = clearance_to_tree(piece, path, stem, 0.25)
    assert found.distance_m == pytest.approx(1.0 - 0.1 - 0.25, abs=0.01)


def test_near_passes_are_the_clearances_up_to_their_bound():
    for piece, path in paths():
        exact = np.array([gap.distance_m for gap in clearances(piece, path, OBSTACLES)])
        near = near_passes_m(piece, path, OBSTACLES, 2.5)
        np.testing.assert_allclose(near, np.minimum(exact, 2.5), atol=0.011)


def test_clearance_to_standing_wood_agrees_with_a_dense_reference():
    rng = np.random.default_rng(4)
    points = np.vstack(
        [
            np.column_stack([np.zeros(140), np.zeros(140), np.linspace(0, 14, 140)]),
            rng.uniform((-3, -3, 6), (6, 3, 13), (60, 3)),
        ]
    )
    radii = np.concatenate([np.full(140, 0.25), rng.uniform(0.01, 0.1, 60)])
    wood = standing_wood(points, radii)
    gone = rng.random(200) < 0.2
    piece, path = next(paths())
    rigid = rigid_piece(piece)
    found = clearance_to_tree(piece, path, wood, gone=gone, near_cut_m=-9.0)
    balls = np.einsum("kab,jb->kja", path.rotation, rigid.offset_m) + path.centre_m[:, None]
    share = np.linspace(0, 1, 12)[None, :, None, None]
    dense = (balls[:-1, None] * (1 - share) + balls[1:, None] * share).reshape(-1, 3)
    ball_radius = np.resize(rigid.radius_m, len(dense))
    reference = np.inf
    for point, radius in zip(points[~gone], radii[~gone], strict=True):
        gaps = np.linalg.norm(dense - point, axis=1) - ball_radius - radius
        reference = min(reference, gaps.min())
    assert found.distance_m == pytest.approx(reference, abs=0.02)


def test_standing_wood_far_away_is_given_as_far():
    piece, path = next(paths())
    assert clearance_to_tree(piece, path, np.array([[40.0, 40.0, 2.0]])).distance_m == 3.0


def test_side_view_counts_overlapping_balls_once():
    piece = rod((0, 0, 5), (1, 0, 0), 4, 100, diameter=0.4, balls=200)
    assert side_view_m2(rigid_piece(piece)) == pytest.approx(4 * 0.4 + np.pi * 0.04, rel=0.03)


def test_drift_in_the_wind_goes_with_its_square_and_against_mass():
    light = rod((0, 0, 9), (1, 0, 0), 4, 50, diameter=0.4)
    heavy = rod((0, 0, 9), (1, 0, 0), 4, 100, diameter=0.4)
    found = {
        (name, wind): wind_drift_m(rigid_piece(p), free_fall(p, FLAT, break_angle_deg=0.0), wind)
        for name, p in (("light", light), ("heavy", heavy))
        for wind in (3.0, 6.0)
    }
    assert found["light", 6.0] == pytest.approx(4 * found["light", 3.0])
    assert found["light", 3.0] == pytest.approx(2 * found["heavy", 3.0])
    push = 0.5 * 1.2 * 0.4 * side_view_m2(rigid_piece(heavy)) * 9.0 / 100
    assert found["heavy", 3.0] == pytest.approx(0.5 * push * 2 * 8.8 / 9.81, rel=1e-3)
