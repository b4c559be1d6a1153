"""``plan.json``: the chosen plan in scan coordinates, with what replanning needs."""

from __future__ import annotations

import hashlib
import json
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from treescan.errors import OutputError
from treescan.planning.sent_load import SentCase
from treescan.planning.types import Alternative, JobResult, Plan, RankedAnchor, Step
from treescan.report.cautions import all_cautions
from treescan.report.frames import rounded, scan_point, scan_site
from treescan.rigging.types import LoadResult
from treescan.units import ZERO_BAND

FORMAT, VERSION = "treescan-plan", 1
Json = dict[str, Any]


def plan_document(result: JobResult) -> Json:
    """Return the document of ``plan.json`` (contract of outputs, version 1).

    All coordinates are scan coordinates.  Raises OutputError when there is no plan.
    """
    plan = result.plan
    if plan is None:
        raise OutputError("plan.json: this run made no plan. Give a site file and plan again.")
    document: Json = {
        "format": FORMAT,
        "version": VERSION,
        "scan_name": result.scan_name,
        "date": result.date,
        "name": plan.name,
        "feasible": plan.feasible,
        "explanation": plan.explanation,
        "smallest_change": plan.smallest_change,
        "hours": plan.hours.as_dict(2),
        "order": {"proved_best": plan.order_proved, "at_most_better_min": _gap(plan)},
        "origin_m": [float(v) for v in result.origin_m],
        "anchors": [_anchor(result, a) for a in plan.anchors],
        "tie_in": [_anchor(result, a) for a in plan.tie_ins],
        "steps": [_step(result, s) for s in plan.steps],
        "alternatives": [_alternative(a) for a in plan.alternatives],
        "schedule": [{k: _plain(v) for k, v in row.items()} for row in plan.schedule],
        "cautions": list(all_cautions(result)),
        "gear": _gear(result),
        "site": scan_site(result).model_dump(mode="json"),
    }
    document["plan_id"] = _identity(document)
    return document


def _gap(plan: Plan) -> float | None:
    return round(plan.order_gap_min, 1) if np.isfinite(plan.order_gap_min) else None


def plan_identity(result: JobResult) -> str:
    """Eight letters and digits that change whenever anything in the plan changes."""
    return "" if result.plan is None else str(plan_document(result)["plan_id"])


def _identity(document: Json) -> str:
    """Hash of the plan without the day it was printed."""
    kept = {k: v for k, v in document.items() if k != "date"}
    digest = hashlib.sha256(json.dumps(kept, sort_keys=True).encode()).hexdigest()
    return f"{digest[:4]}-{digest[4:8]}".upper()


def _plain(value: object) -> Any:
    """Numpy values, bands and nested rows as plain JSON values."""
    if hasattr(value, "as_dict"):
        return value.as_dict()
    if isinstance(value, np.ndarray):
        return [_plain(v) for v in value.tolist()]
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float):
        return round(value, 4)
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return value


def _anchor(result: JobResult, ranked: RankedAnchor) -> Json:
    a = ranked.anchor
    return {
        "id": a.anchor_id,
        "node": int(a.node),
        "position_m": scan_point(result, a.position_m),
        "height_m": round(a.height_m, 3),
        "diameter_m": round(a.diameter_m, 4),
        "union_ratio": round(a.union_ratio, 3),
        "allowable_N": round(a.allowable_n, 1),
        "governs": a.governs,
        "peak_N": round(ranked.peak_n, 1),
        "share": round(ranked.share, 4),
        "rank_reason": ranked.reason,
        "rejected": a.rejected,
        "best_direction": rounded(a.best_direction),
        "notes": list(a.notes),
    }


def _step(result: JobResult, step: Step) -> Json:
    p, load = step.piece, step.load
    path = np.column_stack([step.path.time_s, step.path.centre_m + result.origin_m])
    return {
        "step": step.number,
        "node": int(p.butt_node),
        "piece": {
            "limb": int(p.limb),
            "cut_m": scan_point(result, p.cut_m),
            "length_m": round(p.length_m, 3),
            "butt_diameter_m": round(p.butt_diameter_m, 4),
            "top_diameter_m": round(p.top_diameter_m, 4),
            "mass_kg": p.mass_kg.as_dict(2),
            "centre_m": scan_point(result, p.centre_m),
            "nodes": [int(n) for n in p.nodes],
        },
        "method": step.method,
        "tie": step.tie,
        "tie_m": [scan_point(result, t) for t in np.reshape(step.tie_m, (-1, 3))],
        "anchor": step.anchor_id,
        "redirects": list(step.redirects),
        "line_tension_N": (load.lead_tension_n if load else ZERO_BAND).as_dict(1),
        "anchor_load_N": (load.anchor_load_n if load else ZERO_BAND).as_dict(1),
        "governs": {
            "item": load.governs if load else "no line",
            "share": round(load.share, 4) if load else 0.0,
        },
        "load": _load(result, load) if load else None,
        "hinge": _hinge(step),
        "landing": step.landing,
        "landing_m": scan_point(result, step.path.landing_m),
        "landing_radius_m": round(step.path.landing_radius_m, 3),
        "impact_energy_J": round(step.path.impact_energy_j, 1),
        "clearance_m": {c.target: round(c.distance_m, 3) for c in step.clearances},
        "clearance_detail": [
            {
                "target": c.target,
                "distance_m": round(c.distance_m, 3),
                "spread_m": round(c.spread_m, 3),
                "margin_m": round(c.margin_m, 3),
                "kept": c.kept,
                "time_s": round(c.time_s, 3),
                "point_m": scan_point(result, c.point_m),
            }
            for c in step.clearances
        ],
        "path": np.round(path, 3).tolist(),
        "path_detail": _path_detail(result, step),
        "minutes": step.minutes.as_dict(2),
        "people": step.people,
        "warnings": list(step.warnings),
        "broken_limits": list(step.broken_limits),
        "reasons": list(step.reasons),
        "chance_of_breach": step.chance_of_breach,
    }


def _hinge(step: Step) -> Json | None:
    if step.hinge_azimuth_deg is None:
        return None
    below = step.hinge_below_level_deg
    return {
        "face_azimuth_deg": round(step.hinge_azimuth_deg, 1),
        "face_below_level_deg": round(below if below is not None else 0.0, 1),
    }


def _path_detail(result: JobResult, step: Step) -> Json:
    """Attitude and lead tension at each row of ``path``, the first touch and the landing's outline.

    ``turn_wxyz`` are unit quaternions that turn the piece as it stood on the tree.
    """
    path = step.path
    x, y, z, w = Rotation.from_matrix(np.asarray(path.rotation)).as_quat().T
    outline = np.zeros((0, 2)) if path.footprint_m is None else path.footprint_m
    touched = bool(np.isfinite(path.contact_time_s))
    return {
        "turn_wxyz": np.round(np.column_stack([w, x, y, z]), 4).tolist(),
        "lead_tension_N": np.round(path.tension_n, 1).tolist(),
        "contact_time_s": round(path.contact_time_s, 3) if touched else None,
        "contact_attitude_deg": round(path.contact_attitude_deg, 1) if touched else None,
        "landing_outline_m": np.round(outline + result.origin_m[:2], 3).tolist(),
    }


def _load(result: JobResult, load: LoadResult) -> Json:
    case = load.case
    return {
        "fall_tension_N": load.fall_tension_n.as_dict(1),
        "anchor_direction": rounded(load.anchor_direction, 4),
        "line_needed_m": round(load.line_needed_m, 2),
        "run_m": round(load.run_m, 3),
        "drop_m": round(case.drop_m, 3),
        "swing_deg": round(float(np.degrees(case.swing_rad)), 2),
        "locked": case.locked,
        "device_m": scan_point(result, case.device_m),
        "redirects_m": [scan_point(result, r) for r in np.reshape(case.redirects_m, (-1, 3))],
        "device_wraps": round(load.device_wraps, 2),
        "utilisation": {k: round(float(v), 4) for k, v in load.utilisation.items()},
        "worst_section_node": int(load.worst_section_node),
        "anchor_sway_m": round(load.anchor_sway_m, 4),
        "redirect_loads_N": [round(float(v), 1) for v in load.redirect_loads_n],
        "warnings": list(load.warnings),
        "failed": load.failed,
        "stretched_line": _stretched(result, load),
    }


def _stretched(result: JobResult, load: LoadResult) -> Json | None:
    """Ends, tightness and span of the line that a piece is sent down on."""
    case = load.case
    if not isinstance(case, SentCase) or case.line is None:
        return None
    return {
        "upper_m": scan_point(result, case.line.upper_m),
        "lower_m": scan_point(result, case.line.lower_m),
        "lower_end": case.lower_name,
        "lower_holds_N": round(case.lower_holds_n, 1) or None,
        "tightened_N": round(case.line.pretension_n, 1),
        "modulus_N": round(case.line.modulus_n, 1),
        "starts_at_share": round(case.begin, 3),
        "stops_at_share": round(case.stop, 3),
        "line_tension_N": load.lead_tension_n.as_dict(1),
        "control_line_tension_N": load.fall_tension_n.as_dict(1),
    }


def _alternative(item: Alternative) -> Json:
    return {
        "name": item.name,
        "peak_anchor_N": round(item.peak_anchor_n, 1),
        "peak_share": round(item.peak_share, 4),
        "min_clearance_m": round(item.min_clearance_m, 3)
        if np.isfinite(item.min_clearance_m)
        else None,
        "hours": item.hours.as_dict(2),
        "anchor_moves": item.anchor_moves,
        "explanation": item.explanation,
        "cuts": [int(s.piece.butt_node) for s in item.steps],
    }


def _gear(result: JobResult) -> Json | None:
    gear = result.gear
    if gear is None:
        return None
    items = {
        "line": gear.line,
        "sling": gear.sling,
        "block": gear.block,
        "friction_device": gear.friction_device,
    }
    return {
        **{
            key: {
                "name": g.name,
                "kind": g.kind,
                "mbs_N": round(g.mbs_n, 1),
                "modulus_N": round(g.modulus_n, 1),
                "efficiency": g.efficiency,
                "friction_ratio": g.friction_ratio,
                "source": g.source,
            }
            for key, g in items.items()
        },
        "line_length_m": gear.line_length_m,
        "knot_efficiency": gear.knot_efficiency,
        "wear_factor": gear.wear_factor,
    }
