"""Small clouds of known shape."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree


def post_on_ground(points: int = 6000, seed: int = 1) -> np.ndarray:
    """A post of 12 m and 0.4 m diameter on level ground, (2 x points, 3), metres, z up."""
    rng = np.random.default_rng(seed)
    ground = np.column_stack(
        (rng.uniform(-6, 6, points), rng.uniform(-6, 6, points), rng.normal(0, 0.01, points))
    )
    angle, z = rng.uniform(0, 2 * np.pi, points), rng.uniform(0, 12, points)
    post = np.column_stack((0.2 * np.cos(angle), 0.2 * np.sin(angle), z))
    return np.vstack((ground, post))


def same_cloud(cloud, xyz, tolerance=0.0009):
    """Every kept point is a point of the scan (half a 1 mm step per axis), extents agree."""
    whole = cloud.xyz + cloud.origin_m
    distance, _ = cKDTree(xyz).query(whole)
    assert distance.max() < tolerance
    assert np.abs(whole.min(axis=0) - xyz.min(axis=0)).max() < 0.03
    assert np.abs(whole.max(axis=0) - xyz.max(axis=0)).max() < 0.03
