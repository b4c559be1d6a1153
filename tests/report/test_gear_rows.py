"""What the loads are held against stands in the printed limits, with its source."""

from dataclasses import replace

from tests.report.job import make_job
from treescan.report.tables import limits_list
from treescan.rigging.gear import resolve_gear
from treescan.site.model import Gear


def test_every_item_of_the_gear_is_listed_with_limit_and_source():
    gear = resolve_gear(Gear())
    texts = [w.text("metric") for w in limits_list(replace(make_job(), gear=gear))]
    for item in (gear.line, gear.sling, gear.block, gear.friction_device):
        line = next(t for t in texts if item.name in t)
        assert item.source in line
        assert "[from memory]" in line
        assert "peak up to" in line
    assert any("the tag on the gear in hand leads" in t for t in texts)


def test_in_us_units_the_name_of_the_line_stays():
    gear = resolve_gear(Gear())
    texts = [w.text("us") for w in limits_list(replace(make_job(), gear=gear))]
    line = next(t for t in texts if gear.line.name in t)
    assert "lbf" in line
    assert "kN" not in line.replace(gear.line.source, "")
