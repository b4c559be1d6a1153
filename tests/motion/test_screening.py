"""Screening in a batch against the full motion of each option."""

import numpy as np
import pytest

from tests.motion.pieces import flat_ground, rod
from tests.site.test_obstacles import scene
from treescan.errors import InvalidInputError
from treescan.motion.body import ground_grid, lowest_gaps, rigid_piece
from treescan.motion.screening import screen_lowered
from treescan.motion.swing import lowered
from treescan.site.obstacles import build_obstacles

FLAT = flat_ground()
OBSTACLES = build_obstacles(scene(), FLAT)


def options():
    rng = np.random.default_rng(2)
    pieces, ties, anchors = [], [], []
    for _ in range(6):
        axis = rng.normal(size=3) * [1, 1, 0.4]
        piece = rod((*rng.uniform(-2, 2, 2), 14.0), axis, rng.uniform(1.5, 4), 120, 0.2, balls=15)
        pieces.append(piece)
        ties.append(piece.cut_m + 0.3 * piece.axis)
        anchors.append(piece.cut_m + np.array([*rng.uniform(-2, 2, 2), 3.0]))
    return pieces, np.array(ties), np.array(anchors)


def test_screening_agrees_with_the_full_motion():
    pieces, ties, anchors = options()
    seconds = 2.5
    found = screen_lowered(pieces, ties, anchors, FLAT, OBSTACLES, seconds=seconds)
    for row, piece in enumerate(pieces):
        path = lowered(piece, ties[row], anchors[row], FLAT)
        early = path.time_s <= seconds + 1e-9
        assert found.peak_n[row] == pytest.approx(path.tension_n[early].max(), rel=0.03)
        rigid = rigid_piece(piece)
        turns = np.ascontiguousarray(path.rotation[early])
        centre = np.ascontiguousarray(path.centre_m[early])
        gaps = lowest_gaps(centre, turns, rigid.offset_m, rigid.radius_m, ground_grid(FLAT))
        assert found.lowest_m[row] == pytest.approx(gaps.min(), abs=0.05)
        balls = np.einsum("kab,jb->kja", turns, rigid.offset_m) + centre[:, None]
        near = OBSTACLES.distance(balls.reshape(-1, 3), np.tile(rigid.radius_m, len(balls)))
        np.testing.assert_allclose(found.gap_m[row], near.min(axis=0), atol=0.05)


def test_one_tie_and_anchor_each():
    pieces, ties, anchors = options()
    with pytest.raises(InvalidInputError, match="one each"):
        screen_lowered(pieces, ties[:-1], anchors, FLAT, OBSTACLES)
