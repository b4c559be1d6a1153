"""Every warning on a card says what to do."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from treescan.report.advice import with_advice
from treescan.report.facts import step_facts
from treescan.report.plan_json import plan_document


@pytest.mark.parametrize(
    ("warning", "action"),
    [
        ("lands on an end and may flop to any side", "everyone twice its length away"),
        ("ground falls 12 degrees: may roll 3.0 m downhill", "nobody downhill"),
        ("up to 29 % of where it may lie is outside lawn", "close that ground too"),
        ("tag line holds it 1.2 m off plumb: about 90 N at the ground", "man the tag line"),
        ("if the fibres hold longer, it may strike the pond", "nobody on that side"),
        ("a union factor of 0.75 applies at the weakest section", "look closely at that union"),
        ("if the piece is pushed weaker, it may come to lie against the pond", "cover it"),
        ("must be pulled or wedged over 12 degrees first", "before the back cut"),
        ("something nobody foresaw", "settle it on site before this cut"),
    ],
)
def test_a_warning_gets_its_instruction_once(warning, action):
    said = with_advice(warning)
    assert said.startswith(warning)
    assert action in said
    assert with_advice(said) == said


def test_a_warning_that_instructs_stays_as_it_is():
    text = "Line lies over the shed on the way down: keep the tag line on until it is past."
    assert with_advice(text) == text


def test_cards_say_it_and_the_file_for_programs_keeps_the_plain_warning(job):
    plain = "lands on an end and may flop to any side"
    step = replace(job.plan.steps[0], warnings=(plain,))
    changed = replace(job, plan=replace(job.plan, steps=(step, *job.plan.steps[1:])))
    assert step_facts(changed)[0].warnings[0].metric == with_advice(plain)
    assert plain in json.dumps(plan_document(changed))
