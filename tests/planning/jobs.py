"""Whole planning jobs for tests: the trees of the sample scans, and grown ones in our yards."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np

from tests.planning.trees import flat_ground
from tests.scenes.grow import truth_graph
from treescan.mensuration.measure import measure_tree
from treescan.planning.haul import haul_plan
from treescan.planning.inputs import PlanInputs
from treescan.planning.planner import make_plan
from treescan.planning.types import JobResult
from treescan.pointcloud.cloud import Ground
from treescan.report.plan_json import plan_document
from treescan.report.tree_json import tree_document
from treescan.rigging.gear import resolve_gear
from treescan.site.model import Site
from treescan.site.reading import read_site
from treescan.skeleton.graph import TreeGraph
from treescan.wood.mass import green_mass
from treescan.wood.species import find_species

SAMPLES = Path(__file__).parents[2] / "sample_scans"


def inputs_of(graph: TreeGraph, site: Site, ground: Ground | None = None, **more) -> PlanInputs:
    ground = ground or flat_ground()
    species = find_species(site.job.species)
    conditions = site.conditions
    mass = green_mass(graph, species, in_leaf=conditions.in_leaf, wet=conditions.wet)
    measures = measure_tree(graph, ground)
    gear = resolve_gear(site.gear)
    return PlanInputs(graph, ground, measures, species, mass, site, gear, **more)


@cache
def grown_inputs(shape: str, seed: int, site: Site, **options) -> PlanInputs:
    return inputs_of(truth_graph(shape, seed, **options), site)


@cache
def sample_inputs(name: str) -> PlanInputs:
    """The true tree of a sample scan with its own site file, on level ground."""
    truth = json.loads((SAMPLES / f"{name}.truth.json").read_text())
    rows = np.array([[np.nan if v is None else v for v in row] for row in truth["nodes"]], float)
    n = len(rows)
    parent = rows[:, 4].astype(np.int32)
    graph = TreeGraph(
        position_m=rows[:, :3],
        radius_m=rows[:, 3],
        radius_sd_m=0.04 * rows[:, 3],
        parent=parent,
        limb=rows[:, 5].astype(np.int32),
        order=rows[:, 6].astype(np.int32),
        support=np.ones(n),
        source=np.zeros(n, np.int32),
        bridged=np.zeros(n, bool),
        origin_m=np.array(truth["origin_m"]),
    )
    z = float(rows[0, 2])
    ground = Ground(-40.0, -40.0, 80.0, np.full((2, 2), z), np.ones((2, 2), bool))
    site = read_site(SAMPLES / f"{name}.toml").localised(graph.origin_m)
    return inputs_of(graph, site, ground)


def documents_of(inputs: PlanInputs) -> tuple[dict, dict, Site]:
    """plan.json and tree.json of a job planned from its inputs, with its site."""
    plan = make_plan(inputs)
    haul = haul_plan(inputs.graph, inputs.mass, inputs.species, inputs.site, plan.steps)
    none = np.zeros((0, 3), np.float32)
    job = JobResult(
        "scan", inputs.graph.origin_m, none, None, none, inputs.ground, inputs.graph,
        inputs.measures, inputs.species, inputs.mass, inputs.site, inputs.gear, plan, haul,
        (), (), (),
    )  # fmt: skip
    return plan_document(job), tree_document(job), inputs.site
