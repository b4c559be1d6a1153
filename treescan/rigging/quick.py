"""One lift in numbers, without a tree: what ``treescan load`` answers."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from treescan.errors import InvalidInputError, SiteFileError
from treescan.mechanics.drop import two_leg_stiffness_n_m
from treescan.mechanics.friction import wraps_to_hold
from treescan.mechanics.inputs import within
from treescan.mechanics.letrun import slipping_drop
from treescan.mechanics.redirect import resultant_angle_rad, resultant_n
from treescan.mechanics.swing import swing_peak_factor
from treescan.rigging.gear import catalogue, find_gear, near_names
from treescan.rigging.peaks import Peaks, lead_peaks
from treescan.rigging.types import GearItem
from treescan.units import G_M_S2, Band

MODULUS_KN = (3.0, 800.0)
"""Line modulus accepted as a bare number: textile lowering lines. [kN]"""
MBS_KN = (1.0, 300.0)
KNOT_EFFICIENCY = 0.5
"""Share of the strength left at a knot; the conservative default of the site file too."""
WORKING_SHARE = 0.2
"""Share of the knotted strength that a peak may reach; the default of the site file too."""
HAND_N = 200.0
"""Pull of a brake hand on the tail of the line, as the site file's default. [N]"""
BOLLARD_MU = (0.15, 0.25)
"""Friction of line on smooth and on galvanised metal (Delaney 2022, p. 88: 0.14 to 0.25)."""


@dataclass(frozen=True)
class LoadQuestion:
    """A checked question; see :func:`quick_load` for the fields."""

    mass_kg: tuple[float, float, float]
    drop_m: float | None
    swing_rad: float
    line_length_m: float
    lead_m: float
    line: GearItem
    anchor_ratio: float
    included_rad: float
    run_m: float
    slip_n: float | None
    notes: tuple[str, ...]


def quick_load(  # noqa: PLR0913
    *,
    mass_kg: float | tuple[float, float, float],
    line: float | str,
    line_length_m: float,
    drop_m: float | None = None,
    swing_deg: float | None = None,
    lead_m: float | None = None,
    mbs_kn: float | None = None,
    anchor_ratio: float = 1.0,
    included_angle_deg: float = 0.0,
    run_m: float | None = None,
    slip_kn: float | None = None,
    locked: bool = False,
) -> dict[str, object]:
    """Tensions, anchor load and reach of one lift.

    Parameters
    ----------
    mass_kg : float or (low, likely, high)
        Mass of the piece; one number is used as it stands. [kg]
    line : float or str
        Line modulus EA in kN, or a catalogue name. [kN]
    line_length_m : float
        Line in service, lead included. [m]
    drop_m : float, optional
        Fall of the centre of mass before the line is taut. [m]
    swing_deg : float, optional
        Release angle from the plumb line on a taut line. [deg]
    lead_m : float, optional
        Line between piece and anchor; needed when ``anchor_ratio`` is above 1. [m]
    mbs_kn : float, optional
        Minimum breaking strength of the line. [kN]
    anchor_ratio : float
        q = T1 / T2 at the anchor, at least 1.
    included_angle_deg : float
        Between lead and fall; 0 is parallel. [deg]
    run_m, slip_kn : float, optional
        Line let run, or slip tension of the brake as felt by the lead. [m], [kN]
    locked : bool
        The line cannot run (also the default when neither run nor slip is given).

    Returns
    -------
    dict
        Keys of the design's section 6.

    Raises
    ------
    InvalidInputError
        A value is missing, out of range, or contradicts another.
    """
    lift = _checked(
        {
            "mass_kg": mass_kg,
            "drop_m": drop_m,
            "swing_deg": swing_deg,
            "line": line,
            "line_length_m": line_length_m,
            "lead_m": lead_m,
            "mbs_kn": mbs_kn,
            "anchor_ratio": anchor_ratio,
            "included_angle_deg": included_angle_deg,
            "run_m": run_m,
            "slip_kn": slip_kn,
            "locked": locked,
        }
    )
    return _answer(lift)


def _answer(lift: LoadQuestion) -> dict[str, object]:
    stiffness = float(
        two_leg_stiffness_n_m(
            lift.line.modulus_n, lift.lead_m, lift.line_length_m - lift.lead_m, lift.anchor_ratio
        )
    )
    peaks, run, notes = _peaks(lift, stiffness)
    factor = float(resultant_n(1.0, lift.anchor_ratio, lift.included_rad))
    high = float(peaks.high_n)
    weight = lift.mass_kg[2] * G_M_S2
    stretch = high / stiffness
    height = (lift.drop_m or 0.0) + lift.lead_m * (1.0 - math.cos(lift.swing_rad))
    share = high / lift.line.mbs_n if lift.line.mbs_n > 0.0 else None
    return {
        "lead_tension_N": _band(peaks, 1.0),
        "fall_tension_N": _band(peaks, 1.0 / lift.anchor_ratio),
        "anchor_load_N": _band(peaks, factor),
        "anchor_direction_deg": round(
            math.degrees(float(resultant_angle_rad(lift.anchor_ratio, lift.included_rad))), 3
        ),
        "run_m": round(run, 4),
        "lowest_point_below_anchor_m": round(lift.lead_m + stretch + run, 4),
        "energy_J": round(weight * (height + stretch + run), 3),
        "share_of_mbs": None if share is None else round(share, 6),
        "notes": [
            *lift.notes,
            *notes,
            *_share_notes(share, lift),
            _wraps_note(high / lift.anchor_ratio),
        ],
    }


def _peaks(lift: LoadQuestion, stiffness: float) -> tuple[Peaks, float, list[str]]:
    low, likely, high = (mass * G_M_S2 for mass in lift.mass_kg)
    weights = (low, likely, high)
    if lift.drop_m is None:
        factor = float(swing_peak_factor(lift.swing_rad))
        peaks = Peaks(np.asarray(low), np.asarray(factor * likely), np.asarray(factor * high))
        note = "taut swing: low is the hanging weight; likely and high are the free swing"
        return peaks, 0.0, [note]
    fall = lift.drop_m + lift.lead_m * (1.0 - math.cos(lift.swing_rad))
    if lift.slip_n is not None:
        return _slipping(lift, weights, fall, stiffness)
    peaks = lead_peaks(weights, fall, stiffness, lift.run_m)
    notes = ["high is the lossless energy bound; measured drops reach a third to a half of it"]
    if lift.swing_rad > 0.0:
        notes.append("drop and swing: the energy of both is put into the line (conservative)")
    if lift.run_m > 0.0:
        notes = [
            "high is the work-energy tension with the run given; if the line locks instead, "
            f"the bound is {float(lead_peaks(weights, fall, stiffness, 0.0).high_n) / 1000:.1f} kN"
        ]
    return peaks, lift.run_m, notes


def _slipping(
    lift: LoadQuestion, weights: tuple[float, float, float], fall: float, stiffness: float
) -> tuple[Peaks, float, list[str]]:
    assert lift.slip_n is not None
    slip = slipping_drop(weights[2], fall, stiffness, lift.slip_n)
    locked = lead_peaks(weights, fall, stiffness, 0.0)
    top = float(slip.peak_n)
    peaks = Peaks(np.minimum(locked.low_n, top), np.minimum(locked.likely_n, top), np.asarray(top))
    note = (
        f"the brake slips at {lift.slip_n / 1000:.1f} kN and lets {float(slip.run_m):.2f} m run"
        if slip.slips
        else "the brake does not slip at this tension: the line counts as locked"
    )
    return peaks, float(slip.run_m), [note]


def _share_notes(share: float | None, lift: LoadQuestion) -> list[str]:
    if share is None:
        return ["no breaking strength given: share of MBS not computed (give --mbs-kn)"]
    knotted = share / KNOT_EFFICIENCY
    allowed = lift.line.mbs_n * KNOT_EFFICIENCY * WORKING_SHARE / 1000
    rows = [
        f"share of MBS is of the new, unknotted line; with a knot that keeps {KNOT_EFFICIENCY:g} "
        f"it is {knotted:.2f}; at a working share of {WORKING_SHARE:g} a new knotted line takes a "
        f"peak of {allowed:.1f} kN"
    ]
    if knotted >= 1.0:
        rows.append("at the bound the knotted line would break: do not do this lift")
    elif knotted > WORKING_SHARE:
        rows.append(
            f"above {WORKING_SHARE:g} of the knotted strength: smaller piece, more run, longer or "
            "stronger line"
        )
    return rows


def _wraps_note(fall_n: float) -> str:
    """Turns on a bollard that hold the high fall tension by hand, from the capstan formula."""
    low, high = (float(wraps_to_hold(fall_n, HAND_N, mu)) for mu in reversed(BOLLARD_MU))
    if high <= 0.0:
        return f"one hand ({HAND_N:g} N) holds the fall without a turn on the device"
    return (
        f"to hold the high fall tension by hand ({HAND_N:g} N) a bollard needs "
        f"{math.ceil(2 * low) / 2:g} turns at friction {BOLLARD_MU[1]:g} to "
        f"{math.ceil(2 * high) / 2:g} at {BOLLARD_MU[0]:g}"
    )


def _checked(given: dict[str, object]) -> LoadQuestion:
    """Check every value and combination; the message names the option."""
    masses = _masses(given["mass_kg"])
    drop, swing = given["drop_m"], given["swing_deg"]
    if drop is None and swing is None:
        raise InvalidInputError("neither drop nor swing is given; give --drop-m or --swing-deg.")
    length = _number("line length", given["line_length_m"], 0.0, 400.0, "m", open_low=True)
    ratio = _number("anchor ratio", given["anchor_ratio"], 1.0, 20.0, "")
    item, notes = _line(given["line"], given["mbs_kn"])
    if len(set(masses)) == 1:
        notes.append("mass taken as one number: give low, likely and high to carry its spread")
    lead, lead_notes = _lead(given["lead_m"], length, ratio)
    run, slip = given["run_m"], given["slip_kn"]
    if given["locked"] and (run is not None or slip is not None):
        raise InvalidInputError("locked contradicts run or slip; give one of them.")
    if run is not None and slip is not None:
        raise InvalidInputError("both run and slip are given; give one of them.")
    if drop is None and (run is not None or slip is not None):
        raise InvalidInputError("run and slip belong to a drop; a taut swing takes neither.")
    if not given["locked"] and run is None and slip is None and drop is not None:
        notes.append("neither run nor slip given: the line counts as locked")
    run_m = 0.0 if run is None else _number("run", run, 0.0, 50.0, "m")
    slip_n = None if slip is None else 1e3 * _number("slip tension", slip, 0.0, 300.0, "kN")
    if slip_n is not None and slip_n <= masses[2] * G_M_S2:
        raise InvalidInputError(
            f"slip tension {slip_n / 1000:g} kN does not exceed the weight, "
            f"{masses[2] * G_M_S2 / 1000:.2f} kN: the piece never stops. Set the brake higher."
        )
    return LoadQuestion(
        mass_kg=masses,
        drop_m=None if drop is None else _number("drop", drop, 0.0, 50.0, "m"),
        swing_rad=0.0 if swing is None else math.radians(_number("swing", swing, 0.0, 90.0, "deg")),
        line_length_m=length,
        lead_m=lead,
        line=item,
        anchor_ratio=ratio,
        included_rad=math.radians(
            _number("included angle", given["included_angle_deg"], 0.0, 180.0, "deg")
        ),
        run_m=run_m,
        slip_n=slip_n,
        notes=(*notes, *lead_notes),
    )


def _number(
    name: str, value: object, low: float, high: float, unit: str, open_low: bool = False
) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InvalidInputError(f"{name} = {value!r} is not a number.")
    return float(within(name, value, low, high, unit=unit, open_low=open_low))


def _masses(value: object) -> tuple[float, float, float]:
    rows = tuple(value) if isinstance(value, tuple | list) else (value,) * 3
    if len(rows) != 3:
        raise InvalidInputError("mass: give one number, or low, likely and high.")
    low, likely, high = (_number("mass", row, 0.0, 50_000.0, "kg", open_low=True) for row in rows)
    if not low <= likely <= high:
        raise InvalidInputError(f"mass: low {low:g}, likely {likely:g}, high {high:g} do not rise.")
    return low, likely, high


def _line(line: object, mbs_kn: object) -> tuple[GearItem, list[str]]:
    mbs = None if mbs_kn is None else 1e3 * _number("MBS", mbs_kn, *MBS_KN, "kN")
    if isinstance(line, str):
        item = _catalogue_line(line)
        notes = [f"{item.name}: {item.source}"]
        return (item if mbs is None else GearItem(
            item.name, "line", mbs, item.source, item.modulus_n, 1.0, 1.0, item.kg_per_m,
            item.diameter_m,
        )), notes  # fmt: skip
    modulus = 1e3 * _number("line modulus EA", line, *MODULUS_KN, "kN")
    return GearItem("line", "line", mbs or 0.0, "as given", modulus), []


def _catalogue_line(name: str) -> GearItem:
    try:
        return find_gear(name, "line")
    except SiteFileError:
        near = near_names(name, [item for item in catalogue() if item.kind == "line"])
        raise InvalidInputError(
            f"line {name!r} is not in the catalogue; near matches: {'; '.join(near)}. Use one of "
            "them, or give the modulus EA in kN and --mbs-kn."
        ) from None


def _lead(lead: object, length: float, ratio: float) -> tuple[float, list[str]]:
    if lead is None:
        if ratio > 1.0:
            raise InvalidInputError(
                "lead is missing: with friction at the anchor the peak depends on it; "
                "give --lead-m."
            )
        return length, ["no lead given: the whole line counts as lead"]
    value = _number("lead", lead, 0.0, 400.0, "m", open_low=True)
    if value > length:
        raise InvalidInputError(
            f"lead {value:g} m is longer than the line in service, {length:g} m. Check both."
        )
    return value, []


def _band(peaks: Peaks, factor: float) -> dict[str, float]:
    return Band(
        float(peaks.low_n) * factor, float(peaks.likely_n) * factor, float(peaks.high_n) * factor
    ).as_dict(1)
