"""Upright pieces held on their line whose butt is cut at a slant, so that they slide off.

A leader or log that hangs right over its own stump cannot be let down past it: the cut slants,
the piece slides down it past the stem and only then hangs free.  The drop it takes before the
line is tight is that of the slide, the piece's width times the tangent of the slant.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.motion.turned import slid_off
from treescan.motion.types import Path
from treescan.planning.falls import UPRIGHT_DEG, upright_deg
from treescan.planning.job import Job
from treescan.planning.letting_run import run_longer
from treescan.planning.line_in_service import line_in_service
from treescan.rigging.cases import solve_many
from treescan.rigging.types import LoadResult

Floats = npt.NDArray[np.float64]

SLANT_DEG = 45.0
"""Slope of the slanted cut: common practice, no source. [degrees]"""

LEAST_AWAY_M = 0.3


@dataclass(frozen=True)
class SlidWay:
    """A slide with the load that the drop of the slide gives."""

    result: LoadResult
    path: Path


def slid_ways(job: Job, result: LoadResult, goal: Floats | None) -> list[SlidWay]:
    """Ways of sliding an upright hung piece past its stem; none for limbs that swing clear.

    Parameters
    ----------
    result : LoadResult
        Of the same piece cut free on a taut line.
    goal : ndarray, shape (2,), or None
        Where it is guided down. [m]
    """
    case, piece = result.case, result.case.piece
    if upright_deg(piece) > UPRIGHT_DEG:
        return []
    drop = piece.butt_diameter_m * float(np.tan(np.radians(SLANT_DEG)))
    slid = replace(case, drop_m=drop)
    spar = job.spar_beside(piece.butt_node)
    rider = job.rider(spar.standing)
    answer = solve_many([slid], spar, rider)[0]
    if answer.failed:
        return []
    answer = run_longer(answer, spar, rider) or answer
    found = []
    slopes = _slopes(job, result, goal)
    for azimuth in slopes if answer.share <= 1.0 else slopes[:1]:  # one is enough to refuse it
        try:
            path = slid_off(
                piece,
                case.tie_m,
                case.anchor.position_m,
                job.inputs.ground,
                slope_azimuth_deg=azimuth,
                slant_deg=SLANT_DEG,
                lower_to=goal,
                hold_swing=job.inputs.site.gear.tag_line,
                **line_in_service(answer),
            )
        except InvalidInputError:
            continue
        told = (
            f"hold it on its line, cut the butt at {SLANT_DEG:.0f}° falling toward"
            f" {azimuth:.0f}°: it slides off past the stem and drops {drop:.1f} m onto the line"
        )
        found.append(SlidWay(answer, replace(path, notes=(told, *_other(path.notes)))))
    return found


def _other(notes: tuple[str, ...]) -> tuple[str, ...]:
    """Notes of the motion but its own word on the slide."""
    return tuple(n for n in notes if not n.startswith("its butt slides"))


def _slopes(job: Job, result: LoadResult, goal: Floats | None) -> list[float]:
    """Which way the cut falls: toward where the piece comes to hang, else to the landing."""
    cut, anchor = result.case.piece.cut_m, result.case.anchor.position_m
    away = anchor[:2] - cut[:2]
    if float(np.linalg.norm(away)) < LEAST_AWAY_M and goal is not None:
        away = goal - cut[:2]
    if float(np.linalg.norm(away)) < LEAST_AWAY_M:
        zones = job.field.obstacles.landings or job.field.obstacles.drop_zones
        away = zones[0].centre_m[:2] - cut[:2] if zones else np.array([1.0, 0.0])
    first = float(np.degrees(np.arctan2(away[0], away[1]))) % 360.0
    return [first, (first + 90.0) % 360.0, (first - 90.0) % 360.0]
