"""From pieces to logs and fine wood: bucking by length, diameter and what the loader lifts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from treescan.mensuration.volume import edge_volume_m3
from treescan.skeleton.graph import TreeGraph
from treescan.units import Band
from treescan.wood.types import GreenMass

Floats = npt.NDArray[np.float64]
Int32s = npt.NDArray[np.int32]

SHORTEST_LOG_M = 0.3
"""A log is not cut shorter than this to meet a lift limit; it is split instead."""
CROWN_KG_M3 = 900.0
"""Green mass over solid volume of twigs and leaves that the graph does not hold (judgement)."""
SHARE_OF_LENGTH_TO_SPREAD = 0.3
"""A rest shorter than this share of the log length is spread over the logs of the run."""


@dataclass(frozen=True)
class Log:
    """One log as bucked; diameters over bark.  ``split_into`` > 1: to be split lengthways.

    ``large_end_m`` is the thickest place on it, ``butt_m`` the thicker end, ``mid_m`` half-way.
    """

    limb: int
    small_end_m: float
    large_end_m: float
    length_m: float
    solid_m3: Band
    mass_kg: Band
    split_into: int = 1
    butt_m: float = 0.0
    mid_m: float = 0.0


@dataclass(frozen=True)
class Fine:
    """Wood below the chip diameter with twigs, leaves and rain."""

    solid_m3: Band
    mass_kg: Band


@dataclass(frozen=True)
class Bucking:
    """Logs and fine wood; their masses sum to those of the pieces."""

    logs: tuple[Log, ...]
    fine: Fine
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Run:
    """A stretch of one limb thick enough for logs: cumulative values at its edge ends."""

    limb: int
    along_m: Floats
    radius_m: Floats
    solid_m3: Floats
    mass_kg: Floats


def _runs(graph: TreeGraph, nodes: Int32s, thick: npt.NDArray[np.bool_]) -> Iterator[Int32s]:
    """Chains of edges of one limb in ``nodes`` that are all ``thick``, butt first."""
    chosen = np.sort(nodes[thick[nodes]])
    limb = graph.limb[chosen]
    for number in np.unique(limb):
        chain = chosen[limb == number]
        chain = chain[np.argsort(graph.path_length_m[chain], kind="stable")]
        joined = graph.parent[chain[1:]] == chain[:-1]
        yield from np.split(chain, np.flatnonzero(~joined) + 1)


def _cumulative(graph: TreeGraph, chain: Int32s, solid: Floats, woody: Floats) -> _Run:
    def summed(values: Floats) -> Floats:
        zero = np.zeros((1, *values.shape[1:]))
        return np.concatenate([zero, np.cumsum(values[chain], axis=0)])

    radius = np.concatenate([graph.edge_start_radius_m[chain[:1]], graph.radius_m[chain]])
    return _Run(
        int(graph.limb[chain[0]]), summed(graph.edge_length_m), radius, summed(solid), summed(woody)
    )


def _between(run: _Run, start_m: float, stop_m: float, spread: Floats) -> Log:
    """The log from ``start_m`` to ``stop_m`` along a run."""
    ends = np.array([start_m, stop_m])
    radius = np.interp(ends, run.along_m, run.radius_m)
    inside = (run.along_m >= start_m) & (run.along_m <= stop_m)
    widest = max(radius.max(), run.radius_m[inside].max(initial=0.0))
    solid = float(np.diff(np.interp(ends, run.along_m, run.solid_m3))[0])
    mass = [float(np.diff(np.interp(ends, run.along_m, run.mass_kg[:, k]))[0]) for k in range(3)]
    return Log(
        run.limb,
        2.0 * float(radius.min()),
        2.0 * float(widest),
        stop_m - start_m,
        Band(*(solid * float(s) for s in spread)),
        Band(mass[0], mass[1], mass[2]),
        butt_m=2.0 * float(radius.max()),
        mid_m=2.0 * float(np.interp(0.5 * (start_m + stop_m), run.along_m, run.radius_m)),
    )


def _log_ends(total_m: float, log_m: float) -> Floats:
    """Cut places along a run: whole logs from the butt, the rest as one short log.

    A rest shorter than 0.3 of a log is spread over the logs of the run by one cut more.
    """
    whole = int(total_m / log_m + 1e-9)
    rest = total_m - whole * log_m
    if rest < 1e-6:
        return np.linspace(0.0, total_m, max(whole, 1) + 1)
    if whole and rest < SHARE_OF_LENGTH_TO_SPREAD * log_m:
        return np.linspace(0.0, total_m, whole + 2)
    return np.append(np.arange(whole + 1) * log_m, total_m)


def _shortened(run: _Run, log: Log, start_m: float, lift_kg: float, spread: Floats) -> list[Log]:
    """A log over the lift limit as equal shorter ones; at the shortest, marked to be split."""
    parts = int(np.ceil(log.mass_kg.high / lift_kg))
    while True:
        if log.length_m / parts < SHORTEST_LOG_M:
            parts = max(1, int(log.length_m / SHORTEST_LOG_M))
        ends = start_m + np.linspace(0.0, log.length_m, parts + 1)
        cut = [_between(run, a, b, spread) for a, b in pairwise(ends)]
        heaviest = max(part.mass_kg.high for part in cut)
        if heaviest <= lift_kg or log.length_m / (parts + 1) < SHORTEST_LOG_M:
            return [_split(part, lift_kg) for part in cut]
        parts += 1


def _split(log: Log, lift_kg: float) -> Log:
    """The log, marked with the parts it must be split into to be lifted."""
    if log.mass_kg.high <= lift_kg:
        return log
    parts = int(np.ceil(log.mass_kg.high / lift_kg))
    return replace(log, split_into=max(log.split_into, parts))


def _too_thick(log: Log, max_diameter_m: float) -> Log:
    """The log, marked to be split in two or more where it is thicker than the limit."""
    if log.large_end_m <= max_diameter_m:
        return log
    parts = int(np.ceil((log.large_end_m / max_diameter_m) ** 2))
    return replace(log, split_into=max(log.split_into, parts))


def buck(
    graph: TreeGraph,
    mass: GreenMass,
    pieces: Sequence[Int32s],
    *,
    log_length_m: float,
    chip_below_m: float,
    lift_limit_kg: float | None,
    max_diameter_m: float = np.inf,
    volume_spread: tuple[float, float, float] = (0.9, 1.0, 1.1),
) -> Bucking:
    """Cut pieces to logs; all thinner wood, twigs and leaves are fine wood.

    Parameters
    ----------
    pieces : sequence of ndarray of int, shape (k,)
        Nodes of each piece.
    lift_limit_kg : float or None
        No log's high mass is above it where a shorter log can avoid that.
    max_diameter_m : float
        Thicker logs are marked to be split lengthways.
    volume_spread : low, likely, high factor on solid volume
    """
    wood = edge_volume_m3(graph)
    solid = wood + mass.crown_kg / CROWN_KG_M3
    bands = np.column_stack([mass.low_kg, mass.likely_kg, mass.high_kg])
    tips = mass.crown_kg > 0
    woody = bands * np.where(tips, mass.woody_kg / np.maximum(mass.likely_kg, 1e-9), 1.0)[:, None]
    thick = graph.edge_start_radius_m + graph.radius_m >= chip_below_m
    spread = np.asarray(volume_spread)
    logs: list[Log] = []
    fine_mass, fine_solid = np.zeros(3), 0.0
    for nodes in pieces:
        fine_mass += bands[nodes].sum(axis=0)
        fine_solid += float(solid[nodes].sum())
        for chain in _runs(graph, nodes, thick):
            run = _cumulative(graph, chain, wood, woody)
            cut = [
                _too_thick(log, max_diameter_m)
                for log in _cut_run(run, log_length_m, lift_limit_kg, spread)
            ]
            if not cut:
                continue
            logs += cut
            fine_mass -= run.mass_kg[-1]
            fine_solid -= float(run.solid_m3[-1])
    fine_mass, fine_solid = np.maximum(fine_mass, 0.0), max(fine_solid, 0.0)
    fine = Fine(
        Band(*(fine_solid * float(s) for s in spread)), Band(*(float(v) for v in fine_mass))
    )
    return Bucking(tuple(logs), fine, _notes(logs))


def _cut_run(run: _Run, log_m: float, lift_kg: float | None, spread: Floats) -> list[Log]:
    """Logs of one run; none where it is shorter than the shortest log."""
    total = float(run.along_m[-1])
    if total < SHORTEST_LOG_M:
        return []
    ends = _log_ends(total, log_m)
    result: list[Log] = []
    for start, stop in pairwise(ends):
        log = _between(run, float(start), float(stop), spread)
        if lift_kg is not None and log.mass_kg.high > lift_kg:
            result += _shortened(run, log, float(start), lift_kg, spread)
        else:
            result.append(log)
    return result


def _notes(logs: Sequence[Log]) -> tuple[str, ...]:
    split = sum(log.split_into > 1 for log in logs)
    if not split:
        return ()
    return (
        f"{split} log(s) are over the loader's lift limit or the largest log diameter even at "
        "the shortest length: split them lengthways or lift them by other means.",
    )
