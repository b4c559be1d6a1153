"""What the loads are held against stands in the printed limits, with its source."""

import csv
import io
from dataclasses import replace

from tests.report.job import make_job
from treescan.report.cut_list import cut_list_csv
from treescan.report.facts import step_facts
from treescan.report.tables import card_words, limits_list
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


def test_turns_line_and_sway_stand_on_the_card():
    job = make_job()
    facts = [f for f in step_facts(job) if f.line]
    assert facts
    hung = next(s for s in job.plan.steps if s.load is not None)
    load = replace(hung.load, device_wraps=2.5, line_needed_m=38.2, anchor_sway_m=0.04)
    steps = tuple(replace(s, load=load) if s is hung else s for s in job.plan.steps)
    changed = replace(job, plan=replace(job.plan, steps=steps))
    fact = next(f for f in step_facts(changed) if f.number == hung.number)
    told = fact.gear.text("metric")
    assert "2.5 turns on the device hold it by hand (200 N)" in told
    assert "38 m of line of 60 m at hand" in told
    assert "the anchor moves 4–8 cm" in told
    assert "lbf" in fact.gear.text("us")
    assert ("Device", fact.gear) in card_words(fact)
    row = next(r for r in rows_of(cut_list_csv(changed)) if int(r["step"]) == hung.number)
    assert (row["device_wraps"], row["line_needed_m"]) == ("2.5", "38.2")


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text)))
