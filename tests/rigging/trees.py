"""Small trees of known geometry and the objects around them, for the rigging tests."""

from dataclasses import replace
from functools import cache

import numpy as np

from tests.scenes.grow import truth_graph
from treescan.mensuration.measures import TreeMeasures, UnionRow
from treescan.pointcloud.cloud import Ground
from treescan.rigging.cases import solve_many
from treescan.rigging.gear import resolve_gear
from treescan.rigging.model import spar_model
from treescan.rigging.types import Anchor, GearItem, LoadCase
from treescan.site.model import Site
from treescan.skeleton.graph import FITTED, TreeGraph
from treescan.units import Band
from treescan.wood.mass import green_mass
from treescan.wood.species import find_species
from treescan.wood.types import GreenMass, Piece

OAK = find_species("Quercus rubra")
NO_BAND = Band(0.0, 0.0, 0.0)


def graph_of(position, parent, radius, limb=None, order=None, sd=0.0, origin=(0, 0, 0)):
    """Graph from lists; every node fitted and well seen unless changed afterwards."""
    n = len(parent)
    limb = np.zeros(n) if limb is None else limb
    return TreeGraph(
        position_m=np.asarray(position, float),
        radius_m=np.broadcast_to(np.asarray(radius, float), n).copy(),
        radius_sd_m=np.full(n, sd),
        parent=np.asarray(parent, np.int32),
        limb=np.asarray(limb, np.int32),
        order=np.asarray(limb if order is None else order, np.int32),
        support=np.ones(n),
        source=np.full(n, FITTED, np.int32),
        bridged=np.zeros(n, bool),
        origin_m=np.asarray(origin, float),
    )


def spar_graph(height_m=10.0, radius_m=0.15, lean_rad=0.0, step_m=0.25):
    """A straight stem, upright or leaning toward +x."""
    along = np.arange(0.0, height_m + 1e-9, step_m)
    way = np.array([np.sin(lean_rad), 0.0, np.cos(lean_rad)])
    return graph_of(along[:, None] * way, np.arange(len(along)) - 1, radius_m)


def massless(graph):
    zero = np.zeros(len(graph))
    return GreenMass(zero, zero, zero, zero, zero, zero)


def measures(unions: tuple[UnionRow, ...] = ()) -> TreeMeasures:
    return TreeMeasures(
        height_m=20.0, dbh_m=0.5, dbh_sd_m=0.0, dbh_height_m=1.3, stem_diameters_m=(),
        crown_spread_m=8.0, crown_spread_cross_m=8.0, crown_base_m=4.0, live_crown_ratio=0.8,
        lean_deg=0.0, lean_azimuth_deg=0.0, volume_m3=NO_BAND, volume_over_7cm_m3=NO_BAND,
        unseen_share=0.0, stems=1, unions=unions, limbs=(),
    )  # fmt: skip


def flat_ground(level_m=0.0):
    return Ground(-50.0, -50.0, 1.0, np.full((101, 101), level_m), np.ones((101, 101), bool))


def solve(case, model, rider=None):
    """Answer one case."""
    return solve_many([case], model, rider)[0]


def model_of(graph, mass=None, site=None, unions=(), standing=None, state=None):
    return spar_model(
        graph,
        massless(graph) if mass is None else mass,
        OAK,
        measures(unions),
        site or Site(local=True),
        standing=standing,
        wood_state=state,
    )


@cache
def grown(shape="broadleaf", seed=1):
    """A grown tree with mass and model."""
    graph = truth_graph(shape, seed)
    mass = green_mass(graph, OAK, in_leaf=True)
    return graph, mass, model_of(graph, mass)


def log_piece(mass_kg=150.0, length_m=1.5, cut_m=(0.0, 0.0, 10.0), axis=(0, 0, 1), spread=0.0):
    """A straight, even log standing on its cut."""
    way = np.asarray(axis, float) / np.linalg.norm(axis)
    cut = np.asarray(cut_m, float)
    turn = mass_kg * length_m**2 / 12.0
    return Piece(
        butt_node=1,
        nodes=np.array([1], np.int32),
        limb=0,
        mass_kg=Band(mass_kg * (1 - spread), mass_kg, mass_kg * (1 + spread)),
        centre_m=cut + 0.5 * length_m * way,
        inertia_kg_m2=turn * (np.eye(3) - np.outer(way, way)) + 1e-6 * np.eye(3),
        cut_m=cut,
        axis=way,
        length_m=length_m,
        butt_diameter_m=0.3,
        top_diameter_m=0.3,
        outline_m=cut + np.linspace(0, length_m, 5)[:, None] * way,
        outline_radius_m=np.full(5, 1e-3),
    )


def anchor_at(position_m, node=1, diameter_m=0.3):
    place = np.asarray(position_m, float)
    return Anchor(
        "A1", node, place, float(place[2]), diameter_m, 0.0, 1e5, "test", np.array([0, 0, -1.0])
    )


def default_gear(**changes):
    return resolve_gear(Site(local=True).gear.model_copy(update=changes))


LINE = GearItem("line", "line", 72e3, "test", 360e3)
NONE = np.zeros((0, 3))


def gear(q=1.15, line=LINE):
    return replace(
        default_gear(),
        line=line,
        block=GearItem("block", "block", 200e3, "test", friction_ratio=q),
        wear_factor=1.0,
    )


def log_case(run_m=0.0, mass=150.0, length=1.5, spread=0.0, **changes):
    """X1: block 0.3 below and tie 0.4 above the cut at 10 m, 20 m of line in service."""
    piece = log_piece(mass, length, (0.0, 0.0, 10.0), spread=spread)
    values = {
        "piece": piece,
        "anchor": anchor_at((0.0, 0.0, 9.7), node=38),
        "tie": "butt",
        "tie_m": np.array([[0.0, 0.0, 10.4]]),
        "redirects_m": NONE,
        "device_m": np.array([0.0, 0.0, -9.6]),
        "gear": gear(),
        "drop_m": length + 0.6,
        "swing_rad": 0.0,
        "locked": run_m == 0.0,
        "run_m": run_m,
    }
    return LoadCase(**{**values, **changes})


MODEL = model_of(spar_graph(10.0, 0.15))
