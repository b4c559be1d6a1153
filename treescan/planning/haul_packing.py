"""Loads per truck: whole logs and loose material into trucks by space, payload and lift."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

MOST_LOGS_FOR_SOLVER = 60
DETERMINISTIC_SECONDS = 0.05
"""Solver effort per question (deterministic time, so that results repeat)."""


@dataclass(frozen=True)
class Carrier:
    """What one trip of a truck class can take.  ``takes`` is "log", "chip", "brush", "any"."""

    name: str
    takes: str
    space_m3: float
    payload_kg: float
    lift_limit_kg: float | None
    trip_hours: float

    def carries(self, material: str) -> bool:
        """The truck takes this material."""
        return self.takes in (material, "any")

    def lifts(self, mass_kg: float) -> bool:
        """One log of this mass can be put on it."""
        if mass_kg > self.payload_kg:
            return False
        return self.lift_limit_kg is None or mass_kg <= self.lift_limit_kg


@dataclass(frozen=True)
class Loads:
    """Trips per truck class, and what they carry.

    ``space_share`` and ``payload_share`` (per class) are the fullest trip's; ``space_loads``
    and ``payload_loads`` how many full trips the class carries by space and by weight alone;
    ``proven`` says that no packing with fewer trip hours exists.
    """

    trips: tuple[int, ...]
    space_share: tuple[float, ...]
    payload_share: tuple[float, ...]
    space_loads: tuple[float, ...]
    payload_loads: tuple[float, ...]
    heaviest_kg: tuple[float, ...]
    left_logs: int
    left_loose_kg: float
    proven: bool


@dataclass
class _Trip:
    kind: int
    space_m3: float = 0.0
    mass_kg: float = 0.0
    heaviest_kg: float = 0.0

    def room(self, carrier: Carrier) -> tuple[float, float]:
        return carrier.space_m3 - self.space_m3, carrier.payload_kg - self.mass_kg

    def add(self, space_m3: float, mass_kg: float, log: bool) -> None:
        self.space_m3 += space_m3
        self.mass_kg += mass_kg
        if log:
            self.heaviest_kg = max(self.heaviest_kg, mass_kg)


def pack(
    carriers: Sequence[Carrier],
    logs: Sequence[tuple[float, float]],
    loose_m3: float,
    loose_kg: float,
    loose_kind: str,
    *,
    use_solver: bool = True,
) -> Loads:
    """Fewest trip hours that carry everything.

    Parameters
    ----------
    logs : sequence of (space m³, mass kg)
        Whole logs; each rides in one trip.
    loose_m3, loose_kg : float
        Chips or brush, divisible between trips.
    loose_kind : {"chip", "brush"}
    """
    trips, left_logs, left_loose = _greedy(carriers, logs, loose_m3, loose_kg, loose_kind)
    hours = sum(_cost(carriers[t.kind]) for t in trips)
    bound = _bound(carriers, logs, loose_m3, loose_kg, loose_kind)
    proven = hours <= bound
    few = 0 < len(logs) <= MOST_LOGS_FOR_SOLVER
    if use_solver and few and not proven and not left_logs and left_loose == 0.0:
        better, proven = _solved(carriers, logs, loose_m3, loose_kg, loose_kind, trips)
        trips = better if better is not None else trips
    return _summary(carriers, trips, left_logs, left_loose, proven)


def _cost(carrier: Carrier) -> int:
    """Trip hours in hundredths, plus one so that free trips still count."""
    return round(carrier.trip_hours * 100) + 1


def _greedy(
    carriers: Sequence[Carrier],
    logs: Sequence[tuple[float, float]],
    loose_m3: float,
    loose_kg: float,
    loose_kind: str,
) -> tuple[list[_Trip], int, float]:
    """First fit of the heaviest logs first, then loose material into what is left."""
    best: tuple[list[_Trip], int, float] | None = None
    takers = [k for k, c in enumerate(carriers) if c.carries("log")] or [-1]
    for preferred in takers:
        found = _first_fit(carriers, logs, preferred)
        trips, left = found
        loose_left = _pour(carriers, trips, loose_m3, loose_kg, loose_kind)
        key = (left, loose_left, sum(_cost(carriers[t.kind]) for t in trips))
        if best is None or key < (
            best[1],
            best[2],
            sum(_cost(carriers[t.kind]) for t in best[0]),
        ):
            best = (trips, left, loose_left)
    assert best is not None
    return best


def _first_fit(
    carriers: Sequence[Carrier], logs: Sequence[tuple[float, float]], preferred: int
) -> tuple[list[_Trip], int]:
    order = sorted(range(len(logs)), key=lambda i: (-logs[i][1], -logs[i][0], i))
    kinds = sorted(
        (k for k, c in enumerate(carriers) if c.carries("log")),
        key=lambda k: (k != preferred, _cost(carriers[k])),
    )
    trips: list[_Trip] = []
    left = 0
    for i in order:
        space, mass = logs[i]
        for trip in trips:
            room, payload = trip.room(carriers[trip.kind])
            if space <= room and mass <= payload and carriers[trip.kind].lifts(mass):
                trip.add(space, mass, log=True)
                break
        else:
            fits = [k for k in kinds if carriers[k].lifts(mass) and space <= carriers[k].space_m3]
            if not fits:
                left += 1
                continue
            trips.append(_Trip(fits[0]))
            trips[-1].add(space, mass, log=True)
    return trips, left


def _pour(
    carriers: Sequence[Carrier], trips: list[_Trip], loose_m3: float, loose_kg: float, kind: str
) -> float:
    """Fill loose material into room left, then into new trips; return what no truck takes."""
    if loose_m3 <= 0 or loose_kg <= 0:
        return 0.0
    density = loose_kg / loose_m3
    for trip in trips:
        if carriers[trip.kind].carries(kind):
            room, payload = trip.room(carriers[trip.kind])
            take = min(loose_m3, room, payload / density)
            trip.add(take, take * density, log=False)
            loose_m3 -= take
    able = [k for k, c in enumerate(carriers) if c.carries(kind)]
    if loose_m3 < 1e-9:
        return 0.0
    if not able:
        return loose_m3 * density
    capacity = {k: min(carriers[k].space_m3, carriers[k].payload_kg / density) for k in able}
    for k in _loose_trips(carriers, capacity, loose_m3):
        take = min(loose_m3, capacity[k])
        trips.append(_Trip(k, take, take * density))
        loose_m3 -= take
    return 0.0


def _loose_trips(
    carriers: Sequence[Carrier], capacity: dict[int, float], loose_m3: float
) -> list[int]:
    """Truck classes of the trips for loose material: the cheapest per m³, the last by size."""
    best = min(capacity, key=lambda k: (_cost(carriers[k]) / capacity[k], k))
    result: list[int] = []
    while loose_m3 > 1e-9:
        single = [k for k in capacity if capacity[k] >= loose_m3 - 1e-9]
        kind = min(single, key=lambda k: (_cost(carriers[k]), k)) if single else best
        result.append(kind)
        loose_m3 -= capacity[kind]
    return result


def _bound(
    carriers: Sequence[Carrier],
    logs: Sequence[tuple[float, float]],
    loose_m3: float,
    loose_kg: float,
    loose_kind: str,
) -> float:
    """Trip hours (hundredths) below which no packing can be: by space and by payload."""
    space = sum(s for s, _ in logs)
    mass = sum(m for _, m in logs)
    able = [c for c in carriers if c.carries("log")]
    loose = [c for c in carriers if c.carries(loose_kind)]
    if any(c.takes == "any" for c in carriers) or not loose:
        space, mass, able = space + loose_m3, mass + loose_kg, list(carriers)
        return _need(able, space, mass)
    return _need(able, space, mass) + _need(loose, loose_m3, loose_kg)


def _need(carriers: Sequence[Carrier], space_m3: float, mass_kg: float) -> float:
    if not carriers or (space_m3 <= 0 and mass_kg <= 0):
        return 0.0
    costs = [_cost(c) for c in carriers]
    by_space = min(c / k.space_m3 for c, k in zip(costs, carriers, strict=True)) * space_m3
    by_mass = min(c / k.payload_kg for c, k in zip(costs, carriers, strict=True)) * mass_kg
    trips = max(
        np.ceil(space_m3 / max(k.space_m3 for k in carriers) - 1e-9),
        np.ceil(mass_kg / max(k.payload_kg for k in carriers) - 1e-9),
    )
    return float(max(by_space, by_mass, trips * min(costs)))


def _solved(
    carriers: Sequence[Carrier],
    logs: Sequence[tuple[float, float]],
    loose_m3: float,
    loose_kg: float,
    loose_kind: str,
    hint: list[_Trip],
) -> tuple[list[_Trip] | None, bool]:
    """Packing by CP-SAT in litres and kilograms (rounded up), at most the greedy's trips.

    None where it finds nothing better than ``hint``; and whether that is proven.
    """
    from ortools.sat.python import cp_model  # a second to import, seldom needed

    kinds = [k for k in range(len(carriers)) for _ in range(len(hint))]
    model = cp_model.CpModel()
    used = [model.new_bool_var("") for _ in kinds]
    rides: list[dict[int, cp_model.IntVar]] = []
    loose = []
    kilos_per_1000_l = int(np.ceil(1000.0 * loose_kg / loose_m3)) if loose_m3 > 0 else 0
    for b, k in enumerate(kinds):
        carrier = carriers[k]
        able = [i for i, (_, kg) in enumerate(logs) if carrier.carries("log") and carrier.lifts(kg)]
        rides.append({i: model.new_bool_var("") for i in able})
        most = int(np.ceil(loose_m3 * 1000)) if carrier.carries(loose_kind) else 0
        loose.append(model.new_int_var(0, most, ""))
        litres = sum(int(np.ceil(logs[i][0] * 1000)) * x for i, x in rides[b].items())
        grams = sum(1000 * int(np.ceil(logs[i][1])) * x for i, x in rides[b].items())
        model.add(litres + loose[b] <= int(carrier.space_m3 * 1000) * used[b])
        model.add(grams + kilos_per_1000_l * loose[b] <= 1000 * int(carrier.payload_kg) * used[b])
        if b and kinds[b - 1] == k:
            model.add(used[b] <= used[b - 1])
    for i in range(len(logs)):
        model.add_exactly_one(ride[i] for ride in rides if i in ride)
    model.add(sum(loose) >= int(np.ceil(loose_m3 * 1000)))
    cost = [_cost(carriers[k]) for k in kinds]
    model.minimize(sum(c * u for c, u in zip(cost, used, strict=True)))
    solver = _solver()
    status = solver.solve(model)
    proven = status == cp_model.OPTIMAL
    found = proven or status == cp_model.FEASIBLE
    if not found or solver.objective_value >= sum(_cost(carriers[t.kind]) for t in hint):
        return None, proven
    trips = []
    for b, k in enumerate(kinds):
        trip = _Trip(k)
        for i, x in rides[b].items():
            if solver.value(x):
                trip.add(*logs[i], log=True)
        poured = solver.value(loose[b]) / 1000.0
        trip.add(poured, poured * loose_kg / max(loose_m3, 1e-9), log=False)
        if solver.value(used[b]):
            trips.append(trip)
    return trips, proven


def _solver() -> cp_model.CpSolver:
    """A solver whose answer repeats: one worker, a fixed seed, effort instead of time."""
    from ortools.sat.python import cp_model

    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 1
    solver.parameters.max_deterministic_time = DETERMINISTIC_SECONDS
    return solver


def _summary(
    carriers: Sequence[Carrier],
    trips: Sequence[_Trip],
    left_logs: int,
    left_loose_kg: float,
    proven: bool,
) -> Loads:
    per = [[t for t in trips if t.kind == k] for k in range(len(carriers))]
    return Loads(
        tuple(len(group) for group in per),
        tuple(
            max((t.space_m3 / c.space_m3 for t in group), default=0.0)
            for c, group in zip(carriers, per, strict=True)
        ),
        tuple(
            max((t.mass_kg / c.payload_kg for t in group), default=0.0)
            for c, group in zip(carriers, per, strict=True)
        ),
        tuple(
            sum(t.space_m3 for t in group) / c.space_m3
            for c, group in zip(carriers, per, strict=True)
        ),
        tuple(
            sum(t.mass_kg for t in group) / c.payload_kg
            for c, group in zip(carriers, per, strict=True)
        ),
        tuple(max((t.heaviest_kg for t in group), default=0.0) for group in per),
        left_logs,
        left_loose_kg,
        proven,
    )
