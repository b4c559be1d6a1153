"""Gear catalogue and own entries."""

import pytest

from treescan.errors import SiteFileError
from treescan.rigging.gear import (
    KINDS,
    catalogue,
    find_gear,
    gear_limits,
    line_strength_n,
    own_entries,
    resolve_gear,
)
from treescan.site.model import Gear, Limits


def test_every_entry_names_its_source_and_is_plausible():
    assert {item.kind for item in catalogue()} == set(KINDS)
    for item in catalogue():
        assert item.source, item.name
        if item.kind == "line":
            strain = 0.1 * item.mbs_n / item.modulus_n
            assert 0.004 < strain < 0.07, item.name
            assert 15e3 < item.mbs_n < 200e3
        assert item.friction_ratio >= 1.0


def test_values_from_memory_say_so():
    unread = [i for i in catalogue() if i.mbs_n > 0 and "EN 1891" not in i.source]
    assert all("[from memory]" in item.source for item in unread)


def test_the_default_site_resolves():
    gear = resolve_gear(Gear())
    assert gear.line.name == "16 mm double-braid polyester"
    assert gear.knot_efficiency == 0.5
    assert gear.hand_force_n == 200.0


def test_near_matches_are_named():
    with pytest.raises(SiteFileError, match="13 mm double-braid polyester"):
        find_gear("13 mm dubble-braid poly", "line")
    assert find_gear("13mm double braid Polyester", "line").name == "13 mm double-braid polyester"
    with pytest.raises(SiteFileError, match="unknown knot 'granny'"):
        resolve_gear(Gear(knot="granny"))


def test_own_entries_come_first():
    own = {"name": "16 mm double-braid polyester", "kind": "line", "mbs_kn": 80, "modulus_kn": 400}
    gear = resolve_gear(Gear(own=(own,)))
    assert gear.line.mbs_n == 80e3
    assert gear.line.source == "own entry of the site file"


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        ({"name": "x", "kind": "line", "mbs_kn": 900, "modulus_kn": 300}, "above 300 kN"),
        ({"name": "x", "kind": "line", "mbs_kn": 40}, "modulus_kn is missing"),
        ({"name": "x", "kind": "line", "mbs_kn": 40, "modulus_kn": 0.1}, "modulus_kn of 3 to"),
        ({"name": "x", "kind": "line", "mbs_kn": -4, "modulus_kn": 90}, "must be 0 or more"),
        ({"name": "x", "kind": "line", "mbs_kn": "much", "modulus_kn": 90}, "is not a number"),
        ({"name": "x", "kind": "rope", "mbs_kn": 40}, "kind must be one of"),
        ({"name": "x", "kind": "block"}, "mbs_kn is missing"),
        ({"name": "x", "kind": "block", "mbs_kn": 90, "friction_ratio": 0.9}, "at least 1"),
        ({"name": "x", "kind": "block", "mbs_kn": 90, "efficiency": 0}, "efficiency in"),
        (
            {"name": "x", "kind": "block", "mbs_kn": 90, "frictoin_ratio": 2},
            "did you mean friction",
        ),
    ],
)
def test_bad_own_entries(entry, message):
    with pytest.raises(SiteFileError, match=message):
        own_entries(Gear(own=(entry,)))


def test_the_worse_of_knot_and_bend_counts():
    spliced = resolve_gear(Gear(knot="eye splice", block="steel shackle"))
    roomy = resolve_gear(Gear(knot="eye splice", block="arborist block, bronze bushing"))
    knotted = resolve_gear(Gear(knot="bowline", block="steel shackle"))
    assert line_strength_n(spliced) < 0.75 * line_strength_n(roomy)
    assert line_strength_n(roomy) == pytest.approx(0.9 * 0.85 * roomy.line.mbs_n)
    assert line_strength_n(knotted) == pytest.approx(0.5 * 0.85 * knotted.line.mbs_n)


def test_wet_nylon_is_weaker():
    nylon = Gear(line="16 mm double-braid nylon core")
    assert resolve_gear(nylon, wet=True).line.mbs_n == pytest.approx(
        0.8 * resolve_gear(nylon).line.mbs_n
    )
    assert resolve_gear(Gear(), wet=True).line == resolve_gear(Gear()).line


def test_what_the_loads_are_held_against_is_said_with_its_source():
    gear, limits = resolve_gear(Gear()), Limits()
    rows = gear_limits(gear, limits)
    assert [row.item for row in rows] == ["line", "sling", "block", "friction device"]
    # 68 kN x 0.5 at the knot x 0.85 wear x 0.2 share; 150 x 0.75 x 0.85 x 0.2; 200 x 0.2
    for row, limit in zip(rows, ("5.8 kN", "19.1 kN", "40.0 kN", "18.0 kN"), strict=True):
        assert limit in row.limit, row
    assert all("[from memory]" in row.source for row in rows)
    assert "at the knot" in rows[0].limit
    assert "60 m at hand" in rows[0].limit
    bent = gear_limits(resolve_gear(Gear(knot="eye splice", block="steel shackle")), limits)
    assert "at the bend over the block" in bent[0].limit
    crotch = gear_limits(resolve_gear(Gear(block="natural crotch, rough bark")), limits)
    assert crotch[2].limit == "strength not rated here; friction 4.8 to 1"
