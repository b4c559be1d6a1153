"""Answer load cases: tensions, resultants, utilisation of every item, and what governs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from treescan.errors import InvalidInputError, TreescanError
from treescan.mechanics.friction import wraps_to_hold
from treescan.mechanics.swing import swing_factor_at, swing_peak_factor
from treescan.rigging.anchors import BLOCK_M
from treescan.rigging.gear import line_strength_n
from treescan.rigging.lift import Lift, lift_of, line_forces_n, line_needed_m, two_leg_tensions
from treescan.rigging.model import SAFETY_STEM, SparModel, spar_model
from treescan.rigging.peaks import Hang, Peaks, hung_peaks, lead_peaks
from treescan.rigging.spar import Loads, SparShares, deflection_m, peak_shares
from treescan.rigging.sway import buckling_load_n
from treescan.rigging.types import LoadCase, LoadResult
from treescan.units import G_M_S2, ZERO_BAND, Band

__all__ = ["Rider", "SparModel", "gear_shares", "solve_many", "spar_model"]

Floats = npt.NDArray[np.float64]


OFF_TREE_M = 1.0
"""A redirect or device farther than this from the bark is fixed to something else."""


@dataclass(frozen=True)
class _Answer:
    """A case on its way to a result.

    ``tension_n`` is the high lead tension for each direction of the lift, shape (d,).
    """

    case: LoadCase
    lift: Lift
    peaks: Peaks
    tension_n: Floats


@dataclass(frozen=True)
class Rider:
    """A person on the same tree: the node of the tie-in and the pull on it. [N]"""

    node: int
    pull_n: float


def solve_many(
    cases: Sequence[LoadCase], model: SparModel, rider: Rider | None = None
) -> list[LoadResult]:
    """Answer many cases on one standing tree.

    Parameters
    ----------
    cases : sequence of LoadCase
    model : SparModel
        The tree as it stands while these pieces are lowered.
    rider : Rider, optional
        The climber tied in to the same tree, pulling straight down all the while.

    Returns
    -------
    list of LoadResult
        In the order of the cases.  ``failed`` says why a case has no numbers.
    """
    lifts = [_lift_or_reason(case, model) for case in cases]
    good = [(case, lift) for case, lift in zip(cases, lifts, strict=True) if isinstance(lift, Lift)]
    answers = iter(_finish(_tensions(good), model, rider)) if good else iter(())
    return [
        next(answers) if isinstance(lift, Lift) else _failed(case, lift)
        for case, lift in zip(cases, lifts, strict=True)
    ]


def _lift_or_reason(case: LoadCase, model: SparModel) -> Lift | str:
    try:
        if not model.standing[case.anchor.node]:
            raise InvalidInputError(
                f"anchor {case.anchor.anchor_id} is on wood that no longer stands."
            )
        return lift_of(case)
    except TreescanError as error:
        return str(error)


def _tensions(good: list[tuple[LoadCase, Lift]]) -> list[_Answer]:
    """Peaks of all cases at once: drops by energy, taut lines by integration."""
    mass = np.array([[c.piece.mass_kg.low, c.piece.mass_kg.likely, c.piece.mass_kg.high]
                     for c, _ in good])  # fmt: skip
    weights = (mass * G_M_S2).T
    run = np.array([0.0 if case.locked else case.run_m for case, _ in good])
    stiffness = np.array([lift.stiffness_n_m for _, lift in good])
    fall = np.array([lift.fall_m for _, lift in good])
    rest = np.array([lift.rest_fall_m for _, lift in good])
    taut = fall <= 0.0
    dropped = lead_peaks((weights[0], weights[1], weights[2]), fall + rest, stiffness, run)
    bands = np.stack([dropped.low_n, dropped.likely_n, dropped.high_n])
    if taut.any():
        w = weights[:, taut]
        hung = hung_peaks(
            (w[0], w[1], w[2]), hang_of([lift for _, lift in good]).rows(taut), stiffness[taut],
            run[taut],
        )  # fmt: skip
        bands[:, taut] = np.stack([hung.low_n, hung.likely_n, hung.high_n])
    return [
        _Answer(case, lift, Peaks(*band), _by_direction(lift, band[2], weight))
        for (case, lift), band, weight in zip(good, bands.T, weights[2], strict=True)
    ]


def hang_of(lifts: Sequence[Lift]) -> Hang:
    """Hanging of many lifts as arrays."""
    lead, arm, gyration, start, release = np.array(
        [(x.lead_m, x.arm_m, x.gyration_m, x.start_rad, np.abs(x.angles_rad).max()) for x in lifts]
    ).T
    across = np.array([lift.sideways for lift in lifts], dtype=bool)
    return Hang(lead, arm, gyration, release, start, across)


def _by_direction(lift: Lift, high_n: float, weight_n: float) -> Floats:
    """High tension for each way of the lead.

    The peak at the plumb line, and where a falling piece comes taut; elsewhere in the swing in
    proportion to the stiff pendulum's.
    """
    release = float(np.abs(lift.angles_rad).max())
    swing = swing_factor_at(lift.angles_rad, release) / swing_peak_factor(release)
    tension: Floats = np.maximum(high_n * swing, min(weight_n, high_n))
    tension[0] = high_n
    if lift.fall_m > 0.0:
        tension[1] = high_n
    return tension


def _finish(answers: list[_Answer], model: SparModel, rider: Rider | None) -> list[LoadResult]:
    standing = np.flatnonzero(model.standing)
    tree = cKDTree(model.graph.position_m[standing])
    parts = [_spar_loads(answer, model, tree, standing, rider) for answer in answers]
    counts = np.concatenate([part[0] for part in parts])
    loads = Loads(
        np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        np.concatenate([part[1] for part in parts]),
        np.vstack([part[2] for part in parts]),
        np.vstack([part[3] for part in parts]),
    )
    shares = peak_shares(model, loads)
    results = []
    buckling: dict[int, float] = {}
    row = 0
    for answer in answers:
        count = len(answer.tension_n)
        anchor = answer.case.anchor.node
        if anchor not in buckling:
            buckling[anchor] = buckling_load_n(model, anchor)
        rows = slice(row, row + count)
        results.append(_result(answer, model, shares, rows, buckling[anchor]))
        row += count
    return results


def _spar_loads(
    answer: _Answer,
    model: SparModel,
    tree: cKDTree,
    standing: npt.NDArray[np.int64],
    rider: Rider | None,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], Floats, Floats]:
    """Loads of every direction of a case: anchor, redirects and device on this tree, climber.

    A redirect or device that stands off the wood by more than 1 m is fixed elsewhere and does
    not load this tree.
    """
    lift, case = answer.lift, answer.case
    places = _hang_points(case, lift)
    away, nearest = tree.query(lift.points_m[1:])
    near = standing[np.atleast_1d(nearest)]
    on_tree = np.append(True, np.atleast_1d(away) - model.graph.radius_m[near] <= OFF_TREE_M)
    nodes = np.append(case.anchor.node, near)[on_tree]
    forces = np.stack(
        [
            line_forces_n(lift, tension, direction)[on_tree]
            for tension, direction in zip(answer.tension_n, lift.directions, strict=True)
        ]
    )
    points = places[on_tree]
    if rider is not None:
        nodes = np.append(nodes, rider.node)
        points = np.vstack([points, model.graph.position_m[rider.node]])
        pull = np.broadcast_to([0.0, 0.0, -rider.pull_n], (len(forces), 1, 3))
        forces = np.concatenate([forces, pull], axis=1)
    count = len(forces)
    return (
        np.full(count, len(nodes), dtype=np.int64),
        np.tile(nodes, count).astype(np.int64),
        np.tile(points, (count, 1)),
        forces.reshape(-1, 3),
    )


def _hang_points(case: LoadCase, lift: Lift) -> Floats:
    """Where the line pulls: the block stands off the bark toward the piece."""
    points = lift.points_m.copy()
    toward = case.piece.centre_m - points[0]
    flat = np.array([toward[0], toward[1], 0.0])
    size = float(np.linalg.norm(flat))
    side = flat / size if size > 1e-6 else np.array([1.0, 0.0, 0.0])
    points[0] += side * (0.5 * case.anchor.diameter_m + BLOCK_M)
    return points


def _result(
    answer: _Answer, model: SparModel, shares: SparShares, rows: slice, buckling_n: float
) -> LoadResult:
    case, lift, peaks = answer.case, answer.lift, answer.peaks
    worst = int(rows.start + np.argmax(shares.share[rows]))
    node = int(shares.worst_node[worst])
    high = float(peaks.high_n)
    forces = line_forces_n(lift, high, lift.directions[0])
    resultant = float(np.linalg.norm(forces[0]))
    kind = "stem" if model.graph.order[node] == 0 else "limb"
    used = gear_shares(case, lift, high, resultant, model.limits.line_share_of_mbs)
    used[f"{kind} section at {shares.worst_height_m[worst]:.1f} m"] = float(shares.share[worst])
    used["root plate"] = float(shares.root_share[rows].max())
    down = max(-float(forces[0, 2]), 0.0)
    used["buckling of the spar"] = SAFETY_STEM * down / (buckling_n * model.limits.anchor_share)
    redirects = tuple(float(np.linalg.norm(f)) for f in forces[1:-1])
    used |= _redirect_share(case, redirects, model.limits.line_share_of_mbs)
    governs = _governing(used)
    ratio = float(np.prod(lift.ratio))
    return LoadResult(
        case=case,
        lead_tension_n=_band(peaks, 1.0),
        fall_tension_n=_band(peaks, 1.0 / float(lift.ratio[0])),
        anchor_load_n=_band(peaks, resultant / high),
        anchor_direction=forces[0] / max(resultant, 1e-9),
        line_needed_m=line_needed_m(lift, case),
        run_m=0.0 if case.locked else case.run_m,
        utilisation=used,
        governs=governs,
        share=used[governs],
        worst_section_node=node,
        warnings=_warnings(case, model, node),
        device_wraps=_wraps(case, case.piece.mass_kg.high * G_M_S2 / ratio, high / ratio),
        redirect_loads_n=redirects,
        anchor_sway_m=float(np.linalg.norm(deflection_m(model, case.anchor.node, forces[0]))),
    )


def gear_shares(
    case: LoadCase, lift: Lift, lead_n: float, resultant_n: float, limit: float
) -> dict[str, float]:
    """Share of its limit for line, sling, block, device and length of line.

    ``limit`` is the share of the (knotted, worn) strength that a peak may reach.  A natural
    crotch (a block without a rating) needs no sling.

    Parameters
    ----------
    case : LoadCase
    lift : Lift
    lead_n, resultant_n : float
        Peak lead tension and resultant on the anchor. [N]
    limit : float
    """
    gear = case.gear
    line = line_strength_n(gear)
    used = {"line": lead_n / (line * limit)}
    if gear.sling.mbs_n > 0.0 and gear.block.mbs_n > 0.0:
        strength = gear.sling.mbs_n * gear.sling.efficiency * gear.wear_factor
        used["sling"] = resultant_n / (strength * limit)
    if gear.block.mbs_n > 0.0:
        used["block"] = resultant_n / (gear.block.mbs_n * gear.block.efficiency * limit)
    if gear.friction_device.mbs_n > 0.0:
        end = lead_n / float(np.prod(lift.ratio))
        used["friction device"] = end / (gear.friction_device.mbs_n * limit)
    if case.tie == "two-leg":
        used["two-leg sling"] = max(two_leg_tensions(case)) * lead_n / (line * limit)
    used["line length"] = line_needed_m(lift, case) / gear.line_length_m
    return used


def _redirect_share(case: LoadCase, loads_n: tuple[float, ...], limit: float) -> dict[str, float]:
    """Share of the heaviest redirect's sling and block, rigged with the anchor's kind."""
    gear = case.gear
    strengths = [
        gear.sling.mbs_n * gear.sling.efficiency * gear.wear_factor,
        gear.block.mbs_n * gear.block.efficiency,
    ]
    rated = [strength for strength in strengths if strength > 0.0]
    if not loads_n or not rated:
        return {}
    return {"redirect": max(loads_n) / (min(rated) * limit)}


def _governing(used: dict[str, float]) -> str:
    """Item with the greatest share; the length of line counts only when it is too short."""
    loads = [item for item in used if item != "line length" or used[item] > 1.0]
    return max(loads, key=lambda item: used[item])


def _band(peaks: Peaks, factor: float) -> Band:
    return Band(
        float(peaks.low_n) * factor, float(peaks.likely_n) * factor, float(peaks.high_n) * factor
    )


def _wraps(case: LoadCase, hanging_n: float, peak_n: float) -> float:
    """Turns on the device that hold the peak with the hand force, in halves."""
    ratio = case.gear.friction_device.friction_ratio
    if ratio <= 1.0:
        return 0.0
    mu = float(np.log(ratio) / (2.0 * np.pi))
    turns = float(wraps_to_hold(max(peak_n, hanging_n), case.gear.hand_force_n, mu))
    return float(np.ceil(2.0 * turns) / 2.0)


def _warnings(case: LoadCase, model: SparModel, node: int) -> tuple[str, ...]:
    rows = []
    path = model.graph.ancestors(case.anchor.node)[:-1]
    if model.graph.bridged[path].any():
        rows.append("the scan did not see part of the wood under the anchor: inspect it")
    if case.anchor.rejected:
        rows.append(f"anchor {case.anchor.anchor_id} was rejected: {case.anchor.rejected}")
    if not case.locked and case.run_m > 0.0:
        rows.append(
            f"counts on {case.run_m:.1f} m of line run; a locked line would pull harder: "
            "agree it with the brake hand before the cut"
        )
    if model.union[node] < 1.0:
        rows.append(f"a union factor of {model.union[node]:.2f} applies at the weakest section")
    return tuple(rows)


def _failed(case: LoadCase, reason: str) -> LoadResult:
    return LoadResult(
        case=case,
        lead_tension_n=ZERO_BAND,
        fall_tension_n=ZERO_BAND,
        anchor_load_n=ZERO_BAND,
        anchor_direction=np.array([0.0, 0.0, -1.0]),
        line_needed_m=0.0,
        run_m=case.run_m,
        utilisation={},
        governs="no answer",
        share=float("inf"),
        worst_section_node=-1,
        failed=reason,
    )
