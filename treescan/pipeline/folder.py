"""A result folder read back: the measured tree, the site and the plan of an earlier run."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.pipeline.run import RunOptions, Survey, job_result, resolved, survey_scan, weigh
from treescan.planning.haul import haul_plan
from treescan.planning.types import JobResult
from treescan.rigging.types import GearSet
from treescan.site.model import Site
from treescan.site.reading import read_site
from treescan.units import Band
from treescan.wood.decay import WoodState
from treescan.wood.types import GreenMass, Species

MOST_BYTES = 400_000_000
STATE_FILE = "state.json"


@dataclass(frozen=True)
class JobFolder:
    """What a result folder holds.

    ``site`` is in the local frame; ``plan`` is plan.json; ``standing`` (n,) is False for wood
    that was down when the folder was written.
    """

    folder: Path
    survey: Survey
    site: Site
    species: Species
    gear: GearSet
    mass: GreenMass
    wood_state: WoodState
    plan: dict[str, Any] | None
    standing: npt.NDArray[np.bool_]


def read_folder(
    folder: Path, *, site_path: Path | None = None, site: Site | None = None
) -> JobFolder:
    """Read a result folder; ``site_path`` or ``site`` (scan coordinates) replaces its site file.

    Raises
    ------
    InvalidInputError
        If the folder is no result of treescan, or a file in it cannot be used.
    """
    tree = folder / "tree.json"
    if not tree.is_file():
        raise InvalidInputError(
            f"{folder}: there is no tree.json, so this is no result folder. Give the folder that "
            "`treescan plan` or `treescan measure` wrote."
        )
    own = folder / "site.toml"
    if site is None:
        chosen = site_path or own
        if not chosen.is_file():
            raise InvalidInputError(f"{chosen}: there is no such site file. Pass --site FILE.")
        site = read_site(chosen)
    species, gear = resolved(site)
    survey = survey_scan([tree], site, RunOptions())
    local = site.localised(survey.origin_m)
    mass, state = weigh(survey, local, species)
    return JobFolder(
        folder,
        survey,
        local,
        species,
        gear,
        mass,
        state,
        read_document(folder / "plan.json"),
        _standing(folder / STATE_FILE, len(survey.graph)),
    )


def _standing(path: Path, nodes: int) -> npt.NDArray[np.bool_]:
    standing = np.ones(nodes, dtype=bool)
    if not path.is_file():
        return standing
    try:
        gone = np.asarray(json.loads(path.read_text(encoding="utf-8"))["gone_nodes"], dtype=int)
        if (gone < 0).any():
            raise ValueError("a node below 0")
        standing[gone] = False
    except (OSError, ValueError, KeyError, TypeError, IndexError, OverflowError) as fault:
        raise InvalidInputError(
            f"{path}: does not fit the tree ({fault}). Plan again from the scan."
        ) from fault
    return standing


def read_document(path: Path) -> dict[str, Any] | None:
    """Read a plan.json; None when there is none.

    Raises
    ------
    InvalidInputError
        If the file is not a plan of this version.
    """
    if not path.is_file():
        return None
    if path.stat().st_size > MOST_BYTES:
        raise InvalidInputError(f"{path}: larger than a plan can be. Plan again.")
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as fault:
        raise InvalidInputError(f"{path}: not readable as a plan ({fault}). Plan again.") from fault
    if not isinstance(document, dict) or document.get("format") != "treescan-plan":
        raise InvalidInputError(f"{path}: not a treescan-plan file. Plan again.")
    if document.get("version") != 1 or not isinstance(document.get("steps"), list):
        raise InvalidInputError(f"{path}: version or steps are not those of a plan. Plan again.")
    for number, step in enumerate(document["steps"], start=1):
        if not _is_step(step):
            raise InvalidInputError(f"{path}: step {number} names no piece of wood. Plan again.")
    return document


def _is_step(step: object) -> bool:
    if not isinstance(step, dict):
        return False
    piece = step.get("piece")
    nodes = piece.get("nodes") if isinstance(piece, dict) else None
    numbers = [step.get("step"), step.get("node")]
    return isinstance(nodes, list) and all(type(n) is int and n >= 0 for n in (*nodes, *numbers))


def haul_again(job: JobFolder) -> JobResult:
    """Log, brush and truck-load sheet and quote again; for the plan's pieces when there is one.

    Raises
    ------
    InvalidInputError
        If the plan does not fit the tree, or its hours are no numbers.
    """
    pieces, hours = None, None
    if job.plan is not None:
        nodes = [step["piece"]["nodes"] for step in job.plan["steps"]]
        if max((node for part in nodes for node in part), default=0) >= len(job.survey.graph):
            raise InvalidInputError(
                f"{job.folder}: plan.json does not fit tree.json. Plan again from the scan."
            )
        pieces = [np.asarray(part, dtype=np.int32) for part in nodes]
        try:
            hours = Band(**{name: float(value) for name, value in job.plan["hours"].items()})
        except (AttributeError, KeyError, TypeError, ValueError) as fault:
            raise InvalidInputError(
                f"{job.folder}: the hours of plan.json cannot be used ({fault}). Plan again."
            ) from fault
    haul = haul_plan(job.survey.graph, job.mass, job.species, job.site, hours=hours, pieces=pieces)
    return job_result(job.survey, job.site, job.species, job.gear, job.mass, None, haul=haul)
