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


@pytest.mark.parametrize("run_m", [0.0, 1.0])
def test_screening_agrees_with_the_full_motion(run_m):
    pieces, ties, anchors = options()
    seconds = 2.5
    more = {"seconds": seconds, "run_m": run_m}
    found = screen_lowered(pieces, ties, anchors, FLAT, OBSTACLES, **more)
    for row, piece in enumerate(pieces):
        path = lowered(piece, ties[row], anchors[row], FLAT, run_m=run_m)
        early = path.time_s <= seconds + 1e-9
        if not run_m:  # a full path tells the tension of the locked line
            assert found.peak_n[row] == pytest.approx(path.tension_n[early].max(), rel=0.03)
        rigid = rigid_piece(piece)
        turns = np.ascontiguousarray(path.rotation[early])
        centre = np.ascontiguousarray(path.centre_m[early])
        gaps = lowest_gaps(centre, turns, rigid.offset_m, rigid.radius_m, ground_grid(FLAT))
        assert found.lowest_m[row] == pytest.approx(gaps.min(), abs=0.05)
        balls = np.einsum("kab,jb->kja", turns, rigid.offset_m) + centre[:, None]
        near = OBSTACLES.distance(balls.reshape(-1, 3), np.tile(rigid.radius_m, len(balls)))
        np.testing.assert_allclose(found.gap_m[row], near.min(axis=0), atol=0.05)


def test_a_line_that_runs_lets_some_pieces_hang_lower_and_none_pull_harder():
    locked = screen_lowered(*options(), FLAT, OBSTACLES)
    runs = screen_lowered(*options(), FLAT, OBSTACLES, run_m=1.0)
    assert (runs.lowest_m < locked.lowest_m - 0.3).any()
    assert (runs.peak_n < 1.02 * locked.peak_n).all()
    assert (runs.peak_n < 0.8 * locked.peak_n).any()


def test_one_tie_and_anchor_each():
    pieces, ties, anchors = options()
    with pytest.raises(InvalidInputError, match="one each"):
        screen_lowered(pieces, ties[:-1], anchors, FLAT, OBSTACLES)
