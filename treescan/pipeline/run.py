"""The whole run as one readable function: scan and site in, everything known out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from treescan.errors import InvalidInputError
from treescan.mensuration.measure import measure_tree
from treescan.mensuration.measures import TreeMeasures
from treescan.pipeline.cautions import standing_cautions
from treescan.pipeline.known_things import without_targets
from treescan.pipeline.progress import Report, silent, within
from treescan.pipeline.scale_check import (
    taped_dbh_note,
    with_corrected_scale,
    without_settled_doubt,
)
from treescan.pipeline.site_plausibility import not_standing, unlikely_places, unusual_values
from treescan.pipeline.unchanged import unchanged
from treescan.planning.edits import Edit
from treescan.planning.haul import haul_plan
from treescan.planning.types import HaulPlan, JobResult, Plan
from treescan.pointcloud.cloud import Float32s, Floats, Ground, PointCloud, TreePoints
from treescan.report.tree_json import read_ground, read_tree
from treescan.rigging.gear import resolve_gear
from treescan.rigging.model import defect_marks
from treescan.rigging.types import GearSet
from treescan.site.model import Site
from treescan.site.reading import read_site, site_from_mapping
from treescan.skeleton.graph import TreeGraph
from treescan.wood.decay import WoodState, wood_state
from treescan.wood.mass import green_mass
from treescan.wood.plausibility import plausibility
from treescan.wood.species import find_species
from treescan.wood.types import GreenMass, Species

DISPLAY_POINTS = 400_000


@dataclass(frozen=True)
class RunOptions:
    """What the user may overrule about a run."""

    scan_units: str | None = None
    up: str | None = None
    seed: int = 0
    species: str | None = None
    prefer: str = ""
    edits: tuple[Edit, ...] = ()
    thorough: bool = False


@dataclass(frozen=True)
class Survey:
    """What the scan alone tells: the tree as it stands and the ground under it.

    ``origin_m`` (3,) is added to give scan coordinates.
    """

    scan_name: str
    origin_m: Floats
    ground: Ground
    graph: TreeGraph
    measures: TreeMeasures
    tree: TreePoints | None
    cloud: PointCloud | None
    decisions: tuple[str, ...] = ()
    unseen: tuple[str, ...] = ()
    crs: str = ""


def read_job(site_path: Path | None, species: str | None = None) -> tuple[Site, Species, GearSet]:
    """Read and check everything that does not need the scan, so that mistakes show at once.

    ``species`` takes the place of the site file's.
    """
    site = read_site(site_path) if site_path is not None else Site()
    if species is not None:
        named = site_from_mapping({"job": {"species": species}}, "--species: ").job.species
        site = site.model_copy(update={"job": site.job.model_copy(update={"species": named})})
    return (site, *resolved(site))


def resolved(site: Site) -> tuple[Species, GearSet]:
    """Species and gear that the site file names."""
    return (
        find_species(site.job.species, own=site.own_species),
        resolve_gear(site.gear, site.conditions.wet),
    )


def survey_scan(
    scans: Sequence[Path], site: Site, options: RunOptions, report: Report = silent
) -> Survey:
    """Scan -> ground -> one tree -> skeleton graph -> measurements.

    ``scans`` are files of one scan, or a single ``tree.json`` of an earlier run.

    Raises
    ------
    ScanError
        When the scan cannot carry the answer.
    """
    if len(scans) == 1 and scans[0].suffix.lower() == ".json":
        return _survey_tree_json(scans[0], site)
    from treescan.pointcloud.ground import find_ground  # half a second that a tree file saves
    from treescan.pointcloud.isolate import isolate_tree
    from treescan.pointcloud.reading import read_scan
    from treescan.skeleton.extract import extract_skeleton

    with unchanged(scans):
        cloud = read_scan(
            scans,
            scan_units=options.scan_units,
            up=options.up,
            progress=within(report, "Reading the scan"),
        )
    cloud, scale_notes = with_corrected_scale(cloud, site)
    tell = within(report, "Finding the ground")
    ground = find_ground(cloud)
    tell(1.0)
    local = site.localised(cloud.origin_m)
    rest, rows, target_notes = without_targets(cloud, ground, local)
    tree = isolate_tree(
        rest,
        ground,
        near_m=local.tree.near_m,
        progress=within(report, "Telling the tree from the rest"),
    )
    tree = replace(tree, index=rows[tree.index], notes=(*tree.notes, *target_notes))
    graph = extract_skeleton(
        tree,
        ground,
        origin_m=cloud.origin_m,
        progress=within(report, "Tracing stems and limbs"),
    )
    measures = measure_tree(graph, ground, tree=tree, dbh_height_m=site.tree.dbh_height_m)
    decisions = (*cloud.decisions, *scale_notes, *tree.notes, *taped_dbh_note(measures, site))
    return Survey(
        scan_name=scans[0].name,
        origin_m=cloud.origin_m,
        ground=ground,
        graph=graph,
        measures=measures,
        tree=tree,
        cloud=cloud,
        decisions=without_settled_doubt(decisions),
        unseen=tuple(dict.fromkeys((*graph.notes, *measures.notes))),
        crs=cloud.crs,
    )


def _survey_tree_json(path: Path, site: Site) -> Survey:
    with unchanged([path]):
        graph, document = read_tree(path)
    ground = read_ground(document) or level_ground(graph)
    measures = measure_tree(graph, ground, dbh_height_m=site.tree.dbh_height_m)
    return Survey(
        scan_name=path.name,
        origin_m=graph.origin_m,
        ground=ground,
        graph=graph,
        measures=measures,
        tree=None,
        cloud=None,
        decisions=(f"The tree was read from {path.name}; no scan was looked at in this run.",),
        crs=str(document.get("crs", "")),
        unseen=tuple(dict.fromkeys((*graph.notes, *measures.notes))),
    )


def plan_removal(
    scans: Sequence[Path],
    site_path: Path | None,
    options: RunOptions | None = None,
    report: Report = silent,
) -> JobResult:
    """Take a scan (and a site file) to measurements, weights, plan and haul.

    Without a site file there is no plan: what must not be hit is not known.

    Raises
    ------
    TreescanError
        For input that cannot carry an answer; never a plausible plan from bad input.
    """
    from treescan.pipeline.self_check import with_check
    from treescan.planning.planner import PlanInputs, make_plan  # a second to import
    from treescan.site.obstacles import check_site_against_tree

    options = options or RunOptions()
    site, species, gear = read_job(site_path, options.species)
    survey = survey_scan(scans, site, options, report)
    local = site.localised(survey.origin_m)
    mass, state = weigh(survey, local, species)
    plan = None
    if site_path is not None:
        check_site_against_tree(local, survey.graph.position_m[0], survey.measures.dbh_m)
        plan = make_plan(
            PlanInputs(
                graph=survey.graph,
                ground=survey.ground,
                measures=survey.measures,
                species=species,
                mass=mass,
                site=local,
                gear=gear,
                wood_state=state,
                seed=options.seed,
                prefer=options.prefer,
                thorough=options.thorough,
                edits=options.edits or None,
            ),
            progress=within(report, "Planning cuts, ties and order"),
        )
    return with_check(job_result(survey, local, species, gear, mass, plan))


def measure_scan(
    scans: Sequence[Path],
    site_path: Path | None,
    options: RunOptions | None = None,
    report: Report = silent,
) -> tuple[JobResult, str]:
    """Measure and weigh a tree without planning; also propose a site file from the scan.

    Returns the result (``plan`` is None) and the text of the proposed site file ("" when the
    input was a ``tree.json``).
    """
    options = options or RunOptions()
    site, species, gear = read_job(site_path, options.species)
    survey = survey_scan(scans, site, options, report)
    local = site.localised(survey.origin_m)
    mass, _ = weigh(survey, local, species)
    proposed = ""
    if survey.cloud is not None and survey.tree is not None:
        from treescan.pointcloud.proposals import propose_site, proposed_site_toml

        tell = within(report, "Looking for things around the tree")
        proposals = propose_site(survey.cloud, survey.ground, survey.tree)
        proposed = proposed_site_toml(proposals, survey.origin_m)
        tell(1.0)
    return job_result(survey, local, species, gear, mass, None), proposed


def weigh(survey: Survey, site: Site, species: Species) -> tuple[GreenMass, WoodState]:
    """Green mass of every node, with the defects and conditions of the localised site file.

    Raises
    ------
    SiteFileError
        If a defect is not on this tree.
    """
    bark = species.bark_pct_of_wood_volume / 100.0
    state = wood_state(survey.graph, defect_marks(site), bark)
    mass = green_mass(
        survey.graph,
        species,
        in_leaf=site.conditions.in_leaf,
        wet=site.conditions.wet,
        season=site.conditions.season,
        wood_state=state,
    )
    return mass, state


def job_result(
    survey: Survey,
    site: Site,
    species: Species,
    gear: GearSet,
    mass: GreenMass,
    plan: Plan | None,
    *,
    haul: HaulPlan | None = None,
) -> JobResult:
    """Gather everything the outputs are made from; the haul sheet is worked out unless given."""
    if haul is None:
        steps, hours = (plan.steps, plan.hours) if plan else (None, None)
        haul = haul_plan(survey.graph, mass, species, site, steps, hours=hours)
    beside = plausibility(
        survey.graph, mass, species, survey.measures.dbh_m, survey.measures.height_m
    )
    mass = replace(mass, notes=(*mass.notes, *beside.sentences))
    decisions = (*survey.decisions, *_flags(survey, site))
    xyz, rgb = _display(survey.cloud)
    tree_xyz = survey.tree.xyz if survey.tree is not None else np.zeros((0, 3), np.float32)
    return JobResult(
        scan_name=survey.scan_name,
        origin_m=survey.origin_m,
        display_xyz=xyz,
        display_rgb=rgb,
        tree_xyz=_thinned(tree_xyz),
        ground=survey.ground,
        graph=survey.graph,
        measures=survey.measures,
        species=species,
        mass=mass,
        site=site,
        gear=gear,
        plan=plan,
        haul=haul,
        decisions=decisions,
        unseen=survey.unseen,
        cautions=(
            *(text for text in decisions if text.startswith("WARNING")),
            *standing_cautions(site, species, planned=plan is not None),
            *beside.alarms,
        ),
        crs=survey.crs,
        plausibility=beside,
        stems=survey.tree.stems if survey.tree is not None else (),
        own_stems=survey.tree.own_stems if survey.tree is not None else 0,
        not_seen=survey.tree.unseen if survey.tree is not None else None,
    )


def _flags(survey: Survey, site: Site) -> tuple[str, ...]:
    """What in the site file is possible but hardly meant."""
    standing = not_standing(site, survey.cloud, survey.ground) if survey.cloud is not None else ()
    places = unlikely_places(site, survey.graph, survey.ground)
    return (*unusual_values(site), *places, *standing)


def _thinned(xyz: Float32s) -> Float32s:
    return xyz[:: max(1, -(-len(xyz) // DISPLAY_POINTS))]


def _display(cloud: PointCloud | None) -> tuple[Float32s, np.ndarray | None]:
    if cloud is None:
        return np.zeros((0, 3), np.float32), None
    every = max(1, -(-len(cloud) // DISPLAY_POINTS))
    return cloud.xyz[::every], None if cloud.rgb is None else cloud.rgb[::every]


def level_ground(graph: TreeGraph) -> Ground:
    """Level ground at the root, all of it marked as not seen (a tree file without ground)."""
    z = np.full((2, 2), graph.position_m[0, 2])
    x, y = graph.position_m[:, :2].min(axis=0) - 20.0
    return Ground(float(x), float(y), 100.0, z, np.zeros((2, 2), dtype=bool))


def require_files(paths: Sequence[Path]) -> None:
    """Say early which input is missing.

    Raises
    ------
    InvalidInputError
        Naming the file.
    """
    for path in paths:
        try:
            there = path.is_file()
        except OSError as fault:
            raise InvalidInputError(
                f"{str(path)[:200]}: cannot be opened: {fault.strerror}. Check the path."
            ) from fault
        if not there:
            raise InvalidInputError(f"{path}: there is no such file. Check the path.")
