"""The one-file report: escaping, no outside request in the text, whole without scripts."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from tests.report.job import NASTY
from treescan.report import report_html
from treescan.report.cautions import SHORT
from treescan.report.report_html import three_source

VOID = {"meta", "link", "input", "br", "img", "hr"}


class Reader(HTMLParser):
    """Collects tags, visible text outside scripts, ids; checks that tags nest."""

    def __init__(self):
        super().__init__()
        self.stack, self.text, self.ids, self.tags, self.wrong = [], [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self.ids += [v for k, v in attrs if k == "id"]
        if tag not in VOID:
            self.stack.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if not self.stack or self.stack.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data):
        if not {"script", "style"} & set(self.stack):
            self.text.append(data)


@pytest.fixture(scope="module")
def html(job):
    return report_html.report_html(job)


@pytest.fixture(scope="module")
def read(html):
    reader = Reader()
    reader.feed(html)
    return reader


def words(reader):
    return " ".join(" ".join(reader.text).split())


def test_tags_nest_and_ids_are_unique(read):
    assert not read.wrong
    assert not read.stack
    assert len(read.ids) == len(set(read.ids))


def test_names_from_outside_stay_text(html, read):
    assert "<img" not in html.split("<script", 1)[0]
    assert "<img src=x onerror=alert(1)>" in words(read)
    assert not [a for _, attrs in read.tags for a in attrs if a.startswith("on")]
    assert NASTY not in html


def test_nothing_is_asked_from_outside(html, read):
    places = [v for _, a in read.tags for k, v in a.items() if k in ("src", "href") and v]
    assert all(p.startswith(("#", "data:")) for p in places)
    assert "default-src 'none'" in html
    assert not re.search(r"@import|url\((?!#)", html.split("<script", 1)[0])


def test_all_sections_are_there_without_scripts(job, read):
    for key in (
        "site", "cuts", "anchors", "tie-in", "weights", "haul", "schedule", "others", "unseen",
        "limits", "cautions",
    ):  # fmt: skip
        assert key in read.ids
    text = words(read)
    assert text.count("Pictures of this cut") == len(job.plan.steps)
    for step in job.plan.steps:
        assert f"step-{step.number}" in read.ids
        for warning in step.warnings:
            assert warning in text
    assert SHORT in text
    for sentence in (*job.unseen, *job.decisions, *job.cautions):
        assert sentence in text


def test_every_quantity_is_there_in_both_systems(read, html):
    metric, us = html.count('<span class="um">'), html.count('<span class="us">')
    assert metric == us > 100


def test_a_plan_that_breaks_limits_is_marked_on_top(job):
    plan = replace(job.plan, feasible=False, smallest_change="Use a crane.")
    text = report_html.report_html(replace(job, plan=plan), three_d=False)
    assert text.index("Not a working plan") < text.index('class="facts"')
    assert text.index("Use a crane.") < text.index('id="cuts"')


def test_without_nicegui_the_report_lacks_only_the_view(job, monkeypatch):
    monkeypatch.setattr(report_html, "three_source", lambda: None)
    text = report_html.report_html(job)
    assert 'id="view3d"' not in text
    assert "made without the 3-D view" in text
    assert text.count('class="card"') == len(job.plan.steps)
    assert len(text) < 1e6


def test_three_js_offers_what_the_report_uses():
    pytest.importorskip("nicegui", reason="three.js comes out of the nicegui package")
    text = three_source()
    assert text is not None
    assert "OrbitControls" in text


def test_a_measured_tree_gets_a_report_without_cuts(measured):
    text = report_html.report_html(measured)
    assert "Measurements only: no cut plan was made" in text
    assert 'id="cuts"' not in text
    assert "Removal plan" not in text
    assert 'id="view3d"' in text
    assert 'id="slider"' not in text
    assert 'id="weights"' in text
