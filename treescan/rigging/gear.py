"""Gear of the job: a catalogue in generic terms, and the site file's own entries.

Catalogue values are typical, not a rating: the tag on the gear in hand leads.
"""

from __future__ import annotations

import csv
import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources

from treescan.errors import SiteFileError, SourceDataError
from treescan.mechanics.rope import fibre_bend_efficiency, knot_efficiency
from treescan.rigging.types import GearItem, GearSet
from treescan.site.model import Gear, Limits

KINDS = ("line", "sling", "block", "friction device")
MBS_LIMIT_KN = {"line": 300.0, "sling": 1000.0, "block": 1000.0, "friction device": 1000.0}
MODULUS_LIMIT_KN = (3.0, 5000.0)
LARGEST = {"friction_ratio": 20.0, "kg_per_m": 5.0, "diameter_mm": 500.0, "modulus_kn": 5000.0}
"""More than any item has: wrong units end here (grams, inches a hundred, pounds)."""
_NUMBERS = ("mbs_kn", "modulus_kn", "efficiency", "friction_ratio", "kg_per_m", "diameter_mm")
_DEFAULTS = {
    "mbs_kn": 0.0,
    "modulus_kn": 0.0,
    "efficiency": 1.0,
    "friction_ratio": 1.0,
    "kg_per_m": 0.0,
    "diameter_mm": 0.0,
}


@cache
def catalogue() -> tuple[GearItem, ...]:
    """Every shipped entry, in the order of ``data/gear.csv``."""
    text = resources.files("treescan.rigging").joinpath("data/gear.csv").read_text("utf-8")
    return tuple(_item(row, "gear.csv") for row in csv.DictReader(text.splitlines()))


def find_gear(name: str, kind: str, own: tuple[GearItem, ...] = ()) -> GearItem:
    """Entry by name (case, spaces and signs do not matter), own entries first.

    Parameters
    ----------
    name : str
    kind : {"line", "sling", "block", "friction device"}
    own : tuple of GearItem
        The user's entries.

    Raises
    ------
    SiteFileError
        Unknown name; the message gives near matches.
    """
    rows = [item for item in (*own, *catalogue()) if item.kind == kind]
    for item in rows:
        if _letters(item.name) == _letters(name):
            return item
    raise SiteFileError(
        f"[gear] {kind} {name!r} is not in the catalogue; near matches: "
        f"{'; '.join(near_names(name, rows))}. Use one of them, or add your own entry under "
        "[[gear.own]]."
    )


def near_names(name: str, items: Sequence[GearItem], most: int = 3) -> list[str]:
    """Names nearest to a name that is not among the items.

    Parameters
    ----------
    name : str
    items : sequence of GearItem
    most : int
    """
    names = {_letters(item.name): item.name for item in items}
    near = difflib.get_close_matches(_letters(name), list(names), most, 0.4)
    return [names[key] for key in near or list(names)[:most]]


def _letters(name: str) -> str:
    return "".join(filter(str.isalnum, name.casefold()))


def own_entries(gear: Gear) -> tuple[GearItem, ...]:
    """Own entries of the site file: ``name``, ``kind`` and ``mbs_kn`` are needed.

    Raises
    ------
    SiteFileError
        A key is missing or unknown, or a value is outside its limits.
    """
    return tuple(_own_item(dict(entry), number) for number, entry in enumerate(gear.own, start=1))


MOST_LETTERS = 120
"""Longest name or source of an own entry."""

WET_NYLON = 0.8
"""Strength left to wet nylon: it loses 10 to 20 %, polyester none (a page of rope notes and a
forestry article, as quoted in the rigging handbook, section 3)."""


def line_strength_n(gear: GearSet) -> float:
    """Strength of the line as rigged: MBS x the worse of knot and bend over the block x wear.

    Knot and bend are in different places, so the weaker one counts.  [N]
    """
    share = gear.knot_efficiency
    if gear.block.diameter_m > 0.0 and gear.line.diameter_m > 0.0:
        ratio = max(gear.block.diameter_m / gear.line.diameter_m, 0.5)
        share = min(share, float(fibre_bend_efficiency(ratio)))
    return gear.line.mbs_n * share * gear.wear_factor


def resolve_gear(gear: Gear, wet: bool = False) -> GearSet:
    """Look every name of ``[gear]`` up.

    Parameters
    ----------
    gear : Gear
        Of the site file.
    wet : bool
        A nylon line then keeps 0.8 of its strength.

    Raises
    ------
    SiteFileError
        An unknown name or knot, or a bad own entry.
    """
    own = own_entries(gear)
    try:
        knot = knot_efficiency(gear.knot)
    except SourceDataError as error:
        raise SiteFileError(f"[gear] knot: {error}") from error
    line = find_gear(gear.line, "line", own)
    if wet and "nylon" in line.name.casefold():
        line = replace(line, mbs_n=WET_NYLON * line.mbs_n, source=f"{line.source}; wet: x 0.8")
    return GearSet(
        line=line,
        line_length_m=gear.line_length_m,
        sling=find_gear(gear.sling, "sling", own),
        block=find_gear(gear.block, "block", own),
        friction_device=find_gear(gear.friction_device, "friction device", own),
        knot_efficiency=knot,
        wear_factor=gear.wear_factor,
        hand_force_n=gear.hand_force_n,
    )


@dataclass(frozen=True)
class GearLimit:
    """What one item of the gear may take: ``item`` and ``name``, the limit in words, the source.

    ``source`` keeps "[from memory]" where it applies.
    """

    item: str
    name: str
    limit: str
    source: str


def gear_limits(gear: GearSet, limits: Limits) -> tuple[GearLimit, ...]:
    """What the loads are held against: strengths, shares and sources, an item a row.

    Parameters
    ----------
    gear : GearSet
    limits : Limits
        Of the site file: ``line_share_of_mbs`` is the share of the rigged strength that a peak
        may reach, ``anchor_share`` that of the spar's allowable.
    """
    share = limits.line_share_of_mbs
    strength = line_strength_n(gear)
    kept = strength / (gear.line.mbs_n * gear.wear_factor)
    rows = [
        GearLimit(
            "line",
            gear.line.name,
            f"peak up to {strength * share / 1000:.1f} kN: breaking strength "
            f"{gear.line.mbs_n / 1000:.1f} kN x {kept:.2g} at the {_weaker(gear)} x "
            f"{gear.wear_factor:g} wear x {share:g} working share; "
            f"{gear.line_length_m:g} m at hand",
            gear.line.source,
        )
    ]
    for item in (gear.sling, gear.block, gear.friction_device):
        wear = gear.wear_factor if item.kind == "sling" else 1.0
        limit = item.mbs_n * item.efficiency * wear * share / 1000
        told = (
            f"peak up to {limit:.1f} kN at the same share" if limit else "strength not rated here"
        )
        if item.friction_ratio > 1.0:
            told += f"; friction {item.friction_ratio:g} to 1"
        rows.append(GearLimit(item.kind, item.name, told, item.source))
    return tuple(rows)


def _weaker(gear: GearSet) -> str:
    """Where the line is weakest: at its knot or over the block."""
    bent = line_strength_n(gear) < gear.line.mbs_n * gear.knot_efficiency * gear.wear_factor
    return "bend over the block" if bent else "knot"


def _own_item(entry: dict[str, str | float], number: int) -> GearItem:
    where = f"[[gear.own]] {number}"
    known = {"name", "kind", "source", *_NUMBERS}
    for key in entry:
        if key not in known:
            near = difflib.get_close_matches(key, sorted(known), 1, 0.5)
            hint = f"; did you mean {near[0]}?" if near else f"; known: {', '.join(sorted(known))}."
            raise SiteFileError(f"{where}: unknown key {key!r}{hint}")
    for key in ("name", "kind", "mbs_kn"):
        if key not in entry:
            raise SiteFileError(f"{where}: {key} is missing; name, kind and mbs_kn are needed.")
    if entry["kind"] not in KINDS:
        raise SiteFileError(f"{where}: kind must be one of {', '.join(KINDS)}.")
    if entry["kind"] == "line" and "modulus_kn" not in entry:
        raise SiteFileError(
            f"{where}: modulus_kn is missing; for a line give 0.1 x MBS over its elongation at "
            "10 % of MBS."
        )
    row = {key: str(value) for key, value in entry.items()}
    for key in ("name", "source"):
        if not (row.get(key, "x").isprintable() and 0 < len(row.get(key, "x")) <= MOST_LETTERS):
            raise SiteFileError(
                f"{where}: {key} must be one line of 1 to {MOST_LETTERS} letters, all printable."
            )
    return _item({"source": "own entry of the site file", **row}, where)


def _item(row: Mapping[str, str], where: str) -> GearItem:
    numbers = {key: _number(row, key, where) for key in _NUMBERS}
    kind = row["kind"]
    if numbers["mbs_kn"] > MBS_LIMIT_KN[kind]:
        raise SiteFileError(
            f"{where}: mbs_kn = {numbers['mbs_kn']:g} for a {kind} is above "
            f"{MBS_LIMIT_KN[kind]:g} kN; check the unit (kN, not lbf or kg)."
        )
    if kind == "sling" and numbers["mbs_kn"] <= 0.0:
        raise SiteFileError(f"{where}: a sling needs mbs_kn above 0: it is checked against it.")
    if kind == "line":
        low, high = MODULUS_LIMIT_KN
        if not low <= numbers["modulus_kn"] <= high or numbers["mbs_kn"] <= 0:
            raise SiteFileError(
                f"{where}: a line needs mbs_kn above 0 and modulus_kn of {low:g} to {high:g} kN."
            )
    if numbers["friction_ratio"] < 1.0 or not 0.0 < numbers["efficiency"] <= 1.0:
        raise SiteFileError(
            f"{where}: friction_ratio must be at least 1 and efficiency in 0..1 (0 excluded)."
        )
    return GearItem(
        name=row["name"],
        kind=kind,
        mbs_n=1e3 * numbers["mbs_kn"],
        source=row["source"],
        modulus_n=1e3 * numbers["modulus_kn"],
        efficiency=numbers["efficiency"],
        friction_ratio=numbers["friction_ratio"],
        kg_per_m=numbers["kg_per_m"],
        diameter_m=1e-3 * numbers["diameter_mm"],
    )


def _number(row: Mapping[str, str], key: str, where: str) -> float:
    text = row.get(key, "") or str(_DEFAULTS[key])
    try:
        value = float(text)
    except ValueError:
        raise SiteFileError(f"{where}: {key} = {text!r} is not a number.") from None
    if not 0.0 <= value < 1e6:
        raise SiteFileError(f"{where}: {key} = {text} must be 0 or more and finite.")
    if value > LARGEST.get(key, float("inf")):
        raise SiteFileError(
            f"{where}: {key} = {text} is above {LARGEST[key]:g}; check the number and its unit."
        )
    return value
