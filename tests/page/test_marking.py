"""Taps become entries of the site file; heights come from the scan, voltages from a person."""

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.page.conftest import PROPOSED, square
from treescan.errors import InvalidInputError
from treescan.page.drafts import Drafts
from treescan.page.marking import Draft, box_corners, draft_of, draft_of_proposal, kept
from treescan.page.overlay import overlay
from treescan.page.proposals import already_marked, read_proposals
from treescan.page.site_map import MapFrame, SiteMap
from treescan.site.model import Site, Target
from treescan.site.reading import site_from_mapping

FRAME = MapFrame(left_m=100.0, top_m=220.0, metres_per_pixel=0.1, wide=200, high=200)


def site_map():
    """Level ground at 50 m, a shed 3 m high in one corner, a wire at 6 m along one row."""
    ground = np.full((200, 200), 50.0, dtype=np.float32)
    top = np.full((200, 200), np.nan, dtype=np.float32)
    top[10:40, 10:40] = 53.0
    top[100, :] = 56.0
    return SiteMap(FRAME, ground, top)


def tapped(kind, *places, **values):
    draft = Draft(kind, values=values)
    for x, y in places:
        draft.tap(x, y, site_map())
    return draft


@given(x=st.floats(100, 120), y=st.floats(200, 220))
def test_picture_and_scan_coordinates_are_inverse(x, y):
    assert FRAME.to_scan(*FRAME.to_pixel(x, y)) == pytest.approx((x, y))


def test_heights_come_from_the_scan():
    heights = site_map()
    assert heights.height_at(*FRAME.to_scan(20, 20)) == pytest.approx(3.0)
    assert heights.height_at(*FRAME.to_scan(150, 150)) is None
    corners = [FRAME.to_scan(x, y) for x, y in ((5, 5), (45, 5), (45, 45), (5, 45))]
    assert heights.height_within(corners) == pytest.approx(3.0)
    assert (
        heights.height_within([FRAME.to_scan(x, y) for x, y in ((60, 60), (80, 60), (80, 80))])
        is None
    )


def test_a_polygon_becomes_a_target_that_the_site_file_takes():
    data = kept({}, tapped("area", (101, 219), (104, 219), (104, 216), name="shed", height_m=3.0))
    target = site_from_mapping(data).target[0]
    assert (target.name, target.height_m, len(target.footprint_m)) == ("shed", 3.0, 3)


@given(
    st.tuples(*[st.floats(-20, 20)] * 6).filter(
        lambda t: (
            np.hypot(t[2] - t[0], t[3] - t[1]) > 0.5
            and abs((t[4] - t[0]) * (t[3] - t[1]) - (t[5] - t[1]) * (t[2] - t[0])) > 1.0
        )
    )
)
def test_a_box_is_a_rectangle_through_its_taps(taps):
    a, b, c = (list(taps[i : i + 2]) for i in (0, 2, 4))
    p, q, r, s = (np.array(corner) for corner in box_corners([a, b, c]))
    assert abs((q - p) @ (r - q)) < 0.02 * np.linalg.norm(q - p) * np.linalg.norm(r - q) + 0.02
    assert np.allclose(p + r, q + s, atol=0.01)
    depth = np.cross(np.append(q - p, 0), np.append(c - p, 0))[2] / np.linalg.norm(q - p)
    assert abs(abs(depth) - np.linalg.norm(r - q)) < 0.01


def test_a_flat_box_is_refused():
    with pytest.raises(InvalidInputError, match="far side"):
        box_corners([[0, 0], [1, 0], [2, 0]])


def test_a_wire_hangs_where_the_scan_saw_it_and_needs_a_voltage():
    draft = tapped("wire", FRAME.to_scan(20, 100), FRAME.to_scan(120, 101))
    assert [corner[2] for corner in draft.corners] == [56.0, 56.0]
    with pytest.raises(InvalidInputError, match="voltage is missing"):
        kept({}, draft)
    draft.values["kilovolts"] = 0.4
    wire = site_from_mapping(kept({}, draft)).conductor[0]
    assert wire.kilovolts == 0.4
    assert wire.margin_m is None  # the distance rule of its voltage holds, not a target's 1 m


def test_a_fence_and_a_tie_in_and_a_stem():
    data = kept({}, tapped("fence", (101, 201), (110, 201), height_m=1.8))
    data = kept(data, tapped("tie_in", (105, 205)))
    data = kept(data, tapped("near", (105.5, 205.5), (106, 206)))
    site = site_from_mapping(data)
    assert site.target[0].path_m == ((101, 201), (110, 201))
    assert site.climber.tie_in_m == (105, 205, 56)
    assert site.tree.near_m == (106, 206)


def test_names_are_made_different_and_a_change_takes_the_place_of_the_old_entry():
    draft = tapped("area", (101, 219), (104, 219), (104, 216), name="shed")
    data = kept(kept({}, draft), draft)
    assert [row["name"] for row in data["target"]] == ["shed", "shed 2"]
    again = draft_of("target", data["target"][0])
    again.replaces = ["target", "shed"]
    again.values["height_m"] = 4.0
    data = kept(data, again)
    assert [(r["name"], r["height_m"]) for r in data["target"]] == [("shed", 4.0), ("shed 2", 2.5)]


@pytest.mark.parametrize("kind", ["area", "box", "fence", "wire", "drop_zone", "near", "tie_in"])
def test_too_few_taps_are_refused_in_words(kind):
    with pytest.raises(InvalidInputError, match=r"[Tt]ap"):
        kept({}, Draft(kind, values={"kilovolts": 1.0}))


def test_nudges_move_the_last_corner():
    draft = tapped("area", (101, 219), (104, 219))
    draft.nudge(0.1, -0.2)
    assert draft.corners == [[101, 219], [104.1, 218.8]]


def proposals(folder, *, ground=None):
    text = PROPOSED.format(
        building=square(0, 0, 4), wire=[[0, 9, 6.0], [9, 9, 6.0]], ground=square(20, 20, 9)
    )
    (folder / "proposed_site.toml").write_text(text)
    return read_proposals(folder)


def test_proposals_are_read_with_how_sure_and_open_ground_apart(tmp_path):
    building, wire, ground = proposals(tmp_path)
    assert (building.part, building.how_sure) == ("target", 0.7)
    assert "ridge 2.6 m" in building.remark
    assert (wire.part, wire.how_sure) == ("conductor", 0.61)
    assert ground.part == "drop_zone"


def test_a_proposed_wire_is_not_given_a_voltage(tmp_path):
    _, wire, _ = proposals(tmp_path)
    draft = draft_of_proposal(wire)
    with pytest.raises(InvalidInputError, match="voltage is missing"):
        kept({}, draft)


def test_what_is_marked_already_is_not_proposed_again(tmp_path):
    building, wire, _ = proposals(tmp_path)
    site = Site(target=(Target(name="shed", footprint_m=((0, 0), (4, 0), (4, 4), (0, 4))),))
    assert already_marked(building, site) == "shed"
    assert already_marked(wire, site) == ""


@pytest.mark.parametrize("text", ["", "# only a comment", "# proposed, how sure: 0.5\n[[target]\n"])
def test_a_broken_proposal_file_gives_no_proposals(tmp_path, text):
    (tmp_path / "proposed_site.toml").write_text(text)
    assert read_proposals(tmp_path) == ()


def test_markup_in_a_name_stays_text_in_the_picture():
    name = "<img src=x onerror=alert(1)>\"'&"
    site = Site(target=(Target(name=name, footprint_m=((101, 201), (104, 201), (104, 204))),))
    svg = overlay(site, FRAME, Draft())
    assert "<img" not in svg
    assert set(re.findall(r"<(\w+)", svg)) <= {"polygon", "polyline", "text", "path"}


def test_a_draft_outlives_the_server_and_belongs_to_one_device(tmp_path):
    draft = tapped("area", (101, 219), (104, 219), name="shed")
    Drafts(tmp_path).keep("phone", "site", draft)
    again = Drafts(tmp_path)
    assert again.of("phone", "site") == draft
    assert again.of("laptop", "site") == Draft()
    assert again.of("phone", "tree") == Draft()


@pytest.mark.parametrize("text", ["[", "[]", '{"a site": 3}', '{"a site": {"kind": "x"}}'])
def test_a_broken_draft_file_is_an_empty_draft(tmp_path, text):
    (tmp_path / "drafts.json").write_text(text)
    assert Drafts(tmp_path).of("a", "site") == Draft()


def test_a_ground_anchor_is_one_tap_and_stands_above_the_ground():
    draft = tapped("ground_anchor", (110, 210), (112, 208), name="old maple", holds_kn=12.0)
    site = site_from_mapping(kept({}, draft))
    [held] = site.ground_anchor
    assert (held.name, held.holds_kn) == ("old maple", 12.0)
    assert held.at_m == pytest.approx((112, 208, 50.5))
    assert "old maple" in overlay(site, FRAME, Draft())
    again = draft_of("ground_anchor", held.model_dump())
    again.replaces = ["ground_anchor", "old maple"]
    again.values["holds_kn"] = 20.0
    changed = site_from_mapping(kept({"ground_anchor": [held.model_dump()]}, again))
    assert [a.holds_kn for a in changed.ground_anchor] == [20.0]
