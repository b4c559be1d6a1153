"""Logs, chips or brush, and the truck loads they make."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt

from treescan.errors import SiteFileError
from treescan.mensuration.volume import huber, newton, smalian
from treescan.planning.haul_bucking import Bucking, Log, buck
from treescan.planning.haul_limits import road_notes
from treescan.planning.haul_packing import Carrier, Loads, pack
from treescan.planning.quote import quote_rows
from treescan.planning.types import HaulPlan, HaulRow, Step, TruckLoads
from treescan.site.model import Site, Truck
from treescan.skeleton.graph import TreeGraph
from treescan.units import ZERO_BAND, Band
from treescan.wood.logs import board_feet, brush_loose_m3, chip_loose_m3, cords, stacked_m3
from treescan.wood.types import GreenMass, Species

Int32s = npt.NDArray[np.int32]

CLASS_M = 0.10
"""Width of the diameter classes of the log list."""
WHOLE_WITHIN_M, SHORT_CLASS_M = 0.05, 0.5
"""A log this near to the wanted length counts as whole; shorter ones are classed by 0.5 m."""
SAW_LOG_M, SAW_LOG_LENGTH_M = 0.30, 2.4
"""Small end over bark and length from which a log may be sawn (common practice, 12 in, 8 ft)."""
_NOTHING = np.zeros(0, dtype=np.int32)


def haul_plan(
    graph: TreeGraph,
    mass: GreenMass,
    species: Species,
    site: Site,
    steps: Sequence[Step] | None = None,
    *,
    hours: Band | None = None,
    pieces: Sequence[Int32s] | None = None,
) -> HaulPlan:
    """Buck the pieces, class the material, load the trucks, and set out the quote.

    Parameters
    ----------
    steps : sequence of Step or None
        With a plan its pieces are bucked; without one the whole graph is.
    hours : Band, optional
        Crew hours of the plan; without them they follow from the steps' minutes, or from the
        stated rule when there are no steps.
    pieces : sequence of ndarray, shape (k,), optional
        Nodes of each piece, when a plan was read back and there are no steps.

    Raises
    ------
    SiteFileError
        The site file names no truck.
    """
    if not site.haul.trucks:
        raise SiteFileError("haul.trucks is empty; name at least one truck, or leave it out.")
    if pieces is None:
        whole = [np.arange(len(graph), dtype=np.int32)]
        pieces = [step.piece.nodes for step in steps] if steps else whole
    bucking = buck(
        graph,
        mass,
        pieces,
        log_length_m=site.limits.log_length_m,
        chip_below_m=site.haul.chip_below_m,
        lift_limit_kg=_lift_limit(site.haul.trucks),
        max_diameter_m=site.limits.max_log_diameter_m,
        volume_spread=_volume_spread(mass, pieces),
    )
    kind = _fine_kind(site.haul.trucks)
    loose = _loose_m3(bucking, kind, site)
    rows = (*_log_rows(bucking.logs, site.limits.log_length_m), *_fine_rows(bucking, loose, kind))
    trucks, load_notes = _truck_loads(site, bucking, loose, kind)
    total = mass.band(np.concatenate([_NOTHING, *pieces]))
    return HaulPlan(
        rows=rows,
        trucks=trucks,
        quote=quote_rows(site, trucks, total, steps=steps, hours=hours, mass=mass, graph=graph),
        notes=(
            *bucking.notes,
            *load_notes,
            *_standing_notes(site, kind),
            *_weight_notes(mass, species),
            *_sale_notes(bucking.logs, species),
            *road_notes(site),
        ),
    )


def _loose_m3(bucking: Bucking, kind: str, site: Site) -> Band:
    """Space of the fine wood as chips or as whole brush. [m³]"""
    if kind == "chip":
        return chip_loose_m3(bucking.fine.solid_m3, site.haul.chip_expansion)
    return brush_loose_m3(bucking.fine.mass_kg)


def _volume_spread(mass: GreenMass, pieces: Sequence[Int32s]) -> tuple[float, float, float]:
    """Factors on solid volume: the mass band's, without the part that is density (halved)."""
    total = mass.band(np.concatenate([_NOTHING, *pieces]))
    likely = max(total.likely, 1e-9)
    return (
        1.0 - 0.5 * (1.0 - total.low / likely),
        1.0,
        1.0 + 0.5 * (total.high / likely - 1.0),
    )


def _lift_limit(trucks: Iterable[Truck]) -> float | None:
    """The most that some log truck can lift; None where one has no limit."""
    limits = [t.lift_limit_kg for t in trucks if t.takes in ("log", "any")]
    given = [limit for limit in limits if limit is not None]
    return max(given) if given and len(given) == len(limits) else None


def _fine_kind(trucks: Iterable[Truck]) -> str:
    """Chips where a truck takes chips or anything; else brush."""
    takes = {t.takes for t in trucks}
    return "brush" if "brush" in takes and not takes & {"chip"} else "chip"


def _log_rows(logs: Sequence[Log], log_length_m: float) -> tuple[HaulRow, ...]:
    """Logs by class of small end (10 cm) and of length (whole logs; shorter ones by 0.5 m).

    A row shows its thinnest small end, its thickest large end and its mean length.
    """
    groups: dict[tuple[int, float], list[Log]] = {}
    for log in logs:
        whole = log.length_m >= log_length_m - WHOLE_WITHIN_M
        length = log_length_m if whole else np.floor(log.length_m / SHORT_CLASS_M) * SHORT_CLASS_M
        key = (int(log.small_end_m / CLASS_M + 1e-9), float(length))
        groups.setdefault(key, []).append(log)
    return tuple(
        _log_row(groups[key]) for key in sorted(groups, key=lambda key: (-key[0], -key[1]))
    )


def _log_row(group: Sequence[Log]) -> HaulRow:
    solid = _summed(log.solid_m3 for log in group)
    return HaulRow(
        material="log",
        small_end_m=min(log.small_end_m for log in group),
        large_end_m=max(log.large_end_m for log in group),
        length_m=sum(log.length_m for log in group) / len(group),
        count=len(group),
        solid_m3=solid,
        loose_m3=stacked_m3(solid),
        mass_kg=_summed(log.mass_kg for log in group),
    )


def _summed(bands: Iterable[Band]) -> Band:
    return sum(bands, ZERO_BAND)


def _fine_rows(bucking: Bucking, loose: Band, kind: str) -> tuple[HaulRow, ...]:
    if bucking.fine.mass_kg.high <= 0:
        return ()
    name = "chips" if kind == "chip" else "brush"
    return (HaulRow(name, 0.0, 0.0, 0.0, 1, bucking.fine.solid_m3, loose, bucking.fine.mass_kg),)


def _carriers(site: Site) -> list[Carrier]:
    return [
        Carrier(
            t.name,
            t.takes,
            t.volume_m3 * site.haul.fill_share,
            t.payload_kg,
            t.lift_limit_kg,
            t.trip_hours,
        )
        for t in site.haul.trucks
    ]


def _truck_loads(
    site: Site, bucking: Bucking, loose: Band, kind: str
) -> tuple[tuple[TruckLoads, ...], tuple[str, ...]]:
    """Trips per truck class at the low, likely and high side."""
    carriers = _carriers(site)
    fine = bucking.fine.mass_kg
    sides = [
        pack(carriers, _items(bucking.logs, side), getattr(loose, side), getattr(fine, side), kind)
        for side in ("low", "likely", "high")
    ]
    rows = []
    for k, carrier in enumerate(carriers):
        trips = [side.trips[k] for side in sides]
        shown = sides[1] if trips[1] else sides[2]
        rows.append(
            TruckLoads(
                carrier.name,
                carrier.takes,
                Band(min(trips), trips[1], max(trips)),
                _governs(shown, k),
                sides[2].heaviest_kg[k],
                _truck_notes(site.haul.trucks[k], sides[1], k),
            )
        )
    return tuple(rows), _load_notes(sides)


def _items(logs: Sequence[Log], side: str) -> list[tuple[float, float]]:
    """Space [m³] and mass [kg] of each thing to lift; split logs as their parts."""
    items = []
    for log in logs:
        space = getattr(stacked_m3(log.solid_m3), side) / log.split_into
        items += [(space, getattr(log.mass_kg, side) / log.split_into)] * log.split_into
    return items


def _governs(loads: Loads, k: int) -> str:
    """What sets the trips of a class: space, weight, or whole logs that do not share a trip."""
    if not loads.trips[k]:
        return "not needed"
    space, weight = loads.space_loads[k], loads.payload_loads[k]
    if loads.trips[k] > max(np.ceil(space - 1e-9), np.ceil(weight - 1e-9), 1.0):
        return "piece size"
    return "volume" if space >= weight else "payload"


def _truck_notes(truck: Truck, loads: Loads, k: int) -> tuple[str, ...]:
    notes = []
    trips = loads.trips[k]
    if trips:
        rounds = -(-trips // truck.count)
        notes.append(
            f"Likely {trips} trip(s) of {truck.trip_hours:g} h with {truck.count} truck(s), about "
            f"{rounds * truck.trip_hours:g} h on the road: {loads.space_loads[k]:.1f} loads by "
            f"space alone, {loads.payload_loads[k]:.1f} by weight alone."
        )
    if truck.lift_limit_kg is not None and truck.takes in ("log", "any"):
        notes.append(f"Loader lifts at most {truck.lift_limit_kg:.0f} kg a log.")
    return tuple(notes)


def _load_notes(sides: Sequence[Loads]) -> tuple[str, ...]:
    notes = []
    high = sides[2]
    if high.left_logs:
        notes.append(
            f"{high.left_logs} log(s) fit no truck named (kind, payload, space or lift limit): "
            "name a truck for them."
        )
    if high.left_loose_kg > 0:
        notes.append(
            f"{high.left_loose_kg:.0f} kg of chips or brush have no truck: add one that takes them."
        )
    if not all(side.proven for side in sides):
        notes.append("Loads are packed by rule; one trip fewer may be possible.")
    return tuple(notes)


def _standing_notes(site: Site, kind: str) -> tuple[str, ...]:
    loose = (
        f"chips at {site.haul.chip_expansion:g} loose m³ a solid m³"
        if kind == "chip"
        else "whole brush at 60 to 150 kg/m³, not compacted"
    )
    return (
        f"Logs from {site.haul.chip_below_m * 100:.0f} cm over bark up to "
        f"{site.limits.log_length_m:g} m long; thinner wood, twigs and leaves as {loose}; "
        f"trucks filled to {site.haul.fill_share:.0%}.",
        "Stacked logs fill 55 to 75 % of their space with wood; weights are green, low to high.",
    )


def _weight_notes(mass: GreenMass, species: Species) -> tuple[str, ...]:
    """What the weights of the sheet rest on: rain in them, and values quoted from memory."""
    wet = tuple(note for note in mass.notes if note.startswith("Wet:"))
    if "[from memory]" not in species.sources:
        return wet
    return (
        *wet,
        f"Some wood values of {species.common_name} are quoted [from memory] of the cited tables: "
        "weigh the first load.",
    )


def _scaled_note(logs: Sequence[Log], solid: Band) -> str:
    """Volume as logs are scaled by hand, beside the sheet's own sum of frustums."""
    rows = [(log.butt_m, log.mid_m, log.small_end_m, log.length_m) for log in logs]
    butt, mid, top, length = np.array(rows).T
    by = {
        "Smalian": smalian(butt, top, length),
        "Huber": huber(mid, length),
        "Newton": newton(butt, mid, top, length),
    }
    told = ", ".join(f"{volume.sum():.2f} m³ by {name}" for name, volume in by.items())
    return (
        f"Scaled over bark by end and middle diameters the logs hold {told}; summed along the "
        f"scan {solid.likely:.2f} m³."
    )


def _sale_notes(logs: Sequence[Log], species: Species) -> tuple[str, ...]:
    """Stacked firewood and lumber yield, for those who sell wood; yields, never weights."""
    if not logs:
        return ()
    solid = _summed(log.solid_m3 for log in logs)
    stack = Band(cords(solid.low).low, cords(solid.likely).likely, cords(solid.high).high)
    notes = [
        f"As firewood the logs stack to {stack.low:.1f} to {stack.high:.1f} cords of 128 ft³.",
        _scaled_note(logs, solid),
    ]
    sawn = [
        log
        for log in logs
        if log.small_end_m >= SAW_LOG_M and log.length_m >= SAW_LOG_LENGTH_M - 1e-6
    ]
    if sawn:
        yields = board_feet(
            [log.small_end_m for log in sawn], [log.length_m for log in sawn], species
        )
        notes.append(
            f"{len(sawn)} log(s) from {SAW_LOG_M * 100:.0f} cm and {SAW_LOG_LENGTH_M:g} m may be "
            f"sawn if sound and free of metal: {yields.doyle:.0f} board feet by Doyle, "
            f"{yields.scribner:.0f} by Scribner, {yields.international:.0f} by International "
            "1/4 inch (yields, not weights)."
        )
    return tuple(notes)
