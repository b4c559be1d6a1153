"""A user's own species rows."""

from __future__ import annotations

import csv
import difflib
from collections.abc import Mapping, Sequence
from pathlib import Path

from treescan.errors import SiteFileError
from treescan.wood.species import WATER_KG_M3, density_ceiling_kg_m3
from treescan.wood.types import Species

REQUIRED = (
    "scientific_name",
    "common_name",
    "kind",
    "basic_specific_gravity",
    "mc_average_pct",
    "bark_pct_of_wood_volume",
    "bark_density_kg_m3",
    "MOR_green_MPa",
    "MOE_green_GPa",
    "compression_parallel_green_MPa",
    "source",
)
RANGES = {
    "basic_specific_gravity": (0.1, 1.2),
    "mc_average_pct": (10.0, 450.0),
    "mc_heartwood_pct": (10.0, 450.0),
    "mc_sapwood_pct": (10.0, 450.0),
    "bark_pct_of_wood_volume": (0.0, 60.0),
    "bark_density_kg_m3": (150.0, 1400.0),
    "MOR_green_MPa": (5.0, 150.0),
    "MOE_green_GPa": (1.0, 25.0),
    "compression_parallel_green_MPa": (3.0, 80.0),
    "density_cv": (0.02, 0.5),
}


def _number(row: Mapping[str, str], key: str, where: str) -> float:
    text = (row.get(key) or "").strip()
    low, high = RANGES[key]
    try:
        value = float(text)
    except ValueError:
        raise SiteFileError(
            f"{where}: {key} = {text!r} is not a number; give {low:g} to {high:g}."
        ) from None
    if not low <= value <= high:
        raise SiteFileError(f"{where}: {key} = {value:g} is outside {low:g} to {high:g}.")
    return value


def _refuse_unknown_columns(row: Mapping[str, str], where: str) -> None:
    known = (*REQUIRED, *RANGES)
    for key in row:
        if key not in known:
            near = difflib.get_close_matches(str(key), known, n=1)
            hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(known)}."
            raise SiteFileError(f"{where}: {key} is not a column of a species row; {hint}")


def _own_row(row: Mapping[str, str], where: str) -> Species:
    _refuse_unknown_columns(row, where)
    kind = (row.get("kind") or "").strip().casefold()
    if kind not in {"broadleaf", "conifer"}:
        raise SiteFileError(f'{where}: kind = "{kind}"; write broadleaf or conifer.')
    for key in ("scientific_name", "common_name", "source"):
        if not (row.get(key) or "").strip():
            raise SiteFileError(f"{where}: {key} is empty; every row needs its names and source.")
    value = {
        k: _number(row, k, where) for k in RANGES if k in REQUIRED or (row.get(k) or "").strip()
    }
    gravity, bark = value["basic_specific_gravity"], value["bark_pct_of_wood_volume"] / 100
    wood = WATER_KG_M3 * gravity * (1 + value["mc_average_pct"] / 100)
    ceiling = density_ceiling_kg_m3(gravity)
    if wood > ceiling * 1.001:
        raise SiteFileError(
            f"{where}: green density {wood:.0f} kg/m³ is above the ceiling {ceiling:.0f} for "
            f"specific gravity {gravity:g}; lower mc_average_pct."
        )
    return Species(
        scientific_name=row["scientific_name"].strip(),
        common_name=row["common_name"].strip(),
        conifer=kind == "conifer",
        basic_specific_gravity=gravity,
        moisture_heartwood_pct=value.get("mc_heartwood_pct"),
        moisture_sapwood_pct=value.get("mc_sapwood_pct"),
        moisture_average_pct=value["mc_average_pct"],
        bark_pct_of_wood_volume=value["bark_pct_of_wood_volume"],
        bark_density_kg_m3=value["bark_density_kg_m3"],
        green_density_over_bark_kg_m3=(wood + bark * value["bark_density_kg_m3"]) / (1 + bark),
        green_density_max_kg_m3=ceiling,
        mor_green_pa=value["MOR_green_MPa"] * 1e6,
        moe_green_pa=value["MOE_green_GPa"] * 1e9,
        compression_green_pa=value["compression_parallel_green_MPa"] * 1e6,
        density_cv=value.get("density_cv", 0.12),
        confidence="low",
        sources=f"own table: {row['source'].strip()}",
        notes=(f"Row from your own species table: {row['source'].strip()}.",),
    )


def read_own_species(path: Path) -> tuple[Species, ...]:
    """Rows of a user's csv with the columns of :data:`REQUIRED` (others of RANGES may follow).

    Raises
    ------
    SiteFileError
        The file cannot be read, a column is missing, or a value is out of range.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise SiteFileError(f"own species table {path.name} cannot be read: {error}.") from None
    rows = csv.DictReader(text.splitlines())
    missing = [key for key in REQUIRED if key not in (rows.fieldnames or ())]
    if missing:
        raise SiteFileError(
            f"own species table {path.name} lacks the columns {', '.join(missing)}."
        )
    return tuple(
        _own_row(row, f"own species table {path.name}, line {number}")
        for number, row in enumerate(rows, start=2)
    )


def own_species(rows: Sequence[Mapping[str, str | float]]) -> tuple[Species, ...]:
    """Species from the ``[[own_species]]`` tables of a site file, keys as :data:`REQUIRED`.

    Raises
    ------
    SiteFileError
        A key is missing or unknown, or a value is out of range.
    """
    result = []
    for number, row in enumerate(rows, start=1):
        where = f"[[own_species]] {number}"
        missing = [key for key in REQUIRED if key not in row]
        if missing:
            raise SiteFileError(f"{where} lacks {', '.join(missing)}; add them.")
        result.append(_own_row({key: str(value) for key, value in row.items()}, where))
    return tuple(result)
