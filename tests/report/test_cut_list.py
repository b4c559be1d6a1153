"""CSV lists: a row a step, numbers that match the job, nothing a spreadsheet would run."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pytest

from treescan.report.cautions import SHORT
from treescan.report.cut_list import (
    cut_list_csv,
    haul_csv,
    measurements_csv,
    measurements_text,
)
from treescan.report.facts import closest_clearance, piece_names, step_facts
from treescan.units import POUND_KG


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_one_row_a_step_with_the_jobs_numbers(job):
    rows = rows_of(cut_list_csv(job))
    assert [int(r["step"]) for r in rows] == [s.number for s in job.plan.steps]
    for row, step in zip(rows, job.plan.steps, strict=True):
        assert float(row["weight_high_kg"]) == pytest.approx(step.piece.mass_kg.high, abs=0.5)
        assert float(row["butt_diameter_cm"]) == pytest.approx(
            step.piece.butt_diameter_m * 100, abs=0.05
        )
        assert row["caution"] == SHORT
        if step.load:
            assert float(row["anchor_load_high_kN"]) == pytest.approx(
                step.load.anchor_load_n.high / 1e3, abs=0.005
            )
        else:
            assert row["anchor_load_high_kN"] == ""


def test_us_units_are_in_the_column_names(job):
    metric, us = rows_of(cut_list_csv(job)), rows_of(cut_list_csv(job, "us"))
    assert float(us[0]["weight_high_lb"]) * POUND_KG == pytest.approx(
        float(metric[0]["weight_high_kg"]), abs=1.0
    )
    assert not [k for k in us[0] if k.endswith(("_kg", "_kN", "_cm"))]


def test_a_cell_that_looks_like_a_formula_is_disarmed(job):
    steps = (replace(job.plan.steps[0], warnings=("=HYPERLINK(1)",)), *job.plan.steps[1:])
    text = cut_list_csv(replace(job, plan=replace(job.plan, steps=steps)))
    assert rows_of(text)[0]["warnings"].startswith("'=HYPERLINK(1)")


def test_haul_lists_material_and_loads(job):
    rows = rows_of(haul_csv(job))
    kinds = ["material"] * 3 + ["truck loads"] * 2 + ["quote"] * 2 + ["note"]
    assert [r["kind"] for r in rows] == kinds
    assert [r["quote_high"] for r in rows if r["kind"] == "quote"] == ["1050.0", "open"]
    assert float(rows[0]["mass_high_kg"]) == pytest.approx(job.haul.rows[0].mass_kg.high, abs=0.5)
    assert rows[4]["loads_high"] == "2"


def test_measurements_give_a_spread_and_what_was_not_seen(job):
    rows = {r["quantity"]: r for r in rows_of(measurements_csv(job))}
    dbh = rows["diameter at breast height"]
    assert float(dbh["low"]) < float(dbh["value"]) < float(dbh["high"])
    text = measurements_text(job)
    assert job.unseen[0] in text
    assert text.index("What the scan did not see") < text.index("How the scan was read")
    mass = rows["green mass"]
    assert f"Green mass: {mass['low']} to {mass['high']} kg, likely {mass['value']}" in text
    assert mass["high"].isdigit()
    assert SHORT in text


def test_pieces_of_one_limb_are_numbered_in_the_order_of_the_cuts(job):
    names = piece_names(job.plan)
    assert len(set(names.values())) == len(names)
    stem = [names[s.number] for s in job.plan.steps if s.piece.limb == 0]
    assert stem[0] == f"Stem, part 1 of {len(stem)}"


def test_closest_is_the_one_with_least_room_beyond_its_margin(job):
    chosen = closest_clearance(job.plan.steps[0])
    assert chosen is not None
    assert chosen.target == "fence"  # 1.9 - 0.2 - 1.0 m is the least of the three


def test_facts_say_ranges_and_what_governs(job):
    lowered = next(f for f in step_facts(job) if f.line)
    assert "–" in lowered.anchor_load.metric
    assert lowered.anchor_load.metric.endswith("kN")
    assert lowered.anchor_load.us.endswith("lbf")
    assert lowered.governs == "spar section at 4.2 m"
    dropped = next(f for f in step_facts(job) if not f.line)
    assert not dropped.tie
    assert dropped.share is None
