"""Site files: every fault is one line that says what, where and how to mend."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treescan.errors import SiteFileError
from treescan.site.model import Site
from treescan.site.reading import conductor_distance_m, parse_site, read_site, site_toml

GOOD = """
[job]
name = "pear by the wash house"
species = "Quercus rubra"
[tree]
near_m = [12.0, 4.0]
dbh_tape_m = 0.62
[conditions]
in_leaf = true
[[defect]]
at_m = [1.0, 2.0, 3.0]
kind = "cavity"
sound_shell_m = 0.06
[[target]]
name = "glasshouse"
footprint_m = [[0, 0], [4, 0], [4, 3], [0, 3]]
height_m = 3.2
[[target]]
name = "fence"
path_m = [[-5, -5], [5, -5]]
width_m = 0.2
[[conductor]]
name = "service drop"
path_m = [[0, 9, 5], [9, 9, 6]]
kilovolts = 0.4
margin_m = 1.0
[[drop_zone]]
name = "lawn"
footprint_m = [[-9, -9], [-6, -9], [-6, -6]]
surface = "turf"
max_energy_kj = 12
[[landing]]
name = "drive"
footprint_m = [[6, 6], [9, 6], [9, 9]]
surface = "paving"
[climber]
mass_kg = 95
[gear]
own = [{ name = "our block", kind = "block", mbs_kn = 90.0 }]
[haul]
trucks = [{ name = "small truck", volume_m3 = 5.0, payload_kg = 1200, takes = "any" }]
[minutes]
dropped_log = [3.0, 5.0]
"""


def test_good_file_reads_and_is_written_back_the_same():
    site = parse_site(GOOD)
    assert site.target[1].path_m == ((-5.0, -5.0), (5.0, -5.0))
    assert site.haul.trucks[0].payload_kg == 1200.0
    assert parse_site(site_toml(site)) == site


def test_empty_file_is_all_defaults():
    assert parse_site("") == Site()
    assert site_toml(Site()) == "\n"


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("height_m = 3.2", "heigth_m = 3.2",
         r"unknown key 'heigth_m' in target \[1\] \('glasshouse'\)\. Did you mean 'height_m'\?"),
        ("[conditions]", "[condition]", "unknown key 'condition' in the file.*'conditions'"),
        ("volume_m3 = 5.0", "volume_m2 = 5.0",
         r"'volume_m2' in haul, trucks \[1\] \('small truck'\).*'volume_m3'"),
        ("[[0, 0], [4, 0], [4, 3], [0, 3]]", "[[0, 0], [4, 0]]",
         r"target \[1\] \('glasshouse'\), footprint_m has 2 corners; a polygon needs at least 3"),
        ("[[0, 0], [4, 0], [4, 3], [0, 3]]", "[[0, 0], [4, 3], [4, 0], [0, 3]]",
         r"target 1 \('glasshouse'\).*cross.*in order"),
        ("[[0, 0], [4, 0], [4, 3], [0, 3]]", "[[0, 0], [4, 0], [0, 0]]", "2 different corners"),
        ("[[0, 0], [4, 0], [4, 3], [0, 3]]", "[[0, 0], [4, 0], [8, 0]]", "no area|cross or touch"),
        ("height_m = 3.2", "height_m = nan", "height_m is nan. Give a finite number"),
        ("dbh_tape_m = 0.62", "dbh_tape_m = nan", "finite number"),
        ("near_m = [12.0, 4.0]", "near_m = [inf, 4.0]", "finite number"),
        ("height_m = 3.2", 'height_m = "tall"', "height_m is 'tall': it should be a valid number"),
        ("height_m = 3.2", "height_m = true", "height_m is True: it should be a valid number"),
        ("height_m = 3.2", "height_m = -1", "greater than 0"),
        ("in_leaf = true", "in_leaf = 1", "valid boolean"),
        ('surface = "turf"', 'surface = "grass"', "surface is 'grass'; it must be 'turf'"),
        ('name = "fence"', 'name = "glasshouse"', "'glasshouse' is given to 2 entries"),
        ('name = "fence"', "", r"target \[2\], name is missing"),
        ("width_m = 0.2", "footprint_m = [[0,0],[1,0],[0,1]]", "either footprint_m or path_m"),
        ("path_m = [[-5, -5], [5, -5]]", "path_m = [[5, -5], [5, -5]]", "all points of path_m"),
        ("kilovolts = 0.4", "kilovolts = 11.0", "unqualified persons keep 3.05 m"),
        ("at_m = [1.0, 2.0, 3.0]", "", "a defect needs at_m"),
        ("[job]", "[job", "not valid TOML.*line 2"),
    ],
)  # fmt: skip
def test_faults_name_their_place_and_cure(old, new, what):
    assert old in GOOD
    with pytest.raises(SiteFileError, match=what) as caught:
        parse_site(GOOD.replace(old, new, 1), "site.toml")
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith("site file site.toml: ")
    assert message.endswith((".", ")", "?"))


def test_files_that_are_none(tmp_path):
    with pytest.raises(SiteFileError, match="not found"):
        read_site(tmp_path / "absent.toml")
    with pytest.raises(SiteFileError, match="is a folder"):
        read_site(tmp_path)
    scan = tmp_path / "scan.laz"
    scan.write_bytes(b"LASF\xff\xfe\x00" * 20)
    with pytest.raises(SiteFileError, match="no UTF-8 text"):
        read_site(scan)
    big = tmp_path / "big.toml"
    big.write_bytes(b"#" * 1_000_001)
    with pytest.raises(SiteFileError, match="the limit is 1 MB"):
        read_site(big)


def test_file_with_byte_order_mark_reads(tmp_path):
    file = tmp_path / "site.toml"
    file.write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert read_site(file) == parse_site(GOOD)


def test_nesting_bomb_is_one_line():
    with pytest.raises(SiteFileError, match="site file"):
        parse_site("a = " + "[" * 100_000)


@pytest.mark.published
def test_s1_distance_rule_by_voltage():
    """29 CFR 1910.333(c)(3): 3.05 m to 50 kV and 0.10 m for each 10 kV more."""
    found = [conductor_distance_m(kv) for kv in (0.4, 50, 50.1, 60, 80, 133)]
    assert found == [3.05, 3.05, 3.15, 3.15, 3.35, 3.95]


def test_localised_moves_every_coordinate_and_only_once():
    site = parse_site(GOOD).localised([10.0, 20.0, 100.0])
    assert site.tree.near_m == (2.0, -16.0)
    assert site.defect[0].at_m == (-9.0, -18.0, -97.0)
    assert site.conductor[0].path_m[1] == (-1.0, -11.0, -94.0)
    assert site.target[0].footprint_m[2] == (-6.0, -17.0)
    assert site.localised([5.0, 5.0, 5.0]) is site
    assert parse_site(site_toml(site)) == site


letters = st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp"))
text = st.text(letters, min_size=1, max_size=30).filter(lambda s: s.strip() != "")
number = st.floats(-1e6, 1e6, allow_nan=False).map(lambda v: round(v, 3))


@settings(deadline=None, max_examples=60)
@given(name=text, wire=text, x=number, y=number, kv=st.floats(0.1, 400), wind=st.floats(0, 39))
def test_any_site_reads_back_as_it_was(name, wire, x, y, kv, wind):
    site = Site.model_validate(
        {
            "job": {"name": name},
            "conditions": {"wind_m_s": wind},
            "target": [{"name": name, "footprint_m": [(x, y), (x + 2, y), (x, y + 2)]}],
            "conductor": [{"name": wire + "~", "path_m": [(x, y, 5), (x + 9, y, 6)],
                           "kilovolts": kv}],
        }
    )  # fmt: skip
    if name == wire + "~":
        return
    again = parse_site(site_toml(site))
    assert again == site
    assert math.isclose(again.conductor[0].kilovolts, kv)
