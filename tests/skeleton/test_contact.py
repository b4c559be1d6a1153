"""Leaders that touch for metres above their fork are told from each other, and only then."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from treescan.skeleton.contact import _parents_first, part_touching
from treescan.skeleton.limbs import LimbAxes

RADIUS_M = 0.2
PART_M = 5.0
"""Height to which rings hold both leaders."""


def middle(height, side):
    """Axis of a leader; both touch up to about ``PART_M`` and part slowly. (n, 3)"""
    aside = 0.5 * (0.36 + 0.012 * height)
    return np.column_stack([side * aside, np.zeros(len(height)), height])


def skins(seed, leaders=(-1, 1), count=60_000):
    """Points on the leaders' skins that are not inside the other."""
    rng = np.random.default_rng(seed)
    parts = []
    for side in leaders:
        height, turn = rng.uniform(0.0, 9.0, count), rng.uniform(0, 2 * np.pi, count)
        out = RADIUS_M + rng.normal(0, 0.002, count)
        points = middle(height, side)
        points[:, 0] += out * np.cos(turn)
        points[:, 1] += out * np.sin(turn)
        if len(leaders) > 1:
            other = middle(height, -side)
            points = points[np.hypot(*(points - other)[:, :2].T) > RADIUS_M]
        parts.append(points)
    return np.concatenate(parts)


def wandering():
    """Axes as rings give them: one midway up to ``PART_M``, then the leaders; a side limb."""
    low, high = np.arange(0.0, PART_M, 0.12), np.arange(PART_M, 9.0, 0.12)
    midway = np.column_stack([np.zeros((len(low), 2)), low])
    stem = np.concatenate([midway, middle(high, -1)])
    leader = np.concatenate([midway[-1:], middle(high, 1)])
    at = 25
    out = midway[at] + np.linspace(0, 1.2, 11)[:, None] * np.array([1.0, 0.0, 0.3])
    first = np.cumsum([0, len(stem), len(out), len(leader)])
    axes = LimbAxes(
        np.concatenate([stem, out, leader]),
        first,
        np.array([-1, 0, 0]),
        np.array([-1, at, len(low) - 1]),
        np.zeros(first[-1], dtype=bool),
    )
    radius = np.full(first[-1], RADIUS_M)
    radius[first[1] : first[2]] = 0.03
    return axes, radius, np.ones(first[-1], dtype=bool)


@given(st.integers(0, 50))
@settings(max_examples=5, deadline=None)
def test_leaders_that_touch_are_followed_down_and_the_side_limb_goes_to_its_own(seed):
    found, radius = part_touching(*wandering(), skins(seed))
    assert len(found.parent_limb) == 3
    thick = [i for i in (1, 2) if radius[found.first[i] + 1] > 0.1]
    assert len(thick) == 1
    leader = thick[0]
    path = found.position_m[found.first[leader] + 1 : found.first[leader + 1]]
    assert path[0, 2] < PART_M - 2.0
    off = np.linalg.norm(path - middle(path[:, 2], 1), axis=1)
    assert off.max() < 0.03
    assert found.parent_limb[3 - leader] == leader
    assert (found.parent_limb[1:] < np.arange(1, 3)).all()


def test_one_stem_below_a_fork_stays_one():
    axes, radius, good = wandering()
    points = skins(1, leaders=(-1,))
    above = skins(2, leaders=(1,))
    points = np.concatenate([points, above[above[:, 2] > PART_M]])
    found, _ = part_touching(axes, radius, good, points)
    assert found is axes


@given(st.lists(st.integers(0, 1000), min_size=1, max_size=12), st.randoms())
def test_parents_come_first(draws, shuffle):
    parent = [-1, *(d % (i + 1) for i, d in enumerate(draws))]
    number = list(range(1, len(parent)))
    shuffle.shuffle(number)
    number = [0, *number]
    mixed = np.full(len(parent), -1)
    for i, up in enumerate(parent):
        mixed[number[i]] = number[up] if up >= 0 else -1
    order = _parents_first(mixed)
    place = np.argsort(order)
    assert sorted(order) == list(range(len(parent)))
    assert all(up < 0 or place[up] < place[i] for i, up in enumerate(mixed))
    assert order[0] == 0
