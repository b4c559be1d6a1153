"""The species table: lookups, near matches, sources, stand-ins, users' own rows."""

import pytest

from treescan.errors import SiteFileError
from treescan.site.model import Site
from treescan.wood.own_species import read_own_species
from treescan.wood.species import all_species, find_species, genus_of, read_rows

ROWS = read_rows("species.csv")


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("Quercus rubra", "Quercus rubra"),
        ("quercus RUBRA", "Quercus rubra"),
        ("  Northern  Red Oak ", "Quercus rubra"),
        ("red oak", "Quercus rubra"),
        ("Platanus × acerifolia", "Platanus x acerifolia"),
        ("horse chestnut", "Aesculus hippocastanum"),
        ("Populus trichocarpa", "Populus balsamifera ssp. trichocarpa"),
        ("Populus balsamifera", "Populus balsamifera"),
        ("unknown conifer", "unknown conifer"),
    ],
)
def test_names_are_found(name, expected):
    assert find_species(name).scientific_name == expected


def test_every_row_is_found_by_both_names():
    for row in ROWS:
        assert find_species(row["scientific_name"]).common_name == row["common_name"]
        assert find_species(row["common_name"]).scientific_name == row["scientific_name"]


@pytest.mark.parametrize(
    ("name", "near"),
    [("Qercus alba", '"Quercus alba"'), ("sycamore", '"American sycamore"'), ("whit oak", "white")],
)
def test_a_wrong_name_is_answered_with_near_matches(name, near):
    with pytest.raises(SiteFileError, match=f"near matches: .*{near}"):
        find_species(name)


@pytest.mark.parametrize("name", ["zzzz", "", "12"])
def test_a_name_without_near_matches_is_an_error(name):
    with pytest.raises(SiteFileError, match="unknown broadleaf"):
        find_species(name)


def test_unknowns_have_safe_densities_and_a_wider_band():
    broadleaf, conifer = find_species("unknown broadleaf"), find_species("unknown conifer")
    assert broadleaf.green_density_over_bark_kg_m3 == pytest.approx(1000, abs=1)
    assert conifer.green_density_over_bark_kg_m3 == pytest.approx(900, abs=1)
    widest = max(s.density_cv for s in all_species() if not s.common_name.startswith("unknown"))
    assert broadleaf.density_cv > widest
    assert conifer.conifer
    assert broadleaf.mor_green_pa < find_species("white oak").mor_green_pa


def test_a_genus_is_answered_with_a_wider_band_and_its_weakest_strength():
    oak = find_species("Quercus sp.")
    kin = [s for s in all_species() if s.scientific_name.startswith("Quercus")]
    assert oak.mor_green_pa == min(s.mor_green_pa for s in kin)
    assert oak.density_cv > max(s.density_cv for s in kin)
    assert any("Only the genus" in note for note in oak.notes)
    assert find_species("quercus").scientific_name == "Quercus spp."


def test_blank_strengths_stand_in_by_a_marked_relative():
    blanks = [row["common_name"] for row in ROWS if not row["MOR_green_MPa"]]
    assert len(blanks) == 30
    for name in blanks:
        species = find_species(name)
        assert species.mor_green_pa > 10e6
        assert any("stands in" in note for note in species.notes)


def test_no_relative_is_made_stronger():
    for row in read_rows("strength_relatives.csv"):
        assert 0.4 <= float(row["factor"]) <= 1.0


@pytest.mark.published
def test_norway_maple_takes_black_maple():
    # nearest relative named in the species table: black maple 54 / 9.2 / 22.5
    maple = find_species("Norway maple")
    assert (maple.mor_green_pa, maple.moe_green_pa) == (54e6, 9.2e9)
    assert maple.compression_green_pa == 22.5e6


def test_values_from_memory_stay_marked():
    for row in ROWS:
        species = find_species(row["common_name"])
        assert species.sources == row["source_of_each"]
        assert row["locator"] in species.citations
        assert len(species.citations) > 40
        if species.confidence != "high":
            assert any(row["source_of_each"] in note for note in species.notes)


def test_european_rows_are_not_of_high_confidence():
    assert all(r["confidence"] != "high" for r in ROWS if r["region"] == "EU/urban")


def test_every_genus_has_its_row():
    genera = {row["genus"] for row in read_rows("genera.csv")}
    assert {row["scientific_name"].split()[0] for row in ROWS} <= genera
    assert genus_of(find_species("live oak")).evergreen
    assert not genus_of(find_species("white oak")).evergreen
    assert not genus_of(find_species("tamarack")).evergreen


OWN = (
    "scientific_name,common_name,kind,basic_specific_gravity,mc_average_pct,"
    "bark_pct_of_wood_volume,bark_density_kg_m3,MOR_green_MPa,MOE_green_GPa,"
    "compression_parallel_green_MPa,source\n"
)
LINE = "Sorbus aucuparia,rowan,broadleaf,0.60,70,10,900,50,8,22,own drying test 2025\n"


def test_own_rows_are_read_first(tmp_path):
    path = tmp_path / "own.csv"
    path.write_text(OWN + LINE, encoding="utf-8")
    rowan = find_species("Rowan", extra=path)
    assert rowan.green_density_over_bark_kg_m3 == pytest.approx((1020 + 90) / 1.1)
    assert "own drying test 2025" in rowan.sources
    assert find_species("white oak", extra=path).common_name == "white oak"


@pytest.mark.parametrize(
    ("line", "message"),
    [
        (LINE.replace("0.60", "6.0"), "line 2: basic_specific_gravity = 6 is outside"),
        (LINE.replace(",70,", ",abc,"), "line 2: mc_average_pct = 'abc' is not a number"),
        (LINE.replace(",70,", ",nan,"), "mc_average_pct = nan is outside"),
        (LINE.replace("broadleaf", "shrub"), "write broadleaf or conifer"),
        (LINE.replace("own drying test 2025", ""), "source is empty"),
        (LINE.replace(",70,", ",140,"), "above the ceiling"),
    ],
)
def test_own_rows_out_of_range_are_refused(tmp_path, line, message):
    path = tmp_path / "own.csv"
    path.write_text(OWN + line, encoding="utf-8")
    with pytest.raises(SiteFileError, match=message):
        read_own_species(path)


def test_own_table_without_columns_or_file(tmp_path):
    path = tmp_path / "own.csv"
    path.write_text("name\nx\n", encoding="utf-8")
    with pytest.raises(SiteFileError, match="lacks the columns scientific_name"):
        read_own_species(path)
    with pytest.raises(SiteFileError, match="cannot be read"):
        read_own_species(tmp_path / "none.csv")


ROWAN = dict(zip(OWN.strip().split(","), LINE.strip().split(","), strict=True))


def test_own_rows_of_the_site_file():
    rowan = find_species("rowan", own=[ROWAN | {"basic_specific_gravity": 0.58}])
    assert rowan.basic_specific_gravity == 0.58
    assert find_species("white oak", own=[ROWAN]).confidence == "high"


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ({k: v for k, v in ROWAN.items() if k != "kind"}, r"\[\[own_species\]\] 1 lacks kind"),
        (ROWAN | {"moe_green_GPa": 8}, "did you mean MOE_green_GPa"),
        (ROWAN | {"MOR_green_MPa": 50e6}, "MOR_green_MPa = 5e\\+07 is outside 5 to 150"),
    ],
)
def test_own_rows_of_the_site_file_are_checked(row, message):
    with pytest.raises(SiteFileError, match=message):
        find_species("rowan", own=[row])


def test_own_rows_read_from_a_site_file():
    site = Site.model_validate({"job": {"species": "rowan"}, "own_species": [ROWAN]})
    assert find_species(site.job.species, own=site.own_species).common_name == "rowan"
