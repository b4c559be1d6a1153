"""Anchors and tie-ins: candidates, reasons, ranks."""

import numpy as np
import pytest

from tests.rigging.trees import OAK, flat_ground, graph_of, grown, massless, measures
from tests.scenes.grow import truth_graph
from treescan.errors import InvalidInputError
from treescan.mechanics.letrun import stop_factor
from treescan.mensuration.measures import UnionRow
from treescan.rigging.anchors import candidate_nodes, find_anchors, heights_m, why_not
from treescan.rigging.tie_ins import (
    FALL_FACTOR,
    KIT_KG,
    STOP_FACTOR,
    away_from_rigging,
    find_tie_ins,
    needed_n,
    second_tie_in,
    shared_out,
    tie_in_pull,
)
from treescan.site.model import Defect, Site
from treescan.skeleton.graph import MODELLED
from treescan.wood.mass import green_mass

SITE = Site(local=True)


def found(graph, mass=None, site=SITE, unions=(), ground=None, find=find_anchors, **more):
    mass = massless(graph) if mass is None else mass
    return find(graph, measures(unions), OAK, mass, site, ground or flat_ground(), **more)


def forked(ratio=0.5, radius=0.2):
    """Stem to 12 m with a side limb at 6 m and another at 9 m."""
    position = [[0, 0, z] for z in range(13)]
    parent, limb = list(range(-1, 12)), [0] * 13
    for number, height in enumerate((6, 9), start=1):
        way = 1.0 if number == 1 else -1.0
        for step in range(1, 5):
            position.append([way * step * 0.8, 0, height + 0.5 * step])
            parent.append(height if step == 1 else len(position) - 2)
            limb.append(number)
    thick = np.where(np.array(limb) == 0, radius, ratio * radius)
    return graph_of(position, parent, thick, limb=limb)


def by_node(anchors):
    return {anchor.node: anchor for anchor in anchors}


def test_every_union_and_sound_section_is_a_candidate():
    graph = forked()
    nodes, union = candidate_nodes(graph)
    assert {6, 9} <= set(nodes)
    assert union[list(nodes).index(6)] == 13
    assert len(nodes) > 8
    assert 0 not in nodes


def test_ids_and_order():
    anchors = found(forked())
    assert [anchor.anchor_id for anchor in anchors] == [f"A{i}" for i in range(1, len(anchors) + 1)]
    rejected = [bool(anchor.rejected) for anchor in anchors]
    assert rejected == sorted(rejected)
    assert not anchors[0].rejected
    assert anchors[0].allowable_n > 0
    assert "safety factor" in anchors[0].governs
    assert np.linalg.norm(anchors[0].best_direction) == pytest.approx(1.0)
    assert anchors[0].best_direction[2] < -0.8


def test_the_best_anchor_of_a_grown_tree_is_high_and_stout():
    graph, mass, _ = grown()
    best = found(graph, mass)[0]
    top = graph.position_m[:, 2].max()
    assert 0.3 * top < best.height_m < 0.8 * top
    assert best.diameter_m > 0.15
    assert "hangs within 60 deg" in best.notes[-1]


def test_thin_low_and_outer_places_say_why():
    graph = forked(ratio=0.2)
    anchors = by_node(found(graph))
    assert anchors[2].rejected.startswith("below the work")
    thin = next(a for a in anchors.values() if a.diameter_m < 0.1)
    assert thin.rejected.startswith("too thin")
    assert anchors[6].rejected == ""


def test_defects_reject_what_they_carry():
    graph = forked()

    def reason(kind, **place):
        site = Site(local=True, defect=(Defect(kind=kind, **place),))
        return by_node(found(graph, site=site))

    dead = reason("dead", limb=1)
    assert "dead wood" in dead[14].rejected
    assert dead[9].rejected == ""
    decayed = reason("decay", height_m=5.0, length_m=1.0)
    assert "decay or a crack" in decayed[9].rejected
    assert "decay" not in decayed[3].rejected
    cavity = reason("cavity", height_m=5.0, sound_shell_m=0.05)
    assert cavity[9].allowable_n < by_node(found(graph))[9].allowable_n


def test_a_poor_union_is_rejected():
    graph = forked(ratio=0.95)
    assert by_node(found(graph))[6].rejected.startswith("poor union")
    row = UnionRow(13, 6.0, 0.4, 0.2, 30.0, 0.5, True, "seam seen")
    assert by_node(found(forked(), unions=(row,)))[6].rejected.startswith("poor union")
    assert by_node(found(forked()))[6].rejected == ""


def test_a_weak_union_below_asks_for_a_second_anchor():
    anchors = by_node(found(forked(ratio=0.9)))
    beyond = anchors[11]
    assert any("second anchor on another leader" in note for note in beyond.notes)
    assert not any("second anchor" in note for note in anchors[3].notes)
    assert not any("second anchor" in note for note in by_node(found(forked()))[11].notes)


def test_unseen_wood_is_no_anchor():
    graph = forked()
    graph.source[6] = MODELLED
    graph.support[6] = 0.0
    assert "did not see it" in by_node(found(graph))[6].rejected


def test_weaker_wood_never_ranks_as_stronger():
    thick, slim = by_node(found(forked())), by_node(found(forked(radius=0.12)))
    for node in (3, 6, 9):
        assert slim[node].allowable_n < thick[node].allowable_n


def test_why_not_names_the_place_and_the_reason():
    graph = forked(ratio=0.2)
    args = (graph, measures(), OAK, massless(graph), SITE, flat_ground())
    assert "usable; allowable resultant" in why_not(*args, 6)
    assert "node 2 at 2.0 m" in why_not(*args, 2)
    assert "below the work" in why_not(*args, 2)
    with pytest.raises(InvalidInputError, match="node 99 is not in the tree"):
        why_not(*args, 99)


def test_heights_count_from_the_uphill_side():
    graph = forked()
    level = heights_m(graph, flat_ground(0.4))
    assert level[5] == pytest.approx(4.6)


@pytest.mark.parametrize("shape", ["broadleaf", "conifer", "leaning", "multistem"])
def test_every_shape_has_anchors_or_reasons(shape):
    graph = truth_graph(shape, 2)
    mass = green_mass(graph, OAK, in_leaf=True)
    anchors = found(graph, mass)
    assert anchors
    assert all(a.rejected or a.allowable_n > 0 for a in anchors)
    ties = found(graph, mass, find=find_tie_ins)
    weight = (SITE.climber.mass_kg + KIT_KG) * 9.81
    for tie in ties:
        if not tie.rejected:
            assert tie.union_ratio > 0 or any("choke the line" in note for note in tie.notes)
            assert 10 * tie.allowable_n >= needed_n(weight)
            pull, share = tie_in_pull(tie, SITE.climber.mass_kg)
            assert pull == pytest.approx(STOP_FACTOR * weight)
            assert share <= 1.0
            assert any("worst measured fall" in note for note in tie.notes)


@pytest.mark.published
def test_r1_r2_tie_in_loads_and_the_hundred_millimetre_limb():
    # Kane 2020 (UFUG 49:126625): 10.6 weights; 90 kg
    peak = FALL_FACTOR * 90 * 9.81
    assert peak == pytest.approx(9360, rel=2e-3)
    stress = 32 * 2000 * 0.5 / (np.pi * 0.1**3)
    assert stress == pytest.approx(10.2e6, rel=3e-3)
    assert 57e6 / stress == pytest.approx(5.6, abs=0.05)


@pytest.mark.published
def test_c12_an_abrupt_stop_is_within_what_a_tie_in_must_hold():
    # Kane 2007 (AUF 33(1), p. 41): 4.19 weights; safety factor 10 at the mean strength
    assert stop_factor(2.5, 0.1) == pytest.approx(STOP_FACTOR, rel=1e-3)
    assert needed_n(90 * 9.81) >= STOP_FACTOR * 90 * 9.81
    assert needed_n(1.0) / (1 - 1.645 * 0.16) == pytest.approx(10.0)


def test_tie_ins_are_unions_away_from_the_rigging():
    graph = forked()
    ties = found(graph, find=find_tie_ins)
    usable = [tie for tie in ties if not tie.rejected]
    assert [tie.node for tie in usable if tie.union_ratio > 0] == [9, 6]
    assert usable[0].anchor_id == "T1"
    assert usable[0].node in (9, 11, 12)
    assert any("bare limb lets the line slide" in tie.rejected for tie in ties)
    rigging = [a for a in found(graph) if a.node == 9]
    left = away_from_rigging(ties, rigging)
    apart = by_node(left)
    assert "shares its place with the rigging anchor" in apart[9].rejected
    assert apart[6].rejected == ""
    assert [bool(t.rejected) for t in left] == sorted(bool(t.rejected) for t in left)
    second = second_tie_in(ties, usable[0])
    assert np.linalg.norm(second.position_m - usable[0].position_m) >= 1.0
    assert second_tie_in(usable[:1], usable[0]) is None


def near(one, other):
    return np.linalg.norm(one.position_m - other.position_m) < 1.0


def test_the_best_tie_in_is_kept_for_the_climber():
    graph = forked()
    given, ties = found(graph), found(graph, find=find_tie_ins)
    anchors, left = shared_out(given, ties)
    first = left[0]
    assert first.anchor_id == "T1"
    assert not any(near(a, first) for a in anchors if not a.rejected)
    taken = [a for a, b in zip(anchors, given, strict=True) if a.rejected and not b.rejected]
    assert taken
    assert all(near(a, first) and "kept for the climber" in a.rejected for a in taken)


def test_the_only_anchor_stays_with_the_rigging():
    graph = forked()
    ties = found(graph, find=find_tie_ins)
    only = [a for a in found(graph) if not a.rejected and near(a, ties[0])][:1]
    anchors, left = shared_out(only, ties)
    assert anchors == tuple(only)
    usable = [t for t in left if not t.rejected]
    assert usable
    assert not near(usable[0], only[0])
    assert "kept for the rigging" in by_node(left)[ties[0].node].rejected
    assert shared_out(only, ties[:1]) == (tuple(only), ties[:1]), "one place for both: said later"


def test_a_wish_of_the_site_file_leads():
    graph = forked()
    wish = Site.model_validate({"local": True, "climber": {"tie_in_m": (0.0, 0.0, 6.0)}})
    assert found(graph, site=wish, find=find_tie_ins)[0].node == 6


def test_a_slim_tree_does_not_hold_a_climber():
    ties = found(forked(radius=0.062), find=find_tie_ins)
    assert all(tie.rejected for tie in ties)
    assert any("too weak for a person" in tie.rejected for tie in ties)
