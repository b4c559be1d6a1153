"""The species table: one row per species, each value with its source.

Rows with no published green strength take that of the nearest relative, cut down where the
relative is denser, and say so in their notes.  Genus names and the two unknowns answer with a
wider band.
"""

from __future__ import annotations

import csv
import difflib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np

from treescan.errors import SiteFileError
from treescan.sources import citation
from treescan.wood.types import Species

DENSITY_CV = {"high": 0.08, "medium": 0.10, "low": 0.12}
"""Spread of green density between trees of a species, 6-9 % for the well known ones.

Judgement, handbook section 5; wider where the table's own confidence is lower.
"""
UNKNOWN_CV = 0.15
WATER_KG_M3 = 1000.0
UNKNOWN = ("unknown broadleaf", "unknown conifer")


@dataclass(frozen=True)
class Genus:
    """What is known by genus: sapwood, leaves and the group of the national equations.

    ``leaf_area_m2_per_kg`` is one-sided area per oven-dry mass; the film depths are those of
    simulated rain on leaves, low / likely / high. [mm]
    """

    name: str
    conifer: bool
    evergreen: bool
    sapwood_width_m: float
    diffuse_porous: bool
    jenkins_group: int
    leaf_area_m2_per_kg: float
    leaf_fresh_per_dry: float
    film_mm: tuple[float, float, float]


def read_rows(name: str) -> list[dict[str, str]]:
    """Rows of a table of this package's data folder."""
    text = files("treescan.wood").joinpath("data", name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@cache
def _genera() -> dict[str, Genus]:
    return {
        row["genus"]: Genus(
            row["genus"],
            row["conifer"] == "1",
            row["evergreen"] == "1",
            float(row["sapwood_width_m"]),
            row["diffuse_porous"] == "1",
            int(row["jenkins_group"]),
            float(row["leaf_area_m2_per_kg"]),
            float(row["leaf_fresh_per_dry"]),
            (
                float(row["film_low_mm"]),
                float(row["film_likely_mm"]),
                float(row["film_high_mm"]),
            ),
        )
        for row in read_rows("genera.csv")
    }


EVERGREEN_OAKS = ("Quercus virginiana",)
DECIDUOUS_MAGNOLIAS = ("Magnolia acuminata",)


def genus_of(species: Species) -> Genus:
    """Genus row of a species; an unlisted genus gets the row of its kind of wood."""
    table = _genera()
    row = table.get(species.scientific_name.split()[0]) or table.get(species.scientific_name)
    if row is None:
        row = table["unknown conifer" if species.conifer else "unknown broadleaf"]
    if species.scientific_name in EVERGREEN_OAKS:
        return replace(row, evergreen=True)
    if species.scientific_name in DECIDUOUS_MAGNOLIAS:
        return replace(row, evergreen=False)
    return row


def _optional(row: Mapping[str, str], key: str) -> float | None:
    text = (row.get(key) or "").strip()
    return float(text) if text else None


@cache
def _relatives() -> dict[str, dict[str, str]]:
    return {row["common_name"]: row for row in read_rows("strength_relatives.csv")}


def _strength(row: Mapping[str, str]) -> tuple[float, float, float, tuple[str, ...]]:
    """MOR, MOE, compression [Pa] and notes: the row's own values, else its relative's."""
    own = [
        _optional(row, key)
        for key in ("MOR_green_MPa", "MOE_green_GPa", "compression_parallel_green_MPa")
    ]
    if own[0] is not None and own[1] is not None and own[2] is not None:
        return own[0] * 1e6, own[1] * 1e9, own[2] * 1e6, ()
    other = _relatives()[row["common_name"]]
    factor = float(other["factor"])
    note = (
        f"Strength of {other['relative']} x {factor:g} stands in for {row['common_name']}: "
        f"{other['reason']} ({other['locator']})."
    )
    return (
        float(other["mor_green_mpa"]) * 1e6 * factor,
        float(other["moe_green_gpa"]) * 1e9 * factor,
        float(other["compression_green_mpa"]) * 1e6 * factor,
        (note,),
    )


def density_ceiling_kg_m3(specific_gravity: float) -> float:
    """Green density with every void full of water: 1000 (1 + SG - SG/1.54). [kg/m³]

    Wood handbook equation 4-1, solved for the density. [from memory]

    Examples
    --------
    >>> round(density_ceiling_kg_m3(0.60))
    1210
    """
    return WATER_KG_M3 * (1.0 + specific_gravity - specific_gravity / 1.54)


def _from_row(row: Mapping[str, str]) -> Species:
    mor, moe, compression, notes = _strength(row)
    gravity = float(row["basic_specific_gravity"])
    confidence = row["confidence"]
    if confidence != "high":
        notes += (f"Values of {confidence} confidence: {row['source_of_each']}.",)
    genus = _genera().get(row["scientific_name"].split()[0])
    over_bark = float(row["green_density_overbark_kg_m3"])
    return Species(
        scientific_name=row["scientific_name"],
        common_name=row["common_name"],
        conifer=bool(genus and genus.conifer),
        basic_specific_gravity=gravity,
        moisture_heartwood_pct=_optional(row, "mc_heartwood_pct"),
        moisture_sapwood_pct=_optional(row, "mc_sapwood_pct"),
        moisture_average_pct=_optional(row, "mc_average_pct"),
        bark_pct_of_wood_volume=float(row["bark_pct_of_wood_volume"]),
        bark_density_kg_m3=_optional(row, "bark_density_kg_m3") or over_bark,
        green_density_over_bark_kg_m3=over_bark,
        green_density_max_kg_m3=density_ceiling_kg_m3(gravity),
        mor_green_pa=mor,
        moe_green_pa=moe,
        compression_green_pa=compression,
        density_cv=DENSITY_CV[confidence],
        confidence=confidence,
        sources=row["source_of_each"],
        notes=notes,
        citations=f"{citation(row['source'])} ({row['locator']})",
    )


def _unknown(name: str) -> Species:
    """A species nobody named: safe defaults with a 15 % spread, weak strengths.

    Over-bark density 1000 (broadleaf) or 900 kg/m³ (conifer); strengths are the 10th
    percentile of the table's rows of that kind.
    """
    conifer = name.endswith("conifer")
    kin = [s for s in _shipped() if s.conifer == conifer and s.confidence == "high"]
    gravity, moisture, bark, bark_density = (
        (0.42, 120.0, 14.0, 729.0) if conifer else (0.56, 80.0, 15.0, 947.0)
    )
    wood = WATER_KG_M3 * gravity * (1 + moisture / 100)
    return Species(
        scientific_name=name,
        common_name=name,
        conifer=conifer,
        basic_specific_gravity=gravity,
        moisture_heartwood_pct=None,
        moisture_sapwood_pct=None,
        moisture_average_pct=moisture,
        bark_pct_of_wood_volume=bark,
        bark_density_kg_m3=bark_density,
        green_density_over_bark_kg_m3=(wood + bark / 100 * bark_density) / (1 + bark / 100),
        green_density_max_kg_m3=density_ceiling_kg_m3(gravity),
        mor_green_pa=float(np.quantile([s.mor_green_pa for s in kin], 0.10)),
        moe_green_pa=float(np.quantile([s.moe_green_pa for s in kin], 0.10)),
        compression_green_pa=float(np.quantile([s.compression_green_pa for s in kin], 0.10)),
        density_cv=UNKNOWN_CV,
        confidence="low",
        sources="Safe defaults, judgement: over-bark 1000 kg/m³ broadleaf, 900 kg/m³ conifer.",
        notes=(f"Species not known: defaults of an {name} with a wider band. Name the species.",),
    )


@cache
def _shipped() -> tuple[Species, ...]:
    return tuple(_from_row(row) for row in read_rows("species.csv"))


def all_species() -> tuple[Species, ...]:
    """Every shipped row, then the two unknowns."""
    return (*_shipped(), *(_unknown(name) for name in UNKNOWN))


def _genus_row(name: str, rows: Iterable[Species]) -> Species | None:
    """The mean of a genus with its spread added; the weakest strength of the genus."""
    kin = [s for s in rows if s.scientific_name.split()[0].casefold() == name]
    if not kin:
        return None
    if len(kin) == 1:
        note = f"Only the genus was named; {kin[0].common_name} stands in for it."
        return replace(kin[0], density_cv=max(kin[0].density_cv, 0.12), notes=(*kin[0].notes, note))
    density = np.array([s.green_density_over_bark_kg_m3 for s in kin])
    cv = float(np.hypot(0.10, density.std(ddof=1) / density.mean()))
    heaviest = kin[int(np.argsort(density)[len(kin) // 2])]
    genus = heaviest.scientific_name.split()[0]
    return replace(
        heaviest,
        scientific_name=f"{genus} spp.",
        common_name=f"{genus}, species not named",
        mor_green_pa=min(s.mor_green_pa for s in kin),
        moe_green_pa=min(s.moe_green_pa for s in kin),
        compression_green_pa=min(s.compression_green_pa for s in kin),
        density_cv=cv,
        confidence="low",
        notes=(
            f"Only the genus was named: density of {heaviest.common_name} (the middle of "
            f"{len(kin)} rows) with a spread of {cv:.0%}; the weakest strength of the genus.",
        ),
    )


def _plain(name: str) -> str:
    return " ".join(name.replace("×", "x").casefold().split())


def find_species(
    name: str,
    extra: Path | None = None,
    own: Sequence[Mapping[str, str | float]] = (),
) -> Species:
    """Species by scientific or common name, any case.

    Parameters
    ----------
    name : str
        Also a genus ("Quercus", "Quercus sp."), "unknown broadleaf" or "unknown conifer".
    extra : Path, optional
        A table of the user's own rows, read first (see
        :func:`treescan.wood.own_species.read_own_species`).
    own : sequence of mappings
        Rows of a site file's ``[[own_species]]``, read first of all.

    Raises
    ------
    SiteFileError
        No row has that name; the message gives near matches.
    """
    wanted = _plain(name)
    rows: tuple[Species, ...] = all_species()
    if extra is not None or own:
        from treescan.wood.own_species import own_species, read_own_species

        rows = (*(read_own_species(extra) if extra is not None else ()), *rows)
        rows = (*own_species(own), *rows)
    other = {_plain(r["other_name"]): _plain(r["scientific_name"]) for r in read_rows("names.csv")}
    for target in (wanted, other.get(wanted, wanted)):
        for species in rows:
            if target in (_plain(species.scientific_name), _plain(species.common_name)):
                return species
    words = wanted.split()
    if len(words) == 1 or (len(words) == 2 and words[1] in {"sp", "sp.", "spp", "spp."}):
        genus = _genus_row(words[0], _shipped())
        if genus is not None:
            return genus
    raise SiteFileError(_no_match(name, wanted, rows, other))


def _no_match(name: str, wanted: str, rows: Iterable[Species], other: Mapping[str, str]) -> str:
    known = {_plain(s.scientific_name): s.scientific_name for s in rows}
    known |= {_plain(s.common_name): s.common_name for s in rows}
    known |= {key: key for key in other if key not in known}
    near = difflib.get_close_matches(wanted, known, n=4, cutoff=0.6)
    near += [k for k in known if wanted and wanted in k and k not in near][: 6 - len(near)]
    hint = ", ".join(f'"{known[key]}"' for key in near) or "none"
    return (
        f'job.species = "{name}" is not in the species table; near matches: {hint}. '
        'Use one of them, or "unknown broadleaf", or "unknown conifer".'
    )
