"""Loads of a piece on a stretched line: line, upper anchor, spar, lower anchor, control line.

The line runs from an anchor on the tree down to a place off the tree; the piece hangs from a
carriage on it, held back by a control line over a block at the upper anchor.  Tensions follow
from :func:`treescan.motion.speed_line.carriage_place`: at the cut twice the weight comes on the
line (a sudden load, handbook 1), on the way the weight itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from treescan.motion.speed_line import StretchedLine, carriage_place
from treescan.rigging.cases import Rider
from treescan.rigging.gear import line_strength_n
from treescan.rigging.model import SAFETY_STEM, SparModel
from treescan.rigging.spar import Loads, each_a_case, peak_shares
from treescan.rigging.sway import buckling_load_n
from treescan.rigging.types import LoadCase, LoadResult
from treescan.units import G_M_S2, Band

Floats = npt.NDArray[np.float64]

SUDDEN = 2.0
STATIONS = 9
LEG_SHARE = 0.71
"""Pull in each of two legs that meet at a right angle, over the weight (statics)."""

FLATTEST = 0.3
"""A control line on a steeper part of the line than this cosine is taken as on this: our choice."""


@dataclass(frozen=True)
class SentCase(LoadCase):
    """A load case on a stretched line.

    Attributes
    ----------
    line : StretchedLine
    begin, stop : float
        Shares of the span where the piece hangs at the cut and where it is stopped.
    lower_name : str
    lower_holds_n : float
        What the lower end may carry, 0 when the site file does not say. [N]
    """

    line: StretchedLine | None = None
    begin: float = 0.1
    stop: float = 0.9
    lower_name: str = ""
    lower_holds_n: float = 0.0


@dataclass(frozen=True)
class _Pulls:
    """At the cut and at stations on the way, each (k, ...): line, control line, anchor force."""

    line_n: Floats
    control_n: Floats
    anchor_n: Floats


def sent_load(case: SentCase, spar: SparModel, rider: Rider | None = None) -> LoadResult:
    """Answer a case on a stretched line, on what stands, with the climber on the same tree.

    Returns
    -------
    LoadResult
        ``lead_tension_n`` is the stretched line's, ``fall_tension_n`` the control line's.
    """
    if not spar.standing[case.anchor.node]:
        return _refused(case, f"anchor {case.anchor.anchor_id} is on wood that no longer stands.")
    mass = case.piece.mass_kg
    low, likely, high = (_pulls(case, m) for m in (mass.low, mass.likely, mass.high))
    anchor = np.linalg.norm(high.anchor_n, axis=1)
    worst = int(np.argmax(anchor))
    shares = peak_shares(spar, _loads(case, high.anchor_n, rider, spar))
    row = int(np.argmax(shares.share))
    node = int(shares.worst_node[row])
    kind = "stem" if spar.graph.order[node] == 0 else "limb"
    down = float(np.maximum(-high.anchor_n[:, 2], 0.0).max())
    used = _gear_used(case, high, float(anchor[worst]), spar.limits.line_share_of_mbs)
    used[f"{kind} section at {shares.worst_height_m[row]:.1f} m"] = float(shares.share[row])
    used["root plate"] = float(shares.root_share.max())
    allowed = buckling_load_n(spar, case.anchor.node) * spar.limits.anchor_share
    used["buckling of the spar"] = SAFETY_STEM * down / allowed
    governs = max((k for k in used if k != "line length" or used[k] > 1.0), key=used.__getitem__)
    return LoadResult(
        case=case,
        lead_tension_n=_band([p.line_n.max() for p in (low, likely, high)]),
        fall_tension_n=_band([p.control_n.max() for p in (low, likely, high)]),
        anchor_load_n=_band(
            [np.linalg.norm(p.anchor_n, axis=1).max() for p in (low, likely, high)]
        ),
        anchor_direction=high.anchor_n[worst] / max(float(anchor[worst]), 1e-9),
        line_needed_m=_longest_m(case),
        run_m=0.0,
        utilisation=used,
        governs=governs,
        share=used[governs],
        worst_section_node=node,
        warnings=_warnings(case, high),
    )


def _loads(case: SentCase, anchor_n: Floats, rider: Rider | None, spar: SparModel) -> Loads:
    """The anchor's force at every station as a case, the climber's pull beside it."""
    count = len(anchor_n)
    point = np.repeat(case.anchor.position_m[None], count, axis=0)
    nodes = np.full(count, case.anchor.node, dtype=np.int64)
    if rider is None:
        return each_a_case(nodes, point, anchor_n)
    place = np.repeat(spar.graph.position_m[rider.node][None], count, axis=0)
    pull = np.repeat(np.array([[0.0, 0.0, -rider.pull_n]]), count, axis=0)
    return Loads(
        2 * np.arange(count + 1, dtype=np.int64),
        np.column_stack([nodes, np.full(count, rider.node)]).ravel().astype(np.int64),
        np.stack([point, place], axis=1).reshape(-1, 3),
        np.stack([anchor_n, pull], axis=1).reshape(-1, 3),
    )


def _pulls(case: SentCase, mass_kg: float) -> _Pulls:
    line, weight = case.line, mass_kg * G_M_S2
    assert line is not None
    share = np.concatenate([[case.begin], np.linspace(case.begin, case.stop, STATIONS)])
    parts = [
        carriage_place(line, share[:1], SUDDEN * weight),
        carriage_place(line, share[1:], weight),
    ]
    place = np.concatenate([p for p, _ in parts])
    tension = np.concatenate([t for _, t in parts])
    flat = (line.lower_m - line.upper_m)[:2]
    flat = flat / max(float(np.linalg.norm(flat)), 1e-9)
    up = line.upper_m - place
    up /= np.maximum(np.linalg.norm(up, axis=1), 1e-9)[:, None]
    on = line.lower_m - place
    on /= np.maximum(np.linalg.norm(on, axis=1), 1e-9)[:, None]
    runs = tension * ((up + on)[:, :2] @ flat)
    control = np.maximum(runs, 0.0) / np.maximum(-(up[:, :2] @ flat), FLATTEST)
    fall = case.device_m - line.upper_m
    fall = fall / max(float(np.linalg.norm(fall)), 1e-9)
    anchor = -(tension + control)[:, None] * up + control[:, None] * fall
    return _Pulls(tension, control, anchor)


def _gear_used(case: SentCase, high: _Pulls, anchor_n: float, limit: float) -> dict[str, float]:
    gear = case.gear
    strength = line_strength_n(gear)
    used = {
        "stretched line": float(high.line_n.max()) / (strength * limit),
        "line": float(high.control_n.max()) / (strength * limit),
        "line length": _longest_m(case) / gear.line_length_m,
    }
    if gear.sling.mbs_n > 0.0:
        sling = gear.sling.mbs_n * gear.sling.efficiency * gear.wear_factor
        used["sling"] = anchor_n / (sling * limit)
    if gear.block.mbs_n > 0.0:
        block = gear.block.mbs_n * gear.block.efficiency
        used["block"] = 2.0 * float(high.control_n.max()) / (block * limit)
    if gear.friction_device.mbs_n > 0.0:
        used["friction device"] = float(high.control_n.max()) / (gear.friction_device.mbs_n * limit)
    if case.tie == "two-leg":
        legs = SUDDEN * case.piece.mass_kg.high * G_M_S2 * LEG_SHARE
        used["two-leg sling"] = legs / (strength * limit)
    if case.lower_holds_n > 0.0:
        used[f"lower anchor {case.lower_name}"] = float(high.line_n.max()) / case.lower_holds_n
    return used


def _longest_m(case: SentCase) -> float:
    """The longer of the stretched line and its control line, tails included. [m]"""
    assert case.line is not None
    fall = float(np.linalg.norm(case.device_m - case.line.upper_m))
    return max(case.line.chord_m + 3.0, fall + case.stop * case.line.chord_m + 5.0)


def _warnings(case: SentCase, high: _Pulls) -> tuple[str, ...]:
    told = [
        f"stretched line to {case.lower_name}: it pulls there with up to"
        f" {high.line_n.max() / 1e3:.1f} kN",
        f"the control line holds the carriage with up to {high.control_n.max() / 1e3:.1f} kN",
    ]
    if case.lower_holds_n <= 0.0:
        told.append(f"prove what {case.lower_name} holds before anything hangs on it")
    if case.anchor.rejected:
        told.append(f"anchor {case.anchor.anchor_id} was rejected: {case.anchor.rejected}")
    return tuple(told)


def _band(values: list[np.floating | float]) -> Band:
    low, likely, high = (float(v) for v in values)
    return Band(low, likely, high)


def _refused(case: SentCase, reason: str) -> LoadResult:
    none = Band(0.0, 0.0, 0.0)
    return LoadResult(
        case=case,
        lead_tension_n=none,
        fall_tension_n=none,
        anchor_load_n=none,
        anchor_direction=np.array([0.0, 0.0, -1.0]),
        line_needed_m=0.0,
        run_m=0.0,
        utilisation={},
        governs="no answer",
        share=float("inf"),
        worst_section_node=-1,
        failed=reason,
    )


def from_case(case: LoadCase, **line: object) -> SentCase:
    """A plain case put on a stretched line."""
    fields = {name: getattr(case, name) for name in LoadCase.__dataclass_fields__}
    return replace(SentCase(**fields), **line)  # type: ignore[arg-type]
