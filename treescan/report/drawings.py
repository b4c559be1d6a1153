"""The drawings a crew gets: the site from above, and each cut from the side and from above."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import LineString, MultiPoint, Polygon

from treescan.planning.sent_load import SentCase
from treescan.planning.types import JobResult, Step
from treescan.report import colours, wording
from treescan.report.frames import azimuth_deg
from treescan.report.ribbons import STAYS, Wood, wood_of
from treescan.report.site_shapes import landing_outline, own_landings, target_outline
from treescan.report.sketch import (
    PLAN,
    Sketch,
    clipped,
    north_arrow,
    scale_bar,
    side_view,
    swept_outline,
)
from treescan.report.wording import Words, plain

Floats = npt.NDArray[np.float64]
ON_LINE = ("lower", "speed line")
STANDING, PIECE, GONE = "#6B6459", "#222222", "#D8D3C8"


def plan_sketch(result: JobResult, wood: Wood | None = None, width_pt: float = 500.0) -> Sketch:
    """The site from above: targets, wires, zones, swept ground and landings; north is up.

    ``width_pt`` is how wide it will be drawn, which decides how much room the letters take;
    ``wood`` saves working it out again.
    """
    steps = result.plan.steps if result.plan else ()
    sketch = Sketch(plan_window(result, steps), "Site from above, north up", width_pt=width_pt)
    _zones(result, sketch)
    _swept(sketch, steps)
    _crown(result, wood or wood_of(result), sketch, STANDING)
    _targets(result, sketch)
    _landings(sketch, steps)
    _wires(result, sketch)
    _ground_anchors(result, sketch)
    _names(result, sketch)
    north_arrow(sketch)
    scale_bar(sketch)
    sketch.settle()
    return sketch


def site_sketch(result: JobResult, wood: Wood, width_pt: float = 240.0) -> Sketch:
    """What all steps share, seen from above, for :func:`step_overlay` to be drawn upon."""
    steps = result.plan.steps if result.plan else ()
    sketch = Sketch(plan_window(result, steps), "Site from above, north up", width_pt=width_pt)
    _zones(result, sketch)
    _crown(result, wood, sketch, GONE)
    _targets(result, sketch)
    _wires(result, sketch)
    _ground_anchors(result, sketch)
    _names(result, sketch)
    north_arrow(sketch)
    scale_bar(sketch)
    sketch.settle()
    return sketch


def step_overlay(wood: Wood, step: Step, base: Sketch) -> Sketch:
    """One step's piece, way and landing, in the window of the site's sketch."""
    sketch = Sketch(
        base.window_m, f"Step {step.number} from above, north up", width_pt=base.width_pt
    )
    _swept(sketch, (step,))
    bands = wood.bands(PLAN, wood.owner == step.number, 1.2 * base.metre_per_pt * 0.5)
    sketch.bands(bands, PIECE)
    _one_step(sketch, step)
    return sketch


def plan_window(result: JobResult, steps: tuple[Step, ...]) -> tuple[float, float, float, float]:
    """Window of the drawings from above: crown, zones, landings, and targets that are near."""
    site = result.site.localised(result.origin_m)
    shapes = [MultiPoint(result.graph.position_m[:, :2]).convex_hull.buffer(1.0)]
    near = shapes[0].buffer(4.0)
    shapes += [Polygon(z.footprint_m).intersection(near) for z in site.drop_zone]
    shapes += [Polygon(z.footprint_m).intersection(near) for z in site.landing]
    shapes += [target_outline(t).intersection(near) for t in site.target]
    reach = shapes[0].buffer(15.0)
    held = [shapely.Point(a.at_m[:2]) for a in site.ground_anchor]
    shapes += [p.buffer(0.5) for p in held if reach.contains(p)]
    shapes += [LineString(np.asarray(w.path_m)[:, :2]).intersection(near) for w in site.conductor]
    for step in steps:
        end = step.path.landing_m
        shapes.append(
            shapely.Point(end[0], end[1]).buffer(min(step.path.landing_radius_m, 2.0) + 0.5)
        )
    x0, y0, x1, y1 = shapely.union_all([s for s in shapes if not s.is_empty]).bounds
    pad = 0.08 * max(x1 - x0, y1 - y0)
    x0, y0, x1, y1 = x0 - pad, y0 - pad, x1 + pad, y1 + pad
    lack = (x1 - x0) * 0.7 - (y1 - y0)
    if lack > 0:
        y0, y1 = y0 - lack / 2, y1 + lack / 2
    lack = (y1 - y0) / 1.25 - (x1 - x0)
    if lack > 0:
        x0, x1 = x0 - lack / 2, x1 + lack / 2
    return (float(x0), float(y0), float(x1), float(y1))


def _zones(result: JobResult, sketch: Sketch) -> None:
    site = result.site.localised(result.origin_m)
    box = shapely.box(*sketch.window_m)
    for footprint, colour, slope in (
        *((z.footprint_m, colours.DROP_ZONE, 1.0) for z in site.drop_zone),
        *((z.footprint_m, colours.LANDING, -1.0) for z in own_landings(site)),
    ):
        shape = Polygon(footprint).intersection(box)
        if not shape.is_empty:
            sketch.area(shape, colour, colour, opacity=0.14)
            sketch.hatch(shape, colour, 0.06 * (sketch.window_m[2] - sketch.window_m[0]), slope)
            sketch.area(shape, None, colour, width_pt=1.2)


def _swept(sketch: Sketch, steps: tuple[Step, ...]) -> None:
    """Ground swept by falling pieces (grey) and by pieces on the line (blue, dashed)."""
    box = shapely.box(*sketch.window_m)
    for on_line, fill, stroke in (
        (False, "#000000", "#777777"),
        (True, colours.ON_LINE, "#0072B2"),
    ):
        areas = [_swept_by(s) for s in steps if (s.method in ON_LINE) == on_line]
        shape = shapely.union_all(areas).intersection(box) if areas else Polygon()
        sketch.area(shape, fill, None, opacity=0.12)
        sketch.area(shape, None, stroke, width_pt=0.6, dash_pt=(3, 2) if on_line else ())


def _swept_by(step: Step) -> Polygon:
    p, path = step.piece, step.path
    if not len(path.time_s):
        return Polygon()
    return swept_outline(
        p.outline_m, p.outline_radius_m, p.centre_m, path.centre_m, path.rotation, PLAN
    )


def _crown(result: JobResult, wood: Wood, sketch: Sketch, colour: str) -> None:
    everything = np.ones(len(wood.owner), dtype=bool)
    hull = MultiPoint(result.graph.position_m[:, :2]).convex_hull
    sketch.area(hull, None, "#8A8378", width_pt=0.6, dash_pt=(1, 2))
    sketch.bands(wood.bands(PLAN, everything, 0.5 * sketch.metre_per_pt), colour)
    base = result.graph.position_m[0]
    sketch.dot(base, max(result.measures.dbh_m / 2, 0.15), "#5A4A33", "#000000")


def _targets(result: JobResult, sketch: Sketch) -> None:
    box = shapely.box(*sketch.window_m)
    for target in result.site.localised(result.origin_m).target:
        outline = target_outline(target)
        shape = outline.intersection(box)
        if shape.is_empty:
            continue
        margin = outline.buffer(target.margin_m).intersection(box)
        sketch.area(margin, None, colours.TARGET, width_pt=0.6, dash_pt=(3, 2))
        sketch.area(shape, "#F7D9C6", colours.TARGET, width_pt=1.6)


def _wires(result: JobResult, sketch: Sketch) -> None:
    for wire in result.site.localised(result.origin_m).conductor:
        for part in clipped(np.asarray(wire.path_m)[:, :2], sketch.window_m):
            sketch.line(part, "#000000", width_pt=1.6)
            sketch.line(part, colours.CONDUCTOR, width_pt=1.0, dash_pt=(4, 3))


def _ground_anchors(result: JobResult, sketch: Sketch) -> None:
    """What holds the lower end of a stretched line, and the line where a step uses one."""
    steps = result.plan.steps if result.plan else ()
    cases = [s.load.case for s in steps if s.load is not None]
    spans = {
        case.lower_name: np.stack([case.line.upper_m[:2], case.line.lower_m[:2]])
        for case in cases
        if isinstance(case, SentCase) and case.line is not None
    }
    for span in spans.values():
        for part in clipped(span, sketch.window_m):
            sketch.line(part, "#0072B2", width_pt=1.2)
    size = 0.012 * (sketch.window_m[2] - sketch.window_m[0])
    for held in result.site.localised(result.origin_m).ground_anchor:
        if shapely.box(*sketch.window_m).contains(shapely.Point(held.at_m[:2])):
            sketch.dot(np.asarray(held.at_m), size, "#3B3B3B", "#000000")


def _names(result: JobResult, sketch: Sketch) -> None:
    site, box = result.site.localised(result.origin_m), shapely.box(*sketch.window_m)
    named = [(t.name, target_outline(t)) for t in site.target]
    named += [(z.name, Polygon(z.footprint_m)) for z in site.drop_zone]
    drawn = {name for name, _ in named}
    named += [(z.name, Polygon(z.footprint_m)) for z in site.landing if z.name not in drawn]
    for name, shape in named:
        seen = shape.intersection(box)
        if not seen.is_empty:
            at = seen.representative_point()
            sketch.say((at.x, at.y), _short(sketch, name), _letters(sketch), bold=True, loose=True)
    for held in site.ground_anchor:
        if box.contains(shapely.Point(held.at_m[:2])):
            place, text = (held.at_m[0], held.at_m[1]), _short(sketch, held.name)
            sketch.say(place, text, _letters(sketch), bold=True, loose=True)
    for wire in site.conductor:
        for part in clipped(np.asarray(wire.path_m)[:, :2], sketch.window_m)[:1]:
            at = LineString(part).interpolate(0.2, normalized=True)
            lift = 3 * sketch.metre_per_pt
            text = _short(sketch, wire.name)
            sketch.say((at.x, at.y + lift), text, _letters(sketch), bold=True, loose=True)


def _letters(sketch: Sketch) -> float:
    """Letter size in points: smaller on small drawings."""
    return 8.0 if sketch.width_pt >= 200 else 6.5


def _short(sketch: Sketch, name: str) -> Words:
    longest = 26 if sketch.width_pt >= 200 else 14
    return plain(name if len(name) <= longest else name[: longest - 1] + "…")


def _landings(sketch: Sketch, steps: tuple[Step, ...]) -> None:
    """Landing places; those close together share one mark with all their numbers."""
    groups: list[list[Step]] = []
    near = 24 * sketch.metre_per_pt
    for step in steps:
        end = step.path.landing_m[:2]
        for group in groups:
            middle = np.mean([s.path.landing_m[:2] for s in group], axis=0)
            if np.hypot(*(middle - end)) < near:
                group.append(step)
                break
        else:
            groups.append([step])
    for group in groups:
        end = np.mean([s.path.landing_m[:2] for s in group], axis=0)
        sketch.dot(end, 2.6 * sketch.metre_per_pt, "#000000", "#FFFFFF", width_pt=0.8)
        text = plain(landing_text([s.number for s in group]))
        at = end + np.array([0.0, 4 * sketch.metre_per_pt])
        sketch.say(at, text, _letters(sketch), bold=True, loose=True)


def landing_text(numbers: list[int], longest: int = 14) -> str:
    """Step numbers at a landing, or how many they are when the list is long."""
    text = number_runs(numbers)
    return text if len(text) <= longest else f"{len(numbers)} pieces"


def number_runs(numbers: list[int]) -> str:
    """Write numbers with runs joined.

    >>> number_runs([1, 2, 3, 5, 8, 9])
    '1–3, 5, 8, 9'
    """
    runs: list[list[int]] = []
    for n in sorted(numbers):
        if runs and n == runs[-1][-1] + 1:
            runs[-1].append(n)
        else:
            runs.append([n])
    parts = []
    for run in runs:
        parts += [f"{run[0]}–{run[-1]}"] if len(run) > 2 else [str(n) for n in run]
    return ", ".join(parts)


def _one_step(sketch: Sketch, step: Step) -> None:
    path, end = step.path.centre_m[:, :2], step.path.landing_m
    for part in clipped(path, sketch.window_m):
        sketch.line(part, "#000000", width_pt=1.0, dash_pt=(1, 2))
    outline = landing_outline(step.path).intersection(shapely.box(*sketch.window_m))
    sketch.area(outline, None, "#0072B2", width_pt=1.2)
    size = 0.02 * (sketch.window_m[2] - sketch.window_m[0])
    for slope in (1, -1):
        arm = np.array([size, slope * size])
        sketch.line(np.stack([end[:2] - arm, end[:2] + arm]), "#0072B2", width_pt=1.6)


def standing_runs(wood: Wood, step: Step) -> npt.NDArray[np.bool_]:
    """Runs still on the tree when this step is cut, the piece itself left out, shape (r,)."""
    return (wood.owner == STAYS) | (wood.owner > step.number)


def cut_sketch(
    result: JobResult, step: Step, wood: Wood | None = None, width_pt: float = 240.0
) -> Sketch:
    """One cut from the side: the piece dark, what stands grey, cut, tie, anchor and way drawn."""
    wood = wood or wood_of(result)
    p = step.piece
    out = np.asarray(p.centre_m - p.cut_m)[:2]
    if np.hypot(*out) < 0.2:
        out = np.asarray(step.path.landing_m - p.cut_m)[:2]
    looking = azimuth_deg(float(-out[1]), float(out[0]))  # the piece points to the right
    view = side_view(looking)
    title = f"Seen from the {_side_word(looking)}"
    sketch = Sketch(_cut_window(result, step, view), title, width_pt=width_pt)
    least = 0.8 * sketch.metre_per_pt
    _ground_line(result, sketch, step, view)
    stands = wood.bands(view, standing_runs(wood, step), least, sketch.window_m)
    sketch.bands(stands, "#CFCAC0")
    sketch.bands(wood.bands(view, wood.owner == step.number, least / 2), "#3C3C3C")
    for part in clipped(step.path.centre_m @ view.T, sketch.window_m):
        sketch.line(part, "#000000", width_pt=1.0, dash_pt=(1, 2))
    _line_and_tie(result, sketch, step, view)
    _cut_mark(sketch, step, view)
    scale_bar(sketch, 6.5, away_from_m=p.cut_m @ view.T)
    sketch.settle()
    return sketch


def _side_word(looking_deg: float) -> str:
    return wording.compass(looking_deg + 180.0)


def _cut_window(result: JobResult, step: Step, view: Floats) -> tuple[float, float, float, float]:
    """Square window round the piece, its tie, and the anchor when it is not far."""
    wood = result.graph.position_m[step.piece.nodes] @ view.T
    cut = step.piece.cut_m @ view.T
    room = 0.25 * float(np.ptp(np.vstack([wood, cut[None]]), axis=0).max())
    points = [wood, cut + room * np.array([[-1.0, -0.6], [0.0, 0.6]])]
    anchor = _anchor_place(result, step)
    if anchor is not None:
        points.append(np.atleast_2d(anchor @ view.T))
    cloud = np.vstack(points)
    low, high = cloud.min(0), cloud.max(0)
    half = max(float((high - low).max()) / 2 * 1.08, 1.2)
    middle = (low + high) / 2
    return (
        float(middle[0] - half),
        float(middle[1] - half),
        float(middle[0] + half),
        float(middle[1] + half),
    )


def _anchor_place(result: JobResult, step: Step) -> Floats | None:
    if step.anchor_id is None or result.plan is None:
        return None
    for ranked in result.plan.anchors:
        if ranked.anchor.anchor_id == step.anchor_id:
            return np.asarray(ranked.anchor.position_m, dtype=np.float64)
    return None


def _ground_line(result: JobResult, sketch: Sketch, step: Step, view: Floats) -> None:
    x0, _, x1, _ = sketch.window_m
    across = np.linspace(x0, x1, 30)
    depth = np.cross(view[0], [0.0, 0.0, 1.0])
    centre = step.piece.cut_m
    places = across[:, None] * view[0] + (centre @ depth) * depth
    z = result.ground.height(places[:, 0], places[:, 1])
    for part in clipped(np.column_stack([across, z]), sketch.window_m):
        sketch.line(part, "#5A4A33", width_pt=1.6)


def _line_and_tie(result: JobResult, sketch: Sketch, step: Step, view: Floats) -> None:
    anchor = _anchor_place(result, step)
    ties = np.reshape(step.tie_m, (-1, 3)) @ view.T
    size = 0.022 * (sketch.window_m[2] - sketch.window_m[0])
    if anchor is not None:
        at = anchor @ view.T
        for tie in ties:
            sketch.line([at, tie], colours.ANCHOR, width_pt=1.4)
        sketch.dot(at, 1.2 * size, "#FFFFFF", colours.ANCHOR, width_pt=1.6)
        sketch.say(
            (at[0] + 2 * size, at[1] + 0.6 * size),
            plain(str(step.anchor_id)),
            9,
            anchor="start",
            bold=True,
            loose=True,
        )
    for tie in ties:
        sketch.dot(tie, size, colours.TIE, "#000000", width_pt=0.8)


def _cut_mark(sketch: Sketch, step: Step, view: Floats) -> None:
    """A bold line across the cut, longer than the wood is thick."""
    at = step.piece.cut_m @ view.T
    along = step.piece.axis @ view.T
    size = float(np.hypot(*along))
    across = np.array([-along[1], along[0]]) / size if size > 0.2 else np.array([1.0, 0.0])
    wide = sketch.window_m[2] - sketch.window_m[0]
    half = max(0.75 * step.piece.butt_diameter_m, 0.04 * wide)
    sketch.line([at - half * across, at + half * across], "#FFFFFF", width_pt=4.0)
    sketch.line([at - half * across, at + half * across], colours.OVER_LIMIT, width_pt=2.2)
    sketch.say(
        at + (half + 0.02 * wide) * across, plain("cut"), 8, bold=True, colour=colours.OVER_LIMIT
    )
