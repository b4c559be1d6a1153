"""The spread of a motion: the same way with early or late hinges, other aims, masses, runs.

The likely case makes the path; the others say how much nearer the piece may come, what ground
its landing may cover, and how sure a flat landing is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from treescan.errors import InvalidInputError
from treescan.motion.body import rigid_piece
from treescan.motion.clearance import clearances, wind_drift_m
from treescan.motion.fall import free_fall, hinge_fall
from treescan.motion.landing import FLAT_WITHIN_DEG, footprint_polygon
from treescan.motion.on_line import RUN_SPREAD, STRETCH_SPREAD
from treescan.motion.swing import ROPE_STIFFNESS_N_M, caught, lowered
from treescan.motion.types import Clearance, Path
from treescan.pointcloud.cloud import Ground
from treescan.site.obstacles import Obstacles
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

BREAK_SPREAD_DEG = 10.0
AIM_SPREAD_DEG = 5.0
EARLY_BREAK_DEG = 15.0
"""An early failure of the hinge parts here: our choice."""


RARE = ("hinge fails",)
"""Cases that are named when they would do harm, but do not widen the spread."""


@dataclass(frozen=True)
class Cases:
    """A likely path and what else may happen; ``labels`` name the others."""

    likely: Path
    others: tuple[Path, ...]
    labels: tuple[str, ...]


def hinge_cases(
    piece: Piece,
    ground: Ground,
    *,
    hinge_azimuth_deg: float,
    break_angle_deg: float = 55.0,
    **options: Any,
) -> Cases:
    """Felling on a hinge: break angle, aim, and a hinge that fails early.

    ``options`` are those of :func:`treescan.motion.fall.hinge_fall`.
    """

    def way(aim: float, later: float) -> Path:
        return hinge_fall(
            piece,
            ground,
            hinge_azimuth_deg=hinge_azimuth_deg + aim,
            break_angle_deg=max(break_angle_deg + later, 2.0),
            **options,
        )

    spread = {
        "hinge breaks early": (0.0, -BREAK_SPREAD_DEG),
        "hinge breaks late": (0.0, BREAK_SPREAD_DEG),
        "aims left": (-AIM_SPREAD_DEG, 0.0),
        "aims right": (AIM_SPREAD_DEG, 0.0),
        "hinge fails": (0.0, EARLY_BREAK_DEG - break_angle_deg),
    }
    return Cases(way(0.0, 0.0), tuple(way(*change) for change in spread.values()), tuple(spread))


def drop_cases(
    piece: Piece, ground: Ground, *, break_angle_deg: float = 20.0, **options: Any
) -> Cases:
    """A parting cut: clean, or with fibres that hold longer.

    ``options`` are those of :func:`treescan.motion.fall.free_fall`.
    """
    angles = {"parts clean": 0.0, "fibres hold longer": break_angle_deg + 25.0}
    others = tuple(
        free_fall(piece, ground, break_angle_deg=angle, **options) for angle in angles.values()
    )
    likely = free_fall(piece, ground, break_angle_deg=break_angle_deg, **options)
    return Cases(likely, others, tuple(angles))


def line_cases(
    piece: Piece,
    ground: Ground,
    *,
    catch: bool = False,
    rope_stiffness_n_m: float = ROPE_STIFFNESS_N_M,
    run_m: float = 0.0,
    **options: Any,
) -> Cases:
    """On the line: softer, stiffer, lighter, held fast or run to the end.

    ``options`` are those of :func:`treescan.motion.swing.lowered`, or of ``caught`` when
    ``catch`` is set.
    """
    make = caught if catch else lowered

    def way(**change: Any) -> Path:
        keys = {"rope_stiffness_n_m": rope_stiffness_n_m, "run_m": run_m, **options, **change}
        return make(piece, ground=ground, **keys)

    changes: dict[str, dict[str, float]] = {
        "line softer": {"rope_stiffness_n_m": rope_stiffness_n_m * (1.0 - STRETCH_SPREAD)},
        "line stiffer": {"rope_stiffness_n_m": rope_stiffness_n_m * (1.0 + STRETCH_SPREAD)},
        "piece lighter": {"mass_kg": piece.mass_kg.low},
    }
    if run_m > 0.0:
        changes["line does not run"] = {"run_m": 0.0}
        changes["line runs half as far again"] = {"run_m": (1.0 + RUN_SPREAD) * run_m}
    others = tuple(way(**change) for change in changes.values())
    return Cases(way(), others, tuple(changes))


def cases_of(piece: Piece, path: Path, ground: Ground, *, rebuilt: bool = False) -> Cases:
    """Cases of a path by its own recipe, the path itself the likely one.

    With ``rebuilt`` the likely one is made by the recipe again: for a path that was changed
    by hand afterwards (led aside another way), which its cases are not.

    Raises
    ------
    InvalidInputError
        If the path does not say how it was made.
    """
    name, options = path.recipe or ("", {})
    if name == "hinge_fall":
        found = hinge_cases(piece, ground, **options)
    elif name == "free_fall":
        found = drop_cases(piece, ground, **options)
    elif name in {"lowered", "caught"}:
        found = line_cases(piece, ground, catch=name == "caught", **options)
    else:
        raise InvalidInputError(
            f"path of kind '{path.kind}': it does not say how it was made, so its cases cannot "
            "be tried. Make it by one of the ways of this layer."
        )
    return found if rebuilt else replace(found, likely=path)


def spread_of(
    piece: Piece, path: Path, ground: Ground, obstacles: Obstacles, wind_m_s: float = 0.0
) -> tuple[Path, tuple[Clearance, ...]]:
    """Path and clearances with the spread of its cases (see :func:`judged`).

    For a path without a recipe the allowance in ``sway_m`` stays the spread.
    """
    if path.recipe is None:
        return path, clearances(piece, path, obstacles, wind_m_s=wind_m_s)
    return judged(cases_of(piece, path, ground), piece, obstacles, wind_m_s)


def without_rare(cases: Cases) -> Cases:
    """Cases without those that hardly happen (:data:`RARE`)."""
    kept = [row for row, label in enumerate(cases.labels) if label not in RARE]
    return Cases(
        cases.likely,
        tuple(cases.others[row] for row in kept),
        tuple(cases.labels[row] for row in kept),
    )


def worst_case(cases: Cases, piece: Piece, obstacles: Obstacles) -> tuple[str, Clearance] | None:
    """Case that comes nearest beyond a margin which the likely path keeps, and what it passes.

    None when every case, rare ones included, keeps what the likely path keeps.
    """
    kept = [gap.distance_m >= gap.margin_m for gap in clearances(piece, cases.likely, obstacles)]
    worst: tuple[float, str, Clearance] | None = None
    for label, path in zip(cases.labels, cases.others, strict=True):
        for row, gap in enumerate(clearances(piece, path, obstacles)):
            room = gap.distance_m - gap.margin_m
            if kept[row] and room < 0.0 and (worst is None or room < worst[0]):
                worst = (room, label, gap)
    return None if worst is None else (worst[1], worst[2])


def judged(
    cases: Cases, piece: Piece, obstacles: Obstacles, wind_m_s: float = 0.0
) -> tuple[Path, tuple[Clearance, ...]]:
    """Likely path with the spread of its cases, and clearances that carry it.

    Returns
    -------
    path : Path
        The likely one; its footprint covers the landings of all cases and ``flat_chance`` is
        the share of them that land flat.
    clearances : tuple of Clearance
        ``spread_m`` is how much nearer any case comes, with the drift in the wind on top.

    Raises
    ------
    InvalidInputError
        If there are no cases to spread over.
    """
    cases = without_rare(cases)
    if not cases.others:
        raise InvalidInputError("cases: give at least one other case to spread over.")
    likely = cases.likely
    near = [clearances(piece, path, obstacles) for path in cases.others]
    drift = wind_drift_m(rigid_piece(piece), likely, wind_m_s)
    gaps = []
    for row, gap in enumerate(clearances(piece, likely, obstacles)):
        least = min((other[row].distance_m for other in near), default=gap.distance_m)
        gaps.append(replace(gap, spread_m=max(gap.distance_m - least, 0.0) + drift))
    return _spread_path(cases), tuple(gaps)


def _spread_path(cases: Cases) -> Path:
    likely, everyone = cases.likely, (cases.likely, *cases.others)
    hull = shapely.union_all([footprint_polygon(path) for path in everyone]).convex_hull
    outline = np.asarray(hull.exterior.coords, dtype=np.float64)[:-1]
    shift = max(float(np.linalg.norm(p.landing_m - likely.landing_m)) for p in cases.others)
    off = np.array([abs(path.contact_attitude_deg - 90.0) for path in everyone])
    flat = float((off <= FLAT_WITHIN_DEG).mean()) if likely.impact_energy_j > 0.0 else float("nan")
    lowest = min(path.lowest_m for path in everyone)
    farthest = cases.labels[
        int(np.argmax([np.linalg.norm(p.landing_m - likely.landing_m) for p in cases.others]))
    ]
    notes = likely.notes
    if shift > 0.5:
        notes = (*notes, f"may come to rest {shift:.1f} m from there ({farthest})")
    return replace(
        likely,
        footprint_m=outline,
        landing_radius_m=float(np.linalg.norm(outline - likely.landing_m[:2], axis=1).max()),
        flat_chance=flat,
        lowest_m=lowest,
        sway_m=0.0,
        notes=notes,
    )
