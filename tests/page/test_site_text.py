"""Changes go into the text of the site file; what is not changed stays as it stands."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treescan.page.site_text import changed_text
from treescan.site.model import (
    Conditions,
    Conductor,
    Defect,
    DropZone,
    Haul,
    Job,
    Site,
    Target,
    TreeHint,
    Truck,
)
from treescan.site.reading import parse_site

SAMPLES = sorted((Path(__file__).parents[2] / "sample_scans").glob("*.toml"))
NAMES = ("shed", 'a "quoted" one', "<img src=x onerror=alert(1)>", "Gewächshaus №2")


def targets():
    corner = st.floats(-50, 50).map(lambda v: round(v, 2))
    return st.builds(
        lambda name, x, y, high: Target(
            name=name, footprint_m=((x, y), (x + 2, y), (x + 2, y + 3)), height_m=high
        ),
        st.sampled_from(NAMES), corner, corner, st.floats(0.1, 30),
    )  # fmt: skip


def sites():
    return st.builds(
        Site,
        job=st.builds(Job, name=st.sampled_from(NAMES), species=st.sampled_from(("oak", "ash"))),
        tree=st.builds(TreeHint, near_m=st.none() | st.just((1.5, 2.25))),
        conditions=st.builds(Conditions, wet=st.booleans(), in_leaf=st.none() | st.booleans()),
        target=st.lists(targets(), max_size=3, unique_by=lambda t: t.name).map(tuple),
        conductor=st.sampled_from(
            ((), (Conductor(name="drop", path_m=((0, 0, 6), (9, 9, 5)), kilovolts=0.4),))
        ),
        drop_zone=st.sampled_from(
            ((), (DropZone(name="lawn", footprint_m=((0, 0), (4, 0), (4, 4))),))
        ),
        defect=st.sampled_from(((), (Defect(kind="decay", height_m=1.0),))),
        haul=st.sampled_from(
            (Haul(), Haul(trucks=(Truck(name="one", volume_m3=3, payload_kg=900),)))
        ),
    )


@settings(max_examples=60, deadline=None)
@given(sites(), sites())
def test_any_change_reads_back_as_wanted(before, after):
    text = changed_text("", before)
    assert parse_site(text) == before
    assert parse_site(changed_text(text, after)) == after


@pytest.mark.parametrize("path", SAMPLES, ids=lambda p: p.stem)
def test_one_value_changes_one_line(path):
    text = path.read_text(encoding="utf-8")
    site = parse_site(text)
    crew = site.crew.model_copy(update={"ground": site.crew.ground + 1})
    changed = changed_text(text, site.model_copy(update={"crew": crew}))
    old, new = text.splitlines(), changed.splitlines()
    assert len(set(new) - set(old)) <= 2  # a value, and a table's head where there was none
    assert set(old) - set(new) <= {f"ground = {site.crew.ground}"}


def test_a_struck_out_target_takes_its_comment_and_leaves_the_others():
    text = (
        '[[target]]\nname = "a"\n# keep off\nfootprint_m = [[0, 0], [1, 0], [1, 1]]\n\n'
        '[[target]]\nname = "b"\n# glass\nfootprint_m = [[5, 0], [6, 0], [6, 1]]\n'
    )
    site = parse_site(text)
    changed = changed_text(text, site.model_copy(update={"target": site.target[1:]}))
    assert "glass" in changed
    assert "keep off" not in changed
