"""The printed card: every step, page x of y, the same bytes, both papers, nothing lost."""

from __future__ import annotations

import io
from dataclasses import replace

import pypdf
import pytest

from treescan.report.cautions import SHORT
from treescan.report.cut_card import cut_card_pdf
from treescan.report.plan_json import plan_identity


@pytest.fixture(scope="module")
def pdf(job):
    return cut_card_pdf(job)


def pages_of(data):
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages]


def flat(text):
    return " ".join(text.split())


def test_same_job_same_bytes(job, pdf):
    assert cut_card_pdf(job) == pdf


def test_every_page_says_which_plan_and_page_and_caution(job, pdf):
    pages = pages_of(pdf)
    for number, text in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in text
        assert plan_identity(job) in text
        assert job.date in text
        assert SHORT in flat(text)


def test_every_step_has_its_card_with_weight_load_and_warning(job, pdf):
    text = flat(" ".join(pages_of(pdf)))
    for step in job.plan.steps:
        assert f"{step.number}. " in text
        for warning in step.warnings:
            assert warning in text
    assert "plan on" in text
    assert "Aim SW" in text
    for title in ("Anchors, best first", "To haul", "Truck loads", "Cautions"):
        assert title in text
    for caution in job.cautions:
        assert caution in text


@pytest.mark.parametrize(
    ("units", "paper", "size"),
    [("metric", None, (595, 842)), ("us", None, (612, 792)), ("metric", "letter", (612, 792))],
)
def test_paper_follows_the_units_or_the_wish(job, units, paper, size):
    box = pypdf.PdfReader(io.BytesIO(cut_card_pdf(job, units, paper))).pages[0].mediabox
    assert (round(float(box.width)), round(float(box.height))) == size


def test_us_card_has_no_metric_weights(job):
    text = flat(" ".join(pages_of(cut_card_pdf(job, "us"))))
    assert " kg" not in text
    assert " kN" not in text
    assert " lb" in text


def test_rows_in_place_of_cards(job, pdf):
    data = cut_card_pdf(job, rows=True)
    assert len(pages_of(data)) < len(pages_of(pdf))
    text = flat(" ".join(pages_of(data)))
    for step in job.plan.steps:
        assert f"{step.number}. " in text


def test_a_plan_that_breaks_limits_says_so_on_every_page(job):
    step = replace(job.plan.steps[0], broken_limits=("Sweeps the shed by 0.4 m: cut it shorter.",))
    plan = replace(
        job.plan, steps=(step, *job.plan.steps[1:]), feasible=False, smallest_change="Use a crane."
    )
    pages = pages_of(cut_card_pdf(replace(job, plan=plan)))
    assert all("NOT A WORKING PLAN" in p for p in pages)
    assert "Accepted by" not in pages[0]
    assert "Not for acceptance" in pages[0]
    listed = flat(" ".join(pages_of(cut_card_pdf(replace(job, plan=plan), rows=True))))
    assert "LIMIT BROKEN: Sweeps the shed by 0.4 m: cut it shorter." in listed
    assert "Use a crane." in flat(pages[0])
    assert "Sweeps the shed by 0.4 m: cut it shorter." in flat(" ".join(pages))


def test_without_a_date_there_is_a_line_to_write_it_on(job):
    assert "date: ____" in pages_of(cut_card_pdf(replace(job, date="")))[0]
