"""The ground under a stem, from the ground around it."""

import numpy as np
import pytest

from treescan.pointcloud.cloud import Ground
from treescan.pointcloud.foot import footing


def sloping(east=0.1, north=-0.05, hump_m=0.0, seen=True) -> Ground:
    """A grid of 0.25 m cells over 10 m x 10 m with a hump of litter about the middle."""
    axis = -5.0 + 0.25 * np.arange(41)
    x, y = np.meshgrid(axis, axis)
    z = 2.0 + east * x + north * y + hump_m * (np.hypot(x, y) < 0.7)
    return Ground(-5.0, -5.0, 0.25, z, np.full(z.shape, seen))


def test_litter_and_flare_at_the_butt_do_not_lift_the_ground():
    found = footing(sloping(hump_m=0.2), 0.0, 0.0, 0.4)
    assert found.height_m == pytest.approx(2.0, abs=0.005)
    assert found.slope == pytest.approx((0.1, -0.05), abs=0.005)
    assert found.uphill_m(0.4) == pytest.approx(2.0 + 0.4 * np.hypot(0.1, 0.05), abs=0.005)


def test_a_shrub_beside_the_stem_does_not_tilt_the_ground():
    ground = sloping()
    z = ground.z_m.copy()
    z[20:24, 24:27] += 0.3
    found = footing(Ground(-5.0, -5.0, 0.25, z, ground.seen), 0.0, 0.0, 0.3)
    assert found.height_m == pytest.approx(2.0, abs=0.02)


def test_where_no_ground_was_seen_around_the_stem_the_grid_itself_is_read():
    found = footing(sloping(hump_m=0.2, seen=False), 0.0, 0.0, 0.4)
    assert found.height_m == pytest.approx(2.2)
    assert found.slope == (0.0, 0.0)
