"""The line itself: what it rubs on, and a piece that swings into its fall."""

from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from tests.motion.pieces import flat_ground, rod
from tests.planning.jobs import grown_inputs
from tests.planning.sites import box, open_field
from treescan.motion.lead import swing_past_fall_m
from treescan.motion.swing import lowered
from treescan.planning.falls import fall_options
from treescan.planning.job import prepare
from treescan.planning.line_watch import line_passes, line_warnings
from treescan.rigging.cases import solve_many
from treescan.rigging.types import LoadCase
from treescan.site.model import Site

LIMB = rod((0, 6, 8), (0, 1, 0.1), 1.0, 8, diameter=0.08)
SHED = {"name": "shed", "footprint_m": box(-1.0, 1.5, 1.0, 3.0), "height_m": 7.0}


@cache
def job():
    data = open_field().model_dump() | {"target": [SHED]}
    return prepare(grown_inputs("leaning", 3, Site.model_validate(data), height_m=9.0))


def hung(device, anchor=(0.0, 6.0, 11.0), piece=LIMB):
    """The limb lowered from an anchor, the fall led straight to the device."""
    ready, tie = job(), piece.cut_m + 0.3 * piece.axis
    place = replace(ready.anchors[0], position_m=np.array(anchor), rejected="")
    case = LoadCase(
        piece=piece, anchor=place, tie="butt", tie_m=tie[None], redirects_m=np.zeros((0, 3)),
        device_m=np.array(device), gear=ready.inputs.gear, drop_m=0.0, swing_rad=0.0,
    )  # fmt: skip
    load = solve_many([case], ready.spar_without(ready.inputs.standing))[0]
    path = lowered(piece, tie, place.position_m, ready.inputs.ground)
    option = fall_options(piece, 0, ready.field)[0]
    return replace(option, path=path, method="lower", anchor=place, tie_m=tie[None], load=load)


def warned(option):
    return line_warnings(option, line_passes(option, job().field))


def test_a_fall_over_the_edge_of_a_roof_is_told():
    over, beside = hung((0.0, -3.0, 1.0)), hung((0.0, 7.0, 1.0))
    assert any("rubs on the shed" in text for text in warned(over))
    assert not any("rubs" in text for text in warned(beside))


def test_a_piece_that_swings_into_its_own_fall_is_told():
    """Released 4 m north of its anchor it swings over to where the fall runs down."""
    far = rod((0, 10, 8), (0, 1, 0.1), 1.0, 8, diameter=0.08)
    struck = hung((0.0, 3.0, 1.0), piece=far)
    clear = hung((6.0, 7.0, 1.0), piece=far)
    assert any("its own line" in text for text in warned(struck))
    assert not any("its own line" in text for text in warned(clear))


@pytest.mark.parametrize("seed", range(4))
def test_the_gap_to_the_fall_is_that_of_many_points_on_it(seed):
    rng = np.random.default_rng(seed)
    piece = rod((*rng.uniform(-2, 2, 2), 9.0), rng.normal(size=3), 2.0, 60, 0.2, balls=9)
    path = lowered(piece, piece.cut_m, piece.cut_m + np.array([1.0, 0.5, 3.0]), flat_ground())
    corner = piece.cut_m + np.array([[1.0, 0.5, 3.0], rng.uniform(-3, 3, 3), [0.0, 0.0, -8.0]])
    share = np.linspace(0.0, 1.0, 2000)[:, None]
    dense = np.concatenate([a + share * (b - a) for a, b in pairwise(corner)])
    first = piece.outline_m[:, None] - dense[None]
    away = np.linalg.norm(first, axis=2) - piece.outline_radius_m[:, None]
    before, least = swing_past_fall_m(piece, path, corner)
    assert before == pytest.approx(away.min(), abs=0.01)
    assert least <= before + 1e-9
