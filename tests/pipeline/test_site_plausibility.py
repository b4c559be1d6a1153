"""Every number of the site file, with bad values: a clear error or a flag, never silence."""

import copy
import math
import re
import types
import typing
from itertools import pairwise, product

import numpy as np
import pytest
from pydantic import BaseModel

from tests.pipeline.small_tree import SITE, write_tree
from treescan.errors import SiteFileError, TreescanError
from treescan.pipeline.batch import result_row
from treescan.pipeline.run import RunOptions, level_ground, plan_removal, survey_scan
from treescan.pipeline.scale_check import taped_dbh_note, with_corrected_scale
from treescan.pipeline.site_plausibility import (
    USUAL,
    not_standing,
    unlikely_places,
    unusual_values,
)
from treescan.pointcloud.cloud import PointCloud
from treescan.report.plan_json import plan_document
from treescan.report.tree_json import read_tree, tree_document
from treescan.rigging.gear import _NUMBERS as gear_numbers
from treescan.rigging.gear import own_entries
from treescan.site.model import Gear, Site
from treescan.site.reading import parse_site, site_from_mapping
from treescan.wood.own_species import RANGES as wood_ranges
from treescan.wood.own_species import own_species

SQUARE = [[104.0, 198.0], [107.0, 198.0], [107.0, 202.0], [104.0, 202.0]]
WHOLE = {
    "job": {"species": "Acer platanoides"},
    "tree": {
        "near_m": [100.0, 200.0], "dbh_tape_m": 0.24, "known_length_m": 2.0,
        "known_length_points_m": [[100.0, 200.0, 10.0], [100.0, 200.0, 12.0]],
        "dbh_height_m": 1.3,
    },
    "conditions": {"wind_m_s": 3.0},
    "defect": [{"kind": "cavity", "limb": 0, "height_m": 1.0, "length_m": 0.5,
                "at_m": [100.0, 200.0, 11.0], "sound_shell_m": 0.05}],
    "target": [
        {"name": "shed", "footprint_m": SQUARE, "base_m": 0.0, "height_m": 2.6, "margin_m": 1.0},
        {"name": "fence", "path_m": [[95.0, 190.0], [95.0, 210.0]], "width_m": 0.1},
    ],
    "conductor": [{"name": "wire", "path_m": [[110.0, 190.0, 16.0], [110.0, 210.0, 16.0]],
                   "kilovolts": 0.4, "margin_m": 3.1}],
    "drop_zone": [{"name": "lawn", "footprint_m": SQUARE, "max_energy_kj": 30.0}],
    "landing": [{"name": "drive", "footprint_m": SQUARE}],
    "climber": {"mass_kg": 90.0, "tie_in_m": [100.0, 200.0, 17.0], "saw_bar_m": 0.4,
                "reach_m": 4.0},
    "ground_anchor": [{"name": "spruce", "at_m": [112.0, 200.0, 11.0], "holds_kn": 10.0}],
    "crew": {"ground": 2, "chipper_t_h": 3.0, "loader_t_h": 8.0, "drag_kg_per_min": [60.0, 30.0],
             "pile_pieces": 3, "pile_kg": 600.0},
    "gear": {"line_length_m": 60.0, "wear_factor": 0.85, "hand_force_n": 200.0},
    "limits": {"line_share_of_mbs": 0.2, "anchor_share": 0.5, "max_piece_kg": 400.0,
               "log_length_m": 2.4, "max_log_diameter_m": 2.0},
    "haul": {"trucks": [{"name": "tipper", "volume_m3": 6.0, "payload_kg": 1400.0,
                         "lift_limit_kg": 500.0, "trip_hours": 1.0, "count": 1,
                         "axles": 3, "outer_axles_m": 5.0, "empty_kg": 3000.0}],
             "fill_share": 0.9, "chip_expansion": 3.0, "chip_below_m": 0.15},
    "quote": {"crew_rate_per_hour": 100.0, "truck_rate_per_trip": 50.0, "tip_fee_per_tonne": 40.0,
              "equipment": 10.0, "margin_share": 0.1},
    "minutes": {"set_up": [20.0, 40.0], "lowered_limb": [5.0, 10.0], "lowered_log": [6.0, 12.0],
                "dropped_limb": [1.0, 2.0], "dropped_log": [2.0, 4.0],
                "anchor_move": [8.0, 15.0], "climber_move": [1.0, 3.0],
                "wide_cut": [5.0, 15.0]},
}  # fmt: skip

OWN_GEAR = {
    "line": {"name": "a", "kind": "line", "mbs_kn": 60.0, "modulus_kn": 300.0, "efficiency": 0.9,
             "friction_ratio": 1.0, "kg_per_m": 0.2, "diameter_mm": 16.0},
    "sling": {"name": "a", "kind": "sling", "mbs_kn": 60.0, "modulus_kn": 300.0,
              "efficiency": 0.75, "friction_ratio": 1.0, "kg_per_m": 0.2, "diameter_mm": 16.0},
    "block": {"name": "a", "kind": "block", "mbs_kn": 60.0, "modulus_kn": 0.0, "efficiency": 1.0,
              "friction_ratio": 1.1, "kg_per_m": 0.0, "diameter_mm": 100.0},
}  # fmt: skip
UNRATED = {("block", "mbs_kn"), *((kind, key) for kind in OWN_GEAR
           for key in ("kg_per_m", "diameter_mm")), ("sling", "modulus_kn"),
           ("block", "modulus_kn")}  # fmt: skip
"""Zero means that it is not rated or not known, as in the catalogue."""
OWN_WOOD = {
    "scientific_name": "Acer", "common_name": "own", "kind": "broadleaf",
    "basic_specific_gravity": 0.6, "mc_average_pct": 70.0, "bark_pct_of_wood_volume": 10.0,
    "bark_density_kg_m3": 900.0, "MOR_green_MPa": 50.0, "MOE_green_GPa": 8.0,
    "compression_parallel_green_MPa": 22.0, "source": "own test", "mc_heartwood_pct": 60.0,
    "mc_sapwood_pct": 80.0, "density_cv": 0.1,
}  # fmt: skip

RIGHT = {
    ("conditions.wind_m_s", "zero"): "a calm day",
    ("defect.limb", "zero"): "the stem is limb 0",
    ("defect.height_m", "zero"): "decay at the ground",
    ("target.base_m", "zero"): "stands on the ground",
    ("target.base_m", "negative"): "a sunken yard, down to 5 m",
    ("quote.margin_share", "zero"): "no margin",
}
COORDINATES = {"near_m", "at_m", "tie_in_m", "footprint_m", "path_m", "known_length_points_m"}
MONEY = {"quote.crew_rate_per_hour", "quote.truck_rate_per_trip", "quote.tip_fee_per_tonne",
         "quote.equipment"}  # fmt: skip
BAD = {"negative": -1.0, "zero": 0.0, "huge": 1e9, "NaN": math.nan, "infinite": math.inf}


def numbers(annotation, place=()):
    """Places of every number in a model: keys, and 0 for a list's first item."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        for name, field in annotation.model_fields.items():
            yield from numbers(field.annotation, (*place, name))
    elif annotation in (float, int):
        yield place
    elif typing.get_origin(annotation) in (typing.Union, types.UnionType):
        for part in typing.get_args(annotation):
            yield from numbers(part, place)
    elif typing.get_origin(annotation) is typing.Annotated:
        yield from numbers(typing.get_args(annotation)[0], place)
    elif typing.get_origin(annotation) is tuple:
        parts = [part for part in typing.get_args(annotation) if part is not Ellipsis]
        for number, part in enumerate(parts):
            yield from numbers(part, (*place, number))


PLACES = [p for p in dict.fromkeys(numbers(Site)) if p[0] != "own_species" and "own" not in p]


def key_of(place):
    return ".".join(str(part) for part in place if isinstance(part, str))


def entry_with(data, place):
    """The path of lists is one level deeper than the model says where it names a part by type."""
    for part in data:
        if place in part:
            return part
    raise KeyError(place)


def put(data, place, value):
    """A copy of the mapping with one number replaced."""
    data = copy.deepcopy(data)
    item = data
    for part, after in pairwise(place):
        named = part == 0 and isinstance(after, str)
        item = entry_with(item, after) if named else item[part]
    whole_number = isinstance(item[place[-1]], int) and math.isfinite(value)
    item[place[-1]] = int(value) if whole_number else value
    return data


@pytest.fixture(scope="module")
def survey(tmp_path_factory):
    """The small tree with ground and measures."""
    path = write_tree(tmp_path_factory.mktemp("tree") / "tree.json")
    return survey_scan([path], Site(), RunOptions())


def flags(site, survey):
    local = site.localised(survey.origin_m)
    cloud = PointCloud(np.zeros((1, 3), np.float32), np.zeros(3), None, None, 0.01)
    return [
        text
        for text in (
            *unusual_values(local),
            *unlikely_places(local, survey.graph, survey.ground),
            *with_corrected_scale(cloud, site)[1],
            *taped_dbh_note(survey.measures, site),
        )
        if text.startswith("WARNING")
    ]


def test_the_whole_site_file_is_walked_and_unflagged(survey):
    assert len(PLACES) > 60
    for place in PLACES:
        put(WHOLE, place, 1.0)
    assert flags(site_from_mapping(WHOLE), survey) == []


def test_every_number_that_is_no_place_and_no_money_has_a_usual_range():
    scalars = {key_of(p) for p in PLACES if not set(p) & COORDINATES}
    assert scalars == set(USUAL) | MONEY


def cases():
    """Place and bad value, without what is no bad value for that place."""
    for place in PLACES:
        key = key_of(place)
        for bad in BAD:
            any_coordinate = set(place) & COORDINATES and bad in ("negative", "zero")
            own_money = key in MONEY and bad in ("zero", "huge")
            no_float = key == "defect.limb" and bad in ("NaN", "infinite")
            if not (any_coordinate or own_money or no_float or (key, bad) in RIGHT):
                yield pytest.param(place, bad, id=f"{'.'.join(map(str, place))} {bad}")


def outcome(place, bad, survey):
    """What is said of a bad value: the one line of the refusal, or the flags."""
    try:
        site = site_from_mapping(put(WHOLE, place, BAD[bad]))
        if "defect" in place:
            weighed(site, survey)
    except TreescanError as error:
        return [str(error)]
    return flags(site, survey)


@pytest.mark.parametrize(("place", "bad"), list(cases()))
def test_a_bad_number_is_refused_or_flagged(place, bad, survey):
    said = outcome(place, bad, survey)
    assert said
    assert "\n" not in said[0]


def own_cases():
    """Every number of an own entry with every bad value; the tables know no others."""
    for kind, entry in OWN_GEAR.items():
        assert set(entry) == {"name", "kind", *gear_numbers}
        for key, bad in product(gear_numbers, BAD):
            if not ((kind, key) in UNRATED and bad == "zero"):
                yield pytest.param({**entry, key: BAD[bad]}, "gear", id=f"{kind} {key} {bad}")
    assert set(wood_ranges) <= set(OWN_WOOD)
    for key, bad in product(wood_ranges, BAD):
        if (key, bad) != ("bark_pct_of_wood_volume", "zero"):
            yield pytest.param({**OWN_WOOD, key: BAD[bad]}, "wood", id=f"{key} {bad}")


@pytest.mark.parametrize(("entry", "table"), list(own_cases()))
def test_a_bad_number_of_an_own_entry_is_refused(entry, table):
    with pytest.raises(SiteFileError) as refusal:
        if table == "gear":
            own_entries(site_from_mapping({"gear": {"own": [entry]}}).gear)
        else:
            own_species(site_from_mapping({"own_species": [entry]}).own_species)
    assert "\n" not in str(refusal.value)


def test_good_own_entries_are_taken():
    assert len(own_entries(Gear(own=tuple(OWN_GEAR.values())))) == 3
    assert own_species([OWN_WOOD])[0].common_name == "own"


@pytest.mark.parametrize(("key", "bad"), list(RIGHT))
def test_what_looks_bad_but_is_right_is_not_flagged(key, bad, survey):
    (place,) = (p for p in PLACES if key_of(p) == key)
    assert outcome(place, bad, survey) == []


def weighed(site, survey):
    from treescan.pipeline.run import weigh
    from treescan.wood.species import find_species

    local = site.localised(survey.origin_m)
    return weigh(survey, local, find_species(site.job.species))


def in_feet(item, key=""):
    if isinstance(item, dict):
        return {name: in_feet(part, name) for name, part in item.items()}
    if isinstance(item, list):
        return [in_feet(part, key) for part in item]
    metres = key.endswith("_m") and not isinstance(item, bool)
    return item / 0.3048 if metres and isinstance(item, int | float) else item


def test_a_site_file_in_feet_is_caught(survey):
    data = {k: v for k, v in in_feet(WHOLE).items() if k not in ("defect", "tree")}
    data["gear"]["line_length_m"], data["limits"]["log_length_m"] = 150.0, 8.0
    said = flags(site_from_mapping(data), survey)
    assert any("scan's coordinates" in text or "from the tree" in text for text in said)


def test_a_tape_in_feet_is_named_as_such(survey):
    data = {"tree": {"dbh_tape_m": survey.measures.dbh_m / 0.3048}}
    (said,) = taped_dbh_note(survey.measures, site_from_mapping(data))
    assert "feet" in said


def ruler(known_m, seen_m=4.0, **tree):
    """A site whose two known points are ``seen_m`` apart, with a shed 10 m from the origin."""
    ends = [[1.0, 2.0, 0.5], [1.0, 2.0 + seen_m, 0.5]]
    shed = {"name": "shed", "footprint_m": [[6.0, 8.0], [5.0, 8.0], [5.0, 7.0]], "height_m": 2.0}
    tree = {"known_length_m": known_m, "known_length_points_m": ends, **tree}
    return site_from_mapping({"tree": {k: v for k, v in tree.items() if v}, "target": [shed]})


CUBE = PointCloud(np.ones((1, 3), np.float32), np.zeros(3), None, None, 0.01)


@pytest.mark.parametrize(
    ("known_m", "corrects", "factor", "says"),
    [
        (4.02, False, 1.0, ["agrees with the known length (known length 4.020 m, in the scan 4.0"]),
        (4.04, False, 1.0, ["WARNING: scale disagrees with the known length (known length 4.040"]),
        (4.02, True, 1.0, ["agrees"]),
        (4.04, True, 1.01, ["corrected by 1.0100", "WARNING: correcting the scale .* 0.10 m off"]),
        (1.22, True, 0.305, ["corrected by 0.3050", "up to 6.95 m off"]),
        (0.50, True, 1.0, ["WARNING: scale NOT checked"]),
    ],
)
def test_a_known_length_is_checked_and_corrects_only_when_asked(known_m, corrects, factor, says):
    cloud, said = with_corrected_scale(CUBE, ruler(known_m, correct_scale=corrects))
    np.testing.assert_allclose(cloud.xyz, factor, rtol=1e-6)
    assert len(said) == len(says)
    for text, part in zip(said, says, strict=True):
        assert re.search(part.replace("(", r"\("), text), text


@pytest.mark.parametrize(
    ("tree", "says"),
    [
        ({"known_length_points_m": None}, "known_length_m and known_length_points_m"),
        ({"known_length_m": None}, "are needed together"),
        (
            {"known_length_m": None, "known_length_points_m": None, "correct_scale": True,
             "dbh_tape_m": 0.4},
            "NOT corrected: .* a diameter is too short",
        ),
    ],
)  # fmt: skip
def test_a_scale_that_cannot_be_checked_or_corrected_is_said(tree, says):
    cloud, (said,) = with_corrected_scale(CUBE, ruler(4.04, **tree))
    assert cloud is CUBE
    assert said.startswith("WARNING")
    assert re.search(says, said)


def test_minutes_the_wrong_way_round(survey):
    (said,) = flags(site_from_mapping({"minutes": {"set_up": [40.0, 20.0]}}), survey)
    assert "smaller number first" in said


def test_pounds_for_the_climber(survey):
    assert flags(site_from_mapping({"climber": {"mass_kg": 150.0}}), survey)
    with pytest.raises(SiteFileError, match="mass_kg"):
        site_from_mapping({"climber": {"mass_kg": 4000.0}})


def shed_scene(origin):
    """Open lawn of 30 m with a shed of 3 m at (5..8, 5..8), local metres."""
    rng = np.random.default_rng(3)
    lawn = np.column_stack([rng.uniform(-15, 15, (40_000, 2)), rng.normal(0, 0.01, 40_000)])
    walls = np.column_stack([rng.uniform(5, 8, (5000, 2)), rng.uniform(0, 2.5, 5000)])
    xyz = np.concatenate([lawn, walls]).astype(np.float32)
    return PointCloud(xyz, np.asarray(origin, float), None, None, 0.01)


@pytest.fixture(scope="module")
def lawn(tmp_path_factory):
    graph, _ = read_tree(write_tree(tmp_path_factory.mktemp("lawn") / "tree.json"))
    return level_ground(graph)


@pytest.mark.parametrize(
    ("corner", "share", "said"),
    [
        (5.0, 1.0, None),
        (-12.0, 1.0, "open ground"),
        (5.0, 1 / 0.3048, "feet"),
        (60.0, 1.0, "does not reach"),
    ],
)
def test_a_target_must_stand_where_the_scan_shows_it(corner, share, said, lawn):
    cloud = shed_scene((0.0, 0.0, 0.0))
    a, b = corner * share, (corner + 3.0) * share
    footprint = [[a, a], [b, a], [b, b], [a, b]]
    target = {"name": "Shed B", "footprint_m": footprint, "height_m": 2.5 * share}
    text = " ".join(not_standing(site_from_mapping({"target": [target]}), cloud, lawn))
    assert (text == "") if said is None else said in text
    assert said is None or "Shed B" in text


def test_flags_reach_the_plan(tmp_path):
    far = SITE.replace("[[drop_zone]]", "[climber]\nmass_kg = 150\n[[drop_zone]]")
    (tmp_path / "site.toml").write_text(far)
    result = plan_removal([write_tree(tmp_path / "tree.json")], tmp_path / "site.toml")
    flag = next(text for text in result.decisions if text.startswith("WARNING: climber.mass_kg"))
    assert flag in plan_document(result)["cautions"]
    assert flag in tree_document(result)["decisions"]
    assert flag in result_row(result)["flags"]


def test_hostile_depth_and_size_of_a_site_file():
    for text in ("a = " + "[" * 20_000, "a." * 20_000 + "b = 1", "[" + "a." * 3000 + "b]"):
        with pytest.raises(SiteFileError):
            parse_site(text)
